"""The drivers can be listed without loading what only an opened instrument needs."""

from __future__ import annotations

import subprocess
import sys

LOOK = """
import sys
import greystep.plugins.instruments as plugin
names = [spec.name for spec in plugin.greystep_drivers()]
assert len(names) == len(set(names)) == 11, names
assert plugin.greystep_dialects()
print([m for m in ("pyvisa", "pyvisa_py", "serial", "scipy", "h5py", "pytest") if m in sys.modules])
"""


def test_listing_the_drivers_loads_no_visa_library() -> None:
    done = subprocess.run([sys.executable, "-W", "ignore", "-c", LOOK], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
