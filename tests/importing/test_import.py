"""Every way of writing a trace gives the same capture; every fault is named at its place; nothing is half imported."""

from __future__ import annotations

import gzip
import os
import stat
from hashlib import sha256
from pathlib import Path

import h5py
import numpy as np
import pytest
from greystep.daemon.failpoints import ArmedFailpoints
from greystep.daemon.importing.commit import STAGING_PREFIX
from greystep.schema.errors import ArchiveError

from .desk import STEP, Desk, rise_csv


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk.at(tmp_path)


def test_a_manifest_becomes_one_run_with_the_values_as_they_stood(desk: Desk) -> None:
    desk.put("rise.csv", rise_csv(header="time_s,v1,v2\n"))
    desk.put("s.csv", "v\n" + "5\n" * 30)
    steady = '[[capture]]\nkind = "steady"\nlevel = 128\nfile = "s.csv"\nsample_interval_s = 1e-5\nlight = ["v"]\n'
    done = desk.run(steady + STEP.replace('["v1", "v2"]', '["v1"]'))
    captures = desk.captures()
    assert list(captures) == ["c01-steady-128", "c01-step-000-255"]
    step, held = captures["c01-step-000-255"], captures["c01-steady-128"]
    assert {c.meta.run for c in captures.values()} == {done.run}
    assert step.channels["light"].codes.dtype == np.float64
    assert held.channels["light"].codes.dtype == np.int16
    assert step.channels["light"].codes[0, 50] == float(rise_csv().splitlines()[51].split(",")[1])
    assert step.meta.origin == "imported"
    assert step.meta.sources[0].sha256 == sha256((desk.folder / "rise.csv").read_bytes()).hexdigest()
    assert (step.meta.sources[0].name, step.meta.sources[0].column) == ("rise.csv", "v1")
    assert (step.meta.planned.position, step.meta.planned.total, step.meta.planned.steady_total) == (2, 2, 1)
    assert step.start_s == pytest.approx(-0.020)
    assert step.interval_s == pytest.approx(1e-3)
    assert step.trigger_s[0] == pytest.approx(0.020)
    assert held.interval_s == 1e-5
    assert held.start_s == 0.0
    assert "[[capture]]" in step.plan_text
    modes = {stat.S_IMODE(p.stat().st_mode) & 0o222 for p in desk.raw.rglob("*.h5")}
    assert modes == {0}
    assert [n for n in os.listdir(desk.raw) if n.startswith(".")] == []


def test_without_step_time_the_time_stays_as_in_the_file_and_delays_are_said_to_be_unknown(desk: Desk) -> None:
    desk.put("rise.csv", rise_csv())
    desk.run(STEP.replace("step_time_s = 0.020\n", ""))
    step = desk.captures()["c01-step-000-255"]
    assert step.start_s == 0.0
    assert np.isnan(step.trigger_s).all()
    assert any("delay" in n for n in step.meta.notes)


def test_a_file_time_before_zero_is_not_taken_for_the_command(desk: Desk) -> None:
    table = np.loadtxt(rise_csv().splitlines()[1:], delimiter=",")
    table[:, 0] -= 0.05
    np.save(desk.folder / "a.npy", table)
    body = '[[capture]]\nkind = "step"\nfrom_level = 0\nto_level = 255\nfile = "a.npy"\ntime = "1"\nlight = ["2"]\n'
    desk.run(body)
    step = desk.captures()["c01-step-000-255"]
    assert step.start_s == 0.0
    assert any("-0.05 s" in n for n in step.meta.notes)


WRITINGS = {
    "comma": rise_csv(),
    "semicolon": rise_csv(header="time_s;v1;v2\n", separator=";"),
    "tab": rise_csv(header="time_s\tv1\tv2\n", separator="\t"),
    "blanks": rise_csv(header="time_s v1 v2\n", separator="  "),
    "decimal comma": rise_csv(header="time_s;v1;v2\n", separator=";", comma=True),
    "decimal comma and tab": rise_csv(header="time_s\tv1\tv2\n", separator="\t", comma=True),
    "lines above the header": rise_csv(header="Recorder 3, channel A\n\nModel;x\ntime_s,v1,v2\n"),
    "units in the header": rise_csv(header="time_s (s),v1 [V],v2 [mV]\n"),
    "a row of units": rise_csv(header="time_s,v1,v2\ns,V,V\n"),
    "a remark as header": rise_csv(header="# made by hand\n# time_s,v1,v2\n"),
    "quotes": rise_csv(header='"time_s","v1","v2"\n'),
    "blank lines and remarks": rise_csv().replace("0.0500,", "\n# pause\n0.0500,"),
    "carriage returns": rise_csv().replace("\n", "\r\n"),
    "old line ends": rise_csv().replace("\n", "\r"),
    "no last line end": rise_csv().rstrip("\n"),
    "byte order mark": "\N{ZERO WIDTH NO-BREAK SPACE}" + rise_csv(),
    "delimiter at the end": rise_csv().replace("\n", ",\n"),
}


@pytest.mark.parametrize("writing", WRITINGS)
def test_every_usual_way_of_writing_a_table_gives_the_same_values(desk: Desk, writing: str) -> None:
    desk.put("rise.csv", WRITINGS[writing])
    body = STEP.replace('["v1", "v2"]', '["v1"]')
    desk.run(body)
    step = desk.captures()["c01-step-000-255"]
    expected = np.array([float(r.split(",")[1]) for r in rise_csv().splitlines()[1:]])
    np.testing.assert_array_equal(step.channels["light"].values()[0], expected)
    assert step.interval_s == pytest.approx(1e-3)


def test_gzip_utf16_latin1_npy_and_hdf5_give_the_same_values(desk: Desk) -> None:
    table = np.loadtxt(rise_csv().splitlines()[1:], delimiter=",")
    expected = table[:, 1]
    desk.put("a.csv.gz", gzip.compress(rise_csv().encode()))
    desk.put("b.csv", rise_csv().encode("utf-16"))
    desk.put("c.csv", rise_csv(header="time_s (s),v1 (V),offset \xb5V\n").encode("latin-1"))
    np.save(desk.folder / "d.npy", table)
    np.save(desk.folder / "e.npy", np.rec.fromarrays(table.T, names="time_s,v1,v2"))
    with h5py.File(desk.folder / "f.h5", "w") as file:
        file["scope/t"], file["scope/ch1"] = table[:, 0], table[:, 1]
        file["scope/t"].attrs["units"] = "s"
    cases = [
        ("a.csv.gz", "time_s", "v1"),
        ("b.csv", "time_s", "v1"),
        ("c.csv", "time_s", "v1"),
        ("d.npy", "1", "2"),
        ("e.npy", "time_s", "v1"),
        ("f.h5", "/scope/t", "scope/ch1"),
    ]
    body = "".join(
        f'[[capture]]\nkind = "step"\nfrom_level = 0\nto_level = {10 + i}\nfile = "{f}"\ntime = "{t}"\nlight = ["{v}"]\n'
        for i, (f, t, v) in enumerate(cases)
    )
    desk.run(body)
    captures = desk.captures()
    assert len(captures) == len(cases)
    for capture in captures.values():
        np.testing.assert_array_equal(capture.channels["light"].values()[0], expected)
        assert capture.interval_s == pytest.approx(1e-3)


def test_units_in_the_header_are_applied_as_a_scale_and_raw_values_stay(desk: Desk) -> None:
    desk.put("rise.csv", rise_csv(header="time_s (ms),a,v2 [mV]\n"))
    desk.run(STEP.replace('["v1", "v2"]', '["v2"]').replace("0.020", "2e-5"))
    light = desk.captures()["c01-step-000-255"]
    assert light.interval_s == pytest.approx(1e-6)
    assert light.channels["light"].codes[0, 0] == 100
    assert light.channels["light"].values()[0, 0] == pytest.approx(0.1)
    assert light.channels["light"].unit == "V"


def _edited(row: int, cell: int, text: str) -> str:
    lines = rise_csv().splitlines()
    cells = lines[row].split(",")
    cells[cell] = text
    lines[row] = ",".join(cells)
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (_edited(40, 1, "abc"), "rise.csv:41:v1: not a number: 'abc'"),
        (_edited(40, 2, ""), "rise.csv:41:v2: empty cell"),
        (_edited(40, 1, "nan"), "rise.csv:41:v1: the value is nan"),
        (_edited(40, 1, "1e999"), "rise.csv:41:v1: the value is inf"),
        (_edited(40, 0, "0.0380"), "rise.csv:41:time_s: the time doesn't increase"),
        (_edited(40, 0, "0.0385"), "rise.csv:41:time_s: the time is uneven: a step of 0.0005 where others are 0.001"),
        (_edited(40, 2, "1,2"), "rise.csv:41: 4 cells where the other rows have 3"),
        (rise_csv().replace("0.0500,", "x0.05,"), "rise.csv:52:time_s: not a number"),
        ("\n".join(rise_csv().splitlines()[:60] + rise_csv().splitlines()[61:]), "rise.csv:61:time_s: the time is uneven"),
        (rise_csv(n=10), "rise.csv:1: only 10 samples; at least 20 are needed"),
        (rise_csv(header="time_s,v1,other\n"), "rise.csv:1:v2: no such column; the columns are 'time_s', 'v1', 'other'"),
        (rise_csv(header="time_s,v1,v1\n"), "rise.csv:1:v2: no such column"),
        (rise_csv(header="time_s (V),v1,v2\n"), "rise.csv:1:time_s: the unit 'V' is no unit of time"),
        (rise_csv(header=""), "rise.csv:1:time_s: no such column"),
        ("", "manifest.toml:12: capture.0.file: rise.csv: the file is empty"),
        ("\n\n", "rise.csv:1: the file is empty"),
        (b"\x00" * 5000, "rise.csv:1: holds a zero byte"),
        (os.urandom(20_000).replace(b"\0", b"\1"), "rise.csv:"),
    ],
)
def test_a_fault_in_a_file_is_named_with_line_and_column(desk: Desk, content: str | bytes, expected: str) -> None:
    desk.put("rise.csv", content)
    assert expected in "\n".join(desk.problems())


def test_all_bad_cells_and_all_bad_files_are_told_at_once(desk: Desk) -> None:
    text = _edited(40, 1, "abc").splitlines()
    text[60] = "0.0590,x,y"
    desk.put("rise.csv", "\n".join(text))
    desk.put("fall.csv", rise_csv(n=3))
    fall = STEP.replace("from_level = 0\nto_level = 255", "from_level = 255\nto_level = 0").replace("rise", "fall")
    assert desk.problems(STEP + fall) == [
        "rise.csv:41:v1: not a number: 'abc'",
        "rise.csv:61:v1: not a number: 'x'",
        "rise.csv:61:v2: not a number: 'y'",
        "fall.csv:1: only 3 samples; at least 20 are needed",
    ]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("from_level", "from_levle"), "manifest.toml:8: capture.0.from_level: missing"),
        (
            ("to_level = 255", "to_level = 256"),
            "manifest.toml:11: capture.0.to_level: input should be less than or equal to 255",
        ),
        (("to_level = 255", "to_level = 0"), "from_level and to_level are both 0"),
        (('kind = "step"', 'kind = "stepp"'), "manifest.toml:9: capture.0.kind: must be steady, step or record"),
        (('kind = "step"\n', ""), "manifest.toml:8: capture.0.kind: must be steady, step or record"),
        (('"rise.csv"', '"../rise.csv"'), "manifest.toml:12: capture.0.file: ../rise.csv: leads outside the manifest's folder"),
        (('"rise.csv"', '"/etc/hostname"'), "leads outside the manifest's folder"),
        (('"rise.csv"', '"C:\\\\\\\\rise.csv"'), "leads outside the manifest's folder"),
        (('"rise.csv"', '"rice.csv"'), "no such file; did you mean 'rise.csv'?"),
        (('"rise.csv"', '"link.csv"'), "a link that leads outside"),
        (('"rise.csv"', '"fifo.csv"'), "not a regular file"),
        (('"rise.csv"', '"rise.xls"'), "no reader for this kind of file"),
        (('time = "time_s"\n', ""), "needs either time (a column) or sample_interval_s"),
        (('["v1", "v2"]', '["v1", "v1"]'), "the column 'v1' is named twice"),
        (
            ("0.020", "0.9"),
            "manifest.toml:15: capture.0.step_time_s: 0.9 s is outside the record, which lasts from 0 to 0.199 s",
        ),
        ((STEP, STEP + STEP), "the same levels stand at line 8 already"),
        (("light", "lihgt"), "capture.0.lihgt: unknown key"),
        ((STEP, ""), "capture: missing"),
        ((STEP, "[capture]\nkind = 1\n"), "capture"),
    ],
)
def test_a_fault_in_the_manifest_is_named_with_its_line(desk: Desk, change: tuple[str, str], expected: str) -> None:
    desk.put("rise.csv", rise_csv())
    desk.put("rise.xls", rise_csv())
    os.mkfifo(desk.folder / "fifo.csv")
    outside = desk.folder.parent / "outside.csv"
    outside.write_text(rise_csv())
    (desk.folder / "link.csv").symlink_to(outside)
    assert expected in "\n".join(desk.problems(STEP.replace(*change)))


def test_a_second_import_is_recognised_and_a_corrected_one_is_not(desk: Desk) -> None:
    desk.put("rise.csv", rise_csv())
    first = desk.run()
    again = desk.run()
    assert (again.already, again.run, again.captures) == (True, first.run, ())
    assert len(list(desk.archive().scan())) == 1
    corrected = desk.run(STEP.replace("0.020", "0.019"))
    assert not corrected.already
    desk.put("rise.csv", rise_csv().replace("0.100000", "0.100001", 1))
    assert not desk.run().already


@pytest.mark.parametrize("point", ["archive.before-write", "archive.after-fsync", "archive.after-rename", "archive.after-sums"])
def test_a_failure_in_the_middle_leaves_nothing_and_the_import_works_afterwards(desk: Desk, point: str) -> None:
    desk.put("rise.csv", rise_csv())
    fall = STEP.replace("from_level = 0\nto_level = 255", "from_level = 255\nto_level = 0")
    with pytest.raises((ArchiveError, OSError)):
        desk.run(STEP + fall, ArmedFailpoints({point: "error@2"}))
    assert list(desk.archive().scan()) == []
    assert not desk.run(STEP + fall).already
    assert len(list(desk.archive().scan())) == 2


@pytest.mark.parametrize("point", ["archive.after-write", "archive.after-rename", "archive.after-folder-fsync"])
def test_a_killed_import_shows_nothing_and_its_leftovers_go_with_the_next(desk: Desk, point: str) -> None:
    desk.put("rise.csv", rise_csv())
    fall = STEP.replace("from_level = 0\nto_level = 255", "from_level = 255\nto_level = 0")
    child = os.fork()
    if child == 0:
        try:
            desk.run(STEP + fall, ArmedFailpoints({point: "kill@2"}))
        finally:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)
    assert list(desk.archive().scan()) == []
    assert any(n.startswith(STAGING_PREFIX) for n in os.listdir(desk.raw))
    assert not desk.run(STEP + fall).already
    assert len(list(desk.archive().scan())) == 2
    assert not any(n.startswith(STAGING_PREFIX) for n in os.listdir(desk.raw))


def test_a_foreign_hdf5_file_can_not_reach_outside_itself_nor_crash_the_import(desk: Desk) -> None:
    secret = desk.folder.parent / "secret.h5"
    with h5py.File(secret, "w") as file:
        file["x"] = np.arange(100.0)
    with h5py.File(desk.folder / "f.h5", "w") as file:
        file["external"] = h5py.ExternalLink(str(secret), "/x")
        file["soft"] = h5py.SoftLink("/plain")
        file["plain"] = np.arange(100.0)
        layout = h5py.VirtualLayout((100,), "f8")
        layout[:] = h5py.VirtualSource(str(secret), "x", (100,))
        file.create_virtual_dataset("virtual", layout)
        file.create_dataset("raw", (100,), "f8", external=[(str(desk.folder.parent / "secret.bin"), 0, 800)])
        file["text"] = "words"
        file["flat"] = np.zeros((4, 100))
    names = ["external", "soft", "virtual", "raw", "text", "flat", "missing", "plain/x"]
    body = "".join(
        f'[[capture]]\nkind = "steady"\nlevel = {i}\nfile = "f.h5"\nsample_interval_s = 1e-5\nlight = ["{n}"]\n'
        for i, n in enumerate(names)
    )
    problems = desk.problems(body)
    assert len(problems) == len(names)
    for name, told in zip(
        names, ["link", "link", "another file", "another file", "dimension", "dimension", "no such", "no such"], strict=True
    ):
        assert any(f"f.h5:{name}:" in p and told in p for p in problems), (name, problems)
    whole = (desk.folder / "f.h5").read_bytes()
    desk.put("f.h5", whole[:2000] + b"\xff" * 500 + whole[2500:])
    assert all("f.h5" in p for p in desk.problems(body.replace("missing", "plain")))
    desk.put("f.h5", b"no HDF5 at all" * 100)
    assert "not an HDF5 file" in desk.problems(body)[0]


def test_numpy_objects_are_refused_because_they_would_run_code(desk: Desk) -> None:
    np.save(desk.folder / "o.npy", np.array([{"a": 1}] * 30, dtype=object), allow_pickle=True)
    np.save(desk.folder / "c.npy", np.zeros(30, complex))
    np.save(desk.folder / "t.npy", np.zeros((3, 3, 3)))
    for name in ("o", "c", "t"):
        body = f'[[capture]]\nkind = "steady"\nlevel = 0\nfile = "{name}.npy"\nsample_interval_s = 1e-5\nlight = ["1"]\n'
        assert f"{name}.npy" in desk.problems(body)[0]
