"""A fresh environment beside greystep, without network: new site-packages that also see those of this interpreter."""

from __future__ import annotations

import shutil
import site
import subprocess
import sys
import venv
from pathlib import Path


class Environment:
    """An interpreter of its own; what is installed into it is seen by nobody else."""

    def __init__(self, root: Path) -> None:
        venv.EnvBuilder(with_pip=False, symlinks=True).create(root / "env")
        self.root = root
        self.python = root / "env" / "bin" / "python"
        (packages,) = (root / "env" / "lib").glob("python*/site-packages")
        lines = [f"import site; site.addsitedir({folder!r})" for folder in site.getsitepackages()]
        (packages / "beside.pth").write_text("\n".join(lines) + "\n")

    def install(self, *folders: Path) -> None:
        """Build and install packages; their folders stay as they are."""
        copies = [shutil.copytree(folder, self.root / "built" / folder.name) for folder in folders]
        options = ["--quiet", "--no-deps", "--no-build-isolation", "--no-index", "--disable-pip-version-check"]
        command = [sys.executable, "-m", "pip", "--python", str(self.python), "install", *options, *map(str, copies)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr

    def run(self, *arguments: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Run its interpreter."""
        command = [str(self.python), *arguments]
        return subprocess.run(command, capture_output=True, text=True, timeout=90, check=False, cwd=cwd or self.root)

    def greystep(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run the command line."""
        return self.run("-m", "greystep.daemon", *arguments)
