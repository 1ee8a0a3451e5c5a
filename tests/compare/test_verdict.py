"""Which differences are real. Check values: scores of two results as in the reference checks (derived from the formulas)."""

import math
from dataclasses import dataclass

import pytest
from greystep.daemon.catalogue.ranking import Standing
from greystep.daemon.compare import judge, rank
from greystep.daemon.compare.verdict import en_number, zeta_score
from greystep.daemon.compare.words import difference_in_words
from hypothesis import given
from hypothesis import strategies as st

MEAN = "transition_duration_mean"


@dataclass(frozen=True)
class Value:
    value: float
    u: float = 0.1
    dof: float = math.inf
    bound: str = ""


def standing(title, value, u=0.01, dof=math.inf, bound="", condition="60 Hz"):
    return Standing(title, title, condition, condition, "r", "c01", "f" * 64, value, "s", u, dof, 2 * u, bound, (), "", 5)


def test_scores_of_the_reference_check():
    assert en_number(4.20, 0.20, 4.00, 0.15) == pytest.approx(0.8000, abs=1e-9)
    assert zeta_score(4.20, 0.10, 4.00, 0.075) == pytest.approx(1.6000, abs=1e-9)
    assert zeta_score(4.0, 0.1, 4.0, 0.1) == 0.0


def test_shared_calibration_makes_the_same_difference_count_for_more():
    assert abs(zeta_score(4.2, 0.1, 4.0, 0.1, 0.5)) > abs(zeta_score(4.2, 0.1, 4.0, 0.1))


def test_expanded_and_standard_uncertainties_are_not_mixed_up():
    """En with k = 2 is half of zeta: a score from u where U belongs would double it."""
    assert en_number(4.2, 0.2, 4.0, 0.2) == pytest.approx(zeta_score(4.2, 0.1, 4.0, 0.1) / 2)


def test_few_repeats_raise_the_limit():
    far, near = Value(10.0, 0.1, 2.0), Value(10.35, 0.1, 2.0)
    assert judge(Value(10.0), Value(10.35)).real
    assert not judge(far, near).real


def test_a_bound_parts_two_displays_only_beyond_the_whole_interval():
    assert judge(Value(1.0, math.nan, math.nan, "<="), Value(3.0)).real
    assert not judge(Value(1.0, math.nan, math.nan, ">="), Value(3.0)).real
    assert not judge(Value(2.9, math.nan, math.nan, "<="), Value(3.0)).real


def test_without_an_uncertainty_no_difference_is_shown():
    verdict = judge(Value(1.0, math.nan, math.nan), Value(9.0))
    assert not verdict.real
    assert "no uncertainty" in difference_in_words(verdict, MEAN)


def test_words_say_how_much_and_whether_it_is_real():
    real = difference_in_words(judge(Value(10.0, 0.15), Value(13.2, 0.2)), MEAN)
    assert real.startswith("32 % slower, interval ")
    assert real.endswith(": a real difference")
    same = difference_in_words(judge(Value(10.0, 0.5), Value(10.9, 0.5)), MEAN)
    assert same == "9.0 % apart, within the uncertainty: no difference shown"
    assert "faster" in difference_in_words(judge(Value(10.0), Value(8.0)), MEAN)
    assert "30.0 times as long" in difference_in_words(judge(Value(1.0, 0.001), Value(30.0)), MEAN)


@given(st.floats(0.1, 100), st.floats(0.1, 100), st.floats(1e-3, 1), st.floats(1e-3, 1))
def test_verdict_does_not_depend_on_the_order(a, b, u, v):
    assert judge(Value(a, u), Value(b, v)).real == judge(Value(b, v), Value(a, u)).real


@given(st.floats(1, 100), st.floats(1, 100), st.floats(1e-3, 0.2), st.floats(1e-3, 0.2))
def test_interval_holds_the_relative_difference(a, b, u, v):
    verdict = judge(Value(a, u), Value(b, v))
    assert verdict.relative_low - 1e-9 <= verdict.relative <= verdict.relative_high + 1e-9
    assert (
        verdict.real == (not verdict.relative_low <= 0 <= verdict.relative_high)
        or abs(abs(verdict.zeta) - verdict.limit) < 1e-6
    )


def test_displays_that_do_not_differ_share_a_rank_and_the_next_rank_counts_them():
    places = rank(
        [standing("A", 10.0, 0.2), standing("B", 10.1, 0.2), standing("C", 20.0), standing("D", math.nan)], "m", MEAN
    ).places
    assert [(p.standing.title, p.rank, p.shared) for p in places] == [
        ("A", 1, True),
        ("B", 1, True),
        ("C", 3, False),
        ("D", None, False),
    ]


def test_a_bound_does_not_drag_all_slower_displays_into_its_rank():
    places = rank(
        [standing("A", 0.3), standing("B", 1.0, math.nan, math.nan, ">="), standing("C", 20.0), standing("D", 33.0)], "m", MEAN
    ).places
    assert [p.rank for p in places] == [1, 2, 2, 4]


def test_a_chain_of_small_steps_does_not_join_the_first_with_the_last():
    places = rank([standing(str(i), 10 + 0.02 * i, 0.01) for i in range(6)], "m", MEAN).places
    assert places[0].rank != places[-1].rank
