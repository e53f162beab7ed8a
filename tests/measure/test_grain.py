"""match_grain: the numbers of a known grain, from one picture and from two; texture; what cannot be measured."""

from __future__ import annotations

import numpy as np
import pytest
import skimage

from stackcomp import Image
from stackcomp.measure import AreaError, GrainError, Measured, match_grain

FLOOR, SLOPE = np.array([0.004, 0.003, 0.006]), np.array([4e-4, 2e-4, 6e-4])


def measured(pixels):
    return Measured.of_light(Image.from_array(np.asarray(pixels, np.float32)))


def ramp(height=240, width=480, low=0.0, high=1.2):
    return np.linspace(low, high, width)[None, :, None] * np.ones((height, 1, 1)) * [1.0, 0.8, 0.6]


def grainy(light, seed, strength=1.0, black=0.0):
    deviation = np.sqrt(FLOOR**2 + SLOPE * np.maximum(light, 0))
    return light + black + strength * deviation * np.random.default_rng(seed).normal(size=light.shape)


def deviations(match, level):
    return np.sqrt(np.square(match.floor) + np.multiply(match.slope, level))


@pytest.mark.parametrize("pictures", [1, 2])
@pytest.mark.parametrize("black", [0.0, 0.01])
def test_a_known_grain(pictures, black):
    first, second = (measured(grainy(ramp(), seed, black=black)) for seed in (1, 2))
    match = match_grain(first, None, second if pictures == 2 else None, plate_black=black)
    for level in (0.0, 0.18, 1.0):
        wanted = np.sqrt(FLOOR**2 + SLOPE * level)
        np.testing.assert_allclose(deviations(match, level), wanted, rtol=0.12 if level == 0 else 0.04)
    assert max(match.residual) < 0.05
    assert match.squares == 30 * 60
    assert any("one picture" in doubt for doubt in match.doubts) == (pictures == 1)
    assert match.levels[0][0] == pytest.approx(0.025 + black, abs=0.02)


def photograph():
    """A photograph that scikit-image comes with, as light: a textured subject, no grain to speak of."""
    return (skimage.data.astronaut()[:400, :480] / 255.0) ** 2.2


def test_two_pictures_of_a_textured_subject():
    # Detail cancels between two frames of a camera that stands still.
    light = photograph()
    match = match_grain(measured(grainy(light, 3)), None, measured(grainy(light, 4)))
    for level in (0.05, 0.18, 0.6):
        np.testing.assert_allclose(deviations(match, level), np.sqrt(FLOOR**2 + SLOPE * level), rtol=0.06)
    # Also where a tenth of the picture changes.
    changed = light.copy()
    changed[100:240, 100:240] += 0.1 * np.random.default_rng(9).random((140, 140, 1))
    match = match_grain(measured(grainy(light, 3)), None, measured(grainy(changed, 4)))
    np.testing.assert_allclose(deviations(match, 0.18), np.sqrt(FLOOR**2 + SLOPE * 0.18), rtol=0.1)


def test_one_picture_of_a_textured_subject_says_too_much_rather_than_too_little():
    match = match_grain(measured(grainy(photograph(), 3)))
    quotient = deviations(match, 0.18) / np.sqrt(FLOOR**2 + SLOPE * 0.18)
    assert (quotient > 0.9).all()
    assert (quotient < 1.6).all()


def test_grain_of_several_pixels_needs_two_pictures():
    draw = np.random.default_rng(1)

    def soft():
        fine = draw.normal(size=(242, 482, 3)) * 0.02
        return ramp() + sum(fine[y : y + 240, x : x + 480] for y in range(3) for x in range(3)) / 3

    alone, both = match_grain(measured(soft())), match_grain(measured(soft()), None, measured(soft()))
    np.testing.assert_allclose(deviations(both, 0.5), 0.02, rtol=0.15)
    assert (deviations(alone, 0.5) < 0.5 * deviations(both, 0.5)).all()


def test_an_area_and_its_levels():
    match = match_grain(measured(grainy(ramp(), 1)), "200,0,80,240")
    assert match.squares == 10 * 30
    assert [doubt[:2] for doubt in match.doubts if "not well known" in doubt] == ["R:", "G:", "B:"]


def test_pixels_that_are_not_finite_and_borders_are_left_out():
    pixels = grainy(ramp(), 1)
    pixels[:40], pixels[100, 50] = 0, np.nan
    match = match_grain(measured(pixels))
    np.testing.assert_allclose(deviations(match, 0.18), np.sqrt(FLOOR**2 + SLOPE * 0.18), rtol=0.05)


def test_what_cannot_be_measured():
    with pytest.raises(GrainError, match=r"area holds 4 whole squares(.|\n)*24 are needed; name a larger area"):
        match_grain(measured(grainy(ramp(), 1)), "0,0,20,20")
    for outside in ("9000,0,99,99", "-8,0,99,99"):
        with pytest.raises(AreaError, match=f"area {outside} leaves the picture"):
            match_grain(measured(grainy(ramp(), 1)), outside)
    with pytest.raises(GrainError, match=r"picture holds 4 whole squares(.|\n)*measure a larger picture"):
        match_grain(measured(grainy(ramp(20, 20), 1)))
    with pytest.raises(GrainError, match="R has no grain"):
        match_grain(measured(np.full((100, 100, 3), 0.25)))


def test_a_second_picture_that_is_no_other_picture_of_the_view():
    plate = measured(grainy(ramp(), 1))
    with pytest.raises(GrainError, match=r"both pictures are the same in R(.|\n)*name another frame"):
        match_grain(plate, None, plate)
    with pytest.raises(GrainError, match=r"frame of .*, and the other picture one of"):
        match_grain(plate, None, measured(grainy(ramp(240, 240), 2)))


@pytest.mark.parametrize("pictures", [1, 2])
def test_few_squares_of_grain_alone_raise_no_doubt_and_texture_does(pictures):
    # Fewer than 30 squares a level: their deviations scatter by some per cent, by chance alone.
    doubted = 0
    for seed in range(4):
        first, second = (measured(grainy(ramp(128, 256), 10 * seed + k)) for k in (1, 2))
        match = match_grain(first, None, second if pictures == 2 else None)
        doubted += sum("texture" in doubt and "levels differ" in doubt for doubt in match.doubts)
    assert doubted <= 1
    textured = photograph()[::2, ::2]
    match = match_grain(measured(grainy(textured, 1)), None, measured(grainy(textured[::-1], 2)))
    assert any("levels differ" in doubt for doubt in match.doubts)


def test_figures_as_json_data():
    record = match_grain(measured(grainy(ramp(), 1))).as_dict()
    assert set(record) == {"grain_floor", "grain_slope", "levels", "residual_per_channel", "squares", "doubts"}
