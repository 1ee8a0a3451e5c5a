"""Peak memory of a recompute, for a small and a larger archive."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from .row import Row
from .scene import build

_CODE = """
import json, resource, sys
from pathlib import Path
from greystep.daemon.analysis.backend import Setup
from greystep.daemon.analysis.indexing import rebuild
from greystep.daemon.analysis.methods import load_methods
from greystep.daemon.analysis.pool import Pool
from greystep.daemon.analysis.recompute import Recompute
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.host import PluginHost

def main():
    root = Path(sys.argv[1])
    host = PluginHost.load()
    methods = load_methods(host.method_files, host.estimators, host.preparers)
    rebuild(Archive(root / "raw"), root / "catalogue.sqlite")
    pool = Pool(Setup(str(root / "raw"), str(root / "prepared")), 1)
    with Catalogue(root / "catalogue.sqlite", write=True) as catalogue:
        Recompute(catalogue, methods).run(pool)
    pool.close()
    peak = [resource.getrusage(w).ru_maxrss / 1024 for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    print(json.dumps(peak))

if __name__ == "__main__":
    main()
"""


def rows(root: Path, samples: int, groups: int) -> list[Row]:
    """The writer and one worker, each at its peak."""
    (root / "peak.py").write_text(_CODE)
    peaks = {}
    for count in (1, groups):
        build(root / f"memory-{count}", samples, count)
        out = subprocess.run(
            [sys.executable, str(root / "peak.py"), str(root / f"memory-{count}")], capture_output=True, text=True, check=True
        )
        peaks[count] = json.loads(out.stdout)
    most, least = max(peaks[groups]), max(peaks[1])
    return [
        Row(
            f"peak memory of a recompute, larger of writer and worker, {15 * groups} captures of 20 x {samples} samples",
            "MB",
            most,
            limit=least,
            limit_is=f"the same with {15} captures",
            goal="below 600 MB, not growing with the archive",
            met=most < 600 and most < 1.25 * least,
            lower_is_better=True,
        )
    ]
