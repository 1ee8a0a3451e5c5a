"""When the scan reaches a line, and how long a change waits for the scan."""

from __future__ import annotations

import math

ACTIVE_PART = 0.96
"""Active part of the refresh period for 1080 of 1125 lines."""


def scan_offset_s(refresh_rate_hz: float, fraction: float, active_part: float = ACTIVE_PART) -> float:
    """Time from the first scanned line to the line at `fraction` of the height: T * active_part * fraction, in s.

    Source: t_row = T row / V_total (derived); 1125 lines in total for 1080 active ones, CTA-861 (from memory).
    """
    return active_part * fraction / refresh_rate_hz


def waiting_time_s(refresh_rate_hz: float) -> tuple[float, float]:
    """Mean T/2 and standard deviation T/sqrt(12) of the wait of an event that is asynchronous with the scan, in s (derived)."""
    period_s = 1.0 / refresh_rate_hz
    return period_s / 2.0, period_s / math.sqrt(12.0)
