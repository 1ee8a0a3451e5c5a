import pytest
from greystep.daemon.report import build_report
from greystep.schema.dut import DUT

from .homes import HOSTILE, make_home


@pytest.fixture(scope="session")
def reported(tmp_path_factory):
    """A home of three displays with its pages; the third has a hostile name."""
    root = tmp_path_factory.mktemp("reported")
    displays = [("Heron", 2e-3), ("Plover", 2.02e-3), (DUT(maker="Invented", model=HOSTILE, panel="OLED"), 5e-4)]
    home, runs = make_home(root, displays)
    build_report(home)
    return home, runs
