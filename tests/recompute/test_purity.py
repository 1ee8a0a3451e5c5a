"""The same raw files and methods give the same figures to the last bit, whatever the way."""

from __future__ import annotations

import random

from greystep.daemon.analysis.backend import Serial
from greystep.daemon.analysis.pool import Pool

from .laboratory import Laboratory, dump, method
from .tiny import COUNTS, tiny_engine

METHODS = [method(), method("low", threshold=0.1), method("power", "tiny-power"), method("bright", preparation="gain = 2.0")]


def reference(lab):
    with lab.fresh("reference.sqlite") as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, METHODS)
        return dump(catalogue)


def test_a_group_gives_figures_of_its_transitions_and_of_the_whole(lab: Laboratory):
    run = lab.run(conditions=("off",))
    with lab.fresh() as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, [method()])
        found = catalogue.results()
    single = [m for m in found if m.capture]
    assert len(single) == 12
    assert {m.run for m in found} == {run}
    mean = next(m for m in found if m.figure.quantity == "transition_duration_mean")
    values = [m.figure.value for m in single if m.figure.quantity == "transition_duration"]
    assert mean.figure.value == sum(values) / 6
    steps = {h.sha256 for h in lab.headers if h.meta.kind == "step"}
    steady = {h.sha256 for h in lab.headers if h.meta.kind == "steady"}
    assert set(mean.inputs) == steps | steady
    assert all(len(m.inputs) == 4 and steady < set(m.inputs) for m in single)
    assert all(list(m.inputs) == sorted(m.inputs) for m in found)


def test_cached_preparations_change_no_bit(lab: Laboratory):
    lab.run(power=True)
    expected = reference(lab)
    for name in ("first", "second"):
        COUNTS.clear()
        with lab.fresh(name) as catalogue:
            catalogue.add_captures(lab.headers)
            lab.compute(catalogue, METHODS, Serial(lab.engine()))
            assert dump(catalogue) == expected
        if name == "second":
            assert COUNTS.get("subjects", 0) == 0, "prepared traces should have come from the cache"
            assert COUNTS.get("context", 0) == 0


def test_a_damaged_cache_is_computed_again(lab: Laboratory):
    lab.run(conditions=("off",))
    expected = reference(lab)
    with lab.fresh("warm") as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, METHODS, Serial(lab.engine()))
    kept = sorted((lab.root / "prepared").glob("*/*/*.prepared"))
    assert kept
    for i, path in enumerate(kept):
        data = bytearray(path.read_bytes())
        if i % 3 == 0:
            data[-5] ^= 64
        path.write_bytes(data[: len(data) // 2] if i % 3 == 1 else data)
    with lab.fresh("again") as catalogue:
        catalogue.add_captures(lab.headers)
        lab.compute(catalogue, METHODS, Serial(lab.engine()))
        assert dump(catalogue) == expected


def test_any_order_of_arrival_gives_the_same_figures(lab: Laboratory):
    lab.run(power=True)
    lab.run("Plover", power=True, seed=5)
    expected = reference(lab)
    for seed in range(4):
        print("seed", seed)
        headers = list(lab.headers)
        random.Random(seed).shuffle(headers)
        with lab.fresh(f"order-{seed}") as catalogue:
            for header in headers:
                assert catalogue.add_capture(header)
                if seed % 2:
                    rows = [g.row for g in catalogue.run_groups(header.meta.run)]
                    lab.compute(catalogue, METHODS, rows=rows, settled=lambda _, s=seed: s == 3)
            lab.compute(catalogue, METHODS)
            assert dump(catalogue) == expected
            assert lab.compute(catalogue, METHODS).results == 0


def test_processes_give_the_same_figures_as_one(lab: Laboratory):
    lab.run(power=True)
    lab.run("Plover", power=True, seed=5)
    expected = reference(lab)
    pool = Pool(lab.setup, 2, factory=tiny_engine)
    try:
        with lab.fresh() as catalogue:
            catalogue.add_captures(lab.headers)
            progress = lab.compute(catalogue, METHODS, pool)
            assert dump(catalogue) == expected
            assert progress.deaths == 0
    finally:
        pool.close()
