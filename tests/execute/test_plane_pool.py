"""Memory used again: never while somebody holds it, and always when nobody does."""

import numpy as np
import pytest

import stackcomp
from stackcomp import Composition, Graph, Image, Window
from stackcomp.execute.plane_pool import PlaneLedger, PlanePool

ACESCG = stackcomp.Encoding("ACEScg", "scene-linear")
SHAPE = (6, 8)


@pytest.fixture
def pool():
    return PlanePool()


@pytest.fixture
def ledger(pool):
    return PlaneLedger(pool)


def test_a_plane_that_nobody_holds_is_used_again(ledger, pool):
    plane = ledger.take(SHAPE)
    ledger.hold([plane])
    ledger.release([plane])
    assert pool.take(SHAPE) is plane
    assert pool.allocated == 1


def test_a_plane_that_two_values_hold_waits_for_both(ledger, pool):
    plane = ledger.take(SHAPE)
    ledger.hold([plane])
    ledger.hold([plane[2:4]])  # a view counts as the plane
    ledger.release([plane])
    assert pool.take(SHAPE) is not plane
    ledger.release([plane[2:4]])
    assert pool.take(SHAPE) is plane


def test_what_is_handed_out_is_read_only_and_never_used_again(ledger, pool):
    plane = ledger.take(SHAPE)
    ledger.hold([plane])
    view = ledger.hand_out(plane[1:3])
    ledger.release([plane])
    assert pool.take(SHAPE) is not plane
    assert np.shares_memory(view, plane)
    with pytest.raises(ValueError, match="read-only"):
        view[0, 0] = 1


def test_memory_of_others_is_never_used(ledger, pool):
    stranger = np.zeros(SHAPE, np.float32)
    ledger.hold([stranger])
    ledger.release([stranger])
    assert pool.take(SHAPE) is not stranger


def test_a_step_that_still_reads_a_plane_keeps_it(ledger, pool):
    plane = ledger.take(SHAPE)
    ledger.hold([plane])
    ledger.release([plane], reuse=False)
    assert pool.take(SHAPE) is not plane


def test_other_shapes_are_no_use(pool):
    pool.give_back(np.empty((6, 9), np.float32))
    assert pool.take(SHAPE).shape == SHAPE
    assert pool.allocated == 1


def test_a_pool_is_bounded():
    pool = PlanePool(capacity=2)
    planes = [np.empty(SHAPE, np.float32) for _ in range(5)]
    for plane in planes:
        pool.give_back(plane)
    kept = [pool.take(SHAPE) for _ in range(3)]
    assert [any(plane is other for other in planes) for plane in kept] == [True, True, False]


# -- through whole frames ----------------------------------------------------------------------------------------


def bench(tmp_path, frames="1-4"):
    """Sweeps on both sides of an area node, alpha that passes through, a deliver node."""
    graph = Graph(frames=frames)
    graph.add("flat", "plate", size=[32, 20], colour=0.25)
    graph.add("ramp", "shade", size=[32, 20], as_="matte")
    graph.add("flat", "lantern", size=[32, 20], colour=0.5, coverage=0.5)
    graph.add("exposure", "brighter", image="lantern", stops={"keys": [[1, 0], [4, 3]], "between": "linear"})
    graph.add("over", "laid", source="brighter", backdrop="plate")
    graph.add("glow", "shine", image="laid", radius=2, threshold=0.1, within="shade", amount=0.5)
    graph.add("cdl", "graded", image="shine", slope=1.5)
    graph.add("deliver", "out", image="graded", path="out/{frame:04d}.exr", pixel_type="float")
    return Composition(graph, root=tmp_path)


def test_frames_behind_the_first_allocate_no_plane(tmp_path):
    graph = Graph(frames="1-4")
    graph.add("flat", "plate", size=[32, 20], colour=0.25)
    graph.add("flat", "lantern", size=[32, 20], colour=0.5, coverage=0.5)
    graph.add("exposure", "brighter", image="lantern", stops={"keys": [[1, 0], [4, 3]], "between": "linear"})
    graph.add("over", "laid", source="brighter", backdrop="plate")
    graph.add("deliver", "out", image="laid", path="out/{frame:04d}.exr")
    comp = Composition(graph, root=tmp_path)
    allocated = []
    comp.deliver(ended=lambda frame, error: allocated.append(comp._pool.allocated))
    assert allocated == [allocated[0]] * 4
    assert allocated[0] > 0


def test_around_an_area_kind_memory_is_freed_and_does_not_pile_up(tmp_path):
    comp = bench(tmp_path)
    allocated = [0]
    comp.deliver(ended=lambda frame, error: allocated.append(comp._pool.allocated))
    each = np.diff(allocated)
    assert (each[1:] <= each[0]).all()
    assert (each[1:] == each[1]).all()


def test_pictures_in_the_callers_hands_stay_as_they_were(tmp_path):
    comp = bench(tmp_path)
    nodes = ["plate", "shade", "lantern", "brighter", "laid", "shine", "graded"]
    kept: dict[tuple[str, int], Image] = {}
    copies: dict[tuple[str, int], np.ndarray] = {}
    for frame in (1, 2, 3, 4):
        for result in comp.results(nodes, frame):
            kept[result.node, frame] = result.image
            copies[result.node, frame] = result.image.to_array().copy()
    comp.deliver()
    for at, image in kept.items():
        np.testing.assert_array_equal(image.to_array(), copies[at], err_msg=str(at))
    # And they are right: each frame by itself, in a composition of its own, gives the same.
    for (node, frame), expected in copies.items():
        np.testing.assert_array_equal(bench(tmp_path).render(node, frame).to_array(), expected, err_msg=node)


def test_pictures_that_the_caller_gave_are_left_alone(tmp_path):
    comp = bench(tmp_path)
    given = Image.from_array(np.full((20, 32, 4), 0.75, np.float32), encoding=ACESCG)
    before = given.to_array().copy()
    for frame in (1, 2):
        comp.render("graded", frame, replace={"lantern": given})
    comp.deliver([1, 2], replace={"lantern": given})
    np.testing.assert_array_equal(given.to_array(), before)
    assert given["R"].flags.writeable


@pytest.mark.parametrize("window", [None, Window(3, 2, 20, 12)])
@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_every_picture_handed_out_is_read_only(tmp_path, window, scale):
    comp = bench(tmp_path)
    given = {"lantern": Image.from_array(np.full((20, 32, 4), 0.75, np.float32), encoding=ACESCG)}
    for result in comp.results(comp.nodes, 2, window=window, scale=scale, replace=given):
        for name in result.image:
            assert not result.image[name].flags.writeable, (result.node, name)


def test_a_picture_handed_out_may_be_given_back(tmp_path):
    """Read-only planes go through every kind of step."""
    comp = bench(tmp_path)
    for node in ("lantern", "laid", "shine"):
        again = comp.render("graded", 2, replace={node: comp.render(node, 2)})
        np.testing.assert_array_equal(again.to_array(), comp.render("graded", 2).to_array())


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (270, 481)])
def test_planes_start_at_a_cache_line(pool, shape, half):
    planes = [pool.take(shape, half=half) for _ in range(5)]
    assert {plane.ctypes.data % 64 for plane in planes} == {0}
    assert {(plane.shape, plane.itemsize, plane.flags.c_contiguous) for plane in planes} == {
        (shape, 4 - 2 * half, True)
    }
    for k, plane in enumerate(planes):
        plane[:] = k
    assert all((plane == k).all() for k, plane in enumerate(planes))
