"""Grain against known noise and scikit-image's estimate; textures, and pictures without flat parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from inspection.made_pairs import laid_over, linear_photograph, made
from inspection.made_pictures import Grain as Camera
from inspection.made_pictures import coloured, grained
from inspection.planted_pairs import WHOLE
from scipy import ndimage

from stackcomp import Window
from stackcomp.inspection.grain import CHECK, GrainLimits, find
from stackcomp.inspection.grain_level import SIDE, flattest, grain_by_level, squares

LIMITS = GrainLimits()
CAMERA = Camera(shot=2e-4, read=1e-3, blur=0.0, chroma=1.0)


def found(pair, limits=LIMITS):
    return list(find(*pair.pictures, limits))


def planes(array):
    return tuple(np.ascontiguousarray(array[..., k], np.float32) for k in range(3))


def scene(times=1.0, *, size=(320, 200), camera=CAMERA, texture=None, plate_texture=None, channels=(1, 1, 1)):
    """Two slopes of light, a square with its own slope in front, and grain on both."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    plate = np.repeat((0.05 + 0.6 * x / size[0])[..., None], 3, axis=2)
    box = np.zeros((size[1], size[0], 4))
    box[40:160, 100:220, :3] = (0.1 + 0.3 * y / size[1])[40:160, 100:220, None]
    box[40:160, 100:220, 3] = 1
    if texture is not None:
        box[..., :3] *= texture[..., None]
    if plate_texture is not None:
        plate *= plate_texture[..., None]
    plate = grained(plate.astype(np.float32), camera, rng)
    clean = box[..., :3].astype(np.float32)
    noise = grained(clean, camera, rng, box[..., 3]) - clean
    box[..., :3] = clean + noise * times * np.array(channels)
    return laid_over(coloured(box.astype(np.float32)), coloured(plate))


@pytest.mark.parametrize("sigma", [0.001, 0.01, 0.2])
def test_the_estimate_is_the_known_deviation(sigma):
    """Known noise, and scikit-image's wavelet estimate of the same picture."""
    restoration = pytest.importorskip("skimage.restoration")
    pytest.importorskip("pywt", reason="scikit-image's estimate_sigma needs PyWavelets")
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:200, 0:300]
    picture = (0.5 + 0.3 * x / 300 - 0.2 * y / 200)[..., None] + sigma * rng.standard_normal((200, 300, 3))
    fine = np.sqrt((squares(planes(picture)).fine ** 2).mean(axis=1))
    assert fine == pytest.approx(sigma, rel=0.02)
    assert fine == pytest.approx(restoration.estimate_sigma(picture, channel_axis=-1), rel=0.05)


def test_the_deviation_of_each_level():
    rng = np.random.default_rng(2)
    light = np.repeat(np.linspace(0.01, 1, 400)[None, :, None], 300, axis=0) * (1, 0.5, 0.25)
    picture = grained(light.astype(np.float32), CAMERA, rng)
    for channel in range(3):
        grain = grain_by_level(squares(planes(picture)), channel, 16, 1.5)
        assert grain.levels.size >= 6
        expected = np.sqrt(CAMERA.shot * grain.levels + CAMERA.read**2)
        assert grain.deviation == pytest.approx(expected, rel=0.09)
        assert np.isnan(grain.at(np.array([grain.levels[-1] * 2.5]), grain.deviation)).all()
        between = np.array([np.sqrt(grain.levels[2] * grain.levels[3])])
        assert grain.at(between, grain.deviation) == pytest.approx((grain.deviation[2] + grain.deviation[3]) / 2)


def test_squares_lie_under_coverage_and_are_finite():
    rng = np.random.default_rng(3)
    picture = rng.random((90, 130, 3))
    picture[20, 30, 1] = np.nan
    cover = np.zeros((90, 130), np.float32)
    cover[11:80, 13:100] = 1
    measured = squares(planes(picture), cover)
    assert measured.rows.size
    for row, column in zip(measured.rows, measured.columns, strict=True):
        assert cover[row : row + SIDE, column : column + SIDE].all()
        assert np.isfinite(picture[row : row + SIDE, column : column + SIDE]).all()
    assert squares(planes(picture), most=20).rows.size <= 20
    assert list(flattest(measured, 0, 10_000)) == []


def test_slopes_and_planes_have_no_grain():
    y, x = np.mgrid[0:64, 0:64]
    plane = (0.1 + 0.01 * x + 0.02 * y).astype(np.float32)
    assert squares((plane, plane, plane)).fine == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("times", [0.0, 0.3, 0.5, 1.8, 3.0])
def test_the_ratio_is_the_planted_one(times):
    (one,) = found(scene(times))
    assert one.sort == ("less" if times < 1 else "more")
    assert one.value == pytest.approx(times, rel=0.08, abs=1e-5)
    assert one.place is not None
    assert one.place in Window(100, 40, 220, 160)
    assert one.level == "doubt"


@pytest.mark.parametrize("times", [0.8, 1.0, 1.25])
def test_nearly_equal_grain_is_clean(times):
    assert found(scene(times)) == []


def test_a_single_channel():
    (one,) = found(scene(channels=(1, 1, 0.2)))
    assert "B 0.2" in one.message
    assert "R 1.0" in one.message or "R 0.9" in one.message
    (one,) = found(scene(channels=(1, 3, 1)))
    assert one.sort == "more"


def test_a_texture_on_the_cg_is_not_grain():
    rng = np.random.default_rng(5)
    for soft in (0.0, 0.5, 1.0, 3.0):
        noise = ndimage.gaussian_filter(rng.standard_normal((200, 320)), soft)
        assert found(scene(texture=1 + 0.1 * noise / noise.std())) == []
    checks = 1 + 0.2 * ((np.indices((200, 320)) // 2).sum(axis=0) % 2)
    assert found(scene(texture=checks)) == []


@pytest.mark.parametrize("seed", [101, *(pytest.param(k, marks=pytest.mark.slow) for k in (102, 104, 106, 107))])
def test_missing_grain_in_half_floats(seed):
    """Their rounding is independent in each channel, which a texture is not; it is no grain either."""
    pair = WHOLE["grain"]["none"](seed)
    source, backdrop = (
        image.with_planes({name: image[name].astype(np.float16).astype(np.float32) for name in image.planes})
        for image in (pair.source, pair.backdrop)
    )
    assert [one.sort for one in found(laid_over(source, backdrop))] == ["less"]


def test_a_texture_hides_no_grain_that_is_missing():
    smooth = 1 + 0.2 * np.sin(np.arange(320) / 9)[None, :] * np.ones((200, 1))
    assert [one.sort for one in found(scene(0.0, texture=smooth))] == ["less"]


def test_a_texture_all_over_the_plate_is_not_grain():
    rng = np.random.default_rng(6)
    for soft in (0.0, 0.5, 1.0):
        noise = ndimage.gaussian_filter(rng.standard_normal((200, 320)), soft)
        assert found(scene(plate_texture=1 + 0.05 * noise / noise.std())) == []


def test_grain_that_cannot_be_seen_does_not_count():
    quiet = Camera(shot=1e-8, read=1e-6, blur=0.0, chroma=1.0)
    assert found(scene(0.0, camera=quiet)) == []
    assert found(scene(0.0, camera=quiet), LIMITS.changed(visible=0)) != []


def test_coarse_grain():
    coarse = Camera(shot=2e-3, read=3e-3, blur=0.8, chroma=1.0)
    assert found(scene(1.0, camera=coarse)) == []
    assert [one.sort for one in found(scene(0.4, camera=coarse))] == ["less"]


def test_levels_that_the_plate_does_not_have_say_nothing():
    pair = scene(0.0)
    bright = pair.source.with_planes({name: pair.source[name] * 20 for name in "RGB"})
    assert list(find(bright, pair.backdrop, None, LIMITS)) == []


def test_too_little_flat_area_says_nothing():
    pair = scene(0.0)
    small = np.zeros_like(pair.source["A"])
    small[60:80, 120:140] = 1
    assert list(find(pair.source.with_planes(A=small), pair.backdrop, None, LIMITS)) == []


def test_photographs_with_themselves():
    for name in ("astronaut", "coffee", "chelsea", "rocket"):
        light = linear_photograph(name)[:200, :320]
        cover = np.zeros((200, 320, 1), np.float32)
        cover[40:160, 90:230] = 1
        other = linear_photograph(name)[-200:, -320:]
        pair = laid_over(coloured(np.concatenate([other * cover, cover], axis=-1)), coloured(light))
        assert found(pair) == [], name


def test_the_window_and_the_comp():
    pair = scene(0.0)
    part = pair.source.over(Window(90, 30, 230, 170))
    (one,) = find(part, pair.backdrop, None, LIMITS)
    assert one.place in Window(100, 40, 220, 160)
    comp = pair.comp
    other = scene(1.0).comp
    assert [one.sort for one in find(part, pair.backdrop, comp, LIMITS)] == ["less"]
    assert list(find(part, pair.backdrop, other, LIMITS)) == []


def test_nothing_to_look_at():
    pair = scene(0.0)
    away = replace(pair.source, window=pair.source.window.shift(5000, 0))
    bare = pair.source.with_planes(A=np.zeros(pair.source.window.shape))
    for source in (away, bare, coloured(pair.source.to_array()[..., :3])):
        assert list(find(source, pair.backdrop, None, LIMITS)) == []


def test_values_that_are_no_light():
    rng = np.random.default_rng(3)
    for value in (np.nan, np.inf, -np.inf, -5.0, 1e30):
        for times, sorts in ((1.0, []), (0.2, ["less"])):
            pair = scene(times)
            spoiled = []
            for image in (pair.source, pair.backdrop):
                plane = image["G"].copy()
                plane[rng.integers(0, 200, 20), rng.integers(0, 320, 20)] = value
                spoiled.append(image.with_planes(G=plane))
            with np.errstate(all="ignore"):
                assert [one.sort for one in find(*spoiled, None, LIMITS)] == sorts, value


@pytest.mark.slow
def test_a_made_night_is_clean():
    for seed in (2, 10, 18):
        assert found(made(seed, sort="night", plain=True)) == []


def test_the_check_is_listed():
    from stackcomp.inspection.checks import all_checks
    from stackcomp.inspection.thresholds import Thresholds

    assert CHECK in all_checks()
    assert Thresholds().grain == LIMITS
