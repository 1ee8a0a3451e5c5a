"""One long continuous record with changes of level at unknown times, to step and steady segments.

samples -> envelope (bounded) -> ripple -> changes -> plateaus -> levels -> cut (second reading)
"""
