"""Files of findings: each record once, whatever comes of it; older files are read and brought up to date."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import Composition, Graph, Image
from stackcomp.measure.findings import record_of, write_findings

GREY = {"match": "grey", "plate_file": "plate.exr", "gain": [1.25, 1.0, 0.75]}
LIGHT = {"match": "light", "plate_file": "plate.exr", "strength": 2.0}


def content(path):
    held = json.loads(path.read_text())
    assert held["found"].pop("written by", "stackcomp ").startswith("stackcomp ")
    return held


def test_a_record_stands_once_and_its_other_variables_refer_to_it(tmp_path):
    path = tmp_path / "found.json"
    write_findings(path, {"gain": [1.25, 1.0, 0.75], "stops": 0.1}, GREY)
    assert content(path) == {
        "gain": [1.25, 1.0, 0.75],
        "stops": 0.1,
        "found": {"gain": GREY, "stops": {"found_with": "gain"}},
    }
    assert path.read_text().count("plate.exr") == 1
    for name in ("gain", "stops"):
        assert record_of(content(path), name) == GREY
    assert record_of(content(path), "nothing") is None


def test_a_graph_takes_the_variables_as_before(tmp_path):
    path = tmp_path / "found.json"
    write_findings(path, {"gain": [2.0, 1.0, 0.5], "stops": 1.0}, GREY)
    graph = Graph(frames="1")
    graph.add("flat", "grey", size=[2, 2], colour=[1, 1, 1])
    graph.add("channel_gain", "gained", image="grey", gain="${gain}")
    graph.add("exposure", "lifted", image="gained", stops="${stops}")
    comp = Composition(graph, variables=content(path))
    assert isinstance(image := comp.render("lifted", 1), Image)
    assert image.to_array()[0, 0, :3] == pytest.approx([4, 2, 1])


def test_an_older_file_is_read_and_brought_into_the_new_form(tmp_path):
    """Before, each variable had a copy of the record."""
    path = tmp_path / "found.json"
    old = {"mine": 7, "gain": [1, 1, 1], "stops": 0, "found": {"gain": GREY, "stops": GREY}}
    path.write_text(json.dumps(old))
    assert record_of(content(path), "stops") == GREY
    write_findings(path, {"black": [0, 0, 0]}, {"match": "black"})
    assert content(path) == {
        **old,
        "black": [0, 0, 0],
        "found": {"gain": GREY, "stops": {"found_with": "gain"}, "black": {"match": "black"}},
    }
    write_findings(path, {"gain": [2, 2, 2], "stops": 1}, LIGHT)
    assert content(path)["found"]["gain"] == LIGHT
    assert content(path)["mine"] == 7


def test_a_record_whose_first_variable_is_found_anew_moves_to_the_next(tmp_path):
    path = tmp_path / "found.json"
    write_findings(path, {"light_gain": [1, 1, 1], "light_stops": 0.0, "light_tint": [1, 1, 1]}, LIGHT)
    write_findings(path, {"light_gain": [2, 2, 2]}, GREY)
    assert content(path)["found"] == {
        "light_gain": GREY,
        "light_stops": LIGHT,
        "light_tint": {"found_with": "light_stops"},
    }


def test_records_of_other_makers_stay(tmp_path):
    path = tmp_path / "found.json"
    found = {"a": "by hand", "b": "by hand", "c": {"found_with": "lost"}, "d": {"found_with": "d"}, "e": None}
    path.write_text(json.dumps({"a": 1, "b": 2, "found": found}))
    write_findings(path, {"gain": [1, 1, 1]}, GREY)
    assert content(path)["found"] == {**found, "gain": GREY}


@settings(deadline=None)
@given(st.lists(st.tuples(st.sets(st.sampled_from("abcdef"), min_size=1), st.integers(0, 3)), max_size=8))
def test_every_variable_keeps_the_record_that_it_was_last_found_with(tmp_path_factory, runs):
    path = tmp_path_factory.mktemp("found") / "found.json"
    expected = {}
    for number, (names, kind) in enumerate(runs):
        record = {"match": "black", "kind": kind}
        write_findings(path, dict.fromkeys(sorted(names), number), record)
        expected |= dict.fromkeys(names, record)
    if runs:
        assert {name: record_of(content(path), name) for name in content(path)["found"]} == expected
        whole = [record for record in content(path)["found"].values() if "found_with" not in record]
        assert len(whole) == len({record["kind"] for record in whole})
