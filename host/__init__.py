"""The bench side: commands, figures, reports, and the link to a board."""

__version__ = "0.1.0"
