"""What the demo prints is what was measured, and what was measured is the simulator's truth."""

from __future__ import annotations

from pathlib import Path

import pytest
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.demo import run_demo
from greystep.daemon.demo.scenario import DISPLAYS
from greystep.daemon.home import Home
from greystep.sim_instruments.testing import VirtualBench

from tests.benchmarks.demo_error import errors_of


@pytest.mark.timeout(240)
def test_the_demo_measures_the_fastest_the_slowest_and_a_dipping_display_right(tmp_path: Path):
    chosen = [d for d in DISPLAYS if d.panel in ("quandle-27", "brumhal-7", "tessik-5")]
    done = run_demo(Home(tmp_path / "home"), displays=chosen, workers=1)
    assert done.captures == sum(48 for _ in chosen)
    assert done.report.exists()
    with Catalogue(done.home.catalogue) as catalogue:
        means = {s.title: s.value for s in catalogue.ranking("band-first-entry", "transition_duration_mean", Filter())}
    # Classes of the trade as means over 20 transitions (common practice, no source): 0.3 ms and 33 ms.
    assert next(v for k, v in means.items() if "Quandle" in k) == pytest.approx(0.3e-3, rel=0.1)
    assert next(v for k, v in means.items() if "Brumhal" in k) == pytest.approx(33e-3, rel=0.1)
    with VirtualBench(panel=chosen[0].panel, speed="max") as bench:
        errors = errors_of(done.home, bench, chosen, "band-first-entry", "code_first_entry_duration_s")
        others = errors_of(done.home, bench, chosen, "duration-10-90", "duration_10_90_s")
    assert len(errors) == len(others) == 120
    assert max(abs(e.relative) for e in errors) < 0.02
    assert sum(abs(e.relative) for e in errors) / len(errors) < 0.003
    # 95 % intervals: fewer than 33 of 40 happen once in a thousand. With dips left in the traces it was 18 to 32.
    for found in (errors, others):
        for display in chosen:
            inside = [abs(e.value_s - e.truth_s) <= e.expanded_s for e in found if e.display == display.panel]
            assert sum(inside) >= 33, (display.panel, sum(inside), len(inside))
