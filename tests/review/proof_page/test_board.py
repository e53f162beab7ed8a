"""The drawing: boxes that do not touch, wires that lead down and through no box, whatever the graph."""

from __future__ import annotations

import itertools
import random
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from stackcomp.review.proof_page.board import Measures, drawn
from stackcomp.review.proof_page.columns import nearest_places
from stackcomp.review.proof_page.routes import Net, tracks

SIZES = Measures(1192, 264, 148)


@st.composite
def graphs(draw, most=26):
    count = draw(st.integers(1, most))
    names = [f"node {k}" for k in range(count)]
    inputs = {}
    for k, name in enumerate(names):
        sources = draw(st.lists(st.integers(max(0, k - 9), k - 1), max_size=4)) if k else []
        inputs[name] = {f"port {n}": names[source] for n, source in enumerate(sources)}
    return names, inputs


def lines(path):
    """The straight pieces of a path, corners taken as sharp."""
    points = [tuple(map(float, pair)) for pair in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]
    corners = [tuple(map(float, pair)) for pair in re.findall(r"Q(-?[\d.]+) (-?[\d.]+)", path)]
    return points, corners


@pytest.mark.slow
@settings(max_examples=60)
@given(graphs())
def test_the_laws_of_a_drawing(graph):
    names, inputs = graph
    board = drawn(names, inputs, SIZES)
    boxes = {box.name: box for box in board.boxes}
    assert set(boxes) == set(names)
    for a in board.boxes:
        assert a.x >= -0.01
        assert a.x + a.width <= board.width + 0.01
        assert a.y + a.height <= board.height + 0.01
        for b in board.boxes:
            apart = a.x + a.width <= b.x or b.x + b.width <= a.x or a.y + a.height <= b.y or b.y + b.height <= a.y
            assert a is b or apart
    assert {(w.source, w.target, w.port) for w in board.wires} == {
        (source, name, port) for name, ports in inputs.items() for port, source in ports.items()
    }
    for wire in board.wires:
        above, below = boxes[wire.source], boxes[wire.target]
        assert above.y + above.height < below.y
        points, corners = lines(wire.path)
        assert points[0] == (
            pytest.approx(above.x + above.width / 2, abs=0.1),
            pytest.approx(above.y + above.height, abs=0.1),
        )
        assert points[-1][1] == pytest.approx(below.y, abs=0.1)
        assert below.x < points[-1][0] < below.x + below.width
        whole = [points[0], *corners, points[-1]]
        assert all(y <= then + 0.1 for (_, y), (_, then) in itertools.pairwise(whole))
        for (x, y), (to_x, to_y) in itertools.pairwise(whole):
            for box in board.boxes:
                beside = max(x, to_x) < box.x + 1 or min(x, to_x) > box.x + box.width - 1
                outside = max(y, to_y) < box.y + 1 or min(y, to_y) > box.y + box.height - 1
                assert beside or outside, (wire, box)


def test_a_chain_is_one_straight_line():
    names = [f"n{k}" for k in range(200)]
    board = drawn(names, {b: {"image": a} for a, b in itertools.pairwise(names)}, SIZES)
    assert len({box.x for box in board.boxes}) == 1
    assert all("Q" not in wire.path for wire in board.wires)
    assert [box.name for box in sorted(board.boxes, key=lambda box: box.y)] == names


def test_a_row_is_no_wider_than_it_should_be():
    names = [*(f"source {k}" for k in range(40)), "end"]
    board = drawn(names, {"end": {f"p{k}": f"source {k}" for k in range(3)}}, SIZES)
    widest = max(sum(box.width for box in board.boxes if box.y == row) for row in {box.y for box in board.boxes})
    assert widest <= SIZES.across


def test_nodes_that_feed_each_other_are_drawn_all_the_same():
    # Two states of a graph in one drawing: a wire against the order is left out.
    board = drawn(["a", "b"], {"a": {"image": "b"}, "b": {"image": "a"}}, SIZES)
    assert [(wire.source, wire.target) for wire in board.wires] == [("a", "b")]


def test_nothing_is_drawn_of_nothing():
    assert drawn([], {}, SIZES).boxes == ()


@given(
    st.lists(st.floats(-500, 500), min_size=1, max_size=12).flatmap(
        lambda wanted: st.tuples(
            st.just(wanted),
            st.lists(st.floats(0.5, 8), min_size=len(wanted), max_size=len(wanted)),
            st.lists(st.floats(1, 90), min_size=len(wanted) - 1, max_size=len(wanted) - 1),
        )
    )
)
def test_places_are_those_of_scipy(case):
    """A monotone regression, as `scipy.optimize.isotonic_regression` solves it."""
    wanted, weights, gaps = case
    offsets = np.concatenate(([0], np.cumsum(gaps)))
    expected = isotonic_regression(np.asarray(wanted) - offsets, weights=weights).x + offsets
    np.testing.assert_allclose(nearest_places(wanted, weights, gaps), expected, atol=1e-6)


def test_wires_on_a_track_do_not_touch():
    rng = random.Random(5)
    for _ in range(40):
        nets = [
            Net(f"n{k}", 40.0 * k, tuple(20.0 + 40 * rng.randrange(14) for _ in range(rng.randrange(1, 4))))
            for k in range(12)
        ]
        found = tracks(nets)
        by_track: dict[int, list[Net]] = {}
        for net in nets:
            if net.name in found:
                by_track.setdefault(found[net.name], []).append(net)
        for together in by_track.values():
            ordered = sorted(net.span for net in together)
            assert all(a[1] < b[0] for a, b in itertools.pairwise(ordered))


def test_a_wire_that_comes_down_over_another_lies_above_it():
    nets = [Net("a", 100, (300,)), Net("b", 200, (100,))]
    found = tracks(nets)
    assert found["a"] < found["b"]
