"""Faults that a test orders through the side door: what real instruments do on bad days."""
