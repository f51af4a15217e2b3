"""Gains: margins, cost, search."""
