"""Electrical power of a condition: `reading` (mean with the meter's specification), `runtime` (what it means for a battery).

A figure that compares conditions needs the figures of a sibling group. They come as `context.others["figures"]`: a mapping
from `Condition.key` to the figures that the same method gave for that group of the same run (of its captures and of the
group). The estimator works out which condition it needs: the same one with the overdrive off. Where that group is missing
the difference is given with a reason, so that a group can be summarised before its sibling is there, and again after.
"""
