"""The compiled loops find what plain numpy finds, on anything."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from greystep.plugins.analysis.kernels import record, repeats
from greystep.plugins.analysis.kernels.compiling import FLOAT, OPTIONS, VECTOR
from greystep.plugins.analysis.kernels.windows import height
from greystep.plugins.analysis.transition.crossing import find_crossing
from greystep.plugins.analysis.transition.polynomial import SHARP, Smear, tables_of
from greystep.plugins.analysis.transition.repeats import repeats_of
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from . import edges, plain_windows

SEEDS = st.integers(0, 2**32 - 1)


@pytest.mark.parametrize("smear", [SHARP, Smear(20.0, 2, 50.0)])
@pytest.mark.parametrize("window", [0, 3, 12, 20])
def test_tables_turn_moments_into_the_fit_of_least_squares(smear: Smear, window: int) -> None:
    nest = tables_of(smear)
    half = int(nest.halves[window])
    x = np.arange(-half, half + 1) / half
    y = np.random.default_rng(window).normal(size=len(x))
    for solve, terms in ((nest.cubic, 4), (nest.quintic, 6)):
        moments = np.array([(y * x**k).sum() for k in range(terms)])
        direct = smear.matrix(half, terms) @ np.polynomial.polynomial.polyfit(x, y, terms - 1)
        assert solve[window] @ moments == pytest.approx(direct, rel=1e-7, abs=1e-8)
    design = np.vander(x, 6, increasing=True)
    plain = smear.matrix(half, 6) @ np.linalg.inv(design.T @ design) @ smear.matrix(half, 6).T
    assert nest.gram[window] == pytest.approx(plain, rel=1e-6)


@given(SEEDS, st.sampled_from([0.0, 1e-4, 3e-3, 0.02]), st.integers(0, 4))
@settings(max_examples=60)
def test_crossing_is_that_of_plain_fits_window_after_window(seed: int, noise: float, back: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(900.0)
    tau = float(rng.uniform(8, 120))
    clean = edges.cascade(2, tau)(t - 300)
    rows = clean + rng.normal(0, 2 * noise, (5, len(t)))
    trace = rows.mean(axis=0)
    level = float(rng.uniform(0.2, 0.8))
    guess = float(np.argmax(clean > level))
    levels = level + rng.normal(0, 1e-3, 5)
    light = np.repeat(rows, 2, axis=0)[::2]
    found = find_crossing(trace, level, guess, noise, True, 200, SHARP, back, repeats_of(light), levels)
    if found is None:
        assert plain_windows.crossing(trace - level, round(guess), 200, noise, back) is None
        return
    plain = plain_windows.crossing(trace - level, found.centre, 200, noise, back)
    assert plain is not None
    assert (found.half, found.position) == (plain[1], pytest.approx(plain[0], abs=1e-7))
    assert found.u_noise == pytest.approx(plain[2], rel=1e-6, abs=1e-12)
    others = (rows.sum(axis=0) - rows) / 4
    direct = [
        plain_windows.position_of_quintic(o, found.centre, found.half, float(v), found.position)
        for o, v in zip(others, levels, strict=True)
    ]
    assert found.replicates == pytest.approx(direct, abs=1e-6, nan_ok=True)


@given(SEEDS, st.sampled_from([1e-4, 1e-2]), st.integers(10, 290))
@settings(max_examples=40)
def test_height_at_a_sample_is_that_of_plain_fits(seed: int, noise: float, at: int) -> None:
    rng = np.random.default_rng(seed)
    rows = edges.second_order(0.3, 0.05)(np.arange(300.0) - 100) + rng.normal(0, 2 * noise, (4, 300))
    trace, nest, out, others = rows.mean(axis=0), tables_of(), np.empty(4), np.empty(4)
    flat = repeats_of(rows)
    tables = (nest.halves, nest.cubic, nest.variances, nest.quintic, nest.gram)
    height(trace, float(at), 80, noise, 1e-6, 0.0, *tables, flat.rows, flat.stride, out, others)
    room = max(3, min(80, at, 299 - at))
    value, half = plain_windows.place(trace, at, room, noise, 1e-6)
    assert out[:2] == pytest.approx([at, value], abs=1e-9)
    left = (rows.sum(axis=0) - rows) / 3
    x = np.arange(-half, half + 1) / half
    direct = [np.polynomial.polynomial.polyfit(x, row[at - half : at + half + 1], 5)[0] for row in left]
    assert others == pytest.approx(direct, abs=1e-9)


@given(SEEDS, st.integers(1, 6), st.integers(1, 700), st.integers(1, 40), st.integers(1, 3))
def test_one_pass_over_the_repeats_gives_what_numpy_gives(seed: int, count: int, samples: int, block: int, every: int) -> None:
    whole = np.random.default_rng(seed).normal(3, 1, (count * every, samples))
    light = whole[::every]
    flat = repeats_of(light)
    blocks = samples // block + 1
    total, sums, squares = np.empty(samples), np.empty((count, blocks)), np.empty((count, blocks))
    found = repeats.gather(flat.rows, flat.stride, count, block, 1e-100, 1e100, total, sums, squares)
    assert found == (repeats.CHANGING if samples > 1 else repeats.CONSTANT)
    assert total == pytest.approx(light.sum(axis=0), rel=1e-12)
    for b in range(blocks):
        part = light[:, b * block : (b + 1) * block]
        assert sums[:, b] == pytest.approx(part.sum(axis=1), rel=1e-12, abs=1e-12)
        size = part.shape[1]
        assert squares[:, b] == pytest.approx(part.var(axis=1) * size if size else np.zeros(count), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e150])
def test_one_pass_tells_of_impossible_samples(bad: float) -> None:
    light = np.ones((3, 50))
    light[1, 17] = bad
    out = (np.empty(50), np.empty((3, 6)), np.empty((3, 6)))
    assert repeats.gather(light.ravel(), 50, 3, 10, 1e-100, 1e100, *out) == repeats.IMPOSSIBLE
    light[1, 17] = 1.0
    assert repeats.gather(light.ravel(), 50, 3, 10, 1e-100, 1e100, *out) == repeats.CONSTANT


@given(SEEDS, st.integers(3, 400), st.integers(1, 50))
def test_median_of_second_differences(seed: int, n: int, most: int) -> None:
    values = np.random.default_rng(seed).normal(size=n)
    stride = max(1, n // most)
    plain = np.median(np.abs(values[2::stride] - 2 * values[1:-1:stride] + values[:-2:stride]))
    assert repeats.second_differences(values, most) == pytest.approx(plain, rel=1e-12)


@given(SEEDS, st.integers(2, 9), st.integers(2, 60))
def test_variance_between_repeats(seed: int, count: int, blocks: int) -> None:
    means = np.random.default_rng(seed).normal(size=(count, blocks + 1))
    plain = np.median(np.diff(means[:, :blocks], axis=1).var(axis=0, ddof=1))
    assert repeats.between_repeats(means, blocks) == pytest.approx(plain, rel=1e-9)


@given(SEEDS, st.integers(2, 50))
def test_jackknife(seed: int, n: int) -> None:
    values = np.random.default_rng(seed).normal(5, 1, n)
    assert repeats.jackknife(values) == pytest.approx(np.sqrt((n - 1) / n * ((values - values.mean()) ** 2).sum()))


@given(SEEDS, st.integers(1, 500), st.floats(0.2, 3), st.booleans())
def test_resting_blocks(seed: int, n: int, noise: float, backwards: bool) -> None:
    rng = np.random.default_rng(seed)
    blocks = rng.normal(size=n) + 4 * (np.arange(n) > rng.integers(0, n + 1))
    found = repeats.resting(blocks, noise, 2, 3.0, backwards)
    row = blocks[::-1] if backwards else blocks
    z = [(row[k] - row[:k].mean()) / (noise * np.sqrt(1 + 1 / k)) for k in range(2, n)]
    plain = n
    for k, here in enumerate(z, start=2):
        there = z[k - 1] if k - 1 < len(z) else here
        if min(here, there) > 3 or max(here, there) < -3 or abs(here) > 6:
            plain = max(2, k - 1)
            break
    assert found == plain


@given(SEEDS, st.integers(9, 300))
def test_median_of_every_second_of_nine(seed: int, n: int) -> None:
    trace = np.random.default_rng(seed).normal(size=n)
    out = np.empty(n)
    record.despike(trace, out)
    plain = [float(np.median(trace[i - 4 : i + 5 : 2])) for i in range(4, n - 4)]
    assert out.tolist() == [*trace[:4], *plain, *trace[-4:]]


def test_no_compiled_file_calls_another() -> None:
    """What is kept on disk is made anew when its own file changes only: a call across files would run old code."""
    folder = Path(record.__file__).parent
    allowed = ("from .compiling import", "from __future__", "from numpy", "from typing")
    for file in folder.glob("*.py"):
        lines = [line for line in file.read_text().splitlines() if line.startswith("from ")]
        assert file.name in ("compiling.py", "__init__.py") or all(line.startswith(allowed) for line in lines), file.name


def test_works_where_nothing_can_be_kept_on_disk(tmp_path: Path) -> None:
    """Without a folder for compiled code each process compiles anew, and says the same."""
    code = (
        "from greystep.plugins.analysis.kernels.record import leaves\n"
        "import numpy as np\n"
        "print(leaves(np.array([0.0, 1.0, 4.0, 5.0]), 0, 2, 0.0, 1.9), type(leaves._cache).__name__)"
    )
    # The one place allowed is one that was not given.
    env = {**os.environ, "NUMBA_CACHE_LOCATOR_CLASSES": "UserProvidedCacheLocator", "NUMBA_CACHE_DIR": ""}
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=env, timeout=110, check=False)
    assert done.stdout.split() == ["True", "NullCache"], done.stderr


def test_compiled_loops_are_kept_in_the_folder_that_is_named(tmp_path: Path) -> None:
    """As in the service's unit, whose sandbox leaves no other."""
    code = "import greystep.plugins.analysis.kernels.codes"
    env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    subprocess.run([sys.executable, "-c", code], check=True, env=env, timeout=110)
    assert list(tmp_path.rglob("*.nbi"))


def test_products_and_sums_are_not_fused() -> None:
    """A fused product and sum is rounded once and not twice: another machine, which has none, would give other bits."""

    @njit(FLOAT(VECTOR, VECTOR), **OPTIONS)
    def product(a: np.ndarray, b: np.ndarray) -> float:
        total = 0.0
        for i in range(len(a)):
            total += a[i] * b[i]
        return total

    # 1 + 2^-27 squared is 1 + 2^-26 + 2^-54; the last part is lost unless it meets a -1 before it is rounded.
    a = np.array([1.0, 1 + 2.0**-27])
    assert product(a, np.array([-1.0, 1 + 2.0**-27])) == 2.0**-26
    code = next(iter(product.inspect_asm().values()))
    assert "vmulsd" in code or "mulsd" in code or "fmul" in code
    assert "fmadd" not in code
