"""What can be asked for and ordered through the side door. Each order is a function of the bench; its result is JSON."""

from __future__ import annotations

import asyncio
import base64
from collections.abc import Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from .faults.order import FaultOrder
from .instruments.acquisition import Acquisition
from .instruments.record import light_luminance, light_volts, sample_times_s
from .panel.catalogue import PANELS
from .panel.display import Display
from .truth.transition import isolated_transition, transition_truth

if TYPE_CHECKING:
    from .bench import Bench


class OrderError(Exception):
    """An order that makes no sense."""


def hello(bench: Bench) -> dict[str, Any]:
    """Addresses, clock, display and its condition."""
    mounted = bench.world.mounted
    return {
        **bench.addresses(),
        "now_s": bench.world.advance(),
        "level": mounted.level,
        "condition": mounted.condition.as_dict(),
        "acquisitions": bench.digitiser.taken,
        "watchdog_fired": bench.pattern.watchdog_fired,
    }


def panels(bench: Bench) -> dict[str, Any]:
    """All displays that can be mounted."""
    return {
        "panels": [
            {
                "name": spec.name,
                "maker": spec.maker,
                "model": spec.model,
                "serial": spec.serial,
                "technology": spec.technology,
                "firmware": spec.firmware,
                "hardware": spec.hardware,
                "story": spec.story,
                "refresh_rates_hz": spec.refresh_rates_hz,
                "overdrive": list(spec.overdrive),
            }
            for spec in PANELS
        ]
    }


def mount(bench: Bench, panel: str, cold: bool = False) -> dict[str, Any]:
    """Put another display on the bench."""
    bench.world.mount(panel, cold)
    return {"panel": panel}


def skip(bench: Bench, seconds: float) -> dict[str, Any]:
    """Move simulated time forward."""
    bench.clock.skip(seconds)
    return {"now_s": bench.world.advance()}


def _acquisition(bench: Bench, number: int | None) -> Acquisition:
    history = bench.digitiser.history
    for acquisition in reversed(history):
        if number is None or acquisition.number == number:
            acquisition.advance(bench.world.advance())
            return acquisition
    raise OrderError(
        f"no acquisition {number}; kept are {[a.number for a in history][:1]} to {[a.number for a in history][-1:]}"
    )


async def truth(bench: Bench, acquisition: int | None = None) -> dict[str, Any]:
    """Exact figures of each segment of an acquisition (the last by default)."""
    chosen = _acquisition(bench, acquisition)
    segments = []
    for segment in range(len(chosen.triggers)):
        segments.append(segment_truth(chosen, segment))
        await asyncio.sleep(0)  # the instruments go on working meanwhile
    return {"acquisition": chosen.number, "segments": segments}


def segment_truth(acquisition: Acquisition, segment: int) -> dict[str, Any]:
    """Exact figures of the transition in one segment; only trigger and level where no level change caused it."""
    trigger = acquisition.triggers[segment]
    if trigger.cause is None:
        level = acquisition.mounted.trajectory_at(trigger.t_s).levels[-1][1]
        return {"trigger_s": trigger.t_s, "level": level}
    sent = trigger.cause
    trajectory = acquisition.mounted.trajectory_at(sent.frame_s)
    before, after_s = trajectory.around(sent.frame_s)
    until_s = min(trigger.t_s + acquisition.setup.after_s, after_s + trajectory.display.latency_s)
    figures = transition_truth(trajectory, sent.edge_s, sent.frame_s, until_s, before, sent.level)
    return {"trigger_s": trigger.t_s, "condition": trajectory.display.condition.as_dict(), **figures.as_dict()}


def trace(bench: Bench, segment: int, acquisition: int | None = None, kind: str = "luminance") -> dict[str, Any]:
    """Noise-free trace of one segment: float64, little endian, base64.

    `kind` is "luminance" (cd/m2, before the sensor), "transition" (the same with the backlight's modulation
    averaged out) or "volts" (after the sensor, before noise and converter).
    """
    chosen = _acquisition(bench, acquisition)
    if kind == "volts":
        values = light_volts(chosen, segment)
    elif kind in ("luminance", "transition"):
        values = light_luminance(chosen, segment, modulated=kind == "luminance")
    else:
        raise OrderError("kind must be luminance, transition or volts")
    return {
        "first_sample_s": float(sample_times_s(chosen, segment)[0] - chosen.triggers[segment].t_s),
        "interval_s": chosen.setup.interval_s,
        "values": base64.b64encode(np.ascontiguousarray(values, "<f8").tobytes()).decode(),
    }


def transition(bench: Bench, from_level: int, to_level: int, window_s: float = 1.0) -> dict[str, Any]:
    """Exact figures of an isolated transition of the mounted display in its present condition."""
    display: Display = bench.world.mounted.display
    return asdict(isolated_transition(display, from_level, to_level, window_s))


def fault(
    bench: Bench, instrument: str, kind: str, after: int = 0, times: int = 1, match: str = "", **parameters: Any
) -> dict[str, Any]:
    """Order a fault; see faults/order.py for kinds and parameters."""
    if instrument not in bench.servers:
        raise OrderError(f"no instrument {instrument!r}; there are {', '.join(bench.servers)}")
    order = FaultOrder(instrument, kind, after, times, match, parameters)
    bench.servers[instrument].faults.add(order)
    return order.as_dict()


def faults(bench: Bench) -> dict[str, Any]:
    """All faults ordered, with their hits."""
    return {"faults": [order.as_dict() for server in bench.servers.values() for order in server.faults.orders]}


async def clear_faults(bench: Bench) -> dict[str, Any]:
    """Forget all faults; instruments that were away or replaced are back."""
    for server in bench.servers.values():
        server.faults.orders.clear()
        await server.restore()
    return {}


def stop(bench: Bench) -> dict[str, Any]:
    """End the bench."""
    bench.stopping.set()
    return {}


ORDERS: dict[str, Callable[..., Any]] = {
    order.__name__: order for order in (hello, panels, mount, skip, truth, trace, transition, fault, faults, clear_faults, stop)
}
"""Orders by name."""
