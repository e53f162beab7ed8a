"""What counts as clipped: clean pictures never below the end of their file, photographs cut at any level."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from slow_cases import few_fast

from stackcomp import Image
from stackcomp.data.window import Window
from stackcomp.files import exr, stills
from stackcomp.measure.area import parse_rectangle
from stackcomp.measure.grey import match_grey
from stackcomp.measure.picture import HALF_MAX, Measured, open_measured
from stackcomp.measure.statistics import area_statistics, clipped, has_grain

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_shot"
#: A photograph (CC0) of 8 bits a channel, from the material of an open matting library.
LEMUR = ROOT.parent / "shared" / "material" / "pymatting" / "data" / "lemur" / "lemur.png"
WIDTH, HEIGHT = 120, 80
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5


def measured(pixels, ceiling=HALF_MAX):
    pixels = pixels if pixels.ndim == 3 else np.stack([pixels] * 3, axis=-1)
    image = Image.from_array(pixels.astype(np.float32))
    return Measured(image, image, ceiling)


def rectangle(x, y, width, height):
    return parse_rectangle(f"{x},{y},{width},{height}")


def stored(pixels, form):
    """As a file holds them: half or full floats, or whole numbers of so many bits."""
    if isinstance(form, int):
        return np.round(np.minimum(pixels, 1) * (2**form - 1)) / (2**form - 1)
    return pixels.astype(np.float16 if form == "half" else np.float32)


def disc(x, y, radius):
    """Coverage of a disc with an antialiased edge one pixel wide."""
    return np.clip(radius + 0.5 - np.hypot(X - x, Y - y), 0, 1)


FORMS = st.sampled_from(["half", "float", 8, 10, 16])
PLACES = st.tuples(st.integers(0, 60), st.integers(0, 40), st.integers(3, 60), st.integers(3, 40))
LEVELS = st.floats(0.004, 0.98)


@st.composite
def clean_pictures(draw):
    """A card, a ramp, discs or a lit ball over a flat or sloping ground, without grain."""
    level, ground = draw(LEVELS), draw(st.floats(0, 0.9))
    angle, turn = draw(st.floats(0, 6.3)), draw(st.sampled_from([0.0, 0.3, 1.0]))
    slope = 1 + turn * ((X - WIDTH / 2) * np.cos(angle) + (Y - HEIGHT / 2) * np.sin(angle)) / WIDTH
    picture = ground * level * slope
    match draw(st.sampled_from(["card", "ramp", "discs", "ball"])):
        case "card":
            picture[20:60, 30:90] = level
        case "ramp":
            picture = np.minimum(level * slope, level)  # it ends on a plateau
        case "discs":
            for x, y, radius in ((30, 30, 20), (80, 40, 31.5), (60, 70, 5)):
                cover = disc(x, y, radius)
                picture = picture * (1 - cover) + level * cover
        case "ball":
            height = np.sqrt(np.clip(1 - ((X - 60) ** 2 + (Y - 40) ** 2) / 35**2, 0, None))
            picture = np.maximum(picture, np.minimum(level * 1.2 * height, level))
    return stored(picture, draw(FORMS))


@given(clean_pictures(), PLACES)
def test_a_clean_picture_is_never_clipped_below_the_end_of_its_file(picture, place):
    seen = measured(picture)
    assert not any(mask.any() for mask in clipped(seen).values())
    assert area_statistics(seen, rectangle(*place)).clipped == 0


@pytest.mark.parametrize("ground", [0.05, 0.143, 0.144, 0.5])
@pytest.mark.parametrize("beyond", [0, 1, 3])
def test_an_area_that_is_wider_than_the_card_is_measured(ground, beyond):
    picture = np.full((HEIGHT, WIDTH), ground)
    picture[20:60, 30:90] = 0.144
    found = area_statistics(measured(picture), rectangle(30, 20, 60 + beyond, 40))
    assert found.clipped == 0
    assert found.channels["R"].median == pytest.approx(0.144)


def test_match_grey_takes_a_clean_card_with_an_area_one_column_too_wide(tmp_path):
    window = Window.of_size(WIDTH, HEIGHT)
    picture = np.full((HEIGHT, WIDTH), 0.02, np.float32)
    picture[20:60, 30:90] = 0.144
    exr.write(tmp_path / "card.exr", dict.fromkeys("RGB", picture), window=window, display=window)
    card = open_measured(tmp_path / "card.exr", encoding="ACEScg")
    found = match_grey(card, rectangle(30, 20, 61, 40), card, rectangle(40, 30, 10, 10))
    assert found.gain == pytest.approx([1, 1, 1], rel=0.02)
    doubt = found.doubts[-1]
    assert "the plate's patch is not even: median and mean differ by 1.4%" in doubt


@pytest.mark.parametrize("shot", ["wide", "close", "lamp"])
def test_the_demos_pictures_hold_nothing_that_is_clipped(shot):
    """Plates and charts with grain, CG without; areas all over them. Not one false alarm."""
    rng = np.random.default_rng(4)
    for name, encoding in (("plate.1003.exr", "ACEScct"), ("chart.exr", "ACEScct"), ("cg.1003.exr", None)):
        seen = open_measured(DEMO / shot / name, encoding=encoding)
        assert has_grain(seen.stored["G"]) == (encoding is not None)
        assert not any(mask.any() for mask in clipped(seen).values())
        for _ in range(40):
            x, y = rng.integers(0, 400), rng.integers(0, 200)
            area = rectangle(x, y, rng.integers(3, 100), rng.integers(3, 80))
            assert area_statistics(seen, area).clipped == 0, (name, area)


@functools.cache
def log_plate():
    return open_measured(DEMO / "wide" / "plate.1003.exr", encoding="ACEScct").stored.to_array()


@pytest.mark.parametrize("exposure", few_fast([0.5, 0.2, 1.0], 1))
@pytest.mark.parametrize("steps", [255, 65535, None], ids=["8 bits", "16 bits", "float"])
def test_a_photograph_cut_at_any_level_is_clipped(exposure, steps):
    """Log plates at all exposures, cut so that from 2 % to half of the picture lies at the limit."""
    whole = log_plate() * exposure
    for share in (0.02, 0.1, 0.5):
        limit = np.quantile(whole[..., 1], 1 - share)
        if steps:
            limit = np.round(limit * steps) / steps
        cut = np.minimum(whole, limit)
        seen = measured(np.round(cut * steps) / steps if steps else cut)
        # Where most of the neighbourhood is above the limit, as somebody would choose an area there.
        top = (whole > limit).any(axis=-1)
        y, x = _fullest(top, 21)
        found = area_statistics(seen, rectangle(x, y, 21, 21))
        truth = int(top[y : y + 21, x : x + 21].sum())
        assert truth > 100
        assert found.clipped >= 0.95 * truth, (share, truth, found.clipped)


def _fullest(mask, side):
    """Row and column of the left top corner of the square in which most pixels are set."""
    counts = np.lib.stride_tricks.sliding_window_view(mask, (side, side)).sum(axis=(2, 3))
    return np.unravel_index(counts.argmax(), counts.shape)


@pytest.mark.slow
@pytest.mark.skipif(not LEMUR.is_file(), reason=f"needs {LEMUR.name} in ../shared/material beside the clone")
def test_a_real_photograph_as_it_is_and_as_a_print():
    """A print ends at its paper's white; a dark exposure of 8 bits has few steps."""
    whole = stills.read(LEMUR).pixels[..., :3]
    rng = np.random.default_rng(5)
    places = [rectangle(rng.integers(0, 500), rng.integers(0, 300), 60, 50) for _ in range(60)]
    for exposure in (1.0, 0.5, 0.25):
        dark = np.round(whole * 255 * exposure) / 255
        seen = measured(dark, 1.0)
        assert has_grain(seen.stored["G"])
        assert not sum(area_statistics(seen, place).clipped for place in places)
        limit = np.round(np.quantile(dark, 0.9) * 255) / 255
        top = (dark > limit).any(axis=-1)
        y, x = _fullest(top, 21)
        found = area_statistics(measured(np.minimum(dark, limit), 1.0), rectangle(x, y, 21, 21))
        assert found.clipped >= 0.8 * top[y : y + 21, x : x + 21].sum() > 200


def test_a_hot_pixel_elsewhere_does_not_hide_that_a_card_is_clipped():
    rng = np.random.default_rng(6)
    picture = 0.1 * (1 + 0.02 * rng.standard_normal((200, 300)))
    picture[50:100, 50:120] = np.minimum(0.2 * (1 + 0.02 * rng.standard_normal((50, 70))), 0.2)
    picture[3, 5], picture[190, 7] = 1.5, np.inf
    assert area_statistics(measured(picture), rectangle(50, 50, 70, 50)).clipped > 1000
    picture[150:160, 20:40] = 0.7  # a lamp is no hot pixel: the picture goes on above the card
    assert area_statistics(measured(picture), rectangle(50, 50, 70, 50)).clipped == 0


def test_a_log_picture_ends_at_its_largest_code(tmp_path):
    window = Window.of_size(40, 30)
    picture = np.full(window.shape, 0.4, np.float32)
    picture[5:15, 5:15] = 1.0
    for name, value, ceiling in (("ends.exr", 1.0, 1.0), ("goes_on.exr", 1.2, HALF_MAX)):
        picture[20, 20] = value
        exr.write(tmp_path / name, dict.fromkeys("RGB", picture), window=window, display=window)
        seen = open_measured(tmp_path / name, encoding="ACEScct")
        assert seen.ceiling == ceiling
        assert area_statistics(seen, rectangle(5, 5, 10, 10)).clipped == (100 if ceiling == 1 else 0)


def test_a_float_tiff_does_not_end_at_one(tmp_path):
    pixels = np.full((20, 20, 3), 0.4, np.float32)
    pixels[5:15, 5:15] = 1.0
    for bits, count in ((16, 100), (32, 0)):
        stills.write(tmp_path / f"{bits}.tif", pixels, bits=bits)
        seen = open_measured(tmp_path / f"{bits}.tif", encoding="ACEScg")
        assert area_statistics(seen, rectangle(0, 0, 20, 20)).clipped == count
        assert bool(seen.doubts) == (bits == 16)


@pytest.mark.parametrize("sigma", [0.3, 0.5, 2.0])
def test_grain_of_less_than_a_step_is_grain(sigma):
    rng = np.random.default_rng(7)
    slope = 0.4 + 0.2 * X / WIDTH
    assert has_grain((np.round(slope * 255 + sigma * rng.standard_normal(slope.shape)) / 255).astype(np.float32))
    assert not has_grain((np.round(slope * 255) / 255).astype(np.float32))
