"""Accuracy of moving edge, delay and flicker on light whose truth is known.

    python -m tests.benchmarks.accuracy_motion_flicker [--trials N] [--seed N]

Prints, for each figure, light and signal-to-noise ratio: bias and scatter as a part of the truth, scatter and bias over the
stated standard uncertainty, and the coverage of the 95 % interval. SNR is step (or mean light) over noise of one sample of one
repeat, 20 log10.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from greystep.plugins.analysis.delay.estimator import DelayEstimator, DelayParameters
from greystep.plugins.analysis.flicker.estimator import FlickerEstimator, FlickerParameters
from greystep.plugins.analysis.motion.estimator import MovingEdgeEstimator, MovingEdgeParameters
from greystep.schema.figure import Figure
from greystep.schema.uncertainty import combine

from ..flicker import lights
from ..motion import traces

HZ, TAU_S, RATE_HZ, REPEATS = 60.0, 4e-3, 20e3, 10
Measure = Callable[[float, int], list[Figure]]


@dataclass(frozen=True)
class Case:
    """A light, how it is measured, and what is true of it."""

    name: str
    measure: Measure
    """(noise, seed) -> figures"""
    truth: dict[str, float]


def _edge(edge: traces.Edge, wait_s: float, truth: dict[str, float], name: str) -> Case:
    def measure(noise: float, seed: int) -> list[Figure]:
        subject = traces.transition(edge, noise=noise, repeats=REPEATS, wait_s=wait_s, seed=seed, rate_hz=RATE_HZ)
        moving = MovingEdgeEstimator().estimate(subject, traces.context(HZ), MovingEdgeParameters(refresh_rel_u=0.0))
        return moving + DelayEstimator().estimate(subject, traces.context(HZ), DelayParameters())

    return Case(name, measure, truth)


def _light(wave: lights.Wave, depth: float, index: float, name: str) -> Case:
    def measure(noise: float, seed: int) -> list[Figure]:
        subject = lights.held(wave, 240.3, noise=noise, seed=seed, rate_hz=RATE_HZ)
        return FlickerEstimator().estimate(subject, lights.context(), FlickerParameters())

    return Case(name, measure, {"flicker_frequency": 240.3, "modulation_depth": depth, "flicker_index": index})


def cases() -> Iterator[Case]:
    """Closed forms of the reference checks 2.2, 2.3 and 4.2 [derived]."""
    exponential = {
        "blur_edge_time": 15.803801e-3,
        "gaussian_edge_time": 16.084564e-3,
    }
    instants = {
        "delay_50": traces.LATENCY_S + TAU_S * math.log(2),
        "delay_first_light": traces.LATENCY_S - TAU_S * math.log(0.95),
    }
    yield _edge(traces.exponential(TAU_S), 0.0, exponential | instants, "exponential 4 ms, locked")
    waiting = {name: value + 0.5 / HZ for name, value in instants.items()}
    yield _edge(traces.exponential(TAU_S), 1 / HZ, exponential | waiting, "exponential 4 ms, asynchronous")
    sudden = {"blur_edge_time": 0.8 / HZ, "gaussian_edge_time": 0.819740808 / HZ, "delay_50": traces.LATENCY_S}
    yield _edge(traces.instant, 0.0, sudden, "instant, locked")
    yield _light(lights.sine(0.3), 0.3, 0.3 / math.pi, "sine 30 %")
    yield _light(lights.rectangle(1, 0.2, 0.3), 2 / 3, 0.38181818, "rectangle 1/0.2, d 0.3")
    yield _light(lights.triangle(0.4), 0.4, 0.1, "triangle 40 %")


def line(quantity: str, truth: float, figures: list[Figure]) -> str:
    """One line of the table."""
    numbers = [f for f in figures if f.measurable and not f.bound]
    if len(numbers) < 3:
        return f"  {quantity:22s} {'bounds only' if figures else 'nothing':>40s}"
    values = np.array([f.value for f in numbers])
    combined = [combine(f.budget) for f in numbers]
    u = float(np.mean([c.u for c in combined]))
    held = sum(abs(f.value - truth) <= c.expanded for f, c in zip(numbers, combined, strict=True))
    bias, scatter = float(np.mean(values)) - truth, float(np.std(values, ddof=1))
    return (
        f"  {quantity:22s} {100 * bias / truth:+9.4f} {100 * scatter / truth:9.4f} {scatter / u:8.2f} {abs(bias) / u:8.2f}"
        f" {100 * held / len(numbers):7.1f} {len(numbers):5d}/{len(figures)}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    print(f"seed {chosen.seed}, {chosen.trials} trials, {REPEATS} repeats (flicker: 4 records)")
    print(f"  {'figure':22s} {'bias %':>9s} {'scatter %':>9s} {'sc./u':>8s} {'bias/u':>8s} {'cover %':>7s} usable")
    for case in cases():
        for snr_db in (20, 30, 40, 60):
            noise = 10 ** (-snr_db / 20)
            print(f"{case.name}, {snr_db} dB")
            trials = [case.measure(noise, chosen.seed + i) for i in range(chosen.trials)]
            for quantity, truth in case.truth.items():
                print(line(quantity, truth, [f for figures in trials for f in figures if f.quantity == quantity]))


if __name__ == "__main__":
    main()
