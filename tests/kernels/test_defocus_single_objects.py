"""Defocus of objects with nothing behind them: the sum of their discs, with nothing added.

The reference is the scatter of `plain_discs`. For a flat object it is exact everywhere; for a sloping one only at
its rim, because inside the discs on a grid do not sum to 1 exactly, and an opaque object stays opaque.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_discs import scattered

import stackcomp.kernels.defocus as kernel
from stackcomp.kernels.defocus import defocus, margin

FAR = 9.0


def defocused(planes, spread, largest, outside=FAR):
    m = margin(largest)
    padded = [np.pad(plane, m) for plane in planes]
    return np.stack(defocus(padded, np.pad(spread, m, constant_values=outside), largest), axis=-1)


def softened(alpha):
    for axis in (0, 1):
        alpha = sum(np.roll(alpha, k, axis) * share for k, share in ((-1, 0.25), (0, 0.5), (1, 0.25)))
    return alpha.astype(np.float32)


def card(radius=6.0, slope=(0.0, 0.0), *, soft=False, hole=False, bare=False, far=FAR):
    """A card of many colours in an empty frame, whose depth is 0 (so infinitely far) outside of it."""
    random = np.random.default_rng(7)
    alpha = np.zeros((60, 66), np.float32)
    alpha[18:44, 18:50] = 1
    if hole:
        alpha[25:31, 28:37] = 0
    if soft:
        alpha = softened(alpha)
    planes = [(0.3 + random.random(alpha.shape)).astype(np.float32) * alpha for _ in range(3)]
    if bare:
        # A glow beside the card and in its hole.
        planes[0][27:30, 31:34] += 2
        planes[0][16:19, 12:30] += 3
    there = np.stack([*planes, alpha]).any(axis=0)
    y, x = np.mgrid[: alpha.shape[0], : alpha.shape[1]]
    spread = radius + slope[0] * (x - 34) + slope[1] * (y - 31)
    return [*planes, alpha], np.where(there, spread, far).astype(np.float32)


# They try the exact method; the fast one, which is held against it, has some of them among its own.
pytestmark = pytest.mark.slow

LARGEST = [9.0, 14.5, 30.0]


@pytest.mark.parametrize("largest", LARGEST)
@pytest.mark.parametrize("radius", [6.0, -6.0, 1.3, -0.8])
@pytest.mark.parametrize(
    "more",
    [{}, {"soft": True}, {"hole": True}, {"soft": True, "hole": True, "bare": True}],
    ids=lambda more: " ".join(more) or "hard",
)
def test_a_flat_card_is_the_sum_of_its_discs(radius, more, largest):
    planes, spread = card(radius, far=largest, **more)
    wanted, _ = scattered(planes, spread, largest)
    assert np.abs(defocused(planes, spread, largest, largest) - wanted).max() < 1e-5


@pytest.mark.parametrize("largest", [14.5, LARGEST[2]])
@pytest.mark.parametrize("radius", [7.0, -7.0])
@pytest.mark.parametrize("slope", [(0.02, 0), (-0.1, 0), (0.1, 0.1), (0, 0.25)], ids=str)
def test_a_sloping_card_is_the_sum_of_its_discs_at_its_rim(radius, slope, largest):
    planes, spread = card(radius, slope, soft=True, hole=True, far=largest)
    wanted, weights = scattered(planes, spread, largest)
    got = defocused(planes, spread, largest, largest)
    rows, columns = np.mgrid[: spread.shape[0], : spread.shape[1]]
    apart = np.full(spread.shape, np.inf)
    for y, x in np.argwhere(planes[3] == 0):
        np.minimum(apart, np.hypot(rows - y, columns - x), out=apart)
    at_rim = (apart <= 1.25 * (np.abs(spread) + 0.5)) | (planes[3] == 0)
    # Where more than a whole lands, the nearest comes first and the rest has no room.
    room = at_rim & (weights <= 1)
    assert np.count_nonzero(room & (weights > 0.01)) > 500
    assert np.abs(got - wanted)[room].max() < 1e-5
    assert np.all(got[at_rim & (weights > 1), 3] <= 1 + 1e-6)
    # Inside, the grid leaves the sum of opaque discs a little off 1.
    assert np.abs(got[..., 3] - wanted[..., 3])[weights <= 1].max() < 0.006


def test_alpha_is_1_inside_a_sloping_opaque_object():
    spread = np.fromfunction(lambda y, x: 4 + 0.05 * x, (50, 60), dtype=np.float32)
    alpha = np.zeros((50, 60), np.float32)
    alpha[2:48, 2:58] = 1
    got = defocused([alpha, alpha, alpha, alpha], np.where(alpha > 0, spread, FAR), FAR)
    assert np.abs(got[16:34, 20:40] - 1).max() < 1e-6


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-5, 5), st.floats(5, 12), st.floats(0, 1))
def test_a_flat_object_of_any_shape_is_the_sum_of_its_discs(seed, radius, largest, share):
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(1, 22, 2))
    alpha = np.clip(softened(random.random(shape) < share) * 2, 0, 1).astype(np.float32)
    planes = [
        (random.random(shape) * (alpha + (random.random(shape) < 0.05))).astype(np.float32),
        alpha,
        2 * alpha,
    ]
    planes.append(alpha)
    spread = np.full(shape, radius, np.float32)
    wanted, _ = scattered(planes, spread, largest)
    assert np.abs(defocused(planes, spread, largest) - wanted).max() < 1e-5


@pytest.mark.parametrize(("radius", "bend"), [(4.0, 0), (-7.0, 0), (2.0, 0.008), (-8.5, -0.008)])
def test_a_larger_limit_changes_nothing(radius, bend):
    planes, spread = card(radius, (0.05, -0.02), soft=True, hole=True, bare=True)
    y, x = np.mgrid[: spread.shape[0], : spread.shape[1]]
    spread = np.clip(spread + bend * np.square(np.hypot(y - 31, x - 34)), -9, 9).astype(np.float32)
    first, *others = (defocused(planes, spread, largest) for largest in (9.0, 10.0, 17.5, 40.0))
    for other in others:
        assert np.array_equal(first, other)


def test_the_depth_of_empty_pixels_has_no_effect():
    planes, spread = card(soft=True)
    empty = ~np.stack(planes).any(axis=0)
    wanted = defocused(planes, spread, FAR)
    for value in (0, -9, 3, 1e30):
        assert np.array_equal(defocused(planes, np.where(empty, value, spread), FAR, value), wanted)


def test_bare_light_behind_an_object_gets_the_remaining_share():
    alpha = np.zeros((40, 60), np.float32)
    alpha[5:35, 10:30] = 1
    light = np.zeros_like(alpha)
    light[:, 30:50] = 1
    spread = np.where(alpha > 0, np.float32(6), np.float32(FAR))
    got = defocused([light, alpha, alpha, alpha], spread, FAR)
    covered, _ = scattered([alpha] * 4, spread, FAR)
    glowing, _ = scattered([light] * 4, spread, FAR)
    assert got[..., 3] == pytest.approx(covered[..., 3], abs=1e-5)
    assert got[..., 0] == pytest.approx(np.minimum(glowing[..., 0], 1 - covered[..., 3]), abs=1e-5)
    assert (glowing[20, :, 0] - got[20, :, 0]).max() > 0.05


def test_a_blurred_object_behind_a_sharp_one_stays_opaque():
    # A sharp post before the middle of a blurred card, both in an empty frame.
    alpha = np.zeros((40, 80), np.float32)
    alpha[8:32, 10:70] = 1
    spread = np.where(alpha > 0, np.float32(6), np.float32(FAR))
    spread[8:32, 38:42] = 0
    got = defocused([alpha, alpha, alpha, alpha], spread, FAR)
    assert np.abs(got[20, 20:60, 3] - 1).max() < 0.02
    # Where the card ends it is transparent as before.
    alone, _ = scattered([alpha] * 4, np.where(alpha > 0, 6, FAR), FAR)
    assert got[20, :25, 3] == pytest.approx(alone[20, :25, 3], abs=1e-5)


def test_a_blurred_rim_shows_the_object_behind_it_or_is_transparent():
    # A near blurred card over a far sharp one above, and over nothing below.
    alpha = np.zeros((60, 60), np.float32)
    alpha[10:50, 20:40] = 1
    alpha[:30] = 1
    spread = np.zeros((60, 60), np.float32)
    spread[10:50, 20:40] = -6
    light = (spread < 0).astype(np.float32)
    got = defocused([light, alpha - light, 0 * alpha, alpha], spread, 7)
    disc, _ = scattered([light] * 4, spread, 7)
    assert np.abs(got[16, :, 3] - 1).max() < 1e-6
    assert got[16, :, 0] == pytest.approx(disc[16, :, 0], abs=1e-5)
    assert got[40:, :, 3] == pytest.approx(disc[40:, :, 3], abs=1e-5)


def test_empty_pixels_do_not_enlarge_the_reach_of_blocks(monkeypatch):
    recorded = {}
    gather = kernel.gather
    monkeypatch.setattr(
        kernel, "gather", lambda *given: (recorded.update(reaches=given[5].copy()), gather(*given))
    )
    shape = (160, 160)
    nothing = [np.zeros(shape, np.float32)] * 4
    result = defocused(nothing, np.full(shape, 40, np.float32), 40, 40)
    assert not recorded["reaches"].any()
    assert not result.any()
    alpha = np.zeros(shape, np.float32)
    alpha[64:96, 64:96] = 1
    defocused([alpha] * 4, np.where(alpha > 0, np.float32(5), np.float32(40)), 40, 40)
    assert recorded["reaches"].max() == 5
    assert np.count_nonzero(recorded["reaches"]) == 16


@pytest.mark.parametrize("alpha", [2.0, -1.0, 1e-40, 1e-45])
def test_alpha_out_of_range_stays_within_its_discs(alpha):
    planes = [np.zeros((30, 30), np.float32) for _ in range(4)]
    for plane in planes:
        plane[12:18, 12:18] = alpha
    got = defocused(planes, np.full((30, 30), 3, np.float32), 5)
    assert np.isfinite(got).all()
    assert np.abs(got).max() <= abs(alpha) * (1 + 1e-6)
    assert not got[:8].any()


def test_denormal_light_has_no_visible_effect():
    planes, spread = card(soft=True)
    wanted = defocused(planes, spread, FAR)
    for plane in planes[:3]:
        plane[planes[3] == 0] = 1e-42
    got = defocused(planes, spread, FAR)
    assert np.abs(got - wanted).max() < 1e-5


@pytest.mark.parametrize("seed", range(40))
def test_extreme_values_stay_finite_and_one_pixel_equals_the_whole(seed):
    random = np.random.default_rng(seed)
    largest = float(random.choice([0.5, 0.7, 1, 2.3, 5, 7.25]))
    m = margin(largest)
    height, width = random.integers(1, 14, 2)
    shape, patch = (height + 2 * m, width + 2 * m), int(random.integers(1, 8))

    def patches(values):
        some = random.choice(values, (shape[0] // patch + 1, shape[1] // patch + 1))
        return np.kron(some, np.ones((patch, patch)))[: shape[0], : shape[1]].astype(np.float32)

    planes = [patches([0, 0, 0, 1, 1, 0.5, 1e-45, 1e-30, -1e-45, -0.2, 2, 1e30, -1e30]) for _ in range(4)]
    spread = patches([0, 0.3, 0.5, 0.6, 1, 3, 7.3, -7.3, -0.5, np.nan, 9, 1e30, -1e30])
    whole = defocus(planes, spread, largest)
    y, x = random.integers(0, height), random.integers(0, width)
    here = (slice(y, y + 1 + 2 * m), slice(x, x + 1 + 2 * m))
    tile = defocus([plane[here] for plane in planes], spread[here], largest)
    for part, of in zip(tile, whole, strict=True):
        assert np.isfinite(of).all()
        assert part[0, 0] == of[y, x]
