"""Write a plugin package from the templates."""

from __future__ import annotations

import keyword
import re
import sys
from pathlib import Path
from typing import Final

from greystep.schema.errors import InputError, Problem
from greystep.schema.hooks import API_VERSION

KINDS: Final = ("digitiser", "pattern", "luminance", "power", "temperature", "method")
"""What a package can begin as: a driver of a role, or a method with its estimator."""
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_METER_UNITS: Final = {"luminance": ("cd/m2", 120.0), "power": ("W", 4.2), "temperature": ("degC", 23.0)}
_SHARED: Final = {"pyproject.toml": "pyproject.j2", "README.md": "readme.j2", "src/{module}/__init__.py": "init.j2"}


def make_package(name: str, kind: str, folder: Path) -> list[Path]:
    """Write the package into `folder/name`; nothing that exists is touched.

    Args:
        name: of package, entry point, and driver or method, such as `my-scope`.
        kind: one of `KINDS`.
        folder: where the package's folder is made.

    Returns:
        The files.

    Raises:
        InputError: the name can't be used, or the folder is there already.
    """
    root = folder / name
    _check(name, root)
    values = _values(name, kind)
    texts = {root / path.format(**values): _render(template, values) for path, template in _files(kind).items()}
    for path, text in texts.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return list(texts)


def _check(name: str, root: Path) -> None:
    module = name.replace("-", "_")
    if not _NAME.fullmatch(name) or len(name) > 60:
        raise InputError(
            [Problem(f"{name!r} can't be a plugin's name")], todo="use small letters, digits and '-', as in my-scope"
        )
    if keyword.iskeyword(module) or module in sys.stdlib_module_names or module == "greystep":
        raise InputError([Problem(f"{name!r} would hide Python's module {module!r}")], todo="choose another name")
    if root.exists():
        raise InputError([Problem("is there already", str(root))], todo="choose another name or folder")


def _values(name: str, kind: str) -> dict[str, object]:
    unit, reading = _METER_UNITS.get(kind, ("", 0.0))
    return {
        "name": name,
        "module": name.replace("-", "_"),
        "cls": "".join(part.capitalize() for part in name.split("-")),
        "kind": kind,
        "driver": kind != "method",
        "contract": {"digitiser": "DigitiserContract", "pattern": "PatternContract", "method": "EstimatorContract"}.get(
            kind, "MeterContract"
        ),
        "unit": unit,
        "reading": reading,
        "api": API_VERSION,
    }


def _files(kind: str) -> dict[str, str]:
    """Path in the package -> template."""
    if kind == "method":
        own = {
            "src/{module}/plugin.py": "method_plugin.j2",
            "src/{module}/estimator.py": "estimator.j2",
            "src/{module}/methods/{name}.toml": "method.j2",
            "tests/test_{module}.py": "estimator_test.j2",
        }
    else:
        template = f"{kind}.j2" if kind in ("digitiser", "pattern") else "meter.j2"
        own = {
            "src/{module}/plugin.py": "driver_plugin.j2",
            "src/{module}/driver.py": template,
            "tests/test_{module}.py": "driver_test.j2",
        }
    return _SHARED | own


def _render(template: str, values: dict[str, object]) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("greystep.daemon.scaffold", ""),
        undefined=StrictUndefined,
        keep_trailing_newline=True,
        trim_blocks=True,
        autoescape=False,  # Python and TOML, from a name that was checked
    )
    return environment.get_template(template).render(values)
