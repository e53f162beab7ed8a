"""Widths of edges against the error function, and pictures that say nothing about sharpness."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from inspection.made_pairs import laid_over, made
from inspection.made_pictures import coloured
from inspection.test_fringe import shot
from scipy import ndimage
from scipy.special import ndtr, ndtri

from stackcomp import Window
from stackcomp.inspection.edge_width import WIDTH_OF_SIGMA, edges
from stackcomp.inspection.sharpness import CHECK, SharpnessLimits, find

LIMITS = SharpnessLimits()


def found(pair, limits=LIMITS):
    return list(find(*pair.pictures, limits))


def step(sigma, degrees, size=160, low=0.2, high=0.7, at=0.3):
    """An edge that a Gaussian blurred, by the error function."""
    y, x = np.mgrid[0:size, 0:size].astype(np.float64)
    turn = np.radians(degrees)
    distance = (x - size / 2) * np.cos(turn) + (y - size / 2) * np.sin(turn) + at
    return (low + (high - low) * ndtr(distance / sigma)).astype(np.float32)


def test_ten_to_ninety_percent_of_a_gaussian():
    assert pytest.approx(ndtri(0.9) - ndtri(0.1), abs=1e-6) == WIDTH_OF_SIGMA


@pytest.mark.parametrize("sigma", [0.3, 0.4, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("degrees", [0, 4, 11, 29, 61, 90, 175])
def test_the_width_of_an_edge_is_that_of_the_error_function(sigma, degrees):
    for at in (0.0, 0.3, 0.5):
        measured = edges(step(sigma, degrees, at=at), least=0.2)
        assert len(measured) > 90
        exact = WIDTH_OF_SIGMA * sigma
        assert np.median(measured.width) == pytest.approx(exact, rel=0.05 if sigma >= 0.5 else 0.17)
        assert np.median(measured.step) == pytest.approx(0.5, rel=0.03)


def test_pixels_that_scipy_blurred():
    """scipy's weights on a step of pixels: differences of neighbours have the variance of the weights.

    Those of an error function at whole pixels have a twelfth more than the Gaussian, the variance of a box.
    """
    sharp = np.where(np.arange(120) < 60, 0.1, 0.9)[None, :] * np.ones((80, 1))
    for sigma in (0.8, 1.5, 2.5):
        blurred = ndimage.gaussian_filter(sharp, sigma).astype(np.float32)
        width = np.median(edges(blurred, least=0.2).width)
        assert width == pytest.approx(WIDTH_OF_SIGMA * np.sqrt(sigma**2 - 1 / 12), rel=0.03)


def test_the_form_tells_a_gaussian_from_motion():
    """Slope times width: 2.563 / sqrt(2 pi) = 1.0225 of a Gaussian, 0.8 of a box."""
    sharp = np.where(np.arange(160) < 80, 0.1, 0.9)[None, :] * np.ones((60, 1))
    gaussian = edges(ndimage.gaussian_filter(sharp, 2).astype(np.float32), least=0.2)
    assert np.median(gaussian.form) == pytest.approx(WIDTH_OF_SIGMA / np.sqrt(2 * np.pi), rel=0.02)
    box = edges(ndimage.uniform_filter(sharp, 9).astype(np.float32), least=0.2)
    assert np.median(box.form) == pytest.approx(0.8, rel=0.06)


def test_noise_and_slow_changes_are_no_edges():
    rng = np.random.default_rng(1)
    noise = (0.3 + 0.1 * rng.standard_normal((200, 300))).astype(np.float32)
    assert len(edges(noise, least=0.2)) < 5
    waves = (0.5 + 0.4 * np.sin(np.arange(300) / 12))[None, :] * np.ones((200, 1))
    assert len(edges(waves.astype(np.float32), least=0.2)) == 0
    noisy = step(1.0, 10) + 0.01 * rng.standard_normal((160, 160)).astype(np.float32)
    assert np.median(edges(noisy, least=0.2).width) == pytest.approx(WIDTH_OF_SIGMA, rel=0.06)


@functools.cache
def scene(front, back, *, size=(360, 240), seed=1, shapes=12):
    """Shapes of flat colour behind, a turned square in front; each blurred by a Gaussian."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : size[1] * 4, 0 : size[0] * 4] / 4
    plate = np.full(x.shape, 0.3)
    for _ in range(shapes):
        turn, cx, cy, half = rng.uniform(0, 3), rng.uniform(20, 340), rng.uniform(20, 220), rng.uniform(12, 30)
        u, v = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn), (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
        plate[np.maximum(np.abs(u), np.abs(v)) < half] = rng.choice([0.05, 0.1, 0.7, 1.2])
    u, v = (x - 180) * 0.96 + (y - 120) * 0.28, (y - 120) * 0.96 - (x - 180) * 0.28
    alpha = (np.maximum(np.abs(u), np.abs(v)) < 50).astype(np.float64)

    def seen(picture, sigma):
        small = picture.reshape(size[1], 4, size[0], 4).mean(axis=(1, 3))
        return ndimage.gaussian_filter(small, sigma) if sigma else small

    cover = seen(alpha, front)[..., None]
    light = seen(plate, back)
    noise = 0.002 * rng.standard_normal((*light.shape, 3))
    source = np.concatenate([np.repeat(0.4 * cover, 3, axis=2), cover], axis=2)
    return laid_over(coloured(source.astype(np.float32)), coloured((light[..., None] + noise).astype(np.float32)))


@pytest.mark.parametrize(("front", "back"), [(0, 0), (0.6, 0.6), (1.2, 1.2), (0.9, 1.0), (2, 2)])
def test_equal_sharpness_is_clean(front, back):
    assert found(scene(front, back)) == []


@pytest.mark.parametrize(("front", "back"), [(0.4, 1.4), (0.0, 1.0), (0.8, 1.7)])
def test_the_radius_makes_both_equal(front, back):
    """Variances of Gaussians add: sqrt(back² - front²)."""
    pair = scene(front, back)
    (one,) = found(pair)
    assert (one.sort, one.level) == ("sharper", "doubt")
    radius = float(one.message.split("a Gaussian of ")[1].split(" ")[0])
    assert radius == pytest.approx(np.sqrt(back**2 - front**2), rel=0.12)
    assert one.value < one.limit
    assert one.place is not None
    assert not (one.place & Window(110, 50, 250, 190)).empty
    softened = ndimage.gaussian_filter(pair.source.to_array(), (radius, radius, 0))
    assert found(laid_over(coloured(softened), pair.backdrop)) == []


def test_softened_cg():
    (one,) = found(scene(1.6, 0.5))
    assert one.sort == "softer"
    assert one.value > one.limit
    assert "on the plate would make them equal" in one.message


@pytest.mark.slow
def test_a_plate_out_of_focus_says_nothing():
    for back in (3.0, 5.0, 9.0):
        assert found(scene(0.5, back)) == []


def test_cg_out_of_focus_or_in_motion_says_nothing():
    pair = scene(0.5, 0.5)
    pixels = pair.source.to_array()
    for moved in (
        ndimage.gaussian_filter(pixels, (4, 4, 0)),
        ndimage.uniform_filter(pixels, (1, 13, 1)),
        ndimage.uniform_filter(pixels, (9, 9, 1)),
    ):
        assert found(laid_over(coloured(moved.astype(np.float32)), pair.backdrop)) == []


def test_few_edges_say_nothing():
    assert found(scene(0.4, 1.4, shapes=0)) == []
    pair = scene(0.4, 1.4)
    assert found(pair, LIMITS.changed(edges=5000)) == []


@pytest.mark.slow
def test_cg_without_a_matte_edge_is_judged_by_its_colour():
    sharp, soft = scene(0.3, 0.3, seed=2).backdrop, scene(0.3, 1.5, seed=3).backdrop
    full = np.concatenate([sharp.to_array(), np.ones((240, 360, 1))], axis=-1).astype(np.float32)
    assert [one.sort for one in found(laid_over(coloured(full), soft))] == ["sharper"]
    assert found(laid_over(coloured(full), sharp)) == []


def test_the_window():
    pair = scene(0.4, 1.4)
    part = pair.source.over(Window(100, 40, 260, 200))
    (one,) = find(part, pair.backdrop, None, LIMITS)
    # Edges at its border are measured with some pixels beside it.
    assert one.place in part.window.grow(16)


@pytest.mark.parametrize("name", ["wide", "close", "lamp"])
def test_the_shots(name):
    """Path-traced CG and plate, of one lens and one pixel filter."""
    pair = shot(name, 1003)
    assert found(pair) == []
    plate = pair.backdrop.to_array()[..., :3]
    for sigma in (1.0, 1.5):
        soft = coloured(ndimage.gaussian_filter(plate, (sigma, sigma, 0)).astype(np.float32))
        (one,) = found(laid_over(pair.source, soft))
        assert one.sort == "sharper"
        radius = float(one.message.split("a Gaussian of ")[1].split(" ")[0])
        assert radius == pytest.approx(sigma, rel=0.2)


def test_nothing_to_look_at():
    pair = scene(0.4, 1.4)
    away = replace(pair.source, window=pair.source.window.shift(5000, 0))
    straight = coloured(pair.source.to_array(), alpha="straight")
    for source in (away, straight, coloured(pair.source.to_array()[..., :3])):
        assert list(find(source, pair.backdrop, None, LIMITS)) == []


def test_values_that_are_no_light():
    rng = np.random.default_rng(3)
    for value in (np.nan, np.inf, -np.inf, -5.0, 1e30):
        for back, sorts in ((0.5, []), (1.5, ["sharper"])):
            pair = scene(0.5, back)
            plane = pair.backdrop["G"].copy()
            plane[rng.integers(0, 240, 20), rng.integers(0, 360, 20)] = value
            alpha = pair.source["A"].copy()
            alpha[rng.integers(0, 240, 5), rng.integers(0, 360, 5)] = value
            with np.errstate(all="ignore"):
                spoiled = (pair.source.with_planes(A=alpha), pair.backdrop.with_planes(G=plane))
                assert [one.sort for one in find(*spoiled, None, LIMITS)] == sorts, value


@pytest.mark.slow
def test_a_made_pair():
    assert found(made(3, plain=True)) == []
    assert [one.sort for one in found(made(3, plain=True, blur=1.5))] == ["softer"]


def test_the_check_is_listed():
    from stackcomp.inspection.checks import all_checks
    from stackcomp.inspection.thresholds import Thresholds

    assert CHECK in all_checks()
    assert Thresholds().sharpness == LIMITS
