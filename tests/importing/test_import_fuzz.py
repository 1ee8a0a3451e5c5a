"""Any text gives captures or a clear error with a place, never another exception."""

from __future__ import annotations

import gzip
import tempfile
from pathlib import Path

import numpy as np
from greystep.daemon.importing.job import Tools, import_manifest
from greystep.plugins.importers.array import read_array
from greystep.plugins.importers.plugin import greystep_importers
from greystep.plugins.importers.text import read_text
from greystep.schema.errors import ManifestError
from greystep.schema.ids import IdSource
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .desk import STEP, Desk, rise_csv

QUICK = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))

CELL = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.sampled_from(["", " ", '"', '"1"', "1,5", "0x1", "1_0", "+", "-0", "1e", "#", "nan", "١", "1 2", "\t", ";", "a\rb"]),
)
ROW = st.lists(CELL, max_size=5)
TABLE = st.builds(
    lambda head, rows, sep, end: head + end.join(sep.join(r) for r in rows),
    st.sampled_from(["", "t,a\n", "t;a\n", "t\ta\n", "x\nt a\n", '"t","a"\n', "t (s),a (V)\ns,V\n", "#t,a\n"]),
    st.lists(ROW, max_size=30),
    st.sampled_from([",", ";", "\t", " "]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)


def _read(content: bytes, name: str, columns: tuple[str, ...]) -> None:
    reader = read_array if name.endswith(".npy") else read_text
    refusal: ManifestError | None = None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        try:
            for block in reader(path, columns, name).blocks:
                assert set(block.values) == set(columns)
                assert len({len(v) for v in block.values.values()}) == 1
                assert all(v.dtype.kind in "if" for v in block.values.values())
                assert block.line(block.rows - 1) is None or block.line(block.rows - 1) >= 1
        except ManifestError as exc:
            refusal = exc
    assert refusal is None or all(p.message and p.file == name for p in refusal.problems)


@QUICK
@given(TABLE, st.sampled_from([("t", "a"), ("1", "2"), ("a",), ("2",)]))
def test_any_table_is_read_or_refused_clearly(text: str, columns: tuple[str, ...]) -> None:
    _read(text.encode("utf-8", "surrogatepass"), "x.csv", columns)


@QUICK
@given(st.binary(max_size=3000), st.booleans(), st.booleans())
def test_any_bytes_are_read_or_refused_clearly(content: bytes, packed: bool, marked: bool) -> None:
    body = b"t,a\n" + content if marked else content
    _read(gzip.compress(body) if packed else body, "x.csv", ("t", "a"))


@QUICK
@given(st.data())
def test_any_damaged_array_file_is_read_or_refused_clearly(data: st.DataObject) -> None:
    import io

    buffer = io.BytesIO()
    np.save(buffer, np.arange(60.0).reshape(30, 2))
    whole = bytearray(buffer.getvalue())
    for _ in range(data.draw(st.integers(0, 4))):
        whole[data.draw(st.integers(0, 200))] = data.draw(st.integers(0, 255))
    _read(bytes(whole[: data.draw(st.integers(0, len(whole)))]), "x.npy", ("1", "2"))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_any_damaged_manifest_is_imported_or_refused_clearly(data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as root:
        desk = Desk.at(Path(root))
        desk.put("rise.csv", rise_csv())
        text = desk.manifest().read_text()
        for _ in range(data.draw(st.integers(0, 5))):
            at, cut = data.draw(st.integers(0, len(text))), data.draw(st.integers(0, 12))
            text = text[:at] + data.draw(st.text(max_size=8)) + text[at + cut :]
        path = desk.folder / "manifest.toml"
        path.write_text(text, encoding="utf-8", errors="surrogatepass")
        refusal: ManifestError | None = None
        try:
            import_manifest(path, desk.raw, Tools(greystep_importers(), IdSource(), {}))
        except ManifestError as exc:
            refusal = exc
        files = sorted(p.name for p in desk.raw.rglob("*.h5"))
        assert (files == []) if refusal else (len(files) == 1)
        assert refusal is None or all(str(p) for p in refusal.problems)


def test_the_manifest_of_the_contract_is_accepted_as_it_stands(tmp_path: Path) -> None:
    desk = Desk.at(tmp_path)
    desk.put(
        "rise.csv", rise_csv(header="time_s,v1,v2\n").replace("v2", "v2,v3", 1).replace("\n", ",1\n").replace("v3,1", "v3", 1)
    )
    desk.put("steady-128.csv", "time_s,v1\n" + "".join(f"{i * 1e-5:.5f},0.5{i % 7}\n" for i in range(50)))
    body = """[sensor]
bandwidth_hz = 100e3
[[capture]]
kind = "steady"
level = 128
file = "steady-128.csv"
time = "time_s"
light = ["v1"]
""" + STEP.replace('["v1", "v2"]', '["v1", "v2", "v3"]')
    assert len(desk.run(body).captures) == 2
    assert desk.captures()["c01-step-000-255"].segments == 3
