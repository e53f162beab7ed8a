import copy
import json
from pathlib import Path

import pytest

from stackcomp import DocumentError, Graph
from stackcomp.document import upgrade as module
from stackcomp.document.upgrade import CURRENT, UPGRADES, upgrade

OLD = Path(__file__).parent / "old"


@pytest.mark.parametrize("version", range(CURRENT))
def test_a_stored_file_of_each_old_version_loads_and_equals_its_current_form(version):
    old = Graph.open(OLD / f"version_{version}.json")
    now = Graph.open(OLD / f"version_{version}_now.json")
    assert json.loads((OLD / f"version_{version}.json").read_text())["stackcomp"] == version
    assert old.document().head == now.document().head
    assert dict(old.document().nodes) == dict(now.document().nodes)
    assert json.loads(old.to_json()) == json.loads(now.to_json())


def test_every_version_has_its_step_and_the_module_says_how_to_add_one():
    assert list(UPGRADES) == list(range(CURRENT))
    assert "tests/document/old/" in module.__doc__
    assert "raise `CURRENT`" in module.__doc__


def test_the_given_document_is_not_changed():
    raw = json.loads((OLD / "version_0.json").read_text())
    before = copy.deepcopy(raw)
    assert upgrade(raw)["stackcomp"] == CURRENT
    assert raw == before


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({"nodes": {}}, 'write "stackcomp": 1'),
        ({"stackcomp": CURRENT + 1}, f"has format version {CURRENT + 1}; this program knows 0 to {CURRENT}"),
        ({"stackcomp": -1}, "format version -1"),
        ({"stackcomp": True}, "is true"),
        ({"stackcomp": 1.0}, "is 1.0"),
        ({"stackcomp": None}, "is null"),
        ({"stackcomp": 0, "nodes": {"a": {}}}, "is an object"),
        ({"stackcomp": 0, "nodes": [{"kind": "flat"}]}, "node 0 of a version 0 graph has no name"),
        ({"stackcomp": 0, "nodes": [3]}, "node 0"),
        ({"stackcomp": 0, "nodes": [{"name": "a"}, {"name": "a"}]}, 'two nodes .* named "a"'),
    ],
)
def test_what_cannot_be_brought_up_to_date(raw, words):
    with pytest.raises(DocumentError, match=words) as caught:
        Graph.from_json(json.dumps(raw), "old.json")
    assert caught.value.problems[0].place == "old.json"


def test_an_old_file_is_saved_in_the_current_version(tmp_path):
    Graph.open(OLD / "version_0.json").save(tmp_path / "new.json")
    assert (tmp_path / "new.json").read_text(encoding="utf-8") == (OLD / "version_0_now.json").read_text()
