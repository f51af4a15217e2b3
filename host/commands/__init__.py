"""One module for each command; heavy imports wait until a command runs."""
