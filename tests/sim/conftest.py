"""One virtual bench for the tests that leave it as they found it; connections to its instruments."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from greystep.sim_instruments.testing import VirtualBench

from .dialogue import Dialogue


@pytest.fixture(scope="session")
def running_bench() -> Iterator[VirtualBench]:
    """A bench that jumps to what is waited for."""
    with VirtualBench(panel="vireth-10x", speed="max", seed=7) as bench:
        yield bench


@pytest.fixture
def bench(running_bench: VirtualBench) -> VirtualBench:
    """The same, with a fresh display and no faults."""
    running_bench.clear_faults()
    running_bench.mount("vireth-10x")
    return running_bench


@pytest.fixture
def digitiser(bench: VirtualBench) -> Iterator[Dialogue]:
    """The digitiser, reset."""
    with Dialogue(bench.address("digitiser")) as dialogue:
        assert dialogue.ask("*RST;*CLS;*ESE 0;*OPC?") == "1"
        yield dialogue


@pytest.fixture
def pattern(bench: VirtualBench) -> Iterator[Dialogue]:
    """The pattern source, reset."""
    with Dialogue(bench.address("pattern")) as dialogue:
        assert dialogue.ask("*RST;*CLS;*OPC?") == "1"
        yield dialogue
