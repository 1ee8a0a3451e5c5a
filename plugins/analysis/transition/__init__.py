"""Figures of one transition between two levels."""
