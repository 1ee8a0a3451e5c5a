"""Method definitions: checked at their lines, fingerprinted, never able to stop the others."""

from __future__ import annotations

import textwrap

import pytest
from greystep.daemon.analysis.methods import load_methods, method_files
from greystep.daemon.host import PluginHost
from greystep.schema.errors import MethodError

from .tiny import ESTIMATORS, PREPARERS

GOOD = """\
id = "house"
title = "House method"
estimator = "tiny"
[parameters]
threshold = 0.25
"""


def load(folder, **texts):
    files = []
    for name, text in texts.items():
        files.append(folder / f"{name}.toml")
        files[-1].write_text(textwrap.dedent(text))
    return load_methods(files, ESTIMATORS, PREPARERS)


def test_defaults_are_written_out(tmp_path):
    method = load(tmp_path, house=GOOD).methods["house"]
    assert method.parameters == {"threshold": 0.25, "dies_on": ""}
    assert method.preparation == {"gain": 1.0}
    assert method.record()["preparer"] == "light"


def test_the_fingerprint_depends_on_what_can_change_a_figure_and_on_nothing_else(tmp_path):
    made = load(
        tmp_path,
        a=GOOD,
        b=GOOD.replace("house", "b").replace("House method", "Other words"),
        c=GOOD.replace("house", "c") + 'dies_on = ""\n[preparation]\ngain = 1\n',
        d=GOOD.replace("house", "d").replace("0.25", "0.26"),
        e=GOOD.replace("house", "e") + "[preparation]\ngain = 1.5\n",
    )
    assert made.problems == ()
    prints = {name: m.fingerprint for name, m in made.methods.items()}
    assert prints["house"] == prints["b"] == prints["c"]
    assert len({prints["house"], prints["d"], prints["e"]}) == 3
    assert made.methods["house"].preparation_fingerprint == made.methods["d"].preparation_fingerprint


@pytest.mark.parametrize(
    ("change", "line", "path", "words"),
    [
        (("threshold = 0.25", "treshold = 0.25"), 5, "parameters.treshold", "unknown key"),
        (("threshold = 0.25", 'threshold = "much"'), 5, "parameters.threshold", "valid number"),
        (("threshold = 0.25", "threshold = nan"), 5, "parameters.threshold", "finite"),
        (('"tiny"', '"tinny"'), 3, "estimator", "no estimator 'tinny'; loaded are: tiny, tiny-power"),
        (("title", "titel"), 2, "titel", "unknown key"),
        (("[parameters]", "[preparation]"), 5, "preparation.threshold", "unknown key"),
        (
            ("threshold = 0.25", 'threshold = 0.25\n[preparation]\npreparer = "dark"'),
            7,
            "preparation.preparer",
            "no preparer 'dark'",
        ),
        (("[parameters]", "[parameters"), 4, "", "not valid TOML"),
    ],
)
def test_every_problem_is_shown_at_its_line(tmp_path, change, line, path, words):
    made = load(tmp_path, bad=GOOD.replace(*change), good=GOOD.replace("house", "good"))
    assert list(made.methods) == ["good"]
    found = [p for p in made.problems if p.path == path]
    assert [(p.line, words in p.message) for p in found] == [(line, True)], made.problems
    assert found[0].file.endswith("bad.toml")


def test_an_id_used_twice_names_both_files(tmp_path):
    made = load(tmp_path, one=GOOD, two=GOOD)
    assert made.methods["house"].source.endswith("one.toml")
    assert len(made.problems) == 1
    assert "one.toml" in made.problems[0].message
    assert made.problems[0].file.endswith("two.toml")


def test_an_unknown_method_is_refused_with_what_is_wrong_with_its_file(tmp_path):
    made = load(tmp_path, bad=GOOD.replace("0.25", '"x"'), good=GOOD.replace("house", "good"))
    with pytest.raises(MethodError) as caught:
        made.require("house")
    assert "there is no method 'house'" in str(caught.value)
    assert "bad.toml:5" in str(caught.value)
    assert "known methods: good" in str(caught.value)


def test_all_built_in_methods_load(tmp_path):
    host = PluginHost.load()
    assert host.failures == ()
    made = load_methods(method_files(host.method_files, tmp_path), host.estimators, host.preparers)
    assert made.problems == ()
    assert len(made.methods) >= 8
    assert len({m.fingerprint for m in made.methods.values()}) == len(made.methods)
