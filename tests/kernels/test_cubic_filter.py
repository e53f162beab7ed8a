"""The cubic filter against its definition in float64, a 16×16-fold supersampled picture, and OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from skimage import data
from slow_cases import few_fast

from stackcomp.data.window import Window
from stackcomp.kernels import cubic_filter
from stackcomp.kernels.cubic_filter import filtered
from stackcomp.kernels.stack import stacked, unstack
from stackcomp.kernels.warp import warp_planes
from stackcomp.kernels.warp_map import warp_through

SOURCE = Window.of_size(37, 29)
TARGET = Window.of_size(150, 110)


def cubic(t):
    """Keys 1981, equation 15, with a = -1/2."""
    t = np.abs(t)
    return np.where(t < 1, 1.5 * t**3 - 2.5 * t**2 + 1, np.where(t < 2, -0.5 * t**3 + 2.5 * t**2 - 4 * t + 2, 0))


def by_definition(plane, place, change):
    """One pixel in float64, from the singular values of the change; every source pixel is weighed.

    Where a weight is exactly 0, within the kernel or at its end, the pixel may count among the limits or not: so
    there are two results.
    """
    axes, lengths, _ = np.linalg.svd(change)
    ellipse = axes @ np.diag(np.clip(lengths, 1, 256) ** 2) @ axes.T
    # Rows have one weight each: the factor of the ellipse is upper triangular, numpy's is a lower one.
    back = np.linalg.inv(np.linalg.cholesky(ellipse[::-1, ::-1])[::-1, ::-1])
    assert abs(back[1, 0]) < 1e-12
    slant = abs(back[0, 1])
    # Kernels that lean by less than 0.06 stand upright, and up to 0.12 they pass over.
    back[0, 1] = np.copysign(min(slant, max(0, 2 * (slant - 0.06))), back[0, 1])
    wide = np.pad(np.asarray(plane, np.float64), 30)
    y, x = np.mgrid[: wide.shape[0], : wide.shape[1]] - 29.5
    across = back @ np.stack([x.ravel() - place[0], y.ravel() - place[1]])
    weights = (cubic(across[0]) * cubic(across[1])).reshape(wide.shape)
    total = (weights * wide).sum() / weights.sum()
    within = (np.abs(across) < 2 + 1e-6).all(axis=0).reshape(wide.shape)
    used = wide[np.abs(weights) > 1e-9], wide[within]
    return [np.clip(total, some.min(), some.max()) for some in used]


@settings(max_examples=60, deadline=None)
@example(7.0, 3.5, 0.0, 0.0, 1.0, 1.0)
@example(-1.0, 0.0, 0.0, 0.0, 1.0, 1.5)
@given(
    st.floats(-6, 43),
    st.floats(-6, 35),
    st.floats(0, np.pi),
    st.floats(0, np.pi),
    st.floats(0.2, 7),
    st.floats(0.2, 7),
)
def test_it_is_what_the_definition_says(x, y, turn, lean, first, second):
    def turned(angle):
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    change = turned(turn) @ np.diag([first, second]) @ turned(lean)
    planes = [np.random.default_rng(k).normal(0.3, 0.4, SOURCE.shape).astype(np.float32) for k in range(4)]
    (stack,) = stacked(planes, SOURCE, SOURCE)
    places = np.array([x, y]).reshape(2, 1, 1)
    steps = change.T.ravel().astype(np.float32).reshape(4, 1, 1)
    result = filtered(stack, places, steps)[0, 0]
    expected = [by_definition(plane, (x, y), steps.reshape(2, 2).T.astype(float)) for plane in planes]
    low, high = np.min(expected, axis=1), np.max(expected, axis=1)
    assert np.abs(result - np.clip(result, low, high)).max() < 2e-4


def test_a_wrong_kernel_would_be_found():
    """The check above notices a kernel that is wider by a tenth."""
    change = np.diag([3.0, 2.0])
    plane = np.random.default_rng(1).random(SOURCE.shape).astype(np.float32)
    (stack,) = stacked([plane] * 4, SOURCE, SOURCE)
    places = np.array([[[15.2, 18.4, 20.9]], [[14.1, 11.7, 13.3]]])
    steps = np.repeat((1.1 * change).T.ravel().astype(np.float32), 3).reshape(4, 1, 3)
    result = filtered(stack, places, steps)[0, :, 0]
    expected = [by_definition(plane, place, change)[0] for place in places[:, 0].T]
    assert np.abs(result - expected).max() > 2e-3


# How places change from pixel to pixel: kernels aslant over six rows of six pixels, and over eight of seven.
ASLANT = np.array([[1.4, -0.4], [-0.4, 1.4]])
WIDER = np.array([[1.75, 0.45], [0.45, 1.75]])
# Kernels that stand upright over six rows of six pixels.
UPRIGHT = np.array([[1.4, 0.0], [0.0, 1.3]])


def places_in(picture):
    height, width = picture.shape
    return np.random.default_rng(2).uniform(-2, (width + 2, height + 2), (900, 2))


def seen(picture, change=ASLANT):
    """What is seen at 900 places of a picture."""
    window = Window.of_size(picture.shape[1], picture.shape[0])
    (stack,) = stacked([picture] * 4, window, window)
    places = np.ascontiguousarray(places_in(picture).T[:, None])
    steps = np.repeat(change.T.ravel().astype(np.float32), 900).reshape(4, 1, 900)
    return filtered(stack, places, steps)[0, :, 0]


def islands():
    """Flat squares in noise: means in the middle of one lie beside all 4×4 pixels there, but not beside others."""
    noise = np.random.default_rng(7).random((29, 37), np.float32)
    y, x = np.mgrid[:29, :37] // 5
    return np.where((x + y) % 2, np.float32(0.5), noise)


@pytest.mark.parametrize("first", few_fast(range(9), 1))
@pytest.mark.parametrize("change", [ASLANT, WIDER, UPRIGHT], ids=["few", "more", "upright"])
@pytest.mark.parametrize("kind", ["noise", "islands", "flat", "negative"])
def test_small_kernels_are_held_within_all_that_they_weigh(kind, change, first):
    """At every ninth place, from the first of nine."""
    noise = np.random.default_rng(7).random((29, 37), np.float32)
    flat = np.full((29, 37), np.float32(0.3))
    picture = {"noise": noise, "islands": islands(), "flat": flat, "negative": -3 * noise}[kind]
    result = seen(picture, change)[first::9]
    expected = np.array([by_definition(picture, place, change) for place in places_in(picture)[first::9]])
    low, high = expected.min(axis=1), expected.max(axis=1)
    assert np.abs(result - np.clip(result, low, high)).max() < 2e-5


@pytest.mark.parametrize("change", [ASLANT, UPRIGHT], ids=["aslant", "upright"])
def test_a_plane_does_not_depend_on_those_beside_it(change):
    """Where one needs the limits of all its pixels, and others do not."""
    places = np.ascontiguousarray(places_in(islands()).T[:, None])
    steps = np.repeat(change.T.ravel().astype(np.float32), 900).reshape(4, 1, 900)
    several = [islands(), *(np.random.default_rng(k).random((29, 37), np.float32) for k in range(2))]
    several.append(np.where(several[1] > 0.9, np.float32(np.nan), several[2]))
    (stack,) = stacked(several, SOURCE, SOURCE)
    together = filtered(stack, places, steps)
    for k, picture in enumerate(several):
        assert np.array_equal(together[0, :, k], seen(picture, change), equal_nan=True)


@pytest.mark.parametrize("change", [ASLANT, UPRIGHT], ids=["aslant", "upright"])
@pytest.mark.parametrize("value", [np.nan, np.inf, 3e38])
def test_one_odd_pixel_stays_where_it_is(value, change):
    picture = np.random.default_rng(7).random((29, 37), np.float32)
    before = seen(picture, change)
    picture[14, 18] = value
    after = seen(picture, change)
    distance = np.hypot(*(places_in(picture) - [18.5, 14.5]).T)
    assert np.array_equal(after[distance > 13], before[distance > 13])
    assert (after[distance < 1.5] != before[distance < 1.5]).all()
    assert (distance < 1.5).any()


def moved(x, y):
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], np.float64)


def turned(degrees):
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


SHRINKING = {
    "half": moved(10, -20) @ np.diag([0.5, 0.5, 1]),
    "a third": np.diag([1 / 3, 1 / 3, 1]),
    "0.37": moved(0.3, 0.2) @ np.diag([0.37, 0.37, 1]),
    "turned": moved(75, 55) @ turned(30) @ np.diag([0.4, 0.4, 1]) @ moved(-256, -256),
    "flat": moved(20.3, -20) @ np.diag([0.8, 0.3, 1]),
    "flat and aslant": moved(75, 55) @ turned(20) @ np.diag([1, 1 / 6, 1]) @ turned(40) @ moved(-256, -256),
    "leaning": moved(75, 25) @ np.array([[0.5, 0, 0], [0, 0.25, 0], [0, 0.0022, 1]]) @ moved(-256, -160),
    "squeezed aslant": moved(75, 55) @ np.array([[0.75, 0.2, 0], [0.2, 0.75, 0], [0, 0, 1]]) @ moved(-430, -80),
    "an eighth": moved(60.3, 45) @ turned(15) @ np.diag([0.125, 0.125, 1]) @ moved(-256, -256),
}


def finer(picture, homography, times=16, rim=4):
    """The picture seen at 16×16 places of each target pixel, and of some around."""
    larger = np.diag([times, times, 1]) @ moved(rim, rim) @ homography
    larger = moved(-0.5, -0.5) @ larger @ moved(0.5, 0.5)
    size = ((TARGET.width + 2 * rim) * times, (TARGET.height + 2 * rim) * times)
    return cv2.warpPerspective(picture, larger, size, flags=cv2.INTER_CUBIC)


def averaged(picture, homography, times=16):
    """The plain mean of 16×16 places of each target pixel."""
    large = finer(picture, homography, times, rim=0)
    return large.reshape(TARGET.height, times, TARGET.width, times).mean(axis=(1, 3))


def supersampled(picture, homography, times=16):
    """16×16 places of each target pixel, weighed by the same kernel over target pixels."""
    rim, large = 4, finer(picture, homography, times)
    weights = cubic((np.arange(-2 * times, 2 * times) + 0.5) / times)
    weights /= weights.sum()
    soft = cv2.sepFilter2D(large, -1, weights, weights, anchor=(2 * times, 2 * times))
    first = rim * times + times // 2
    return soft[first::times, first::times][: TARGET.height, : TARGET.width]


def inside(homography, window):
    """Target pixels whose filter lies well inside of the source."""
    (covered,) = warp_planes([np.ones(window.shape, np.float32)], window, homography, TARGET)
    return cv2.erode((covered >= 1).astype(np.uint8), np.ones((7, 7))) > 0


@pytest.mark.parametrize("name", few_fast(SHRINKING, 5))
def test_a_shrunken_photograph_is_what_supersampling_gives(name):
    # The photograph "camera" of scikit-image (CC0), 512×512.
    photograph = data.camera().astype(np.float32) / 255
    window = Window.of_size(512, 512)
    (result,) = warp_planes([photograph], window, SHRINKING[name], TARGET)
    where = inside(SHRINKING[name], window)
    assert where.sum() > 500
    away = (result - supersampled(photograph, SHRINKING[name]))[where]
    # Edges of full contrast differ more, by where the kernel's axes lie.
    assert np.sqrt(np.mean(away**2)) < 0.006
    assert np.abs(away).mean() < 0.003
    # A plain mean is softer and less even: on average the two differ by less than 1 % of the range.
    away = (result - averaged(photograph, SHRINKING[name]))[where]
    assert np.sqrt(np.mean(away**2)) < 0.012
    assert np.abs(away).mean() < 0.007


# Squeezed by a half at most, the rings hardly become too fine for the target.
@pytest.mark.parametrize("name", sorted(set(SHRINKING) - {"squeezed aslant"}))
def test_no_pattern_appears_that_is_not_there(name):
    """Rings that get finer outward: where they are too fine for the target they must be grey."""
    y, x = np.mgrid[:512, :512] - 256.0
    rings = (0.5 + 0.5 * np.cos(np.pi * (x * x + y * y) / 512)).astype(np.float32)
    window, homography = Window.of_size(512, 512), SHRINKING[name]
    (result,) = warp_planes([rings], window, homography, TARGET)
    # The frequency of the rings in cycles for each target pixel, along its rows and columns.
    ty, tx = np.mgrid[: TARGET.height, : TARGET.width] + 0.5
    back = np.linalg.inv(homography)
    u, v, w = np.tensordot(back, np.stack([tx, ty, np.ones_like(tx)]), 1)
    u, v = u / w, v / w
    change = [[(back[0, k] - u * back[2, k]) / w, (back[1, k] - v * back[2, k]) / w] for k in (0, 1)]
    cycles = [np.abs((u - 256) * dx + (v - 256) * dy) / 512 for dx, dy in change]
    fine = inside(homography, window) & (np.maximum(*cycles) > 0.8)
    assert fine.sum() > 1000
    assert np.abs(result[fine] - 0.5).max() < 0.09
    left = np.sqrt(np.mean((result[fine] - 0.5) ** 2))
    assert left < 0.015
    # A plain mean of what lies under each pixel leaves several times as much of the pattern.
    assert np.sqrt(np.mean((averaged(rings, homography)[fine] - 0.5) ** 2)) > 3 * left
    # A sharper kernel that does not widen leaves the pattern at full strength.
    flags = cv2.INTER_LANCZOS4
    peer = cv2.warpPerspective(
        rings, moved(-0.5, -0.5) @ homography @ moved(0.5, 0.5), (TARGET.width, TARGET.height), flags=flags
    )
    assert np.abs(peer[fine] - 0.5).max() > 0.3


def test_what_does_not_shrink_is_not_softened():
    """A turn leaves the contrast of fine detail as the kernel at its unchanged size does."""
    noise = np.random.default_rng(0).random((60, 60)).astype(np.float32)
    window = Window.of_size(60, 60)
    whole = turned(0.0001)
    (result,) = warp_planes([noise], window, whole, window)
    assert np.abs(result - noise)[5:-5, 5:-5].max() < 1e-3


def test_a_slow_change_of_size_has_no_step():
    noise = np.random.default_rng(0).random((60, 60)).astype(np.float32)
    window, part = Window.of_size(60, 60), Window(10, 10, 40, 40)
    for squeeze in (np.array([[1, 1], [1, 1]]) / 2, np.eye(2)):
        last = None
        for step in np.linspace(0.99, 1.35, 181):
            homography = np.eye(3)
            homography[:2, :2] = np.linalg.inv(np.eye(2) + (step - 1) * squeeze)
            homography[:2, 2] = 30 - homography[:2, :2] @ [30, 30]
            (result,) = warp_planes([noise], window, homography, part)
            assert last is None or np.abs(result - last).max() < 0.08
            last = result


def places_of(homography, window):
    """Where the pixels of a window, and one more on each side, lie in the source."""
    around = window.grow(1)
    y, x = np.mgrid[around.y0 : around.y1, around.x0 : around.x1] + 0.5
    u, v, w = np.tensordot(np.linalg.inv(homography), np.stack([x, y, np.ones_like(x)]), 1)
    return np.stack([u / w, v / w])


@pytest.mark.parametrize("name", SHRINKING)
def test_a_map_that_is_a_homography_gives_the_same(name):
    photograph = data.camera().astype(np.float32) / 255
    window = Window.of_size(512, 512)
    (expected,) = warp_planes([photograph], window, SHRINKING[name], TARGET)
    (result,) = warp_through([photograph], window, places_of(SHRINKING[name], TARGET), TARGET)
    # Differences stand in for derivatives, which differ a little in perspective.
    assert np.abs(result - expected).max() < (0.03 if name == "leaning" else 1e-4)
    assert np.abs(result - expected).mean() < 5e-4


def test_a_map_agrees_with_opencv():
    y, x = np.mgrid[:60, :80].astype(np.float32)
    picture = (0.5 + 0.3 * np.sin(x / 6) * np.cos(y / 5)).astype(np.float32)
    around = Window.of_size(80, 60).grow(1)
    ay, ax = np.mgrid[around.y0 : around.y1, around.x0 : around.x1] + 0.5
    places = np.stack([ax + 2 * np.sin(ay / 9), ay + 1.5 * np.cos(ax / 11)])
    (result,) = warp_through([picture], Window.of_size(80, 60), places, Window.of_size(80, 60))
    u, v = (places[:, 1:-1, 1:-1] - 0.5).astype(np.float32)
    expected = cv2.remap(picture, u, v, cv2.INTER_LANCZOS4)
    assert np.abs(result - expected)[8:-8, 8:-8].max() < 4e-3


def test_an_edge_of_a_map_does_not_soften_what_lies_beside_it():
    stripes = np.tile(np.float32([0, 1, 1, 0]), (64, 32))
    window, target = Window.of_size(128, 64), Window.of_size(40, 30)
    around = target.grow(1)
    y, x = np.mgrid[around.y0 : around.y1, around.x0 : around.x1] + 0.5
    far = np.where(x < 20, 0, 60.0)
    (result,) = warp_through([stripes], window, np.stack([x + far, y]), target)
    expected = np.where(np.arange(40) < 20, stripes[0, :40], stripes[0, 60:100])
    assert np.array_equal(result, np.tile(expected, (30, 1)))
    hole = np.stack([x, y])
    hole[:, (x > 10) & (x < 20)] = np.nan
    (result,) = warp_through([stripes], window, hole, target)
    assert np.array_equal(result[:, :10], stripes[:30, :10])
    assert not result[:, 10:20].any()
    assert np.array_equal(result[:, 20:], stripes[:30, 20:40])


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 60), st.integers(0, 40), st.integers(1, 20), st.sampled_from(sorted(SHRINKING)))
def test_a_tile_of_a_map_equals_the_whole(x, y, size, name):
    noise = np.random.default_rng(0).random((512, 512)).astype(np.float32)
    window = Window.of_size(512, 512)
    whole = Window.of_size(80, 60)
    tile = Window(x, y, x + size, y + size) & whole
    places = places_of(SHRINKING[name], whole)
    (expected,) = warp_through([noise], window, places, whole)
    rows, columns = tile.grow(1).slices_in(whole.grow(1))
    (result,) = warp_through([noise], window, places[:, rows, columns], tile)
    assert np.array_equal(result, expected[tile.slices_in(whole)])


def test_maps_of_nothing_and_maps_far_away():
    plane, target = np.ones((9, 9), np.float32), Window.of_size(5, 4)
    window = Window.of_size(9, 9)
    for value in (np.nan, 1e9, -1e9, np.inf):
        (result,) = warp_through([plane], window, np.full((2, 6, 7), value), target)
        assert not result.any()
    (result,) = warp_through([plane[:0]], Window(0, 0, 9, 0), np.ones((2, 6, 7)), target)
    assert not result.any()
    with pytest.raises(ValueError, match="places are"):
        warp_through([plane], window, np.ones((2, 4, 5)), target)
    with pytest.raises(ValueError, match="a plane is"):
        warp_through([plane], Window.of_size(9, 8), np.ones((2, 6, 7)), target)


@pytest.mark.parametrize("count", range(1, 7))
def test_any_number_of_planes(count):
    planes = [np.random.default_rng(k).random(SOURCE.shape).astype(np.float32) for k in range(count)]
    homography = moved(1.3, 2.4)
    together = warp_planes(planes, SOURCE, homography, SOURCE)
    for plane, result in zip(planes, together, strict=True):
        (alone,) = warp_planes([plane], SOURCE, homography, SOURCE)
        assert np.array_equal(alone, result)
    stacks = stacked(planes, SOURCE, SOURCE)
    for k, stack in enumerate(stacks):
        targets = [np.zeros(SOURCE.shape, np.float32) for _ in planes[4 * k : 4 * k + 4]]
        rim = cubic_filter.BORDER
        unstack(stack[rim:-rim, rim:-rim], targets, 0, 0)
        assert all(np.array_equal(a, b) for a, b in zip(targets, planes[4 * k :], strict=False))
