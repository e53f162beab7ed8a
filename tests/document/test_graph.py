import json
import os
from pathlib import Path

import numpy as np
import pytest

from stackcomp import Composition, DocumentError, FileError, Graph
from stackcomp.data.numbers import Keyed


def lantern() -> Graph:
    graph = Graph(about="Signal lantern on the bench", frames="1001-1004", variables={"out": "out/wide"})
    plate = graph.add("flat", "plate", size=[16, 9], colour=0.18)
    cg = graph.add("flat", "cg", size=(16, 9), colour=[0.1, 0.2, 0.3], coverage=0.5)
    cord = graph.add("flat", "cord", like=plate, as_="matte")
    held = graph.add("holdout", "held", image=cg, matte=cord)
    final = graph.add("over", "final", source=held, backdrop=plate)
    brighter = graph.add(
        "exposure", "brighter", image=final, within=cord, stops=Keyed((1001, 1004), (0.0, 1.0), "linear")
    )
    graph.add("deliver", "out", image=brighter, path="${out}/final.{frame:04d}.exr")
    return graph


def test_built_saved_and_loaded_it_is_the_same(tmp_path):
    graph = lantern()
    graph.save(tmp_path / "lantern.json")
    again = Graph.open(tmp_path / "lantern.json")
    assert again.nodes == graph.nodes
    assert again.variables == graph.variables
    assert again.document().head == graph.document().head
    assert dict(again.document().nodes) == dict(graph.document().nodes)
    assert again.to_json() == graph.to_json()
    assert again.place == graph.place == str(tmp_path / "lantern.json")


def test_the_text_is_stable_and_has_a_line_for_each_node():
    text = lantern().to_json()
    assert Graph.from_json(text).to_json() == text
    assert '    "final": {"kind": "over", "source": "held", "backdrop": "plate"},\n' in text
    assert text.endswith("}\n")
    changed = lantern()
    changed.set("cg", coverage=0.25)
    lines = zip(text.splitlines(), changed.to_json().splitlines(), strict=True)
    assert sum(one != other for one, other in lines) == 1
    for line in text.splitlines():
        assert line == line.rstrip()
    assert json.loads(text)["nodes"]["plate"] == {"kind": "flat", "size": [16, 9], "colour": 0.18}


def test_an_empty_graph():
    text = Graph().to_json()
    assert json.loads(text) == {"stackcomp": 1, "working_space": "ACEScg", "nodes": {}}
    assert Graph.from_json(text).document().nodes == {}


def test_letters_of_all_languages(tmp_path):
    graph = Graph(about="Laterne auf der Werkbank – größer")
    graph.add("flat", "灯", size=[1, 1])
    graph.save(tmp_path / "g.json")
    assert "größer" in (tmp_path / "g.json").read_bytes().decode("utf-8")
    assert list(Graph.open(tmp_path / "g.json").nodes) == ["灯"]


def test_byte_order_mark_and_schema_are_welcome(tmp_path):
    raw = {"$schema": "../schema.json", **json.loads(lantern().to_json())}
    (tmp_path / "g.json").write_bytes(b"\xef\xbb\xbf" + json.dumps(raw).encode())
    graph = Graph.open(tmp_path / "g.json")
    assert graph.document().head.schema_address == "../schema.json"
    assert json.loads(graph.to_json())["$schema"] == "../schema.json"


def test_numpy_paths_and_keys_become_json():
    graph = Graph(variables={"shot": Path("demo") / "wide", "gain": np.float32(0.5), "list": (1, 2)})
    assert graph.variables == {"shot": os.path.join("demo", "wide"), "gain": 0.5, "list": [1, 2]}
    graph.add("flat", "a", size=np.array([4, 2]), colour=np.array([0.5, 0.25, 0.125], np.float32))
    graph.add("read", "b", path=Path("a.exr"), shift=np.int64(3))
    assert graph.nodes["a"] == {"kind": "flat", "size": [4, 2], "colour": [0.5, 0.25, 0.125]}
    assert graph.nodes["b"] == {"kind": "read", "path": "a.exr", "shift": 3}
    assert type(graph.nodes["b"]["shift"]) is int
    homography = np.eye(3)
    graph.add("colour_matrix", "c", image="a", matrix=homography.ravel())
    assert graph.document().nodes["c"].matrix == tuple(homography.ravel())


def test_variables_from_the_caller_may_be_paths(tmp_path):
    graph = Graph()
    graph.add("read", "plate", path="${shot}/plate.exr")
    document = graph.document({"shot": tmp_path})
    assert document.nodes["plate"].path == f"{tmp_path}/plate.exr"
    with pytest.raises(DocumentError, match='variable "shot" is a Python object'):
        graph.document({"shot": object()})


def test_names_are_made_up_and_are_texts():
    graph = Graph()
    first, second = graph.add("flat", size=[1, 1]), graph.add("flat", size=[1, 1])
    assert (first, second) == ("flat_1", "flat_2")
    assert isinstance(first, str)
    assert graph.add("over", source=first, backdrop=second) == "over_1"
    assert type(graph.nodes["over_1"]["source"]) is str


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda g: g.add("ovr", "x"), 'no kind "ovr"\n.*did you mean "over"'),
        (lambda g: g.add("over", "x", source="a"), 'an over node needs the field "backdrop"'),
        (lambda g: g.add("exposure", "x", image="a", stop=1), 'did you mean "stops"'),
        (lambda g: g.add("exposure", "x", image="a", stops=99), "above the largest value 60"),
        (lambda g: g.add("exposure", "x", image="a", stops="high"), "which is a text"),
        (lambda g: g.add("exposure", "x", image="a", stops=float("nan")), '"stops" is nan, not a finite'),
        (lambda g: g.add("exposure", "x", image="a", stops=object()), '"stops" is a Python object'),
        (lambda g: g.add("exposure", "x", image="a", about={1: 2}), "keys are texts"),
        (lambda g: g.add("flat", "a", size=[1, 1]), 'there is a node "a" already'),
        (lambda g: g.add("flat", "", size=[1, 1]), "is not a name"),
        (lambda g: g.add("flat", "a\nb", size=[1, 1]), "is not a name"),
        (lambda g: g.add("read", "x", path="${v}.exr", shft=1), 'did you mean "shift"'),
        (lambda g: g.add("read", "x", path="${v}.exr", shift=1.5), "not a whole number"),
        (lambda g: g.set("a", siz=[2, 2]), 'did you mean "size"'),
        (lambda g: g.set("a", size=[0, 2]), "give 1 to 65536 pixels"),
        (lambda g: g.set("a", kind="ramp", coverage=1), "a ramp node has no field"),
        (lambda g: g.set("b", size=[2, 2]), 'there is no node "b"'),
    ],
)
def test_mistakes_are_reported_at_once_and_change_nothing(call, words):
    graph = Graph()
    graph.add("flat", "a", size=[1, 1], coverage=0.5)
    before = graph.to_json()
    with pytest.raises(DocumentError, match=words):
        call(graph)
    assert graph.to_json() == before


def test_set_changes_and_removes():
    graph = lantern()
    graph.set("cord", as_="colour", coverage=0.5)
    assert graph.nodes["cord"] == {"kind": "flat", "like": "plate", "as": "colour", "coverage": 0.5}
    graph.set("cord", coverage=None)
    assert "coverage" not in graph.nodes["cord"]


def test_what_graph_hands_out_is_a_copy():
    graph = lantern()
    graph.nodes["cg"]["coverage"] = 7
    graph.variables["out"] = 7
    assert graph.document().nodes["cg"].coverage == 0.5
    assert graph.variables == {"out": "out/wide"}


def test_a_failed_save_leaves_the_old_file_whole(tmp_path, monkeypatch):
    path = tmp_path / "g.json"
    lantern().save(path)
    before = path.read_bytes()

    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    changed = lantern()
    changed.set("cg", coverage=1)
    with pytest.raises(FileError, match="the disk is full"):
        changed.save(path, replace=True)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["g.json"]


def test_a_saved_file_may_be_read_by_others(tmp_path):
    lantern().save(tmp_path / "deep" / "g.json")
    plain = tmp_path / "plain"
    plain.touch()
    assert (tmp_path / "deep" / "g.json").stat().st_mode == plain.stat().st_mode


def test_broken_graphs_can_be_looked_at():
    graph = Graph.from_json('{"stackcomp": 1, "nodes": [1], "variables": 3}')
    assert graph.variables == {}
    assert json.loads(graph.to_json())["nodes"] == [1]
    for call in (lambda: graph.nodes, lambda: graph.add("flat", size=[1, 1]), lambda: graph.set("a", size=1)):
        with pytest.raises(DocumentError, match='"nodes" is a list'):
            call()


def test_missing_graph_file(tmp_path):
    lantern().save(tmp_path / "lantern.json")
    with pytest.raises(DocumentError, match=r'no such file or directory\n.*did you mean "lantern.json"'):
        Graph.open(tmp_path / "lantrn.json")
    with pytest.raises(DocumentError, match="it is a folder"):
        Graph.open(tmp_path)


def test_variables_in_keys_and_choices_wait_for_their_values():
    graph = Graph(variables={"word": "matte", "side": 4})
    graph.add("flat", "a", size=["${side}", "${side}"], as_="${word}")
    assert graph.document().nodes["a"].size == (4, 4)
    with pytest.raises(DocumentError, match="not one of its choices"):
        Composition(graph, variables={"word": "mat"})


def test_fields_left_open_by_a_variable_without_value_get_no_finding():
    node = {"kind": "flat", "size": [1, 1]}
    nodes = {
        "a": "${x}",
        "b": {"kind": "${x}", "size": 3},
        "c": {**node, "size": "${x}"},
        "d": {**node, "as": "${x}"},
    }
    with pytest.raises(DocumentError) as caught:
        Graph.from_json(json.dumps({"stackcomp": 1, "frames": "${x}", "nodes": nodes})).document()
    (problem,) = caught.value.problems
    assert problem.message == 'variable "x" has no value, here and at 4 other places'


def test_variables_that_no_file_can_hold():
    with pytest.raises(DocumentError, match='"variables" is a Python object'):
        Graph(variables={"a": [object()]})
