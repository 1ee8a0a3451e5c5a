"""Every built-in estimator keeps the promises that the published contract asks of anybody's."""

from __future__ import annotations

from typing import Any

import pytest
from greystep.daemon.host import PluginHost
from greystep.plugins.testing.contracts import EstimatorContract

ESTIMATORS = PluginHost.load().estimators


@pytest.mark.parametrize("name", sorted(ESTIMATORS))
class TestBuiltInEstimator(EstimatorContract):
    @pytest.fixture
    def estimator(self, name: str) -> Any:
        return ESTIMATORS[name]


def test_there_are_as_many_as_the_methods_use() -> None:
    assert {"transition", "transition-fit", "moving-edge", "flicker", "delay", "power", "warm-up", "light-level"} <= set(
        ESTIMATORS
    )
