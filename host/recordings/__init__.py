"""Recordings: written, read back, held against the simulation."""
