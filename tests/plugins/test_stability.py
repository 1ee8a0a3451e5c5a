"""The plugin interface keeps its promise: old names work for one minor release, with a warning that says what to do."""

from __future__ import annotations

import itertools
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.run.rig import open_instrument
from greystep.schema import deprecation, hooks
from greystep.schema.bench import InstrumentEntry
from greystep.schema.deprecation import GreystepDeprecationWarning, Renamed

COUNT = itertools.count()
PLUGIN = """
from pathlib import Path
from greystep.schema.hooks import hookimpl
from greystep.schema.model import Model
from greystep.schema.roles import DriverSpec, MeterReading

class Settings(Model):
    watts: float = 4.0

class Lamp:
    __slots__ = ("settings_",)
    def __init__(self, settings, dialogue): self.settings_ = settings
    def identify(self): return "Example,Lamp,1,1"
    def settings(self): return self.settings_.model_dump()
    def recover(self): pass
    def close(self): pass
    def {read}(self, aperture_s): return MeterReading(self.settings_.watts, "W", 0.01)

@hookimpl
def {hook}():
    return [DriverSpec("lamp", "power", "A steady lamp", Settings, Lamp)]
{more}
"""


@pytest.fixture
def written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Makes a plugin module of its own for each test, and its entry point."""
    monkeypatch.syspath_prepend(tmp_path)

    def write(hook: str = "greystep_drivers", read: str = "read", more: str = "") -> list[EntryPoint]:
        name = f"lamp_of_test_{next(COUNT)}"
        (tmp_path / f"{name}.py").write_text(PLUGIN.format(hook=hook, read=read, more=more))
        return [EntryPoint("lamp", name, hooks.PROJECT)]

    return write


def test_a_plugin_of_today_has_no_remarks(written) -> None:
    host = PluginHost.load(written(more=f"GREYSTEP_API = {hooks.API_VERSION}"))
    assert "lamp" in host.drivers
    assert host.plugins[0].remarks == ()


def test_an_old_hook_works_and_names_plugin_replacement_and_release(written, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(deprecation.HOOKS, "greystep_instruments", Renamed("greystep_drivers", "0.3"))
    with pytest.warns(GreystepDeprecationWarning, match=r"plugin lamp .*greystep_instruments is now greystep_drivers.* 0\.3"):
        host = PluginHost.load(written(hook="greystep_instruments"))
    assert "lamp" in host.drivers
    (info,) = host.plugins
    assert info.failure == ""
    assert info.remarks == (
        "plugin lamp of ?: greystep_instruments is now greystep_drivers; the old name works until greystep 0.3",
    )


def test_after_that_release_the_old_hook_is_an_unknown_one(written) -> None:
    (info,) = PluginHost.load(written(hook="greystep_instruments")).plugins
    assert "greystep_instruments" in info.failure


def test_an_old_member_of_a_role_answers_to_its_new_name(written, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(deprecation.MEMBERS, "power", {"take_reading": Renamed("read", "0.3")})
    host = PluginHost.load(written(read="take_reading"))
    with pytest.warns(GreystepDeprecationWarning, match=r"driver lamp: power\.take_reading is now read"):
        lamp, _, _ = open_instrument(
            "power", InstrumentEntry(driver="lamp"), Home(tmp_path / "home").create(), host, lambda *_: None
        )
    assert lamp.read(0.1).value == 4.0
    assert lamp.identify() == "Example,Lamp,1,1"


@pytest.mark.parametrize(("made_for", "used"), [(hooks.API_VERSION + 1, False), ("'soon'", False), (0, True)])
def test_a_plugin_for_another_version_of_the_interface_is_told_so(written, made_for: object, used: bool) -> None:
    host = PluginHost.load(written(more=f"GREYSTEP_API = {made_for}"))
    (info,) = host.plugins
    assert ("lamp" in host.drivers) == used
    words = info.remarks[0] if used else info.failure
    assert f"this greystep has {hooks.API_VERSION}" in words
