"""The archive from a notebook: the same numbers as everywhere else, with units; the worked example runs."""

import json
import subprocess
import sys
from pathlib import Path

import greystep
import numpy as np
import pytest
from greystep.schema.errors import GreystepError

from tests.report.homes import make_home

WORKED = Path(__file__).parents[2] / "docs" / "worked-example.ipynb"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_home(tmp_path_factory.mktemp("home"), [("Heron", 2e-3), ("Plover", 4e-3)])


@pytest.fixture
def home(made):
    with greystep.open(made[0].root) as opened:
        yield opened


def test_the_package_itself_loads_nothing_heavy():
    code = "import sys, greystep; print([m for m in ('numpy', 'h5py', 'pydantic', 'pandas', 'altair') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_light_is_an_array_with_a_unit(home):
    (capture,) = home.captures(dut="heron", kind="step", from_level=0, to_level=255)
    light = capture.light
    assert light.unit == "V"
    assert light.shape == (6, 2500)
    assert np.ptp(np.asarray(light)) == pytest.approx(2.5, rel=0.01)
    np.testing.assert_array_equal(np.asarray(light), capture.raw.channels["light"].values())
    assert light[0].shape == (1, 2500)
    assert np.mean(light) == pytest.approx(float(light.values.mean()))


def test_measurements_are_those_of_the_catalogue(home):
    frame = home.measurements(method="duration-10-90", quantity="transition_duration", scope="capture")
    assert len(frame) == 12
    heron = frame[frame.dut.str.contains("heron")]
    np.testing.assert_allclose(heron.value, np.log(9) * 2e-3, rtol=0.01)
    assert set(frame.unit) == {"s"}
    assert len(home.displays()) == len(home.runs()) == 2
    assert "band-first-entry" in set(home.methods().id)


def test_a_method_can_be_tried_with_other_parameters(home):
    (capture,) = home.captures(dut="plover", kind="step", from_level=0, to_level=255)
    stored = home.measurements(method="duration-10-90", quantity="transition_duration", scope="capture")
    stored = stored[stored.capture == capture.entry.id].set_index(["from_level", "to_level"]).value
    tried = capture.estimate("duration-10-90")
    tried = tried[tried.quantity == "transition_duration"].set_index(["from_level", "to_level"]).value
    assert tried.to_dict() == stored.to_dict()
    wide = capture.estimate("duration-10-90", start_fraction=0.2, end_fraction=0.8)
    value = wide[(wide.quantity == "transition_duration") & (wide.to_level == 255)].value.item()
    assert value == pytest.approx(np.log(4) * 4e-3, rel=0.01)
    with pytest.raises(GreystepError, match="start_fraction"):
        capture.estimate("duration-10-90", start_fraction="early")
    with pytest.raises(GreystepError, match="no method"):
        capture.estimate("unknown")


def test_everything_shows_itself(home, tmp_path):
    capture = home.captures(kind="step")[0]
    bundle = capture._repr_mimebundle_()
    assert bundle["image/svg+xml"].startswith("<svg")
    assert bundle["application/vnd.vegalite.v6+json"]["datasets"]
    assert "segments" in bundle["text/plain"]
    assert capture.chart().save(tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    assert capture.chart().save(tmp_path / "a.pdf", theme="dark").read_bytes().startswith(b"%PDF")
    with pytest.raises(GreystepError, match="form"):
        capture.chart().save(tmp_path / "a.gif")
    assert {"distribution", "methods"} <= set(home.charts(home.runs().run[0]))


def test_comparison_from_a_notebook(home):
    places = home.compare().places
    assert [p.rank for p in places] == [1, 2]
    assert "slower" in places[1].words


def test_the_worked_example_runs(made, monkeypatch):
    monkeypatch.setenv("GREYSTEP_HOME", str(made[0].root))
    cells = [c for c in json.loads(WORKED.read_text(encoding="utf-8"))["cells"] if c["cell_type"] == "code"]
    names = {}
    for cell in cells:
        exec("".join(cell["source"]), names)
    assert len(cells) >= 5
    names["home"].close()


def test_measurements_come_as_polars_through_arrow_with_their_types(made, home):
    polars = pytest.importorskip("polars")
    with greystep.open(made[0].root, frames="polars") as opened:
        frame = opened.measurements(scope="capture")
        assert isinstance(frame, polars.DataFrame)
        assert frame.schema["value"] == polars.Float64
        assert frame.schema["from_level"] == polars.Int32
        assert frame.schema["flags"] == polars.List(polars.String)
        beside = home.measurements(scope="capture")
        assert frame.columns == list(beside.columns)
        assert frame["capture"].to_list() == beside.capture.to_list()
        np.testing.assert_array_equal(frame["value"].to_numpy(), beside.value.to_numpy(dtype=float))
        mean = frame.filter(polars.col("quantity") == "transition_duration").group_by("method").agg(polars.col("value").mean())
        assert mean.height >= 4
        assert {type(f) for f in (opened.displays(), opened.runs(), opened.methods())} == {polars.DataFrame}
        assert opened.measurements(method="no-such").height == 0


def test_measurements_come_as_an_arrow_table_and_other_names_are_refused(home):
    table = home.measurements(quantity="overshoot", frames="arrow")
    assert table.num_rows == len(home.measurements(quantity="overshoot"))
    with pytest.raises(GreystepError, match="pandas, polars, arrow"):
        home.measurements(frames="sheets")
