"""Motion blur against scenes drawn moment by moment, scipy's convolution and shifts, and a plain sum of paths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from moving_scenes import Disc, layer, passes, picture, recorded
from scipy import ndimage

from stackcomp.kernels.motion_blur import margin, motion_blur, reach

SIZE = (110, 80)
HALF = (-0.25, 0.25)
MOMENTS = 128
SLOW = pytest.mark.slow
MOVING = Disc((52.3, 40.6), 17, (24, -10))
ROLLING = Disc((52.3, 40.6), 20, (20, 4), 0.8)
STILL = Disc((52.3, 40.6), 17)


def blurred(planes, motion, depth=None, times=HALF, largest=64.0, beyond="edge"):
    """The result as float64, of a picture that goes on beyond its edges or ends there."""
    around = margin(largest, *times)
    padded = [np.pad(np.float32(plane), around, mode=beyond) for plane in (*planes, *motion)]
    far = None if depth is None else np.pad(np.float32(depth), around, mode=beyond)
    result, _ = motion_blur(padded[:4], padded[4:], far, *times, largest)
    return np.array(result, np.float64)


def constant(shape, dx, dy):
    return np.stack([np.full(shape, dx, np.float32), np.full(shape, dy, np.float32)])


def errors(result, truth, inner=0):
    """Mean and largest difference, without a border."""
    part = np.s_[:, inner:-inner, inner:-inner] if inner else np.s_[:]
    difference = np.abs(result - truth)[part]
    return difference.mean(), difference.max()


# -- scenes drawn moment by moment; unblurred, the mean error of these pictures is 0.009 to 0.015 --


@pytest.mark.parametrize(
    "disc",
    [MOVING, pytest.param(ROLLING, marks=SLOW), pytest.param(Disc((52.3, 40.6), 17, (0.9, 0.4)), marks=SLOW)],
)
def test_a_layer_is_what_a_camera_records(disc):
    truth = recorded(lambda time: layer(disc, SIZE, time), *HALF, MOMENTS)
    result = blurred(layer(disc, SIZE, 0), passes([disc], SIZE)[0])
    mean, most = errors(result, truth)
    # What turns goes along its tangent: this is most of the error of the one that rolls.
    assert mean < (0.0015 if disc is ROLLING else 0.0006)
    assert most < (0.15 if disc is ROLLING else 0.07)
    assert result[3].sum() == pytest.approx(truth[3].sum(), rel=0.012 if disc is ROLLING else 5e-4)


@pytest.mark.parametrize(
    ("disc", "with_depth"),
    [
        (ROLLING, True),
        *(pytest.param(*case, marks=SLOW) for case in ((ROLLING, False), (MOVING, True), (MOVING, False))),
    ],
)
def test_what_moves_over_still_ground_is_what_a_camera_records(disc, with_depth):
    truth = recorded(lambda time: picture([disc], SIZE, time), *HALF, MOMENTS)
    motion, depth = passes([disc], SIZE)
    result = blurred(picture([disc], SIZE, 0), motion, depth if with_depth else None)
    mean, most = errors(result, truth)
    assert mean < 0.0013
    assert most < (0.13 if disc is ROLLING else 0.07)
    # Where the disc does not come, nothing changes.
    away = recorded(lambda time: layer(disc, SIZE, time), *HALF, 64)[3]
    away = ndimage.minimum_filter(away == 0, 7)
    assert np.array_equal(result[:, away], np.float32(picture([disc], SIZE, 0))[:, away])


def test_what_the_camera_follows_stays_sharp_with_depth():
    pan = (30, 5)
    truth = recorded(lambda time: picture([STILL], SIZE, time, pan), *HALF, MOMENTS)
    motion, depth = passes([STILL], SIZE, pan)
    result = blurred(picture([STILL], SIZE, 0), motion, depth)
    mean, most = errors(result, truth, inner=9)
    assert mean < 0.0016
    assert most < 0.06
    without, _ = errors(blurred(picture([STILL], SIZE, 0), motion), truth, inner=9)
    assert without > 4 * mean


@pytest.mark.slow
def test_two_things_and_the_ground_move_each_their_way():
    discs, pan = [Disc((40, 40), 15, (26, 6)), Disc((66, 44), 16, (-20, 10), 0, 3.0)], (6, 5)
    truth = recorded(lambda time: picture(discs, SIZE, time, pan), *HALF, MOMENTS)
    result = blurred(picture(discs, SIZE, 0), *passes(discs, SIZE, pan))
    # Light of the disc behind is missing where the other one hides it at the number of the frame.
    assert errors(result, truth, inner=5)[0] < 0.0035


@pytest.mark.slow
def test_with_thousands_of_moments_and_long_paths():
    disc = Disc((90.3, 60.6), 17, (200, 90))
    size = (180, 120)
    truth = recorded(lambda time: layer(disc, size, time), *HALF, 4096)
    result = blurred(layer(disc, size, 0), passes([disc], size)[0], largest=250)
    mean, most = errors(result, truth)
    assert mean < 4e-4
    assert most < 0.01


@pytest.mark.slow
def test_an_exposure_that_opens_at_the_frame():
    truth = recorded(lambda time: layer(MOVING, SIZE, time), 0, 0.5, MOMENTS)
    result = blurred(layer(MOVING, SIZE, 0), passes([MOVING], SIZE)[0], times=(0, 0.5))
    mean, most = errors(result, truth)
    assert mean < 0.0006
    assert most < 0.07


# -- lines --


def line_kernel(dx, dy, begin, end, moments=20001):
    """The kernel by its definition, summed over moments: the shares of columns, each between two rows."""
    if abs(dy) > abs(dx):
        return line_kernel(dy, dx, begin, end, moments).T
    time = begin + (end - begin) * (np.arange(moments) + 0.5) / moments
    x, y = dx * time, dy * time
    size = int(np.ceil(max(np.abs(x).max(), np.abs(y).max()))) + 2
    kernel = np.zeros((2 * size + 1, 2 * size + 1))
    soft = min(0.5, max(0.25, 0.5 * abs(dy) * (end - begin)))
    for column in range(-size, size + 1):
        weight = np.clip((0.75 - np.abs(x - column)) / 0.5, 0, 1)
        if weight.sum() > 1e-9:
            row = (weight * y).sum() / weight.sum()
            line = int(np.floor(row))
            part = np.clip(0.5 + (row - line - 0.5) / (2 * soft), 0, 1)
            kernel[size + line, size + column] += weight.mean() * (1 - part)
            kernel[size + line + 1, size + column] += weight.mean() * part
    return kernel


@settings(max_examples=15, deadline=None)
@given(
    st.floats(-40, 40), st.floats(-40, 40), st.sampled_from([HALF, (0.0, 0.5), (-0.1, 0.4), (0.2, 0.3)]),
    st.sampled_from([1.0, 0.05]),
)  # fmt: skip
def test_even_motion_is_a_convolution_with_a_line(dx, dy, times, scale):
    dx, dy = float(np.float32(dx * scale)), float(np.float32(dy * scale))
    pixels = np.random.default_rng(1).random((4, 75, 82))
    pixels[3] = 1
    result = blurred(pixels, constant(pixels.shape[1:], dx, dy))
    kernel = line_kernel(dx, dy, *HALF)
    wanted = [ndimage.convolve(np.float32(plane), kernel, mode="nearest") for plane in pixels]
    if np.hypot(dx, dy) * 0.25 < 0.002:
        wanted = pixels
    np.testing.assert_allclose(result, wanted, atol=3e-4)
    # In this exposure too, light alone, which nothing covers.
    pixels[3] = 0
    result = blurred(pixels, constant(pixels.shape[1:], dx, dy), times=times, beyond="constant")
    kernel = line_kernel(dx, dy, *times)
    if np.hypot(dx, dy) * max(map(abs, times)) >= 0.002:
        wanted = [ndimage.convolve(np.float32(plane), kernel, mode="constant") for plane in pixels]
        np.testing.assert_allclose(result, wanted, atol=3e-4)


@pytest.mark.parametrize("motion", [(30.0, 0.0), (0.0, -17.3), (25.0, 11.0), (-9.0, 23.0), (2.0, 1.5)])
def test_a_smooth_picture_agrees_with_the_mean_of_shifts_by_scipy(motion):
    # scipy shifts by cubic splines, which hardly soften.
    smooth = ndimage.gaussian_filter(np.random.default_rng(2).random((90, 100)), 2.5)
    shifts = [
        ndimage.shift(smooth, (motion[1] * t, motion[0] * t), order=3, mode="nearest")
        for t in (np.arange(64) + 0.5) / 128 - 0.25
    ]
    result = blurred([smooth] * 3 + [np.ones_like(smooth)], constant(smooth.shape, *motion))[0]
    inner = np.s_[14:-14, 14:-14]
    assert np.abs(result - np.mean(shifts, axis=0))[inner].max() < 0.015 * np.ptp(smooth)


def test_paths_of_all_directions_are_summed():
    # Light without coverage is only added, so this is the plain sum of all paths, across the borders of tiles.
    draw = np.random.default_rng(3)
    height, width = 70, 140
    light = np.where(draw.random((height, width)) < 0.02, draw.random((height, width)), 0).astype(np.float32)
    motion = draw.uniform(-30, 30, (2, height, width)).astype(np.float32)
    wanted = np.zeros((height + 80, width + 80))
    for y, x in zip(*np.nonzero(light), strict=True):
        kernel = line_kernel(*motion[:, y, x].tolist(), -0.2, 0.6, 2001)
        half = kernel.shape[0] // 2
        wanted[y + 40 - half : y + 41 + half, x + 40 - half : x + 41 + half] += light[y, x] * kernel
    zero = np.zeros_like(light)
    result = blurred([light, zero, light, zero], motion, times=(-0.2, 0.6), beyond="constant")
    np.testing.assert_allclose(result[0], wanted[40:-40, 40:-40], atol=2e-3)
    assert np.array_equal(result[0], result[2])
    assert not result[1].any()
    assert not result[3].any()


# -- what stays --


def test_what_is_still_is_kept_to_the_bit():
    pixels = np.random.default_rng(4).normal(size=(4, 30, 90)).astype(np.float32)
    pixels[:, 3, 4] = -0.0
    still, moving = constant((30, 90), 0, 0), constant((30, 90), 9, 4)
    for motion, times in ((still, HALF), (moving, (0, 0))):
        around = margin(20, *times)
        planes = [np.pad(plane, around) for plane in (*pixels, *motion)]
        result, _ = motion_blur(planes[:4], planes[4:], None, *times, 20)
        for plane, kept in zip(result, pixels, strict=True):
            assert np.array_equal(plane.view(np.uint32), kept.view(np.uint32))


@settings(max_examples=5, deadline=None)
@given(st.floats(-60, 60), st.floats(-60, 60), st.floats(0, 2), st.floats(-1, 1))
def test_light_and_coverage_are_kept(dx, dy, shutter, centre):
    pixels = np.zeros((4, 60, 60))
    pixels[:, 20:40, 25:33] = np.random.default_rng(5).random((4, 20, 8))
    around = 180
    padded = np.pad(pixels, ((0, 0), (around, around), (around, around)))
    result = blurred(
        padded, constant(padded.shape[1:], dx, dy), times=(centre - shutter / 2, centre + shutter / 2), largest=85
    )
    np.testing.assert_allclose(result.sum(axis=(1, 2)), pixels.sum(axis=(1, 2)), rtol=1e-5)
    assert result[3].min() >= 0
    assert result[3].max() <= 1 + 1e-5


@pytest.mark.parametrize("motion", [(0, -29), (-29, 0), (0, 60), (150, 0), (64, -64)])
@pytest.mark.parametrize("time", [1, -1])
def test_what_moves_away_before_the_exposure_leaves_its_place(motion, time):
    """At a moment beside the frame the picture is moved by whole pixels, and nothing is left behind."""
    pixels = np.zeros((4, 400, 400))
    pixels[:, 190:210, 195:203] = np.random.default_rng(5).random((4, 20, 8))
    result = blurred(pixels, constant(pixels.shape[1:], *motion), times=(time, time), largest=170)
    expected = np.roll(pixels, (time * motion[1], time * motion[0]), (1, 2))
    np.testing.assert_allclose(result, expected, atol=1e-6)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 9), st.booleans(), st.booleans())
def test_nothing_is_made_up(seed, by_depth, opaque):
    draw = np.random.default_rng(seed)
    coarse = draw.uniform(-50, 50, (2, 5, 6)) * (draw.random((5, 6)) < 0.6)
    motion = np.kron(coarse, np.ones((1, 16, 16))) + draw.normal(size=(2, 80, 96)) * draw.integers(2)
    depth = np.kron(draw.uniform(1, 5, (5, 6)), np.ones((16, 16))) if by_depth else None
    # Opaque pixels at the edge between motions are divided, and parts may be brighter than both.
    alpha = np.ones((80, 96)) if opaque else np.clip(draw.random((80, 96)) * 3 - 1, 0, 0.99)
    pixels = np.concatenate([(0.2 + 0.6 * draw.random((3, 80, 96))) * alpha, alpha[None]])
    result = blurred(pixels, motion, depth)
    assert result.min() >= 0
    assert result[3].max() <= 1 + 1e-5
    if opaque:
        assert result[3].min() >= 1 - 1e-5
    else:
        # Every pixel is a mean of pixels, with weights that are not negative.
        assert (result[:3] <= 0.8 * result[3] + 1e-5).all()
        assert (result[:3] >= 0.2 * result[3] - 1e-5).all()
    doubled = blurred(pixels * [[[2]], [[2]], [[2]], [[1]]], motion, depth)
    np.testing.assert_allclose(doubled[:3], 2 * result[:3], rtol=1e-6)


def test_rows_are_no_other_than_columns_and_time_may_run_backwards():
    pixels, motion = layer(MOVING, SIZE, 0), passes([MOVING], SIZE)[0]
    result = blurred(pixels, motion)
    turned = blurred(pixels.transpose(0, 2, 1), motion[::-1].transpose(0, 2, 1)).transpose(0, 2, 1)
    np.testing.assert_allclose(turned, result, atol=1e-6)
    np.testing.assert_allclose(blurred(pixels, -motion), result, atol=1e-6)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 70), st.integers(0, 30), st.integers(1, 60), st.booleans())
def test_a_tile_equals_the_whole_bit_for_bit(x, y, size, by_depth):
    draw = np.random.default_rng(6)
    motion = np.kron(draw.uniform(-60, 60, (2, 3, 4)), np.ones((1, 40, 40))).astype(np.float32)
    planes = draw.random((4, 120, 160)).astype(np.float32)
    planes[3] = np.clip(planes[3] * 4 - 1, 0, 1)
    depth = np.kron(draw.uniform(1, 3, (6, 8)), np.ones((20, 20))).astype(np.float32) if by_depth else None
    around = margin(40, *HALF)
    part = np.s_[y : y + size + 2 * around, x : x + size + 2 * around]
    whole, _ = motion_blur(planes, motion, depth, *HALF, 40)
    tile, _ = motion_blur(
        [plane[part] for plane in planes], [plane[part] for plane in motion],
        None if depth is None else depth[part], *HALF, 40,
    )  # fmt: skip
    for one, all_of_it in zip(tile, whole, strict=True):
        assert np.array_equal(one, all_of_it[y : y + one.shape[0], x : x + one.shape[1]])


# -- edges, order, numbers that are none --


def test_the_motion_of_partly_covered_pixels_does_not_matter():
    pixels = layer(MOVING, SIZE, 0)
    whole = blurred(pixels, constant(SIZE[::-1], 24, -10))
    for at_edges in (0.0, 0.5, -3.0):
        motion = constant(SIZE[::-1], 24, -10)
        motion[:, pixels[3] < 1] *= at_edges
        assert np.array_equal(blurred(pixels, motion), whole)


def test_an_opaque_edge_leaves_nothing_behind():
    # A red bar with an antialiased edge moves far over green: of its edge no line remains.
    pixels = np.zeros((4, 40, 90))
    red = np.clip(np.arange(90) - 39.6, 0, 1) * np.clip(50.4 - np.arange(90), 0, 1)
    pixels[0], pixels[1], pixels[3] = red, 1 - red, 1
    motion = np.stack([np.where(pixels[0] >= 0.5, 80.0, 0), np.zeros((40, 90))])
    row = blurred(pixels, motion, largest=100)[0, 20]
    # 40 pixels of path, and a bar of 9.8: its share of the time, which changes evenly on both sides.
    assert row.max() == pytest.approx(9.8 / 40, abs=0.002)
    assert np.abs(np.diff(row)).max() < 0.03
    assert row.sum() == pytest.approx(red.sum(), rel=0.02)


def test_who_is_in_front():
    # A still post before and behind a thing that moves past it.
    pixels = np.zeros((4, 30, 60))
    pixels[:, :, 28:32] = [[[0]], [[1]], [[0]], [[1]]]
    pixels[:, :, 10:20] = [[[1]], [[0]], [[0]], [[1]]]
    motion = constant((30, 60), 0, 0)
    motion[0, :, 10:20] = 80
    for depth, front in ((1.0, False), (3.0, True)):
        far = np.where(pixels[1] > 0, 2.0, depth)
        result = blurred(pixels, motion, far, largest=100, beyond="constant")
        assert result[1, 15, 29] == pytest.approx(1 if front else 0.75, abs=1e-6)
    # Without depth, what moves is in front: it covers the post for a quarter of the time.
    result = blurred(pixels, motion, largest=100, beyond="constant")
    assert result[:, 15, 29] == pytest.approx([0.25, 0.75, 0, 1], abs=1e-6)


def test_what_is_no_number_is_no_motion_and_long_motion_is_shortened():
    pixels = np.ones((4, 30, 40))
    pixels[0] = np.random.default_rng(7).random((30, 40))
    for value in (np.nan, np.inf, -np.inf):
        with np.errstate(all="raise"):
            assert np.array_equal(blurred(pixels, constant((30, 40), value, value)), np.float32(pixels))
    around = margin(8, *HALF)
    padded = [np.pad(np.float32(plane), around, mode="edge") for plane in pixels]
    motion = constant(padded[0].shape, 6, 0)
    wanted, _ = motion_blur(padded, motion * np.float32(8 / 6), None, *HALF, 8)
    result, longest = motion_blur(padded, motion * np.float32(1e37), None, *HALF, 8)
    assert longest.length == pytest.approx(6e37)
    np.testing.assert_allclose(result, wanted, atol=1e-6)


def test_the_motion_of_what_is_empty_does_not_matter():
    pixels = np.zeros((4, 20, 20))
    pixels[:, 8:12, 8:12] = 1
    motion = constant((20, 20), 0, 0)
    motion[:, pixels[3] == 0] = 1e6
    around = margin(50, *HALF)
    padded = [np.pad(np.float32(plane), around) for plane in (*pixels, *motion)]
    result, longest = motion_blur(padded[:4], padded[4:], None, *HALF, 50)
    assert np.array_equal(result, np.float32(pixels))
    assert longest.length == 0


def test_wrong_arguments_raise_value_errors():
    plane = np.ones((9, 9), np.float32)
    with pytest.raises(ValueError, match="0 or more"):
        reach(-1, 0, 1)
    with pytest.raises(ValueError, match="begins before"):
        reach(1, 1, 0)
    with pytest.raises(ValueError, match="no room"):
        motion_blur([plane] * 4, [plane] * 2, None, -1, 1, 5)
    with pytest.raises(ValueError, match="different shapes"):
        motion_blur([plane] * 4, [plane, plane[1:]], None, 0, 0, 5)
