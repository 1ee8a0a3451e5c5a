"""What the pages promise without a browser: complete, escaped, self-contained, bounded in size."""

import csv
import json
import re
import time
from html.parser import HTMLParser

import numpy as np
import pytest
from greystep.daemon.report import build_report
from greystep.daemon.report.rendering import data_block
from greystep.schema.dut import DUT
from greystep.schema.errors import GreystepError

from .homes import HOSTILE, make_home


class Links(HTMLParser):
    def __init__(self):
        super().__init__()
        self.links, self.ids, self.scripts = [], [], []

    def handle_starttag(self, tag, attrs):
        named = dict(attrs)
        self.links += [v for k, v in attrs if k in ("href", "src") and v]
        self.ids += [named["id"]] if "id" in named else []
        if tag == "script":
            self.scripts.append(named)


def read(page):
    parser = Links()
    parser.feed(page.read_text(encoding="utf-8"))
    return parser


def all_pages(home):
    return sorted(home.reports.rglob("*.html"))


def test_every_link_leads_to_a_file_or_an_anchor_that_is_there(reported):
    home, _ = reported
    assert len(all_pages(home)) == 2 + 3 + 2 * 3
    for page in all_pages(home):
        parsed = read(page)
        for link in parsed.links:
            if link.startswith("data:"):
                continue
            path, _, anchor = link.partition("#")
            assert "://" not in link, (page, link)
            target = (page.parent / path).resolve() if path else page
            assert target.exists(), (page, link)
            if anchor:
                assert anchor in read(target).ids, (page, link)
        assert len(parsed.ids) == len(set(parsed.ids)), page


def test_no_page_runs_a_script_made_of_data(reported):
    home, _ = reported
    for page in all_pages(home):
        for script in read(page).scripts:
            assert script.get("type") == "application/json" or script["src"].split("/")[-1] in ("charts.js", "report.js")


def test_a_hostile_name_is_shown_and_never_run(reported):
    home, runs = reported
    page = (home.reports / "runs" / runs[2] / "index.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_data_can_not_end_its_block():
    text = str(data_block({"x": HOSTILE + "\u2028<!--", "y": float("nan")}))
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"x": HOSTILE + "\u2028<!--", "y": None}


def test_every_number_of_a_run_has_its_provenance_on_the_page(reported):
    home, runs = reported
    page = (home.reports / "runs" / runs[0] / "index.html").read_text(encoding="utf-8")
    hashes = [
        line.split()[0] for f in home.raw.glob(f"*/{runs[0]}/*") if f.suffix != ".h5" for line in f.read_text().splitlines()
    ]
    rows = json.loads((home.reports / "runs" / runs[0] / "measurements.json").read_text())
    assert hashes
    assert all(h in page for h in hashes)
    assert {r["fingerprint"] for r in rows if r["method"] != "warm-up"} <= set(re.findall(r"[0-9a-f]{64}", page))
    for word in ("Uncertainty budget", "Methods in words", "Why do your numbers differ", "Invented Co-operative"):
        assert word in page


def test_matrix_shows_the_measured_durations(reported):
    """10 to 90 % of an exponential is ln 9 time constants."""
    home, runs = reported
    rows = json.loads((home.reports / "runs" / runs[0] / "measurements.json").read_text())
    house = {
        (r["from_level"], r["to_level"]): r
        for r in rows
        if (r["method"], r["quantity"]) == ("band-first-entry", "transition_duration")
    }
    page = (home.reports / "runs" / runs[0] / "index.html").read_text(encoding="utf-8")
    matrix = page[page.index('id="matrix-1-1"') :].split("</table>")[0]
    cells = re.findall(r'<td title="(\d+) to (\d+): [≤≥ ]*([\d.]+)(?: ± [\d.]+)? ms', matrix)
    assert len(cells) == len(house) == 6
    for a, b, text in cells:
        assert float(text) == pytest.approx(1e3 * house[int(a), int(b)]["value"], rel=1e-3)
    ten_ninety = [r["value"] for r in rows if (r["method"], r["quantity"]) == ("duration-10-90", "transition_duration")]
    np.testing.assert_allclose(ten_ninety, np.log(9) * 2e-3, rtol=0.01)


def test_csv_keeps_to_its_table_schema(reported):
    home, runs = reported
    folder = home.reports / "runs" / runs[0]
    schema = json.loads((folder / "measurements.schema.json").read_text())
    with (folder / "measurements.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [f["name"] for f in schema["fields"]] == list(rows[0])
    for row in rows:
        for field in schema["fields"]:
            value, rules = row[field["name"]], field.get("constraints", {})
            assert value or not rules.get("required")
            if value and field["type"] == "number":
                float(value)
            if value and field["type"] == "integer":
                assert int(value) >= rules.get("minimum", 0)
            assert "enum" not in rules or value in rules["enum"]
    assert len(rows) == len(json.loads((folder / "measurements.json").read_text()))


def test_an_unknown_run_and_a_missing_home_are_refused_in_one_line(reported, tmp_path):
    from greystep.daemon.home import Home

    home, _ = reported
    with pytest.raises(GreystepError, match="no run"):
        build_report(home, "01unknown")
    with pytest.raises(GreystepError, match="no home"):
        build_report(Home(tmp_path / "nowhere"))


def test_an_unreadable_raw_file_is_named_and_the_rest_is_drawn(tmp_path):
    home, runs = make_home(tmp_path, [("Heron", 1e-3)])
    damaged = next(home.raw.glob("*/*/c01-step-000-128.h5"))
    damaged.chmod(0o600)
    damaged.write_bytes(damaged.read_bytes()[:20000])
    for cached in home.prepared.rglob("*.prepared"):
        cached.unlink()
    page = build_report(home, runs[0]).read_text(encoding="utf-8")
    assert "Not drawn: c01-step-000-128" in page
    assert "trace from level 0 to level 255" in page


def test_a_run_without_figures_yet_has_a_page(tmp_path):
    home, runs = make_home(tmp_path, [("Heron", 1e-3)], methods=[])
    page = build_report(home, runs[0]).read_text(encoding="utf-8")
    assert "Invented Heron" in page
    assert page.count("<path d=") == 6


def test_warm_up_is_drawn_with_its_figures(tmp_path):
    home, runs = make_home(tmp_path, [("Heron", 1e-3)], methods=["warm-up", "band-first-entry"], trend=True)
    page = build_report(home, runs[0]).read_text(encoding="utf-8")
    assert 'id="chart-warm-up-series"' in page
    section = page[page.index('id="topic-warm-up"') :]
    assert re.search(r"Time to stable<br>.*?<span class=\"number\">[≤≥ ]*[\d.]+( ± [\d.]+)? min", section, re.DOTALL)


def test_one_run_renews_its_own_pages_and_those_that_rest_on_it(reported):
    home, runs = reported
    pages = {p: p.stat().st_mtime_ns for p in all_pages(home)}
    build_report(home, runs[0])
    renewed = {p.relative_to(home.reports).as_posix() for p, t in pages.items() if p.stat().st_mtime_ns != t}
    own = {f"runs/{runs[0]}/index.html", f"runs/{runs[0]}/measurements.html"}
    display = next(p for p in (home.reports / "displays").glob("*heron*")).name
    assert renewed == own | {"index.html", "compare.html", f"displays/{display}"}


def test_before_and_after_a_firmware_change_is_told_apart(tmp_path):
    def display(firmware):
        return DUT(maker="Invented", model="Heron", panel="LCD", firmware=firmware)

    displays = [(display("1.0"), 2e-3), (display("1.1"), 2e-3), (display("2.0"), 1e-3)]
    home, _ = make_home(tmp_path, displays, methods=["band-first-entry"])
    build_report(home)
    (path,) = (home.reports / "displays").iterdir()
    page = path.read_text(encoding="utf-8")
    assert "Before and after" in page
    assert 'data-chart="history"' in page
    assert all(f"firmware {v}" in page for v in ("1.0", "1.1", "2.0"))
    changes = re.findall(r'<td class="words">([^<]*(?:no difference shown|a real difference))</td>', page)
    means = changes[:2]
    assert means[0].endswith("no difference shown")
    assert "faster" in means[1]


def test_a_long_run_stays_below_five_megabytes(tmp_path):
    """110 transitions (11 levels) with 20 repeats each, under every built-in method."""
    levels = tuple(round(i * 25.5) for i in range(11))
    home, runs = make_home(tmp_path, [("Heron", 2e-3)], levels=levels, repeats=20, samples=2000)
    begun = time.process_time()
    page = build_report(home, runs[0])
    print(f"page of 110 transitions: {page.stat().st_size / 1e6:.2f} MB, {time.process_time() - begun:.2f} s CPU")
    assert page.stat().st_size < 5e6
    assert page.read_text(encoding="utf-8").count("<path d=") == 110


def test_parquet_stands_beside_the_other_tables(reported):
    parquet = pytest.importorskip("pyarrow.parquet")
    home, runs = reported
    folder = home.reports / "runs" / runs[0]
    table = parquet.read_table(folder / "measurements.parquet")
    assert table.num_rows == len(json.loads((folder / "measurements.json").read_text()))
    for name in ("index.html", "measurements.html"):
        assert 'href="measurements.parquet"' in (folder / name).read_text(encoding="utf-8")


def test_without_pyarrow_the_pages_say_so(tmp_path, monkeypatch):
    import importlib.util

    found = importlib.util.find_spec
    home, runs = make_home(tmp_path, [("Heron", 2e-3)], methods=["duration-10-90"])
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *more: None if name == "pyarrow" else found(name, *more))
    folder = build_report(home, runs[0]).parent
    assert not (folder / "measurements.parquet").exists()
    assert "measurements.parquet" not in (folder / "index.html").read_text(encoding="utf-8")
    assert "greystep[parquet]" in (folder / "measurements.html").read_text(encoding="utf-8")
