"""Pull and push, against the same equations in float64, and fields and libraries that know nothing of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import sparse
from scipy.sparse.linalg import spsolve

from stackcomp.kernels import push_pull as kernel
from stackcomp.kernels.push_pull import push_pull
from stackcomp.kernels.strips import set_threads


def pulled(plane):
    """The filter 1 3 3 1 over 4 both ways, every second pixel, nothing beyond the border."""
    height, width = (-(-side // 2) for side in plane.shape)
    wide = np.zeros((2 * height + 2, 2 * width + 2))
    wide[1 : plane.shape[0] + 1, 1 : plane.shape[1] + 1] = plane
    taps = [0.25, 0.75, 0.75, 0.25]
    rows = sum(t * wide[k : k + 2 * height : 2] for k, t in enumerate(taps))
    return sum(t * rows[:, k : k + 2 * width : 2] for k, t in enumerate(taps))


def enlarged(plane, shape):
    """Linear between the centres of larger pixels, the outermost repeated."""
    at = [np.clip((np.arange(side) + 0.5) / 2 - 0.5, 0, None) for side in shape]
    low = [np.floor(a).astype(int) for a in at]
    high = [np.minimum(first + 1, side - 1) for first, side in zip(low, plane.shape, strict=True)]
    low = [np.minimum(first, side - 1) for first, side in zip(low, plane.shape, strict=True)]
    part = [a - np.floor(a) for a in at]
    rows = plane[low[0]] * (1 - part[0])[:, None] + plane[high[0]] * part[0][:, None]
    return rows[:, low[1]] * (1 - part[1]) + rows[:, high[1]] * part[1]


def reference(plane, weight, steps=2):
    """The module's text, level by level, in float64."""
    if plane.size == 1:
        return plane / weight if weight.any() else plane * 0
    total, colour = pulled(weight), pulled(plane)
    scale = np.maximum(total, 1)
    full = plane + (1 - weight) * enlarged(
        reference(colour / scale, total / scale, min(4 * steps, 32)), plane.shape
    )
    for _ in range(steps):
        # Even rows, then odd rows.
        for k in (0, 1):
            wide = np.pad(full, 1, mode="edge")
            around = (wide[1:-1, :-2] + wide[1:-1, 2:] + wide[:-2, 1:-1] + wide[2:, 1:-1]) / 4
            full[k::2] = (plane + (1 - weight) * around)[k::2]
    return full


def pushed(plane, weight):
    weight = weight.astype(np.float32)
    return push_pull([plane.astype(np.float32) * weight], weight)[0]


@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (8, 1), (16, 16), (13, 21), (37, 29), (64, 3)])
def test_the_same_equations_in_float64(shape):
    draw = np.random.default_rng(sum(shape))
    weight = np.clip(draw.random(shape) * 3 - 1.8, 0, 1).astype(np.float32)
    weight.flat[0] = 0.7
    plane = draw.normal(1, 2, shape).astype(np.float32)
    expected = reference(np.float64(plane * weight), np.float64(weight))
    np.testing.assert_allclose(pushed(plane, weight), expected, rtol=2e-5, atol=2e-5)


@pytest.mark.parametrize("shape", [(1400, 24), (97, 300)])
def test_bands_give_what_whole_planes_do(monkeypatch, shape):
    """As above, where each of the large levels is smoothed in several bands."""
    monkeypatch.setattr(kernel, "_SMALL", 0)
    draw = np.random.default_rng(3)
    weight = np.clip(draw.random(shape) * 9 - 8, 0, 1).astype(np.float32)
    plane = draw.normal(1, 2, shape).astype(np.float32)
    expected = reference(np.float64(plane * weight), np.float64(weight))
    got = []
    try:
        for threads in (1, 2, 5):
            set_threads(threads)
            got.append(pushed(plane, weight))
    finally:
        set_threads(None)
    np.testing.assert_allclose(got[0], expected, rtol=2e-5, atol=2e-5)
    assert np.array_equal(got[0], got[1])
    assert np.array_equal(got[0], got[2])


def test_planes_are_pushed_each_for_itself():
    draw = np.random.default_rng(4)
    weight = (draw.random((70, 50)) < 0.1).astype(np.float32)
    planes = [draw.normal(0, 1, weight.shape).astype(np.float32) * weight for _ in range(3)]
    for together, alone in zip(push_pull(planes, weight), planes, strict=True):
        assert np.array_equal(together, push_pull([alone], weight)[0])


def smooth_field(height, width):
    y, x = np.mgrid[:height, :width]
    return 2 + np.sin(x / 37) * np.cos(y / 29) + x / 100


def holes(height, width):
    y, x = np.mgrid[:height, :width]
    return (np.hypot(x - 0.5 * width, y - 0.5 * height) > 20) & (np.hypot(x - 25, y - 30) > 12)


def membrane(plane, known):
    """Laplace's equation in what is not known, by scipy's sparse LU; no flow through the border."""
    height, width = known.shape
    index = np.arange(known.size).reshape(known.shape)
    rows, columns, values, degree = [], [], [], np.zeros(known.size)
    for one, other in (((slice(None), slice(1, None)), (slice(None), slice(None, -1))),
                       ((slice(1, None), slice(None)), (slice(None, -1), slice(None)))):  # fmt: skip
        for here, there in ((index[one], index[other]), (index[other], index[one])):
            free = ~known.ravel()[here.ravel()]
            i, j = here.ravel()[free], there.ravel()[free]
            rows.append(i)
            columns.append(j)
            values.append(-np.ones(i.size))
            degree[i] += 1
    degree[known.ravel()] = 1
    rows, columns, values = (np.concatenate(parts) for parts in (rows, columns, values))
    matrix = sparse.coo_matrix((values, (rows, columns)), (known.size, known.size)) + sparse.diags(degree)
    return spsolve(matrix.tocsr(), np.where(known, plane, 0).ravel()).reshape(height, width)


def test_holes_of_a_smooth_field_as_well_as_a_membrane():
    """The field varies by 2 over the holes. scipy's direct membrane is the measure, not the goal."""
    field, known = smooth_field(96, 128), holes(96, 128)
    got, direct = pushed(field, known), membrane(field, known)
    rms = [np.sqrt(np.square((some - field)[~known]).mean()) for some in (got, direct)]
    assert rms[0] < 1.3 * rms[1], rms
    assert rms[1] < 0.02
    assert np.abs(got - direct)[~known].max() < 0.06


def test_against_a_biharmonic_surface():
    """scikit-image's inpainting by biharmonic functions is nearly exact in so smooth a field."""
    restoration = pytest.importorskip("skimage.restoration")
    field = smooth_field(48, 64)
    known = holes(48, 64)
    surface = restoration.inpaint_biharmonic(np.where(known, field, 0), ~known)
    assert np.abs(surface - field)[~known].max() < 0.05
    assert np.abs(pushed(field, known) - surface)[~known].max() < 0.15


def test_no_blocks():
    """Around a disc of noise, neighbours differ little, and the levels' borders are not seen in the curvature."""
    y, x = np.mgrid[:256, :256]
    known = np.hypot(x - 128, y - 128) < 30
    plane = np.random.default_rng(1).random((256, 256))
    got = pushed(plane, known)
    far = np.hypot(x - 128, y - 128) > 50
    bend = np.abs(got[2:] - 2 * got[1:-1] + got[:-2])[far[1:-1]]
    assert bend.max() < 0.004
    for period in (16, 32):
        rows = np.abs(np.diff(got[:64], axis=0)).mean(axis=1)
        on = rows[period - 1 :: period].mean()
        off = np.delete(rows, np.s_[period - 1 :: period]).mean()
        assert on < 1.5 * off


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.integers(0, 10**6), st.sampled_from([-3.0, 0.25, 4096.0]))
def test_one_colour_stays_that_colour(height, width, seed, value):
    draw = np.random.default_rng(seed)
    weight = draw.random((height, width)) * (draw.random((height, width)) < 0.2)
    weight.flat[draw.integers(weight.size)] = 1
    got = pushed(np.full((height, width), value), weight)
    np.testing.assert_allclose(got, value, rtol=1e-5)


def test_one_pixel_fills_all_and_no_pixel_nothing():
    weight = np.zeros((30, 50))
    assert not pushed(np.ones((30, 50)), weight).any()
    weight[29, 0] = 1
    np.testing.assert_allclose(pushed(np.full((30, 50), 7.0), weight), 7, rtol=1e-5)


def test_the_known_is_exact_and_nothing_goes_beyond_it():
    draw = np.random.default_rng(8)
    plane, known = draw.random((70, 90)), draw.random((70, 90)) < 0.03
    got = pushed(plane, known)
    assert np.array_equal(got[known], plane.astype(np.float32)[known])
    assert got.min() >= plane[known].min() - 1e-6
    assert got.max() <= plane[known].max() + 1e-6
