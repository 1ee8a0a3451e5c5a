"""Moving edge: what a step response becomes for an eye that follows the moving edge.

step response -> `ends` (state levels) -> `profile` (moving-edge temporal profile) -> `edge_time`, `gaussian` -> figures
"""
