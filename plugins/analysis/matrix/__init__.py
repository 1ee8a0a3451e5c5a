"""Figures of the whole from-to matrix, from the figures of its transitions."""
