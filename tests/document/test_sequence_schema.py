"""The schema of sequence files accepts and refuses what the models do; judged by the package jsonschema."""

import json
from pathlib import Path

import jsonschema
import pytest

from stackcomp.document.sequence import Sequence
from stackcomp.document.sequence_schema import sequence_schema
from stackcomp.errors import DocumentError

DEMO = Path(__file__).parents[2] / "demo_shot" / "sequence.json"
MOVIE = {"kind": "movie", "shows": "out", "path": "out/${shot_name}.mp4"}


@pytest.fixture(scope="module")
def validator():
    schema = sequence_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_the_demo_fits(validator):
    validator.validate(json.loads(DEMO.read_text("utf-8")))


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"about": "Bench", "handles": 8, "root": ".", "variables": {"a": [1, {"b": None}]}},
        {"variables": ["a.json", {"gain": 1}]},
        {"shots": {"wide": {"frames": "1-3", "set": {"shaded.gamma": 1.5}, "handles": 0, "variables": {}}}},
        {"deliveries": {"review": {**MOVIE, "burn_in": ["shot", "frame"], "slate": True, "frame_rate": 24}}},
        {"deliveries": {"sheet": {"kind": "contact_sheet", "shows": "still", "path": "s.png", "columns": 4}}},
    ],
)
def test_right_files(validator, tmp_path, change):
    raw = {"stackcomp_sequence": 1, "graph": "comp.json", "shots": {}, **change}
    (tmp_path / "comp.json").write_text('{"stackcomp": 1, "nodes": {}}')
    (tmp_path / "a.json").write_text("{}")
    Sequence(raw, str(tmp_path / "sequence.json"))
    validator.validate(raw)


@pytest.mark.parametrize(
    "change",
    [
        {"stackcomp_sequence": 2},
        {"stackcomp_sequence": "1"},
        {"shot": {}},
        {"shots": []},
        {"shots": {"wide": []}},
        {"shots": {"wide": {"frame": "1-3"}}},
        {"shots": {"wide": {"frames": 3}}},
        {"shots": {"a/b": {}}},
        {"handles": -1},
        {"handles": 1.5},
        {"variables": 3},
        {"deliveries": {"review": {**MOVIE, "kind": "film"}}},
        {"deliveries": {"review": {**MOVIE, "codec": "h265"}}},
        {"deliveries": {"review": {**MOVIE, "burn_in": ["lens"]}}},
        {"deliveries": {"review": {"kind": "movie", "path": "a.mp4"}}},
        {"deliveries": {"sheet": {"kind": "contact_sheet", "shows": "a", "path": "b.png", "columns": 0}}},
    ],
)
def test_wrong_files(validator, tmp_path, change):
    raw = {"stackcomp_sequence": 1, "graph": "comp.json", "shots": {}, **change}
    (tmp_path / "comp.json").write_text('{"stackcomp": 1, "nodes": {}}')
    with pytest.raises(DocumentError):
        Sequence(raw, str(tmp_path / "sequence.json"))
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(raw)
