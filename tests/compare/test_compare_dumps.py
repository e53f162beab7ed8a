"""Two dumps: the first node that differs, nodes of one alone, and what was changed in the graph."""

from __future__ import annotations

import json
import shutil

import pytest

from stackcomp import Composition, Graph, RequestError
from stackcomp.compare import EXACT, Tolerance, compare_dumps
from stackcomp.compare.dumps import data_order
from stackcomp.review.dump import dump


@pytest.fixture
def graph() -> Graph:
    graph = Graph(frames="1")
    graph.add("flat", "wall", size=[16, 9], colour=0.2)
    graph.add("ramp", "matte", size=[16, 9], as_="matte")
    graph.add("exposure", "lit", image="wall", stops=0.5)
    graph.add("exposure", "final", image="lit", stops=0.1, within="matte")
    return graph


def dumped(graph, folder):
    dump(Composition(graph), 1, folder)
    return folder


def test_the_first_node_that_differs_is_the_cause(tmp_path, graph):
    a = dumped(graph, tmp_path / "a")
    graph.set("lit", stops=0.6)
    graph.add("exposure", "more", image="final", stops=1)
    b = dumped(graph, tmp_path / "b")
    compared = compare_dumps(a, b)
    assert compared.first_different.node == "lit"
    assert compared.first_different.changes == {"stops": (0.5, 0.6)}
    assert [node.node for node in compared.different] == ["lit", "final", "more"]
    assert compared.different[-1].state == "second"
    assert compare_dumps(a, a, EXACT).equal
    assert json.dumps(compared.as_dict(), allow_nan=False)


def test_dumps_of_frames_and_of_one_frame(tmp_path, graph):
    for frame in ("0001", "0002"):
        dumped(graph, tmp_path / "a" / frame)
        report = tmp_path / "a" / frame / "nodes.json"
        report.write_text(report.read_text().replace('"frame": 1', f'"frame": {int(frame)}'))
    shutil.copytree(tmp_path / "a" / "0001", tmp_path / "b" / "0001")
    compared = compare_dumps(tmp_path / "a", tmp_path / "b")
    assert compared.missing == ((), (2,))
    assert not compared.equal
    with pytest.raises(RequestError, match="holds no dump"):
        compare_dumps(tmp_path, tmp_path / "a")


def test_nodes_in_the_order_of_the_data():
    entries = [{"name": "c", "inputs": {"image": "a"}}, {"name": "b", "inputs": {"x": "c"}}, {"name": "a"}]
    assert data_order({"nodes": entries}) == ["a", "c", "b"]
    other = [{"name": "a", "inputs": {"image": "b"}}, {"name": "b"}]
    assert sorted(data_order({"nodes": entries}, {"nodes": other})) == ["a", "b", "c"]


@pytest.fixture
def pair(tmp_path, graph):
    """Two equal dumps."""
    a = dumped(graph, tmp_path / "a")
    return a, shutil.copytree(a, tmp_path / "b")


def change(folder, **fields):
    """Change fields of a report; those of a node are named NODE__FIELD."""
    report = json.loads((folder / "nodes.json").read_text())
    for name, value in fields.items():
        node, _, field = name.partition("__")
        entry = next((entry for entry in report["nodes"] if entry["name"] == node), None) if field else report
        entry[field or name] = value
    (folder / "nodes.json").write_text(json.dumps(report))


def test_text(tmp_path, graph):
    a = dumped(graph, tmp_path / "a")
    graph.set("lit", stops=0.6)
    graph.set("matte", about="a note")
    graph.add("exposure", "more", image="final", stops=1)
    text = str(compare_dumps(a, dumped(graph, tmp_path / "b"))).splitlines()
    assert text[:2] == ['different: the first node that differs is "lit" at frame 1', "  stops: 0.5 / 0.6"]
    assert text[-2:] == ["only in the second: more", "also different: final"]
    assert str(compare_dumps(a, a)) == "equal, 4 nodes"


def test_a_change_without_effect_is_told_and_is_no_difference(pair):
    a, b = pair
    change(b, lit__parameters={"stops": 0.75})
    compared = compare_dumps(a, b)
    assert compared.equal
    assert "changed in the graph:" in str(compared)
    assert "  lit.stops: 0.5 / 0.75" in str(compared)


def test_a_picture_that_neither_has_is_not_equal(pair):
    for folder in pair:
        change(folder, lit__files={}, lit__state="failed")
    compared = compare_dumps(*pair)
    assert [(node.node, node.state) for node in compared.different] == [("lit", "unfinished")]
    assert "its picture is missing (failed / failed)" in str(compared)


def test_a_damaged_picture_is_a_difference_of_its_node(pair):
    (pair[1] / "lit.exr").write_bytes(b"nothing")
    compared = compare_dumps(*pair)
    assert compared.first_different.node == "lit"
    assert "lit.exr" in compared.first_different.reason
    assert len(compared.different) == 1


def test_what_reports_alone_know(pair):
    a, b = pair
    types = {entry["name"]: entry["type"] for entry in json.loads((a / "nodes.json").read_text())["nodes"]}
    change(
        b,
        lit__type={**types["lit"], "bare_light": True},
        matte__data_window={"x": 0, "y": 0, "width": 0, "height": 9},
    )
    change(b, scale=0.5)
    compared = compare_dumps(a, b)
    differences = {node.node: node.picture.differences for node in compared.different}
    assert differences == {
        "matte": ("the data window is not empty / empty",),
        "lit": ("bare_light of the type is False / True",),
    }
    assert compared.notes == ("scale is 1.0 / 0.5",)
    assert compare_dumps(a, b, types=False, windows_may_differ=True).equal


def test_tolerance_of_a_node(tmp_path, graph):
    a = dumped(graph, tmp_path / "a")
    graph.set("lit", stops=0.6)
    b = dumped(graph, tmp_path / "b")
    wide = Tolerance(1, 1, 1)
    assert compare_dumps(a, b, {"lit": wide}).first_different.node == "final"
    assert compare_dumps(a, b, {"lit": wide, "final": wide}).equal
    with pytest.raises(RequestError) as caught:
        compare_dumps(a, b, {"lot": wide})
    assert caught.value.problems[0].way_out.startswith('did you mean "lit"')


def test_two_dumps_of_other_frames(pair):
    change(pair[1], frame=7)
    compared = compare_dumps(*pair)
    assert compared.equal
    assert compared.notes == ("frame 1 is compared with frame 7",)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "nodes.json cannot be read: "),
        ("[]", "nodes.json cannot be read: "),
        ("{}", "is not the report of a dump"),
        ('{"nodes": []}', "/frame: null is not a frame number"),
        ('{"nodes": [1], "frame": 1}', "/nodes/0: 1 has no name"),
        ('{"nodes": [{"name": "a", "inputs": {"image": 3}}], "frame": 1}', "/nodes/0/inputs: "),
        ('{"nodes": [{"name": "a", "files": []}], "frame": 1}', "/nodes/0/files: [] cannot be understood"),
        ('{"dump": 2, "nodes": [], "frame": 1}', "has form 2; this program knows form 1"),
    ],
)
def test_reports_that_cannot_be_understood(pair, text, message):
    (pair[1] / "nodes.json").write_text(text)
    with pytest.raises(RequestError) as caught:
        compare_dumps(*pair)
    assert message in caught.value.problems[0].message


def test_a_dump_that_has_not_ended(pair):
    (pair[1] / "nodes.json").rename(pair[1] / "nodes.unfinished.json")
    with pytest.raises(RequestError, match="has not ended"):
        compare_dumps(*pair)


def test_a_folder_with_two_dumps_of_one_frame(pair, tmp_path):
    with pytest.raises(RequestError, match="holds two dumps of frame 1: a, b"):
        compare_dumps(tmp_path, pair[0])
