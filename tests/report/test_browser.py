"""The pages in a real browser, from disk: charts drawn, filters and viewer at work, no network, accessible."""

import contextlib
from importlib import resources

import pytest

from tests.pattern.chromium import PROGRAM, browser

pytestmark = pytest.mark.skipif(PROGRAM is None, reason="needs Chromium")

WATCH = """
window.troubles = [];
for (const kind of ["error", "warn"]) {
  const was = console[kind];
  console[kind] = (...a) => { window.troubles.push(kind + ": " + a.join(" ")); was(...a); };
}
addEventListener("error", (e) => window.troubles.push("error: " + (e.message || e.target.src)), true);
addEventListener("unhandledrejection", (e) => window.troubles.push("rejection: " + e.reason));
"""
DRAWN = "document.documentElement.dataset.charts === 'drawn'"
FOREIGN = "performance.getEntriesByType('resource').map((e) => e.name).filter((n) => !n.startsWith('file://'))"
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def tab(tmp_path_factory):
    with browser(tmp_path_factory.mktemp("profile")) as made:
        made.call("Page.enable")
        made.call("Page.addScriptToEvaluateOnNewDocument", source=WATCH)
        made.call("Emulation.setDeviceMetricsOverride", width=1280, height=900, deviceScaleFactor=1, mobile=False)
        yield made


@pytest.fixture
def run_page(tab, reported):
    home, runs = reported
    tab.open((home.reports / "runs" / runs[0] / "index.html").as_uri())
    tab.until(DRAWN, 40)
    return tab


@contextlib.contextmanager
def emulated(tab, **features):
    tab.call("Emulation.setEmulatedMedia", features=[{"name": k.replace("_", "-"), "value": v} for k, v in features.items()])
    yield
    tab.call("Emulation.setEmulatedMedia", features=[])


def open_all(home, runs):
    reports = home.reports
    return [
        reports / "index.html",
        reports / "compare.html",
        next((reports / "displays").glob("*heron*.html")),
        reports / "runs" / runs[0] / "index.html",
        reports / "runs" / runs[2] / "index.html",
        reports / "runs" / runs[0] / "measurements.html",
    ]


def test_all_pages_open_from_disk_without_network_or_error(tab, reported):
    for page in open_all(*reported):
        tab.open(page.as_uri())
        tab.until(DRAWN, 40)
        assert tab.run("window.troubles") == [], page
        assert tab.run(FOREIGN) == [], page
        charts = tab.run("document.querySelectorAll('[data-chart]').length")
        assert charts == tab.run(
            "[...document.querySelectorAll('[data-chart] svg')].filter((s) => s.getBBox().width > 100).length"
        )


def test_first_paint_comes_within_a_second(run_page):
    paint = run_page.run("performance.getEntriesByName('first-contentful-paint')[0]?.startTime")
    print(f"first contentful paint after {paint:.0f} ms")
    assert paint < 1000


def test_viewer_shows_another_transition_by_keyboard(run_page):
    tab = run_page
    before = tab.run("document.querySelector('[data-marks=trace] tbody').textContent")
    tab.run("document.querySelector('select[name=transition]').focus()")
    for kind in ("keyDown", "keyUp"):
        tab.call("Input.dispatchKeyEvent", type=kind, key="ArrowDown", code="ArrowDown", windowsVirtualKeyCode=40)
    tab.until(f"document.querySelector('[data-marks=trace] tbody').textContent !== {before!r}")
    assert tab.run("document.querySelectorAll('[data-marks=trace] tbody tr').length") >= 4
    assert tab.run("window.troubles") == []


def test_every_transition_and_level_has_its_curves(run_page):
    """The chooser redraws profile, waveform and spectrum for the chosen one, and its buttons go through all of them."""
    tab = run_page
    chooser = "document.querySelector('[data-chooser*=moving-edge]')"
    caption = "document.querySelector('#figure-moving-edge-profile figcaption').textContent"
    names = tab.run(f"[...{chooser}.elements.subject.options].map((o) => o.text)")
    assert sorted(names) == sorted(f"{a} → {b}" for a in (0, 128, 255) for b in (0, 128, 255) if a != b)
    seen = {tab.run(caption)}
    for _ in names[1:]:
        tab.run(f"{chooser}.elements.on.click()")
        seen.add(tab.run(caption))
    assert len(seen) == len(names)
    spectrum = "document.querySelector('#figure-flicker-spectrum svg').outerHTML"
    before = tab.run(spectrum)
    tab.run(
        "(() => { const s = document.querySelector('[data-chooser*=flicker]').elements.subject; s.value = 'level 128'; "
        "s.dispatchEvent(new Event('change')); })()"
    )
    tab.until(f"{spectrum} !== {before!r}")
    assert tab.run("document.querySelector('#figure-flicker-spectrum figcaption').textContent").endswith("level 128.")
    assert tab.run("window.troubles") == []


def test_sketches_and_numbers_are_there_without_scripts(tab, reported):
    home, runs = reported
    tab.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.call("Page.navigate", url=(home.reports / "runs" / runs[0] / "index.html").as_uri())
        tab.until(
            "document.querySelectorAll('.sketches path').length === 6 && "
            "document.querySelectorAll('[aria-labelledby^=condition] .cells td b').length === 18"
        )
    finally:
        tab.call("Emulation.setScriptExecutionDisabled", value=False)


def search(tab, text):
    tab.run(
        f"(() => {{ const s = document.querySelector('[name=text]'); s.value = {text!r}; "
        "s.dispatchEvent(new Event('input', {bubbles: true})); })()"
    )


def test_search_narrows_and_a_heading_sorts(tab, reported):
    home, _ = reported
    tab.open((home.reports / "index.html").as_uri())
    tab.until(DRAWN)
    shown = "[...document.querySelectorAll('#displays tbody tr')].filter((r) => !r.hidden).map((r) => r.cells[0].textContent)"
    assert len(tab.run(shown)) == 3
    search(tab, "PLOVER")
    assert tab.run(shown) == ["Invented Plover"]
    assert tab.run("document.querySelector('output').textContent") == "1 lines"
    search(tab, "")
    head = "document.querySelectorAll('#displays thead button')[3]"
    tab.run(f"{head}.click()")
    first = tab.run(shown)
    tab.run(f"{head}.click()")
    assert tab.run(shown) == first[::-1]
    assert tab.run(f"{head}.parentElement.getAttribute('aria-sort')") == "descending"


def test_theme_follows_the_system_and_the_button(run_page):
    tab = run_page
    ground = "getComputedStyle(document.body).backgroundColor"
    with emulated(tab, prefers_color_scheme="dark"):
        dark = tab.run(ground)
        assert dark == "rgb(20, 24, 29)"
    assert tab.run(ground) == "rgb(255, 255, 255)"
    tab.run("document.getElementById('theme').click()")
    assert tab.run(ground) == dark
    tab.run("document.getElementById('theme').click()")


def test_nothing_runs_off_a_narrow_screen(tab, reported):
    tab.call("Emulation.setDeviceMetricsOverride", width=360, height=740, deviceScaleFactor=1, mobile=True)
    try:
        for page in open_all(*reported):
            tab.open(page.as_uri())
            tab.until(DRAWN, 40)
            assert tab.run("document.documentElement.scrollWidth") <= 360, page
    finally:
        tab.call("Emulation.setDeviceMetricsOverride", width=1280, height=900, deviceScaleFactor=1, mobile=False)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_pass_the_accessibility_rules_of_axe(tab, reported, scheme):
    axe = resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    with emulated(tab, prefers_color_scheme=scheme):
        for page in open_all(*reported):
            tab.open(page.as_uri())
            tab.until(DRAWN, 40)
            tab.run(f"(() => {{ {axe}; window.axe = axe; }})() || true")
            found = tab.run(
                f"axe.run(document, {{runOnly: {AXE_TAGS}}}).then((r) => r.violations.map((v) => "
                "v.id + ': ' + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160) + ' ' + n.failureSummary).join(' | ')))"
            )
            assert found == [], page


def test_paper_is_white_on_a_dark_screen_too(run_page):
    with emulated(run_page, prefers_color_scheme="dark"):
        run_page.call("Emulation.setEmulatedMedia", media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}])
        ground = run_page.run("getComputedStyle(document.body).backgroundColor")
        run_page.call("Emulation.setEmulatedMedia", media="", features=[])
    assert ground == "rgb(255, 255, 255)"


def test_pages_print(run_page):
    printed = run_page.call("Page.printToPDF", printBackground=True)
    assert len(printed["data"]) > 50_000
