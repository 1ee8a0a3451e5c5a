"""Delay from the level command to the light, one value a repeat: `onset` finds the instants, `scan` where the sensor stands."""
