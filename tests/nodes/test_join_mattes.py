"""join_mattes: set algebra, by coverage counted on a fine grid, and by its laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Composition, Graph, Image, Matte, Window

few = settings(max_examples=40, deadline=None)
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))
WAYS = [(op, edges) for op in ("union", "intersection", "difference") for edges in ("crossing", "shared")]


def joined(first, second):
    """All ways to join, in one sweep."""
    graph = Graph()
    for name in "ab":
        graph.add("flat", name, size=[3, 2])
    for op, edges in WAYS:
        graph.add("join_mattes", f"{op} {edges}", first="a", second="b", mode=op, edges=edges)
    given = {"a": first, "b": second}
    if not isinstance(first, Image):
        given = {name: Image.from_array(value, type=Matte()) for name, value in given.items()}
    names = [" ".join(way) for way in WAYS]
    return {r.node: r.image for r in Composition(graph).results(names, 1, replace=given)}


@pytest.mark.parametrize(
    ("way", "expected"),
    [
        ("union crossing", 0.625),
        ("union shared", 0.5),
        ("intersection crossing", 0.125),
        ("intersection shared", 0.25),
        ("difference crossing", 0.375),
        ("difference shared", 0.25),
    ],
)
def test_by_hand(way, expected):
    got = joined(np.full((2, 3), 0.5), np.full((2, 3), 0.25))[way]
    assert np.unique(got["A"]).tolist() == [expected]


SETS = {"union": np.logical_or, "intersection": np.logical_and, "difference": lambda a, b: a & ~b}


@pytest.mark.parametrize(("op", "edges"), WAYS)
def test_against_parts_of_a_pixel_counted(op, edges):
    # A pixel of 40 × 40 parts. Crossing edges: one matte covers it from the left, the other from above.
    # Shared edges: both cover it from the left.
    parts = np.arange(40)
    for first in (0, 10, 25, 40):
        for second in (0, 8, 30, 40):
            a = np.broadcast_to(parts[None, :] < first, (40, 40))
            b = np.broadcast_to(parts < second, (40, 40))
            b = b.T if edges == "crossing" else b
            counted = SETS[op](a, b).mean()
            got = joined(np.full((2, 3), first / 40), np.full((2, 3), second / 40))[f"{op} {edges}"]
            assert got["A"][0, 0] == pytest.approx(counted, abs=1e-7)


@few
@given(mattes, mattes)
def test_laws(first, second):
    one, other = joined(first, second), joined(second, first)
    for edges in ("crossing", "shared"):
        union, shared = (one[f"{op} {edges}"]["A"] for op in ("union", "intersection"))
        np.testing.assert_allclose(union, other[f"union {edges}"]["A"], atol=1e-7)
        np.testing.assert_array_equal(shared, other[f"intersection {edges}"]["A"])
        # Inclusion and exclusion: |A ∪ B| + |A ∩ B| = |A| + |B|, and A is what it shares and what it does not.
        np.testing.assert_allclose(np.float64(union) + shared, np.float64(first) + second, atol=2e-7)
        np.testing.assert_allclose(shared + np.float64(one[f"difference {edges}"]["A"]), first, atol=2e-7)
        for plane in (union, shared):
            assert plane.min() >= 0
            assert plane.max() <= 1 + 1e-7
    for edges in ("crossing", "shared"):
        with_nothing = joined(first, first * 0)
        np.testing.assert_array_equal(with_nothing[f"union {edges}"]["A"], first)
        np.testing.assert_array_equal(with_nothing[f"difference {edges}"]["A"], first)
        assert not with_nothing[f"intersection {edges}"]["A"].any()


def test_windows():
    frame = Window.of_size(3, 2)
    a = Image.from_array(np.ones((2, 2)), type=Matte(), display=frame)
    b = Image.from_array(np.ones((1, 2)), type=Matte(), origin=(1, 1), display=frame)
    images = joined(a, b)
    for edges in ("crossing", "shared"):
        assert images[f"union {edges}"].window == frame
        assert images[f"intersection {edges}"].window == Window(1, 1, 2, 2)
        assert images[f"difference {edges}"].window == a.window
        assert images[f"union {edges}"]["A"].tolist() == [[1, 1, 0], [1, 1, 1]]
        assert images[f"difference {edges}"]["A"].tolist() == [[1, 1], [1, 0]]
