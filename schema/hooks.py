"""Hook specifications, in the order in which a run meets them.

    plan -> drivers (with dialects) -> capture -> raw file -> preparers -> methods -> estimators -> measurements -> reporters
                                     importers -^

Hooks only *find* things; the small objects they return do the work. Each is called once, when the plugins are loaded, in the
main thread of each process that needs it, with nothing but the plugin imported; `None` or an empty list means "nothing of this
sort". A plugin is a module named by an entry point in the group `greystep`:

    [project.entry-points.greystep]
    my-bench = "my_package.plugin"
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pluggy

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from .capture import Capture
    from .roles import DriverSpec
    from .trace import Estimator, Preparer

PROJECT: Final = "greystep"
"""pluggy project name and entry-point group."""
API_VERSION: Final = 1
"""Raised when a hook or a role changes so that a plugin must change."""

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec
def greystep_drivers() -> Sequence[DriverSpec]:  # type: ignore[empty-body]
    """Instrument drivers.

    Example:
        @hookimpl
        def greystep_drivers():
            return [DriverSpec("my-scope", "digitiser", "My scope", MySettings, MyScope.open)]
    """


@hookspec
def greystep_dialects() -> Sequence[Path]:  # type: ignore[empty-body]
    """TOML dialect files for the SCPI drivers.

    Example:
        @hookimpl
        def greystep_dialects():
            return [Path(__file__).with_name("my-scope.toml")]
    """


@hookspec
def greystep_importers() -> Mapping[str, Callable[..., Any]]:  # type: ignore[empty-body]
    """Readers of trace files recorded elsewhere: file name ending -> reader.

    Example:
        @hookimpl
        def greystep_importers():
            return {".trc": read_trc}
    """


@hookspec
def greystep_preparers() -> Sequence[Preparer]:  # type: ignore[empty-body]
    """Preparations of traces.

    Example:
        @hookimpl
        def greystep_preparers():
            return [LightPreparer()]
    """


@hookspec
def greystep_estimators() -> Sequence[Estimator]:  # type: ignore[empty-body]
    """Estimators.

    Example:
        @hookimpl
        def greystep_estimators():
            return [MyEstimator()]
    """


@hookspec
def greystep_methods() -> Sequence[Path]:  # type: ignore[empty-body]
    """TOML method definitions.

    Example:
        @hookimpl
        def greystep_methods():
            return sorted(Path(__file__).parent.glob("methods/*.toml"))
    """


@hookspec
def greystep_reporters() -> Mapping[str, Callable[[Sequence[Capture], Any], Any]]:  # type: ignore[empty-body]
    """Reporters: name -> callable that writes files for a finished run into a folder.

    Called once a run is analysed and reported, in the service's reporting thread, with the run's captures (each is read when
    it is asked for) and the `Path` of a folder of its own. One that raises is named in the log and stops nothing.

    Example:
        @hookimpl
        def greystep_reporters():
            return {"my-table": write_my_table}
    """
