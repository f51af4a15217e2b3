"""Figures: ``look`` is the same for all; one module for each kind."""
