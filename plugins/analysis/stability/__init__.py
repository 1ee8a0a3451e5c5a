"""Slow series of the light: `settle` (time to stable), `drift` (straight line), `allan` (deviation over averaging time)."""
