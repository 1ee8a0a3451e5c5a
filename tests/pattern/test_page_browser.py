"""The pattern page in a real browser: exact pixels, changes on frames, dark when the service is gone, back when it returns."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
import pytest
from greystep.plugins.pattern_page.settings import PageSettings
from greystep.schema.errors import InstrumentTimeoutError, RefusedError

from .chromium import PROGRAM, Tab, browser

pytest.importorskip("aiohttp", reason="the page needs the extra `page`")
from greystep.plugins.pattern_page.driver import PatternPage

pytestmark = [pytest.mark.skipif(PROGRAM is None, reason="no Chromium on this machine"), pytest.mark.timeout(180)]
TOKEN = "abcdefghjkmn"


@pytest.fixture(scope="module")
def tab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Tab]:
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture
def page() -> Iterator[PatternPage]:
    driver = PatternPage.open(PageSettings(port=0, connect_s=10, blank_s=2), lambda *_: None)
    yield driver
    driver.close()


def start(tab: Tab, page: PatternPage) -> None:
    tab.open(page.url)
    tab.run("document.getElementById('start').click()")


def shown(tab: Tab) -> set[tuple[int, ...]]:
    return set(map(tuple, tab.picture().reshape(-1, 3).tolist()))


def test_nothing_bright_is_shown_before_a_person_has_read_the_caution(tab: Tab, page: PatternPage) -> None:
    tab.open(page.url)
    assert "Caution: this screen will flash" in tab.run("document.body.innerText")
    assert tab.picture().mean() < 40
    page._settings = page._settings.model_copy(update={"connect_s": 0.5})
    with pytest.raises(InstrumentTimeoutError, match="touched Start"):
        page.level(255)
    assert tab.picture().mean() < 40


def test_every_level_is_that_grey_in_every_pixel(tab: Tab, page: PatternPage) -> None:
    start(tab, page)
    for level in (0, 1, 64, 127, 128, 200, 254, 255):
        page.level(level)
        assert shown(tab) == {(level, level, level)}
    page.safe()
    assert shown(tab) == {(0, 0, 0)}


def test_without_the_lock_a_hidden_video_keeps_the_screen_on_and_changes_no_pixel_and_no_frame(
    tab: Tab, page: PatternPage
) -> None:
    """As over plain HTTP, where browsers keep the wake lock from a page."""
    tab.open(page.url)
    tab.run("Object.defineProperty(navigator, 'wakeLock', {value: undefined})")
    tab.run("document.getElementById('start').click()")
    for level in (255, 128, 3):
        page.level(level)
        assert shown(tab) == {(level, level, level)}
    tab.until("document.getElementById('still') && document.getElementById('still').currentTime > 0.5")
    before = tab.run("document.getElementById('still').played.length")
    assert before >= 1
    _rate(page)
    assert page.settings()["kept_awake"] == "video"
    page.play([0, 255] * 10, 0.1)
    assert page.wait(10)
    assert np.median(np.diff(page.played_s())) == pytest.approx(0.1, abs=0.3 / _rate(page))
    tab.until("document.getElementById('still').currentTime < 0.5")  # it begins again


def test_the_video_is_black_short_and_small() -> None:
    av = pytest.importorskip("av", reason="the extra `video`")
    file = files("greystep.plugins.pattern_page") / "still.mp4"
    assert len(file.read_bytes()) < 2000
    with as_file(file) as path, av.open(str(path)) as opened:
        frames = [frame.to_ndarray(format="gray") for frame in opened.decode(video=0)]
        assert [s.type for s in opened.streams] == ["video"]
    assert len(frames) >= 2
    assert max(int(frame.max()) for frame in frames) <= 2


def test_a_list_changes_on_frames_and_holds_each_level_for_its_dwell(tab: Tab, page: PatternPage) -> None:
    start(tab, page)
    page.play([0, 255] * 15, 0.1)
    assert page.wait(10)
    times = np.array(page.played_s())
    assert len(times) == 30
    rate = _rate(page)
    frames = np.diff(times) * rate
    # Headless Chromium paints about 60 frames a second without a screen; its clock jitters by a part of a frame.
    assert np.median(np.diff(times)) == pytest.approx(0.1, abs=0.3 / rate)
    assert np.median(np.abs(frames - np.rint(frames))) < 0.2
    assert times[-1] == pytest.approx(2.9, abs=2 / rate)


def _rate(page: PatternPage) -> float:
    end = time.monotonic() + 10
    while time.monotonic() < end:
        if rate := page.settings()["refresh_rate_hz"]:
            return float(rate)
        time.sleep(0.05)
    raise AssertionError("the page reported no frame times")


def test_the_measured_refresh_rate_must_be_that_of_the_plan(tab: Tab, page: PatternPage) -> None:
    start(tab, page)
    rate = _rate(page)
    page.apply({"refresh_rate_hz": rate * 1.01})
    with pytest.raises(RefusedError, match="refreshes its browser at"):
        page.apply({"refresh_rate_hz": rate * 2})
    with pytest.raises(RefusedError, match=r'by_hand = \["overdrive"\]'):
        page.apply({"refresh_rate_hz": rate, "overdrive": "fast"})


def test_the_screen_goes_dark_when_the_service_stops_and_comes_back_with_it(tab: Tab) -> None:
    settings = PageSettings(port=0, token=TOKEN, connect_s=15, blank_s=2)
    first = PatternPage.open(settings, lambda *_: None)
    start(tab, first)
    first.level(255)
    assert shown(tab) == {(255, 255, 255)}
    port = int(first.url.split(":")[2].split("/")[0])
    first._server.close()  # as if the service was killed: nobody orders level 0
    tab.until("document.getElementById('field').style.backgroundColor === 'rgb(0, 0, 0)'", 8)
    assert shown(tab) == {(0, 0, 0)}
    second = PatternPage.open(settings.model_copy(update={"port": port}), lambda *_: None)
    try:
        second.level(77)
        assert shown(tab) == {(77, 77, 77)}
    finally:
        second.close()


def test_a_second_screen_takes_over_and_the_first_goes_dark(tab: Tab, page: PatternPage, tmp_path: Path) -> None:
    start(tab, page)
    page.level(128)
    with browser(tmp_path / "other") as other:
        start(other, page)
        other.until("document.body.className === 'running'")
        page.level(200)
        assert shown(other) == {(200, 200, 200)}
        tab.until("document.body.className === ''", 5)
        assert "taken over" in tab.run("document.body.innerText")


def test_the_page_uses_no_syntax_that_old_browsers_lack() -> None:
    import greystep.plugins.pattern_page as package

    text = (Path(package.__file__).parent / "page.html").read_text()
    script = re.sub(r"/\*.*?\*/", "", text[text.index("<script") : text.index("</script>")], flags=re.DOTALL)
    for modern in ("=>", "let ", "const ", "`", "...", "async ", "await ", "class ", "fetch(", ".catch(", "for (const", "?."):
        assert modern not in script, modern
