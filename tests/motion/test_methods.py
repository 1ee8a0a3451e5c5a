"""The built-in methods of these estimators: they load, say what they follow, and refuse bad parameters with the reason."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import greystep.plugins.analysis as plugin
import pytest
from greystep.schema.method import MethodDefinition
from greystep.schema.trace import Estimator
from pydantic import ValidationError

METHODS = ("moving-edge", "flicker", "delay", "warm-up", "power")


def _estimators() -> dict[str, Estimator]:
    return {e.id: e for e in plugin.greystep_estimators()}


@pytest.mark.parametrize("name", METHODS)
def test_method_loads_and_explains_itself(name: str) -> None:
    path = Path(plugin.__file__).parent / "methods" / f"{name}.toml"
    method = MethodDefinition.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    estimator = _estimators()[method.estimator]
    parameters = estimator.Parameters.model_validate(method.parameters)
    assert method.id == name
    assert method.standard
    assert method.description
    assert len(estimator.explain(parameters)) > 300
    # Every parameter stands in the file, so that a reader sees what can be changed.
    assert set(method.parameters) == set(estimator.Parameters.model_fields)


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        ("moving-edge", {"speed_pixel_s": 0}),
        ("moving-edge", {"low": 0.1}),
        ("flicker", {"svm_curve": "mine"}),
        ("flicker", {"lowest_hz": -1}),
        ("delay", {"first_light_fraction": 0.5}),
        ("warm-up", {"band_percent": 0}),
        ("power", {"common_part": 1.5}),
        ("power", {"reference_overdrive": ""}),
    ],
)
def test_bad_parameters_are_refused(name: str, bad: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        _estimators()[name].Parameters.model_validate(bad)


def test_estimators_load_without_heavy_modules() -> None:
    """Only numpy and pydantic: scipy alone takes longer to import than a whole start may take."""
    code = (
        "import sys, greystep.plugins.analysis as p; p.greystep_estimators(); "
        "print([m for m in ('scipy', 'h5py', 'numba', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
