"""join_mattes: set algebra, by coverage counted on a fine grid, and by its laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Composition, DocumentError, Graph, Image, Matte, Window

few = settings(max_examples=8, deadline=None)
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))
WAYS = [(op, edges) for op in ("union", "intersection", "difference") for edges in ("crossing", "shared")]


def joined(first, second):
    """All ways to join, in one sweep."""
    graph = Graph()
    size = [first.display.width, first.display.height] if isinstance(first, Image) else np.shape(first)[::-1]
    for name in "ab":
        graph.add("flat", name, size=[int(side) for side in size])
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
    parts, some = np.arange(40), (0, 8, 25, 30, 40)
    counted = np.empty((5, 5))
    for row, first in enumerate(some):
        for column, second in enumerate(some):
            a = np.broadcast_to(parts[None, :] < first, (40, 40))
            b = np.broadcast_to(parts < second, (40, 40))
            counted[row, column] = SETS[op](a, b.T if edges == "crossing" else b).mean()
    firsts, seconds = np.meshgrid(np.array(some) / 40, np.array(some) / 40, indexing="ij")
    np.testing.assert_allclose(joined(firsts, seconds)[f"{op} {edges}"]["A"], counted, atol=1e-7)


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


@pytest.mark.parametrize("way", WAYS)
def test_what_is_no_number_in_either_stays_so(way):
    values = np.float32([[np.nan, 0, 0.5], [1, np.nan, 0.25]])
    others = np.float32([[0, np.nan, 0.5], [np.nan, 1, np.nan]])
    got = joined(values, others)[" ".join(way)]["A"]
    np.testing.assert_array_equal(np.isnan(got), np.isnan(values + others))


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


# -- any number of mattes ----------------------------------------------------------------------------------------


def joined_list(images, mode, edges, first=None, second=None):
    graph = Graph()
    for k, image in enumerate(images):
        graph.add("flat", f"m{k}", size=[image.display.width, image.display.height])
    names = [f"m{k}" for k in range(len(images))]
    ends = {key: names.pop(0) for key, asked in (("first", first), ("second", second)) if asked}
    graph.add("join_mattes", "all", mattes=names, mode=mode, edges=edges, **ends)
    given = {f"m{k}": image for k, image in enumerate(images)}
    return next(iter(Composition(graph).results(["all"], 1, replace=given))).image


def noise(count, seed=3):
    planes = np.random.default_rng(seed).random((count, 4, 9)).astype(np.float32)
    planes[planes > 0.8] = 1
    planes[planes < 0.2] = 0
    return [Image.from_array(plane, type=Matte()) for plane in planes]


@pytest.mark.parametrize(("mode", "edges"), WAYS)
@pytest.mark.parametrize(
    ("count", "ends"),
    [
        (1, (False, False)),
        (1, (False, True)),
        (2, (True, False)),
        (3, (True, True)),
        (3, (False, True)),
        (7, (False, False)),
        (7, (True, True)),
    ],
)
def test_many_against_numpy(mode, edges, count, ends):
    images = noise(count)
    planes = np.stack([image["A"] for image in images]).astype(np.float64)
    others = planes[1:]
    union = (lambda p: 1 - np.prod(1 - p, axis=0)) if edges == "crossing" else (lambda p: p.max(axis=0, initial=0))
    wanted = {
        "union": lambda: union(planes),
        "intersection": lambda: planes.prod(axis=0) if edges == "crossing" else planes.min(axis=0),
        "difference": lambda: (
            planes[0] * (1 - union(others)) if edges == "crossing" else np.maximum(planes[0] - union(others), 0)
        ),
    }[mode]()
    got = joined_list(images, mode, edges, *ends)
    np.testing.assert_allclose(got["A"], wanted, atol=2e-7)


@pytest.mark.parametrize(("mode", "edges"), WAYS)
def test_a_list_of_two_is_first_and_second(mode, edges):
    images = noise(2)
    by_list = joined_list(images, mode, edges)["A"]
    np.testing.assert_array_equal(by_list, joined_list(images, mode, edges, "first", "second")["A"])


def test_many_against_parts_of_a_pixel_counted():
    # Three mattes of half a pixel each, whose edges cross: vertical, horizontal, and by a checker of both.
    a = np.arange(40)[None, :] < 20
    b = np.arange(40)[:, None] < 20
    halves = [Image.from_array(np.full((1, 1), 0.5), type=Matte()) for _ in range(2)]
    counted = {"union": (a | b).mean(), "intersection": (a & b).mean(), "difference": (a & ~b).mean()}
    for mode, share in counted.items():
        assert joined_list(halves, mode, "crossing")["A"][0, 0] == share
    # Shared edges: the same matte, however often it is taken, is itself.
    same = [halves[0]] * 5
    assert joined_list(same, "union", "shared")["A"][0, 0] == 0.5
    assert joined_list(same, "intersection", "shared")["A"][0, 0] == 0.5
    assert joined_list(same, "difference", "shared")["A"][0, 0] == 0


def test_windows_of_many():
    frame = Window.of_size(6, 4)
    places = [Window(0, 0, 3, 3), Window(2, 1, 5, 4), Window(1, 1, 4, 4)]
    images = [Image.from_array(np.ones(w.shape), type=Matte(), origin=(w.x0, w.y0), display=frame) for w in places]
    assert joined_list(images, "union", "crossing").window == Window(0, 0, 5, 4)
    assert joined_list(images, "intersection", "shared").window == Window(2, 1, 3, 3)
    assert joined_list(images, "difference", "shared").window == places[0]


def test_a_dozen_is_joined():
    graph = Graph()
    for k in range(12):
        graph.add("flat", f"m{k}", size=[8, 8], as_="matte", coverage=k / 12)
    graph.add("join_mattes", "all", mattes=[f"m{k}" for k in range(12)], edges="shared")
    assert Composition(graph).render("all", 1)["A"][0, 0] == np.float32(11 / 12)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, "has no matte"),
        ({"mattes": []}, "has no matte"),
        ({"mattes": ["a"] * 65}, "joins 65 mattes, more than 64"),
    ],
)
def test_too_few_or_too_many(fields, said):
    graph = Graph()
    graph.add("flat", "a", size=[3, 2], as_="matte")
    with pytest.raises(DocumentError, match=said):
        graph.add("join_mattes", "all", **fields)
