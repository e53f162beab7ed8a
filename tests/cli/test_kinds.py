"""``stackcomp kinds`` and ``stackcomp schema``."""

from __future__ import annotations

import json

import pytest

from stackcomp import KINDS
from stackcomp.document.schema import graph_schema
from stackcomp.nodes.description import describe


def test_a_line_a_kind(run):
    shown = run("kinds").stdout
    starts = [line.split()[0] for line in shown.splitlines() if not line.startswith(" ")]
    assert starts == list(KINDS)
    assert not any(line.endswith(" ") for line in shown.splitlines())


def test_everything_about_one(run):
    shown = run("kinds", "glow").stdout
    for word in ("radius", "px", "half of the light lands", "default 20", "exponential or gaussian", "within",
                 "Source of the maths", "normal distribution", '"kind": "glow"', "(optional)"):  # fmt: skip
        assert word in shown
    assert "``" not in shown


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_page(run, kind):
    done = run("kinds", kind)
    assert done.exit_code == 0
    text = describe(KINDS[kind])
    assert all(port.name in done.stdout for port in text.ports)
    assert all(parameter.name in done.stdout for parameter in text.parameters)


def test_json(run):
    every = json.loads(run("kinds", "--json").stdout)["kinds"]
    assert [kind["kind"] for kind in every] == list(KINDS)
    one = json.loads(run("kinds", "cdl", "--json").stdout)
    assert one == next(kind for kind in every if kind["kind"] == "cdl")


def test_an_unknown_kind(run):
    done = run("kinds", "gloww")
    assert done.exit_code == 2
    assert 'did you mean "glow"?' in done.stderr
    assert json.loads(run("kinds", "gloww", "--json").stdout)["exit_code"] == 2


@pytest.mark.slow
def test_schema(run, tmp_path):
    assert json.loads(run("schema").stdout) == graph_schema()
    file = tmp_path / "graph.schema.json"
    assert run("schema", "--to", file).exit_code == 0
    assert json.loads(file.read_text(encoding="utf-8")) == graph_schema()
    (tmp_path / "folder").mkdir()
    done = run("schema", "--to", tmp_path / "folder")
    assert done.exit_code == 2
    assert "is a folder" in done.stderr
