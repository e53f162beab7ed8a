"""The way round through straight colour equals the direct way, for every kind that takes straight colour.

Light under alpha 0 cannot be divided by alpha. What a curve makes of it does not depend on the colour's state.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stackcomp import KINDS, Composition, Graph, Image, Matte, Ratio
from stackcomp.nodes.base import Adjustable

GRADE = {"slope": [1.2, 0.8, 1.1], "offset": [0.05, 0.1, -0.1], "power": [0.8, 1.5, 1], "saturation": 1.3}
#: For each kind one example or more that would lift black.
WAYS: dict[str, list[dict[str, Any]]] = {
    "exposure": [{"stops": 1.3}],
    "channel_gain": [{"gain": [2, 0.5, 1.5]}],
    "colour_matrix": [{"matrix": [1.2, -0.1, 0, 0.1, 0.8, 0, 0.3, 0, 1]}],
    "cdl": [GRADE, {"clamp": True, **GRADE}, {"within": "matte", "amount": 0.7, **GRADE}],
    "match_black": [{"black": [0.1, 0.05, 0.02]}, {"black": 0.1, "inverse": True, "within": "matte"}],
    "multiply_shadow": [
        {"shadow": "ratio", "gamma": 1.4, "tint": [0.1, 0.2, 0.3], "black": [0.1, 0.05, 0.02]},
        {"shadow": "veil", "density": 0.8, "black": 0.1},
    ],
    "convert_colour": [{"to": "ACES2065-1"}, {"to": "ACEScct"}, {"to": "sRGB Encoded AP1"}],
}
CASES = [(kind, fields) for kind, some in WAYS.items() for fields in some]

# Nothing; light alone; covered in part and whole; each also with shadow and limit at their ends.
PIXELS = np.array(
    [[[0, 0, 0, 0], [0.3, 0.2, 0.1, 0], [0.1, 0.3, 0.2, 0.4], [0.5, 1.5, 0.02, 1], [-0.1, 0.2, 4, 0]]] * 3
).astype(np.float32)


def given() -> dict[str, Image]:
    rows = np.broadcast_to(np.array([0, 0.5, 1])[:, None, None], (3, 5, 1))
    veil = np.concatenate([rows * 0.1, rows * 0.2, rows * 0.05, rows * 0.9], axis=-1)
    return {
        "picture": Image.from_array(PIXELS),
        "ratio": Image.from_array(np.broadcast_to(rows, (3, 5, 3)), type=Ratio()),
        "veil": Image.from_array(veil),
        "matte": Image.from_array(rows[..., 0], type=Matte()),
    }


def graph_of(kind: str, fields: dict[str, Any]) -> Graph:
    graph = Graph()
    for name in ("picture", "ratio", "veil", "matte"):
        graph.add("flat", name, size=[5, 3])
    port = getattr(KINDS[kind], "adjusts", "image")
    fields = {key: [value] * 3 if key == "black" and isinstance(value, float) else value
              for key, value in fields.items()}  # fmt: skip
    graph.add(kind, "direct", **{port: "picture"}, **fields)
    graph.add("unpremultiply", "straight", image="picture")
    graph.add(kind, "changed", **{port: "straight"}, **fields)
    graph.add("premultiply", "way_round", image="changed")
    return graph


def test_no_kind_is_forgotten():
    takes_straight = {
        name
        for name, kind in KINDS.items()
        if issubclass(kind, Adjustable) and kind.ports()[kind.adjusts].alpha is None
    }
    assert takes_straight <= set(WAYS), "add the new kind to WAYS"


@pytest.mark.parametrize("fused", [True, pytest.param(False, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("kind", "fields"), CASES, ids=str)
def test_the_way_round_equals_the_direct_way(kind, fields, fused):
    comp = Composition(graph_of(kind, fields))
    images = {r.node: r.image for r in comp.results(["direct", "way_round"], 1, replace=given(), fused=fused)}
    direct, way_round = images["direct"].to_array(), images["way_round"].to_array()
    np.testing.assert_allclose(way_round, direct, rtol=2e-5, atol=2e-6)
    # Nothing stays nothing, exactly; light stays, and stays without coverage.
    assert not direct[:, 0].any()
    assert not way_round[:, 0].any()
    assert direct[0, 1].any()
    assert not way_round[:, 1, 3].any()


def test_no_veil_over_the_plate_where_there_is_no_cg():
    graph = graph_of("cdl", {"offset": [0.1, 0.1, 0.1]})
    graph.add("flat", "plate", size=[5, 3], colour=[0.2, 0.2, 0.2])
    graph.add("over", "comp", source="way_round", backdrop="plate")
    got = Composition(graph).render("comp", 1, replace=given())
    assert got["R"][0, 0] == np.float32(0.2)


def test_what_a_file_holds_under_alpha_0_of_straight_colour_is_not_light():
    straight = Image.from_array(PIXELS, alpha="straight")
    graph = Graph()
    graph.add("flat", "picture", size=[5, 3])
    graph.add("cdl", "graded", image="picture", offset=[0.1, 0.1, 0.1])
    graph.add("premultiply", "final", image="graded")
    got = Composition(graph).render("final", 1, replace={"picture": straight}).to_array()
    assert not got[:, [0, 1, 4], :3].any()
