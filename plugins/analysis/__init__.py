"""The built-in preparation of traces, estimators and method definitions, as one plugin.

Each line of the registry names a class; it is imported when the plugin host asks, never at import of this module.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any, Final

from greystep.schema.hooks import hookimpl

PREPARERS: Final = ("preparation.preparer:LightPreparer",)
ESTIMATORS: Final = (
    "transition.estimator:TransitionEstimator",
    "transition.fit_estimator:TransitionFitEstimator",
    "level.estimator:LightLevelEstimator",
    "motion.estimator:MovingEdgeEstimator",
    "delay.estimator:DelayEstimator",
    "flicker.estimator:FlickerEstimator",
    "stability.estimator:WarmUpEstimator",
    "power.estimator:PowerEstimator",
)


def _make(name: str) -> Any:
    module, _, cls = name.partition(":")
    return getattr(import_module(f"{__name__}.{module}"), cls)()


@hookimpl
def greystep_preparers() -> list[Any]:
    """The preparation `light`."""
    return [_make(name) for name in PREPARERS]


@hookimpl
def greystep_estimators() -> list[Any]:
    """The built-in estimators."""
    return [_make(name) for name in ESTIMATORS]


@hookimpl
def greystep_methods() -> list[Path]:
    """The built-in methods."""
    return sorted(Path(__file__).with_name("methods").glob("*.toml"))
