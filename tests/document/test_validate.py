"""Every field of every kind, fed with every wrong type: plain words, exact places, no library's jargon."""

import json
import re

import pytest

from stackcomp import KINDS, DocumentError, Graph
from stackcomp.files.validate import field_names

JUNK = [None, True, -7, 0.5, 10**400, "", "junk", [], [1], [[1]], {}, {"a": 1}, {"keys": [[1, {}]]}, "x" * 5000]
JARGON = re.compile(r"Input|Value error|valid|pydantic|type=|literal|\b(NoneType|dict|tuple|str|int|bool)\b")
NAMES = [(kind, field) for kind, model in KINDS.items() for field in field_names(model) if field != "kind"]


@pytest.mark.parametrize(("kind", "field"), NAMES)
def test_junk_in_any_field(kind, field):
    for junk in JUNK:
        text = json.dumps({"stackcomp": 1, "nodes": {"n.1": {"kind": kind, field: junk}}})
        try:
            Graph.from_json(text, "g.json").document()
        except DocumentError as error:
            problems = error.problems
        else:
            continue
        assert len(set(map(str, problems))) == len(problems)
        assert len({problem.pointer for problem in problems}) == len(problems)
        for problem in problems:
            message = f"{problem.message} {problem.way_out}"
            assert not JARGON.search(message)
            assert len(message) < 500
            assert problem.pointer.startswith("/nodes/n.1")
            assert problem.node == "n.1"


@pytest.mark.parametrize(
    "field", ["about", "working_space", "colour_config", "variables", "frames", "$schema", "nodes"]
)
@pytest.mark.parametrize("junk", [None, 3, 0.5, True, [1]], ids=str)
def test_junk_in_the_head(field, junk):
    with pytest.raises(DocumentError) as caught:
        Graph.from_json(json.dumps({"stackcomp": 1, "nodes": {}, field: junk})).document()
    (problem,) = caught.value.problems
    assert problem.pointer == f"/{field}"
    assert not JARGON.search(str(problem))


def test_nothing_is_converted_behind_the_users_back():
    """What a lax reader would take: texts of numbers, 1 for true, 3.0 for a whole number."""
    for field, value in (("shift", "1"), ("shift", 1.0), ("shift", True), ("path", 3)):
        node = {"kind": "read", "path": "a.exr", field: value}
        with pytest.raises(DocumentError):
            Graph.from_json(json.dumps({"stackcomp": 1, "nodes": {"a": node}})).document()
    for value in (1, "true", "yes"):
        node = {"kind": "cdl", "image": "b", "clamp": value}
        with pytest.raises(DocumentError):
            Graph.from_json(json.dumps({"stackcomp": 1, "nodes": {"a": node}})).document()
