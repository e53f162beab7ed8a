"""The foreground's own colour, against a direct sparse solution, pymatting, and a foreground that is known."""

from __future__ import annotations

import numpy as np
import pytest
from lemur import lemur, to_light
from scipy import sparse
from scipy.sparse.linalg import spsolve

from stackcomp.kernels import foreground as kernel
from stackcomp.kernels.foreground import TILE, foreground
from stackcomp.kernels.strips import set_threads


def planes_of(pixels):
    return [np.ascontiguousarray(pixels[..., k], np.float32) for k in range(pixels.shape[-1])]


def estimated(pixels, alpha, background=None):
    behind = None if background is None else planes_of(background)
    return np.stack(foreground(planes_of(pixels), alpha.astype(np.float32), behind), axis=-1)


def disc(height, width, radius, soft):
    y, x = np.mgrid[:height, :width]
    away = np.hypot(x - width / 2 + 0.3, y - height / 2)
    return np.clip((radius - away) / soft + 0.5, 0, 1)


def direct(light, alpha, even):
    """The least of the module's sum, by scipy's sparse LU; F first, then B. Fixed pixels as the module says."""
    height, width = light.shape
    index = np.arange(height * width).reshape(height, width)
    pairs = [(index[:, :-1], index[:, 1:]), (index[:-1], index[1:])]
    i, j = (np.concatenate([pair[side].ravel() for pair in pairs]) for side in (0, 1))
    a, shown = alpha.ravel(), light.ravel()
    weight = even + np.abs(a[i] - a[j])
    size = a.size
    across = sparse.coo_matrix((np.r_[weight, weight], (np.r_[i, j], np.r_[j, i])), (size, size)).tocsr()
    smooth = sparse.diags(np.asarray(across.sum(1)).ravel()) - across
    matrix = sparse.bmat(
        [
            [sparse.diags(a * a) + smooth, sparse.diags(a * (1 - a))],
            [sparse.diags(a * (1 - a)), sparse.diags((1 - a) ** 2) + smooth],
        ]
    ).tolil()
    right = np.r_[a * shown, (1 - a) * shown]
    for row in [*np.flatnonzero(a >= 1), *(size + np.flatnonzero(a <= 0))]:
        matrix[row] = 0
        matrix[row, row] = 1
        right[row] = shown[row % size]
    return spsolve(matrix.tocsr(), right)[:size].reshape(height, width)


def test_it_settles_at_the_direct_solution(monkeypatch):
    draw = np.random.default_rng(1)
    light, alpha = draw.random((15, 18)) * 3 + 4, disc(15, 18, 4.5, 5)
    monkeypatch.setattr(kernel, "_EVEN", np.float32(0.02))
    monkeypatch.setattr(kernel, "_SWEEPS_COARSE", 3000)
    got = estimated(light[..., None], alpha)[..., 0]
    np.testing.assert_allclose(got, direct(light, alpha, 0.02), atol=2e-4)


def errors(got, truth, alpha):
    """Mean and root mean square of what differs in soft pixels, by what shows of it."""
    soft = (alpha > 0) & (alpha < 1)
    off = ((got - truth) * alpha[..., None])[soft]
    return np.abs(off).mean(), np.sqrt(np.square(off).mean())


@pytest.mark.slow  # pymatting compiles its own loops, which takes most of a minute
@pytest.mark.parametrize("linear", [False, True], ids=["as stored", "in light"])
def test_the_lemur_at_least_as_well_as_pymatting(material, linear):
    pymatting = pytest.importorskip("pymatting")
    open_data = lemur(material)
    alpha = open_data.pop("alpha")
    photograph, truth, _ = (to_light(p) if linear else p for p in open_data.values())
    got = errors(estimated(photograph, alpha), truth, alpha)
    theirs = errors(pymatting.estimate_foreground_ml(photograph, alpha), truth, alpha)
    untouched = errors(photograph, truth, alpha)
    assert all(mine <= other for mine, other in zip(got, theirs, strict=True)), (got, theirs)
    assert got[0] < 0.4 * untouched[0]


def test_a_known_background_leaves_little_to_estimate(material):
    some = {name: to_light(p) if p.ndim == 3 else p for name, p in lemur(material).items()}
    alpha, truth, behind = some["alpha"], some["foreground"], some["background"]
    made = alpha[..., None] * truth + (1 - alpha[..., None]) * behind
    alone, known = (errors(estimated(made, alpha, b), truth, alpha)[0] for b in (None, behind))
    assert known < 0.3 * alone
    # With noise on the plate it still pays.
    noisy = made + np.random.default_rng(2).normal(0, 0.01, made.shape)
    alone, known = (errors(estimated(noisy, alpha, b), truth, alpha)[0] for b in (None, behind))
    assert known < 0.9 * alone


def test_what_is_fully_covered_stays_and_hard_mattes_change_nothing():
    draw = np.random.default_rng(3)
    pixels = draw.normal(0, 2, (40, 70, 2)).astype(np.float32)
    alpha = disc(40, 70, 12, 6)
    got = estimated(pixels, alpha)
    assert np.array_equal(got[alpha >= 1], pixels[alpha >= 1])
    for hard in (np.round(alpha), alpha * 0, alpha * 0 + 1, alpha * 0 - 3, alpha * 0 + 7):
        assert np.array_equal(estimated(pixels, hard), pixels)


def test_uniform_colours_are_found_wherever_the_matte_leads():
    alpha = disc(90, 130, 25, 20)
    F, B = np.array([40.0, 0.5, 1e-3]), np.array([0.02, 3.0, 800.0])
    got = estimated(alpha[..., None] * F + (1 - alpha[..., None]) * B, alpha)
    assert (np.abs(got - F)[alpha > 0.05] <= 0.015 * np.abs(F - B)).all()


def test_highlights_scale_and_light_below_0_is_made_of_such_alone():
    draw = np.random.default_rng(4)
    pixels, alpha = draw.random((50, 60, 1)), disc(50, 60, 14, 18)
    got = estimated(pixels, alpha)
    np.testing.assert_array_equal(estimated(pixels * 4096, alpha), got * 4096)
    assert got.min() >= 0
    assert estimated(pixels - 0.5, alpha).min() < 0
    assert np.isfinite(estimated(pixels * 60000 - 30000, alpha)).all()


def test_a_background_that_is_too_bright_makes_no_light_below_0():
    alpha = disc(40, 50, 10, 12)
    own = np.full((40, 50, 1), 0.2)
    behind = np.ones((40, 50, 1))
    shown = alpha[..., None] * own + (1 - alpha[..., None]) * behind
    assert estimated(shown, alpha, behind * 3).min() >= 0


@pytest.mark.parametrize(
    "shape", [(1, 1), (1, 7), (9, 1), (2, 3), (TILE, TILE), (TILE + 1, 2 * TILE - 1), (67, 5)]
)
def test_any_size(shape):
    draw = np.random.default_rng(5)
    pixels = draw.random((*shape, 1)) + 1
    got = estimated(pixels, draw.random(shape) * 0.9 + 0.05)
    assert got.shape == pixels.shape
    assert np.isfinite(got).all()
    assert (got >= 0).all()


def test_nothing():
    (got,) = foreground([np.zeros((0, 4), np.float32)], np.zeros((0, 4), np.float32))
    assert got.shape == (0, 4)


def test_far_from_soft_pixels_nothing_is_computed():
    alpha = np.zeros((6 * TILE, 6 * TILE))
    alpha[3 * TILE + 10, 3 * TILE + 10] = 0.5
    pixels = np.random.default_rng(6).random((*alpha.shape, 1)).astype(np.float32)
    got = estimated(pixels, alpha)
    changed = np.argwhere(got != pixels)[:, :2]
    assert changed.min() >= 2 * TILE
    assert changed.max() < 5 * TILE


def test_any_number_of_threads_gives_the_same_bytes():
    draw = np.random.default_rng(7)
    pixels, alpha = draw.random((150, 90, 1)), disc(150, 90, 30, 25)
    try:
        got = []
        for threads in (1, 2, 5):
            set_threads(threads)
            got.append(estimated(pixels, alpha))
    finally:
        set_threads(None)
    assert np.array_equal(got[0], got[1])
    assert np.array_equal(got[0], got[2])
