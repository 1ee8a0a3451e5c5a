"""A bundle stands for itself: described, proved, and enough to compute the same figures again elsewhere."""

import json
import zipfile
from hashlib import sha256

import pytest
from greystep.daemon.analysis.backend import Serial, home_setup
from greystep.daemon.analysis.indexing import rebuild
from greystep.daemon.analysis.methods import load_methods, method_files
from greystep.daemon.analysis.recompute import Recompute
from greystep.daemon.analysis.worker import make_engine
from greystep.daemon.archive.archive import Archive
from greystep.daemon.bundle import bundle_run, import_bundle, is_bundle
from greystep.daemon.catalogue import Catalogue
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.schema.errors import GreystepError

from tests.report.homes import make_home

HOUSE = """
id = "house-20-80"
title = "House method, 20 to 80 %"
estimator = "transition"

[parameters]
domain = "luminance"
start_fraction = 0.2
end_fraction = 0.8
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    root = tmp_path_factory.mktemp("home")
    (root / "methods").mkdir()
    (root / "methods" / "house-20-80.toml").write_text(HOUSE)
    return make_home(root, [("Heron", 2e-3)])


@pytest.fixture(scope="module")
def bundle(home, tmp_path_factory):
    made, runs = home
    return bundle_run(made, runs[0], tmp_path_factory.mktemp("bundles") / "heron")


def figures(home):
    """Every measurement with budget and details, to the last bit."""
    with Catalogue(home.catalogue) as catalogue:
        return sorted(repr(catalogue.with_budget(m)) for m in catalogue.results())


def recompute(home):
    host = PluginHost.load()
    methods = load_methods(method_files(host.method_files, home.root), host.estimators, host.preparers)
    rebuild(Archive(home.raw), home.catalogue)
    with Catalogue(home.catalogue, write=True) as catalogue:
        for run in catalogue.runs():
            catalogue.mark_run_ended(run["run"])
        Recompute(catalogue, methods).run(Serial(make_engine(home_setup(home.root))))


def test_metadata_says_what_ro_crate_1_1_asks_for(bundle, home):
    """Fields of the RO-Crate 1.1 specification; the profile validator needs a network and is not run."""
    record = json.loads((bundle / "ro-crate-metadata.json").read_text())
    assert record["@context"] == "https://w3id.org/ro/crate/1.1/context"
    entities = {e["@id"]: e for e in record["@graph"]}
    descriptor = entities["ro-crate-metadata.json"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    root = entities["./"]
    assert root["@type"] == "Dataset"
    assert all(root.get(k) for k in ("name", "description", "datePublished", "license", "hasPart"))
    files = {p.relative_to(bundle).as_posix() for p in bundle.rglob("*") if p.is_file()} - {"ro-crate-metadata.json"}
    assert {e for e, v in entities.items() if v["@type"] == "File"} == files
    assert {p["@id"] for p in root["hasPart"]} == files
    for name in files:
        assert entities[name]["sha256"] == sha256((bundle / name).read_bytes()).hexdigest(), name


def test_bundle_holds_what_is_needed_to_defend_a_number(bundle, home):
    _, runs = home
    names = {p.relative_to(bundle).as_posix() for p in bundle.rglob("*")}
    assert {"README.md", "CITATION.cff", "SHA256SUMS", "measurements.csv", "measurements.schema.json", "methods"} <= names
    assert "methods/house-20-80.toml" in names
    assert any(n.startswith("figures/") and n.endswith(".svg") for n in names)
    assert sum(n.endswith(".h5") for n in names) == 14
    assert runs[0] in (bundle / "README.md").read_text()


def test_csv_is_valid_under_its_table_schema(bundle):
    frictionless = pytest.importorskip("frictionless")
    schema = frictionless.Schema.from_descriptor(json.loads((bundle / "measurements.schema.json").read_text()))
    with frictionless.system.use_context(trusted=True):
        report = frictionless.Resource(path=str(bundle / "measurements.csv"), schema=schema).validate()
    assert report.valid, report.flatten(["rowNumber", "fieldName", "type", "message"])[:5]


@pytest.mark.parametrize("packed", [False, True])
def test_unpacked_elsewhere_it_gives_the_same_figures(home, bundle, tmp_path, packed):
    made, runs = home
    source = bundle_run(made, runs[0], tmp_path / "heron.zip") if packed else bundle
    other = Home(tmp_path / "other").create()
    done = import_bundle(source, other)
    assert (done.run, done.captures, done.methods, done.remarks) == (runs[0], 14, ("house-20-80",), ())
    recompute(other)
    ours = figures(made)
    assert len(ours) > 300
    assert figures(other) == ours
    again = import_bundle(source, other)
    assert again.already


def test_a_changed_capture_is_refused_and_nothing_is_imported(bundle, tmp_path):
    import shutil

    copy = tmp_path / "copy"
    shutil.copytree(bundle, copy)
    victim = sorted(copy.glob("raw/*/*/*.h5"))[3]
    data = bytearray(victim.read_bytes())
    data[len(data) // 2] ^= 1
    victim.chmod(0o600)
    victim.write_bytes(data)
    other = Home(tmp_path / "other").create()
    with pytest.raises(GreystepError, match=victim.name):
        import_bundle(copy, other)
    assert list(other.raw.iterdir()) == []
    victim.unlink()
    with pytest.raises(GreystepError, match="listed but not there"):
        import_bundle(copy, other)
    victim.symlink_to(sorted(copy.glob("raw/*/*/*.h5"))[0])
    with pytest.raises(GreystepError, match="link"):
        import_bundle(copy, other)
    assert list(other.raw.iterdir()) == []


def test_what_is_no_bundle_is_told_apart(tmp_path):
    (tmp_path / "manifest.toml").write_text("[dut]\n")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as other:
        other.writestr("a.txt", "a")
    assert not is_bundle(tmp_path)
    assert not is_bundle(tmp_path / "manifest.toml")
    assert not is_bundle(tmp_path / "other.zip")
    assert not is_bundle(tmp_path / "nothing")
    with pytest.raises(GreystepError, match="not a bundle"):
        import_bundle(tmp_path, Home(tmp_path / "h").create())


def test_a_bundle_never_overwrites(home, bundle):
    made, runs = home
    with pytest.raises(GreystepError, match="there already"):
        bundle_run(made, runs[0], bundle)


def test_parquet_of_a_bundle_holds_what_its_csv_holds(bundle):
    parquet = pytest.importorskip("pyarrow.parquet")
    table = parquet.read_table(bundle / "measurements.parquet")
    lines = (bundle / "measurements.csv").read_text(encoding="utf-8").splitlines()
    assert table.num_rows == len(lines) - 1
    assert ",".join(table.column_names) == lines[0]
