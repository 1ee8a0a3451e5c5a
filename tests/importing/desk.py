"""A folder with a manifest and its files, as a user would have it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from greystep.daemon.archive.archive import Archive
from greystep.daemon.failpoints import Failpoints
from greystep.daemon.importing.job import Imported, Tools, import_manifest
from greystep.plugins.importers.plugin import greystep_importers
from greystep.schema.errors import ManifestError
from greystep.schema.ids import IdSource

HEAD = """[dut]
maker = "Tern Optics"
model = "Petrel 5"
panel = "LCD"
[condition]
refresh_rate_hz = 60.0
overdrive = "off"
"""
STEP = """[[capture]]
kind = "step"
from_level = 0
to_level = 255
file = "rise.csv"
time = "time_s"
light = ["v1", "v2"]
step_time_s = 0.020
"""


@dataclass
class Desk:
    """A manifest's folder and an archive."""

    folder: Path
    raw: Path

    @classmethod
    def at(cls, root: Path) -> Desk:
        desk = cls(root / "traces", root / "raw")
        desk.folder.mkdir()
        desk.raw.mkdir()
        return desk

    def put(self, name: str, content: str | bytes) -> Path:
        path = self.folder / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def manifest(self, body: str = STEP, head: str = HEAD) -> Path:
        return self.put("manifest.toml", head + body)

    def run(self, body: str = STEP, failpoints: Failpoints | None = None) -> Imported:
        tools = Tools(greystep_importers(), IdSource(), {"greystep": "0"}, failpoints)
        return import_manifest(self.manifest(body), self.raw, tools)

    def problems(self, body: str = STEP) -> list[str]:
        """Problems of an import that must fail, without the folder's name; nothing may be left in the archive."""
        try:
            self.run(body)
        except ManifestError as exc:
            assert [p.name for p in self.raw.rglob("*")] == []
            return [str(p).replace(f"{self.folder}/", "") for p in exc.problems]
        raise AssertionError("the import went through")

    def archive(self) -> Archive:
        return Archive(self.raw)

    def captures(self) -> dict[str, Any]:
        archive = self.archive()
        return {c.meta.key: c for c in map(archive.read, archive.scan())}


def rise_csv(n: int = 200, header: str = "time_s,v1,v2\n", separator: str = ",", comma: bool = False) -> str:
    """A rising step at 20 ms with an interval of 1 ms; v1 in floats, v2 in whole numbers."""
    t = np.arange(n) * 1e-3
    v1 = np.where(t < 0.02, 0.1, 1.0 - 0.9 * np.exp(-(t - 0.02) / 0.004))
    v2 = np.rint(v1 * 1000).astype(int)
    rows = [separator.join((f"{a:.4f}", f"{b:.6f}", str(c))) for a, b, c in zip(t, v1, v2, strict=True)]
    text = "\n".join(rows) + "\n"
    return header + (text.replace(".", ",") if comma else text)
