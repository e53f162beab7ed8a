"""Rules of the check stage that a single message cannot show; the messages are in ``tests/errors/``."""

import os
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Colour, Composition, Depth, Encoding, Graph, Image, Layers, Matte, Ratio, Window
from stackcomp.check.check_graph import check_graph
from stackcomp.check.checked import walk_back
from stackcomp.check.wording import alpha_way_out
from stackcomp.data.cycles import cycles, in_cycles
from stackcomp.files import exr
from stackcomp.nodes.base import Port

FRAME = Window.of_size(8, 4)


def write(path, channels="RGBA", frame=FRAME, **metadata):
    planes = {name: np.full(frame.shape, 0.25, np.float32) for name in channels}
    path.parent.mkdir(parents=True, exist_ok=True)
    exr.write(path, planes, window=frame, display=frame, metadata=metadata)


def checked(graph, root=".", **options):
    checked_graph, problems = check_graph(graph.document(), Path(root), **options)
    assert not problems
    return checked_graph


def rules(graph, root=".", **options):
    return [(p.node, p.rule) for p in check_graph(graph.document(), Path(root), **options)[1]]


def slate(graph, name="slate", **fields):
    return graph.add("flat", name, size=[8, 4], **fields)


def test_types_and_windows_of_all_nodes(tmp_path):
    write(tmp_path / "cg.0001.exr", "RGBAZ")
    graph = Graph(frames="1")
    cg = graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="acescg")
    plate = slate(graph, "plate")
    depth = graph.add("pick_channels", "depth", layers=cg, as_="depth", along="ray")
    matte = graph.add("pick_channels", "matte", layers=cg, as_="matte", channels={"A": "A"})
    graph.add("pick_channels", "ratio", layers=cg, as_="ratio")
    graph.add("over", "comp", source=cg, backdrop=plate)
    graph.add("unpremultiply", "straight", image="comp")
    graph.add("exposure", "brighter", image=plate, within=matte)
    graph.add("convert_colour", "log", image=plate, to="ACEScct")
    checked_graph = checked(graph, tmp_path)
    aces = Encoding("ACEScg", "scene-linear")
    types = {name: node.type for name, node in checked_graph.nodes.items()}
    assert types["cg"] == Layers(("A", "B", "G", "R", "Z"), "premultiplied", aces)
    assert types["depth"] == Depth("ray")
    assert types["matte"] == Matte()
    assert types["ratio"] == Ratio()
    assert types["comp"] == types["brighter"] == Colour("premultiplied", aces)
    assert types["straight"].alpha == "straight"
    assert types["log"].encoding == Encoding("ACEScct", "log")
    assert {node.display for node in checked_graph.nodes.values()} == {FRAME}
    assert checked_graph.nodes["comp"].types["source"] == Colour("premultiplied", aces)
    assert [pick.plane for pick in checked_graph.nodes["comp"].wires["source"].picks] == ["R", "G", "B", "A"]
    assert depth in checked_graph.nodes


def test_a_file_of_one_channel_is_a_matte(tmp_path):
    write(tmp_path / "cord.exr", "Y")
    graph = Graph()
    graph.add("read", "cord", path="cord.exr")
    graph.add("holdout", "held", image=slate(graph), matte="cord")
    wire = checked(graph, tmp_path).nodes["held"].wires["matte"]
    assert wire.type == Matte()
    assert [(pick.plane, pick.channel) for pick in wire.picks] == [("A", "Y")]


def test_inputs_come_first_whatever_the_order_of_writing():
    graph = Graph()
    for name, source in (("c", "b"), ("b", "a"), ("d", "c")):
        graph.add("cdl", name, image=source)
    slate(graph, "a")
    assert list(checked(graph).nodes) == ["a", "b", "c", "d"]
    assert list(walk_back(checked(graph), ["b"])) == ["a", "b"]


def test_only_what_is_wanted_is_looked_at():
    graph = Graph(frames="1")
    good = slate(graph)
    graph.add("premultiply", "bad", image=good)
    graph.add("cdl", "fine", image=good)
    assert rules(graph) == [("bad", "premultiplied-twice")]
    assert rules(graph, wanted=["fine"]) == []
    assert list(checked(graph, wanted=["fine"]).nodes) == ["slate", "fine"]


def test_a_mistake_is_not_reported_again_at_nodes_that_depend_on_it(tmp_path):
    write(tmp_path / "plate.exr", "RGB")
    write(tmp_path / "small.exr", "RGB", Window.of_size(3, 3))
    graph = Graph(frames="1")
    plate = graph.add("read", "plate", path="plate.exr", encoding="ACEScct")
    small = graph.add("read", "small", path="small.exr", encoding="Linear Rec.2020")
    shown = graph.add("over", "shown", source=slate(graph), backdrop=plate)
    mixed = graph.add("over", "mixed", source="slate", backdrop=small)
    matte = slate(graph, "matte", as_="matte")
    last = graph.add("restore", "last", source=shown, backdrop=mixed, matte=matte)
    last = graph.add("over", "also", source=graph.add("flat", "tiny", size=[2, 2]), backdrop=last)
    size = graph.add("over", "sized", source="tiny", backdrop="slate")
    last = graph.add("over", "again", source=size, backdrop=last)
    for k in range(5):
        last = graph.add("exposure", f"e{k}", image=last)
        last = graph.add("over", f"o{k}", source="slate", backdrop=last)
    graph.add("convert_colour", "to_log", image=last, to="ACEScct")
    graph.add("cdl", "lost", image=graph.add("cdl", "loster", image=graph.add("read", "gone", path="gone.exr")))
    assert sorted(rules(graph, tmp_path)) == [
        ("gone", "file-missing"),
        ("mixed", "resolution"),
        ("mixed", "two-spaces"),
        ("shown", "not-linear"),
        ("sized", "resolution"),
    ]


def test_all_ports_are_looked_at_though_one_has_nothing():
    graph = Graph(frames="1")
    graph.add("read", "gone", path="gone.exr")
    straight = graph.add("unpremultiply", "straight", image=slate(graph))
    graph.add("over", "comp", source=straight, backdrop="gone")
    assert rules(graph) == [("gone", "file-missing"), ("comp", "straight-alpha")]


def test_a_typing_error_in_a_wire_makes_nothing_unused():
    graph = Graph(frames="1")
    slate(graph)
    graph.add("cdl", "graded", image="slaet")
    graph.add("deliver", "out", image="graded", path="a.exr")
    assert rules(graph) == [("graded", "dangling")]
    graph.set("graded", image="slate")
    slate(graph, "other")
    assert rules(graph) == [("other", "unused")]


def test_warnings_stop_nothing():
    graph = Graph(frames="1")
    graph.add("deliver", "out", image=slate(graph), path="a.exr")
    slate(graph, "idle")
    checked_graph, problems = check_graph(graph.document(), Path("."))
    assert checked_graph is not None
    assert checked_graph.warnings == tuple(problems)
    assert [p.severity for p in problems] == ["warning"]


def test_given_pictures_are_typed_and_their_nodes_not_read():
    graph = Graph(frames="1")
    graph.add("read", "plate", path="gone.exr")
    graph.add("over", "comp", source=slate(graph), backdrop="plate")
    plate = Image.from_array(np.zeros((4, 8, 3)))
    assert rules(graph) == [("plate", "file-missing")]
    assert rules(graph, given={"plate": plate}) == []
    log = Image.from_array(np.zeros((4, 8, 3)), encoding=Encoding("ACEScct", "log"))
    assert rules(graph, given={"plate": log}) == [("comp", "not-linear")]
    small = Image.from_array(np.zeros((4, 7, 3)))
    assert rules(graph, given={"plate": small}) == [("comp", "resolution")]
    matte = Image.from_array(np.zeros((4, 8)), type=Matte())
    assert rules(graph, given={"plate": matte}) == [("comp", "wrong-kind")]


def test_a_given_picture_cuts_cycles_and_dangling_wires():
    graph = Graph(frames="1")
    graph.add("cdl", "a", image="b")
    graph.add("cdl", "b", image="a")
    graph.add("cdl", "c", image="nobody")
    picture = Image.from_array(np.zeros((4, 8, 3)))
    assert {rule for _, rule in rules(graph)} == {"cycle", "dangling"}
    assert rules(graph, given={"a": picture, "c": picture}) == []


# -- outputs --------------------------------------------------------------------------------------------------


def test_an_original_is_safe_under_any_name(tmp_path):
    write(tmp_path / "in" / "plate.exr", "RGB")
    os.symlink(tmp_path / "in", tmp_path / "link")
    os.symlink(tmp_path / "in" / "plate.exr", tmp_path / "other.exr")
    for path in (
        "in/plate.exr",
        "./in/../in/plate.exr",
        "link/plate.exr",
        "other.exr",
        str(tmp_path / "in/plate.exr"),
    ):
        graph = Graph(frames="1")
        graph.add("read", "plate", path="in/plate.exr", encoding="ACEScg")
        graph.add("deliver", "out", image="plate", path=path)
        assert rules(graph, tmp_path) == [("out", "overwrites-input")], path


def test_an_original_is_safe_from_a_deliver_node_that_does_not_depend_on_it(tmp_path):
    write(tmp_path / "plate.exr", "RGB")
    graph = Graph(frames="1")
    graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    graph.add("deliver", "out", image=slate(graph), path="plate.exr")
    graph.add("deliver", "fine", image="plate", path="fine.exr")
    assert rules(graph, tmp_path, wanted=["out"]) == [("out", "overwrites-input")]
    assert rules(graph, tmp_path, wanted=["fine"]) == []


def test_all_frames_of_a_sequence_that_is_read_are_originals(tmp_path):
    for frame in range(1, 9):
        write(tmp_path / f"plate.{frame:04d}.exr", "RGB")
    graph = Graph()
    graph.add("read", "plate", path="plate.{frame:04d}.exr", shift=4, encoding="ACEScg")
    graph.add("deliver", "out", image="plate", path="plate.%04d.exr")
    assert rules(graph, tmp_path, frames=[1]) == [("out", "overwrites-input")]
    graph.set("out", path="plate.{frame:03d}.exr")
    assert rules(graph, tmp_path, frames=[1]) == []


def test_numbers_that_grow_together_are_reported(tmp_path):
    graph = Graph()
    graph.add("deliver", "one", image=slate(graph), path="out.{frame:02d}.exr")
    graph.add("deliver", "two", image="slate", path="out.{frame}.exr")
    assert rules(graph, tmp_path, frames=[1, 2]) == []
    assert rules(graph, tmp_path, frames=[9, 10]) == [("two", "output-twice")]


# -- frames and colour configs ----------------------------------------------------------------------------------


def test_a_graph_without_frames(tmp_path):
    write(tmp_path / "plate.0001.exr", "RGB")
    graph = Graph()
    slate(graph)
    assert rules(graph, tmp_path) == []
    graph.add("read", "plate", path="plate.{frame:04d}.exr", encoding="ACEScg")
    graph.add("read", "other", path="plate.{frame:04d}.exr", encoding="ACEScg")
    assert rules(graph, tmp_path) == [("", "frames-missing")]
    assert rules(graph, tmp_path, frames=[1]) == []
    assert rules(graph, tmp_path, frames=[1, 2]) == [("plate", "frame-missing"), ("other", "frame-missing")]


def test_a_config_on_disk_is_checked_graph_from_the_root(tmp_path):
    import PyOpenColorIO

    from stackcomp.files.colour import DEFAULT_CONFIG

    text = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG).serialize()
    (tmp_path / "house.ocio").write_text(text)
    graph = Graph(colour_config="house.ocio")
    slate(graph)
    assert checked(graph, tmp_path).context.colour_config == str(tmp_path / "house.ocio")
    assert rules(graph, tmp_path / "elsewhere") == [("", "colour-config")]


def test_a_config_without_roles_stops_the_check_at_its_working_space(tmp_path):
    (tmp_path / "bare.ocio").write_text(
        "ocio_profile_version: 2\nroles: {default: raw}\ndisplays:\n  d: [!<View> {name: v, colorspace: raw}]\n"
        "colorspaces:\n  - !<ColorSpace> {name: raw, isdata: true}\n"
    )
    graph = Graph(colour_config="bare.ocio", working_space="raw")
    graph.add("premultiply", "p", image=slate(graph))
    assert rules(graph, tmp_path) == [("", "working-space")]


def test_straight_colour_cannot_go_where_alpha_must_not_be():
    port = Port(alpha=("none",))
    assert alpha_way_out("straight", port)[0] == alpha_way_out("premultiplied", port)[0] == "has-alpha"


# -- cycles -------------------------------------------------------------------------------------------------------

wirings = st.integers(1, 7).flatmap(
    lambda n: st.dictionaries(
        st.sampled_from(range(n)), st.lists(st.sampled_from(range(n)), max_size=3), min_size=n, max_size=n
    )
)


def reach(edges, start):
    reached, waiting = set(), list(edges.get(start, ()))
    while waiting:
        here = waiting.pop()
        if here not in reached:
            reached.add(here)
            waiting += edges.get(here, ())
    return reached


@given(wirings)
def test_cycles_are_cycles(wiring):
    edges = {str(k): [str(other) for other in others] for k, others in wiring.items()}
    looped = {name for name in edges if name in reach(edges, name)}
    assert in_cycles(edges) == looped
    paths = cycles(edges)
    for path in paths:
        assert path[0] == path[-1]
        assert len(set(path)) == len(path) - 1
        assert all(other in edges[one] for one, other in pairwise(path))
    # Each connected component is reported once.
    same = {frozenset(n for n in looped if n in reach(edges, name) and name in reach(edges, n)) for name in looped}
    assert len(paths) == len(same)


def test_the_shortest_cycle_is_reported():
    assert cycles({"a": ["b", "d"], "b": ["c"], "c": ["a"], "d": ["a"]}) == [["a", "d", "a"]]


def test_headers_alone_are_read(tmp_path, monkeypatch):
    write(tmp_path / "plate.exr", "RGB")
    graph = Graph(frames="1")
    graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    graph.add("defocus", "soft", image="plate", radius=3)
    graph.add("deliver", "out", image="soft", path="out.exr")

    def refuse(*args, **kwargs):
        raise AssertionError("pixels were read")

    monkeypatch.setattr(exr, "read", refuse)
    assert Composition(graph, root=tmp_path).check() == []
    assert sorted(os.listdir(tmp_path)) == ["plate.exr"]


@pytest.mark.parametrize("name", ["cord/left", "a.b", "灯 1", "x" * 200])
def test_names_of_any_letters(name):
    graph = Graph(frames="1")
    slate(graph, name)
    graph.add("premultiply", "p", image=name)
    (problem,) = check_graph(graph.document(), Path("."))[1]
    assert f'"{name}"' in problem.message


def _unused_alpha_graph(tmp_path, name="plate.exr", alpha="none"):
    graph = Graph(frames="1")
    graph.add("read", "file", path=name, encoding="ACEScg", alpha=alpha)
    graph.add("exposure", "direct", image="file", stops=0)
    graph.add("pick_channels", "picked", layers="file")
    graph.add("pick_channels", "matte", layers="file", as_="matte")
    return graph


def test_alpha_declared_none_is_used_nowhere_by_itself(tmp_path):
    write(tmp_path / "plate.exr", "RGBA")
    aces = Encoding("ACEScg", "scene-linear")
    comp = Composition(_unused_alpha_graph(tmp_path), root=tmp_path)
    assert comp.check() == []
    types = {name: node.type for name, node in checked(comp.graph, tmp_path).nodes.items()}
    assert types["direct"] == types["picked"] == Colour("none", aces)
    assert comp.render("direct", 1).channels == comp.render("picked", 1).channels == ("R", "G", "B")
    # It can still be chosen by name, as a matte.
    assert comp.render("matte", 1)["A"].min() == 0.25


def test_alpha_declared_none_holds_in_every_layer(tmp_path):
    write(tmp_path / "cg.exr", ["R", "G", "B", "A", "lamp.R", "lamp.G", "lamp.B", "lamp.A"])
    for alpha, state in (("none", "none"), ("straight", "straight"), ("premultiplied", "premultiplied")):
        graph = _unused_alpha_graph(tmp_path, "cg.exr", alpha)
        graph.add("pick_channels", "lamp", layers="file", layer="lamp")
        assert checked(graph, tmp_path).nodes["lamp"].type.alpha == state


def test_a_file_whose_alpha_is_in_layers_alone_is_in_the_state_that_the_read_declares(tmp_path):
    write(tmp_path / "cg.exr", ["lamp.R", "lamp.G", "lamp.B", "lamp.A"])
    for alpha, state in (("none", "none"), ("straight", "straight"), (None, "premultiplied")):
        graph = Graph(frames="1")
        graph.add("read", "file", path="cg.exr", encoding="ACEScg", alpha=alpha)
        graph.add("pick_channels", "lamp", layers="file", layer="lamp")
        assert checked(graph, tmp_path).nodes["lamp"].type.alpha == state


def test_alpha_declared_none_is_taken_where_a_node_says_its_state(tmp_path):
    write(tmp_path / "plate.exr", "RGBA")
    graph = _unused_alpha_graph(tmp_path)
    graph.set("picked", alpha="straight")
    assert checked(graph, tmp_path).nodes["picked"].type.alpha == "straight"


def test_a_conversion_that_changes_nothing_is_a_warning_that_names_the_declaration(tmp_path):
    write(tmp_path / "plate.exr", "RGB")
    write(tmp_path / "tagged.exr", "RGB", colorInteropID="lin_ap1_scene")
    graph = Graph(frames="1")
    graph.add("read", "plate", path="plate.exr", encoding="lin_ap1")  # an alias of ACEScg
    graph.add("read", "tagged", path="tagged.exr")
    graph.add("exposure", "brighter", image="plate")
    graph.add("convert_colour", "one", image="brighter")
    graph.add("convert_colour", "two", image="tagged", to="ACES - ACEScg")
    graph.add("convert_colour", "three", image=slate(graph))
    graph.add("convert_colour", "log", image="plate", to="ACEScct")
    graph.add("convert_colour", "again", image="log", to="acescct")
    graph.add("pick_channels", "as_log", layers="plate", encoding="ACEScct")
    graph.add("convert_colour", "five", image="as_log", to="ACEScct")
    warnings = {p.node: p for p in Composition(graph, root=tmp_path).check() if p.rule == "converts-nothing"}
    assert list(warnings) == ["one", "two", "three", "again", "five"]
    assert {p.severity for p in warnings.values()} == {"warning"}
    assert "it converts to ACEScg (scene-linear)" in warnings["one"].message
    assert warnings["one"].message.endswith('by "encoding" of node "plate"')
    assert warnings["two"].message.endswith('by the header of the file that node "tagged" reads')
    assert warnings["three"].way_out == "leave this node out"
    assert warnings["again"].message.endswith('by node "log", which converts to it')
    assert warnings["five"].message.endswith('by "encoding" of node "as_log"')


def test_a_wrong_working_space_brings_no_word_about_conversions(tmp_path):
    write(tmp_path / "plate.exr", "RGB")
    graph = Graph(frames="1", working_space="ACEScct")
    graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    graph.add("convert_colour", "one", image="plate")
    assert rules(graph, tmp_path) == [("", "working-space")]
