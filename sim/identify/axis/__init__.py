"""One axis from its logs: read, fitted, predicted; a motor on the table."""
