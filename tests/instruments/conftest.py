"""The virtual bench as a process, and drivers opened on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from greystep.plugins.instruments.offered import offered_drivers
from greystep.sim_instruments.testing import VirtualBench

Dialogue = list[tuple[str, str, str]]


@pytest.fixture(scope="module")
def bench() -> Iterator[VirtualBench]:
    with VirtualBench(speed="max") as running:
        yield running


@pytest.fixture
def dialogue() -> Dialogue:
    return []


@pytest.fixture
def opened(bench: VirtualBench, dialogue: Dialogue) -> Iterator[Callable[..., Any]]:
    """opened("digitiser", timeout_s=...) is the opened driver of that role."""
    specs = {spec.role: spec for spec in offered_drivers() if spec.name.startswith("scpi-")}
    with ExitStack() as stack:

        def open_role(role: str, **settings: Any) -> Any:
            spec = specs[role]
            checked = spec.settings.model_validate({"resource": bench.resources[role], **settings})
            driver = spec.open(checked, lambda *entry: dialogue.append(entry))
            stack.callback(driver.close)
            return driver

        yield open_role
