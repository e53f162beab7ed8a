"""soft_matte against scipy's Gaussian in float64, through the whole engine."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render
from scipy import ndimage

from stackcomp import DocumentError, Image, Matte, Window

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


def matte(plane, **more):
    return Image.from_array(plane, type=Matte(), **more)


def disc(radius=15.0, fine=8):
    x = (np.arange(SIZE[0] * fine) + 0.5) / fine - 48.2
    y = (np.arange(SIZE[1] * fine) + 0.5) / fine - 31.7
    inside = np.hypot(x, y[:, None]) <= radius
    return inside.reshape(SIZE[1], fine, SIZE[0], fine).mean(axis=(1, 3)).astype(np.float32)


def softened(plane=None, **fields):
    source = matte(disc() if plane is None else plane)
    return render("soft_matte", {"m": source}, matte="m", **fields)


@pytest.mark.parametrize("feather", [0.7, 3.0, 6.5])
def test_the_feather_is_the_normal_distribution(feather):
    wanted = ndimage.gaussian_filter(disc().astype(np.float64), feather, truncate=8, mode="nearest")
    # Wide ones are made on a coarser grid.
    most = 2e-6 if feather < 6 else 4e-5
    assert np.abs(softened(feather=feather).over(FRAME)["A"] - wanted).max() < most


@pytest.mark.parametrize("grow", [-5.5, 0.4, 7.25])
def test_a_disc_grows_by_the_amount(grow):
    result = softened(grow=grow).over(FRAME)["A"]
    assert np.sqrt(result.sum(dtype=np.float64) / np.pi) == pytest.approx(15 + grow, abs=0.15)


def test_grow_then_feather_then_curve():
    wanted = ndimage.gaussian_filter(softened(grow=3).over(FRAME)["A"].astype(np.float64), 2, truncate=8)
    result = softened(grow=3, feather=2, curve=2.2).over(FRAME)["A"]
    assert result == pytest.approx(np.clip(wanted, 0, 1) ** 2.2, abs=5e-6)


def test_untouched_numbers_leave_the_matte_alone():
    assert np.array_equal(softened().over(FRAME)["A"], disc())


def test_a_matte_that_fills_the_frame_does_not_fade_at_its_edges():
    full = np.ones(SIZE[::-1], np.float32)
    assert np.abs(softened(full, feather=4).over(FRAME)["A"] - 1).max() < 1e-6
    assert np.array_equal(softened(full, grow=-4).over(FRAME)["A"], full)


def test_values_out_of_range_are_held():
    result = softened(disc() * 3 - 1, curve=0.5).over(FRAME)["A"]
    assert result.min() == 0
    assert result.max() == 1


def test_a_small_data_window_grows_with_the_matte():
    source = matte(np.ones((10, 12), np.float32), origin=(40, 30), display=FRAME)
    result = render("soft_matte", {"m": source}, matte="m", grow=3, feather=1)
    assert source.window.grow(8) == result.window
    assert result.over(FRAME)["A"][35, 38] > 0.9


def test_a_preview_at_half_the_scale_looks_the_same():
    whole = softened(grow=4, feather=3).over(FRAME)["A"]
    half = softened(grow=4, feather=3, at=0.5).over(FRAME.scaled(0.5))["A"]
    averaged = whole.reshape(32, 2, 48, 2).mean(axis=(1, 3))
    assert np.abs(half - averaged).max() < 0.04


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 80), st.integers(0, 50), st.integers(1, 16), st.floats(-5, 5), st.floats(0, 4))
def test_a_tile_equals_the_whole(x, y, size, grow, feather):
    whole = softened(grow=grow, feather=feather)
    tile = softened(grow=grow, feather=feather, window=Window(x, y, x + size, y + size))
    assert np.array_equal(tile["A"], whole.over(tile.window)["A"])


def test_keyed_growth():
    keys = {"keys": [[1, 0], [5, 8]], "between": "linear"}
    assert np.array_equal(softened(grow=keys, frame=3).over(FRAME)["A"], softened(grow=4).over(FRAME)["A"])


@pytest.mark.parametrize(
    ("field", "value"), [("feather", -1), ("feather", 1e5), ("grow", 1e5), ("grow", -1e5), ("curve", 0)]
)
def test_numbers_out_of_range_are_refused(field, value):
    with pytest.raises(DocumentError, match=field):
        softened(**{field: value})


# -- feather_in and feather_out, against scipy's exact Euclidean distance transform ------------------------------


def hard(kind="disc"):
    """A matte of whole pixels: a disc, or one with a notch and a hole."""
    x, y = np.meshgrid(np.arange(SIZE[0]) + 0.5, np.arange(SIZE[1]) + 0.5)
    inside = np.hypot(x - 48.2, y - 31.7) <= 18
    if kind == "notched":
        inside &= ~((x > 40) & (x < 52) & (y < 30))
        inside &= np.hypot(x - 56, y - 38) > 5
    return inside.astype(np.float32)


def distances(plane):
    """To the nearest covered pixel, and to the nearest that is not, between centres."""
    return (ndimage.distance_transform_edt(side) for side in (plane == 0, plane != 0))


@pytest.mark.parametrize("kind", [pytest.param("disc", marks=pytest.mark.slow), "notched"])
@pytest.mark.parametrize(("inner", "outer"), [(0, 8), (0, 5.5), (6, 0), (3.25, 0), (4, 7), (6, 2), (5, 5)])
def test_softness_reaches_so_far_and_no_farther(kind, inner, outer):
    plane = hard(kind)
    outside, inside = distances(plane)
    got = softened(plane, feather_in=inner, feather_out=outer).over(FRAME)["A"]
    # The edge lies half a pixel from the centres beside it. A moved edge lies between centres, and its pixels are
    # interpolated, so that a trace of it is up to a diagonal farther.
    assert (got[outside > outer + 0.5] < 0.005).all()
    assert (got[outside > outer + 0.5 + np.sqrt(2)] == 0).all()
    # Where the edge moves inward and out again, thin parts go; elsewhere all that lies deep enough stays whole.
    opened = ndimage.binary_opening(plane, whole_disc(inner)) if inner > outer else plane != 0
    assert (got[(inside > inner + 0.5) & opened] > 0.995).all()
    assert (got[(inside > inner + 0.5 + np.sqrt(2)) & opened] == 1).all()
    if inner == 0:
        assert (got[plane == 1] == 1).all()
    if outer == 0:
        assert (got[plane == 0] == 0).all()
    # And in between there is softness.
    assert ((got > 0.02) & (got < 0.98)).sum() > 100


def whole_disc(radius):
    reach = int(np.ceil(radius))
    return np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) <= radius


@pytest.mark.parametrize(("inner", "outer"), [(0, 12), (12, 0), (4, 10), (9, 3)])
def test_along_a_straight_edge_it_is_a_function_of_the_distance(inner, outer):
    plane = np.zeros(SIZE[::-1], np.float32)
    plane[:, :48] = 1
    outside, inside = distances(plane)
    # Signed distance from the edge, which is half a pixel from the centres beside it.
    distance = np.where(plane == 1, 0.5 - inside, outside - 0.5)
    u = np.clip(((inner + outer) / 2 - (distance + inner)) / ((inner + outer) / 2), -1, 1)
    # The share of a disc with the weight 1 - r² beyond a line, integrated by hand.
    wanted = 0.5 + (u * (5 - 2 * u * u) * np.sqrt(1 - u * u) + 3 * np.arcsin(u)) / (3 * np.pi)
    got = softened(plane, feather_in=inner, feather_out=outer).over(FRAME)["A"]
    assert np.abs(got - wanted).max() < 0.03
    assert np.abs(np.diff(got[30])).max() < 0.15


def test_soft_edges_stay_covered_at_least_as_much():
    plane = disc()
    got = softened(plane, feather_out=6).over(FRAME)["A"]
    assert (got >= plane - 1e-6).all()
    assert (softened(plane, feather_in=6).over(FRAME)["A"] <= plane + 1e-6).all()


def test_growing_stays_exact_beside_them():
    for grow in (-2.0, 3.0):
        moved = softened(hard(), grow=grow).over(FRAME)["A"]
        outward = softened(hard(), grow=grow, feather_out=5).over(FRAME)["A"]
        assert (outward[moved == 1] == 1).all()
        inward = softened(hard(), grow=grow, feather_in=5).over(FRAME)["A"]
        assert (inward[moved == 0] == 0).all()


def test_equal_feathers_keep_thin_parts():
    cord = np.zeros(SIZE[::-1], np.float32)
    cord[:, 47:50] = 1
    assert softened(cord, feather_in=5, feather_out=5).over(FRAME)["A"].max() > 0.3
    # The other way is stated: what is thinner than the inner feather goes.
    assert not softened(cord, feather_in=5).over(FRAME)["A"].any()


def test_a_matte_that_fills_the_frame_has_no_edge_there():
    full = np.ones(SIZE[::-1], np.float32)
    assert np.array_equal(softened(full, feather_in=7).over(FRAME)["A"], full)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 80), st.integers(0, 50), st.integers(1, 16), st.floats(0, 6), st.floats(0, 6))
def test_a_tile_with_two_feathers_equals_the_whole(x, y, size, inner, outer):
    whole = softened(feather_in=inner, feather_out=outer)
    window = Window(x, y, x + size, y + size)
    tile = softened(feather_in=inner, feather_out=outer, window=window)
    np.testing.assert_allclose(tile["A"], whole.over(tile.window)["A"], atol=1e-6)


def test_two_feathers_in_a_preview():
    whole = softened(feather_in=4, feather_out=8).over(FRAME)["A"]
    half = softened(feather_in=4, feather_out=8, at=0.5).over(FRAME.scaled(0.5))["A"]
    assert np.abs(half - whole.reshape(32, 2, 48, 2).mean(axis=(1, 3))).max() < 0.05
