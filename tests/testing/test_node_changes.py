import dataclasses

import numpy as np
import pytest

from stackcomp import Composition, Graph, Image, Layers, Window
from stackcomp.testing.node_changes import ROUNDING, node_changes
from stackcomp.testing.node_records import NodeRecord, node_records, upstream


def graph(**changes):
    made = Graph()
    made.add("ramp", "ground", size=[64, 40], last=[0.9, 0.7, 0.5])
    made.add("ramp", "lamp", size=[64, 40], direction="down", first=[0.1, 0.2, 0.3])
    made.add("exposure", "bright", image="lamp", stops=changes.get("stops", 0.5))
    made.add("glow", "soft", image="bright", radius=4)
    made.add("blend", "final", source="soft", backdrop=changes.get("backdrop", "ground"), mode="multiply")
    made.add("exposure", "aside", image="ground", stops=1)
    return Composition(made)


def records(composition=None, node="final", **more):
    return node_records(composition or graph(), node, 1, scale=1.0, **more)


def states(changes):
    return {node.node: node.state for node in changes.nodes}


def test_inputs_come_before_what_depends_on_them():
    comp = graph()
    assert upstream(comp.document, "final") == ["lamp", "bright", "soft", "ground", "final"]
    assert upstream(comp.document, "final", {"soft"}) == ["soft", "ground", "final"]
    assert upstream(comp.document, "aside") == ["ground", "aside"]
    assert [record.node for record in records()] == upstream(comp.document, "final")


def test_ids_in_float_planes_are_compared_as_bits():
    """An id that differs by its last bit is another object, although it is nearly the same number."""
    window = Window.of_size(8, 4)
    bits = np.full(window.shape, 0x3F123456, np.uint32)
    # As a number, this is a NaN that warns when it is widened.
    bits[0, 0] = 0x7F800123
    type = Layers(("object00.R",), metadata={"cryptomatte/abcdef0/name": "object"})

    def record(ids):
        return NodeRecord.of("cg", "read", Image({"object00.R": ids.view(np.float32)}, window, window, type))

    off = bits.copy()
    off[2, 3] ^= 1
    assert states(node_changes([record(bits)], [record(bits.copy())], 1e-4)) == {"cg": "same"}
    assert states(node_changes([record(bits)], [record(off)], 1e-4)) == {"cg": "different"}


def test_nothing_changed():
    changes = node_changes(records(), records(), 1e-4)
    assert set(states(changes).values()) == {"same"}
    assert not changes.changed
    assert "no node before differs" in str(changes)


def test_the_first_node_is_the_one_that_was_changed():
    changes = node_changes(records(), records(graph(stops=0.6)), 1e-4)
    assert states(changes) == {
        "lamp": "same",
        "bright": "different",
        "soft": "different",
        "ground": "same",
        "final": "different",
    }
    assert changes.first.node == "bright"
    assert 'first node that differs: "bright" (exposure), ' in str(changes)
    assert changes.as_dict()["first_different"] == "bright"


def test_rounding_is_no_change():
    lamp = graph().render("lamp", 1)
    nearly = lamp.with_planes({name: plane * np.float32(1 + 2e-7) for name, plane in lamp.items()})
    given = records(replace={"lamp": lamp})
    changes = node_changes(given, records(replace={"lamp": nearly}), 1e-4)
    assert states(changes)["lamp"] == "rounding"
    assert not changes.changed
    assert changes.first is None
    assert 'the first that differs at all: "lamp"' in str(changes)
    # With an exact tolerance there is no rounding.
    assert node_changes(given, records(replace={"lamp": nearly}), 0).first.node == "lamp"


def test_a_trace_is_told_beside_the_change_that_can_be_seen():
    comp = graph()
    lamp = comp.render("lamp", 1)
    traced = lamp.with_planes(R=lamp["R"] + np.float32(10 * ROUNDING))
    changed = node_changes(
        records(replace={"lamp": lamp}), records(graph(stops=0.6), replace={"lamp": traced}), 1e-2
    )
    assert str(changed).splitlines()[0].startswith('first node that differs: "lamp" (given), R by about 1e-05 RMS')
    assert str(changed).splitlines()[1].startswith('first by more than 0.001: "bright" (exposure), ')


def test_one_wrong_pixel():
    comp = graph()
    lamp = comp.render("lamp", 1)
    plane = lamp["G"].copy()
    plane[20, 30] += 0.001
    changes = node_changes(
        records(replace={"lamp": lamp}), records(replace={"lamp": lamp.with_planes(G=plane)}), 1e-4
    )
    assert changes.first.node == "lamp"
    assert changes.first.reason.startswith("G by about ")
    assert changes.first.rms == pytest.approx(0.001 / np.sqrt(64 * 40), rel=1e-3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda lamp: dataclasses.replace(lamp, window=Window(1, 0, 65, 40)), "its data window is"),
        (lambda lamp: dataclasses.replace(lamp, display=Window.of_size(64, 41)), "its frame is"),
        (lambda lamp: Image.from_array(lamp.to_array()[..., :3]), "its type is colour without alpha"),
    ],
    ids=["window", "frame", "type"],
)
def test_windows_and_types(change, words):
    lamp = graph().render("lamp", 1)
    before, now = (node_records(graph(), "lamp", 1, scale=1.0, replace={"lamp": p}) for p in (lamp, change(lamp)))
    changes = node_changes(before, now, 1e-4)
    assert changes.first.reason.startswith(words)
    assert changes.first.rms is None


def test_nodes_that_are_new_or_gone():
    wider = graph(backdrop="aside")
    changes = node_changes(records(), records(wider), 1e-4)
    assert states(changes)["aside"] == "new"
    assert changes.first.node == "final"
    assert "new since then: aside" in str(changes)
    back = node_changes(records(wider), records(), 1e-4)
    assert back.gone == ("aside",)
    assert back.changed
    assert "no longer used: aside" in str(back)
