"""Method definitions: the built-in ones are sound, bad ones are refused with the reason, each explains itself."""

from __future__ import annotations

import tomllib

import greystep.plugins.analysis as plugin
import pytest
from greystep.plugins.analysis.transition.estimator import TransitionEstimator
from greystep.plugins.analysis.transition.parameters import TransitionParameters
from greystep.schema.method import MethodDefinition
from greystep.schema.quantities import QUANTITIES
from pydantic import ValidationError

ESTIMATORS = {e.id: e for e in plugin.greystep_estimators()}
METHODS = {p.stem: MethodDefinition.model_validate(tomllib.loads(p.read_text("utf-8"))) for p in plugin.greystep_methods()}
MINE = ["duration-10-90", "band-first-entry", "band-settled", "lightness-10-90", "refresh-fit", "fitted-10-90"]


@pytest.mark.parametrize("name", MINE)
def test_built_in_method_is_named_as_its_file_and_explains_itself(name: str) -> None:
    method = METHODS[name]
    assert method.id == name
    assert method.title
    assert method.description
    estimator = ESTIMATORS[method.estimator]
    parameters = estimator.Parameters.model_validate(method.parameters)
    words = estimator.explain(parameters)
    assert "t2 - t1" in words
    assert "\n" in words
    if parameters.band is None:
        assert f"{parameters.start_fraction:g}" in words
    else:
        assert f"{parameters.band:g} codes" in words


def test_every_kind_of_figure_has_a_built_in_method() -> None:
    """Each estimator can be used without writing a definition, and every definition has its estimator and explains itself."""
    assert {m.estimator for m in METHODS.values()} == set(ESTIMATORS)
    assert {*MINE, "moving-edge", "flicker", "delay", "power", "warm-up", "light-levels"} == set(METHODS)
    for method in METHODS.values():
        estimator = ESTIMATORS[method.estimator]
        assert len(estimator.explain(estimator.Parameters.model_validate(method.parameters))) > 60, method.id


def test_fitted_formula_is_told_with_the_formulas_that_are_tried() -> None:
    from greystep.plugins.analysis.transition.models import MODELS

    words = ESTIMATORS["transition-fit"].explain(ESTIMATORS["transition-fit"].Parameters())
    for model in MODELS:
        name = "equal poles" if "equal poles" in model.name else model.name
        assert name in words, model.name
    assert "chi-square" in words


def test_methods_that_follow_a_standard_name_it() -> None:
    assert "IEEE Std 181" in METHODS["duration-10-90"].standard
    assert "CIE 1976" in METHODS["lightness-10-90"].standard
    assert METHODS["band-first-entry"].standard == ""


BAD = [
    ({"start_fraction": 0.9, "end_fraction": 0.1}, "start_fraction 0.9 must be below end_fraction 0.1"),
    ({"start_fraction": 0.5, "end_fraction": 0.5}, "must be below"),
    ({"domain": "brightness"}, "luminance"),
    ({"start_fraction": 0.0}, "greater than 0"),
    ({"end_fraction": 1.0}, "less than 1"),
    ({"band": -3.0, "domain": "code"}, "greater than 0"),
    ({"band": 8.0}, "needs a scale with units of its own"),
    ({"band": 60.0, "domain": "lightness"}, "wider than half"),
    ({"end_rule": "whenever"}, "first_entry"),
    ({"thershold": 0.1}, "Extra inputs"),
    ({"quantities": ["speed"]}, "transition_duration"),
]


@pytest.mark.parametrize(("parameters", "words"), BAD)
def test_bad_definition_is_refused_with_the_reason(parameters: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words.replace("(", r"\(")):
        TransitionParameters.model_validate(parameters)


def test_every_quantity_is_known_with_its_unit() -> None:
    p = TransitionParameters()
    names = {*p.quantities, *p.matrix, "within_refresh", "supported_refresh_rate"}
    assert names <= set(QUANTITIES)


def test_whole_numbers_and_floats_give_the_same_parameters() -> None:
    a = TransitionParameters.model_validate({"domain": "code", "band": 8})
    b = TransitionParameters.model_validate({"domain": "code", "band": 8.0})
    assert a.model_dump(mode="json") == b.model_dump(mode="json")
    assert isinstance(a.band, float)


def test_import_of_the_plugin_is_light() -> None:
    import subprocess
    import sys

    code = "import sys, greystep.plugins.analysis; print([m for m in ('scipy', 'numba', 'h5py', 'pandas') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_making_the_estimators_imports_no_scipy() -> None:
    import subprocess
    import sys

    code = (
        "import sys, greystep.plugins.analysis as a; a.greystep_estimators(); a.greystep_preparers(); "
        "print([m for m in ('scipy', 'numba') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_estimator_ids_are_unique() -> None:
    assert len(ESTIMATORS) == len(plugin.greystep_estimators())
    assert TransitionEstimator.id in ESTIMATORS
