"""Areas measured, against numpy and by hand; what counts as clipped."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from stackcomp import Image
from stackcomp.measure.area import AreaError, parse_polygon, parse_rectangle
from stackcomp.measure.picture import HALF_MAX, Measured, open_measured
from stackcomp.measure.statistics import area_statistics, clipped


def measured(pixels, ceiling=HALF_MAX):
    image = Image.from_array(pixels)
    return Measured(image, image, ceiling)


@given(hnp.arrays(np.float32, (6, 9, 3), elements=st.floats(-100, 100, width=32)))
def test_figures_are_those_of_numpy(pixels):
    found = area_statistics(measured(pixels), parse_rectangle("2,1,5,4"))
    part = pixels[1:5, 2:7].reshape(-1, 3).astype(np.float64)
    assert (found.pixels, found.non_finite) == (20, 0)
    for k, channel in enumerate(found.channels.values()):
        one = part[:, k]
        assert channel.mean == pytest.approx(one.mean(), abs=1e-9)
        assert channel.median == pytest.approx(np.median(one))
        assert (channel.min, channel.max) == (one.min(), one.max())
        assert channel.standard_deviation == pytest.approx(one.std())
        assert channel.standard_error == pytest.approx(one.std() / np.sqrt(20))


def test_what_is_not_finite_is_counted_and_left_out():
    pixels = np.full((4, 4, 3), 0.5, np.float32)
    pixels[0, 0, 0], pixels[1, 1, 0], pixels[1, 1, 1] = np.nan, np.inf, -np.inf
    found = area_statistics(measured(pixels), parse_rectangle("0,0,4,4"))
    assert found.non_finite == 2
    assert [channel.non_finite for channel in found.channels.values()] == [2, 1, 0]
    assert found.channels["R"].mean == 0.5
    nothing = area_statistics(measured(np.full((2, 2, 3), np.nan)), parse_rectangle("0,0,2,2"))
    assert nothing.channels["G"].mean is None
    assert nothing.as_dict()["channels"]["G"]["non_finite"] == 4


def test_a_polygon_holds_the_pixels_whose_centres_it_holds():
    """A right triangle over half of an 8 × 8 square: of each row, the centres left of the diagonal."""
    y, x = np.mgrid[0:8, 0:8].astype(np.float32)
    found = area_statistics(measured(np.stack([x, y, x + y], axis=-1)), parse_polygon("0,0;8,0;0,8"))
    assert found.pixels == 28  # 7 + 6 + … + 1: centres on the diagonal itself do not count
    assert found.channels["B"].max == 6
    with pytest.raises(AreaError, match="leaves the picture"):
        area_statistics(measured(np.ones((8, 8, 3))), parse_rectangle("5,5,4,1"))


def test_clipped_is_the_ceiling_of_the_format():
    pixels = np.random.default_rng(1).uniform(0, 0.5, (12, 12, 3)).astype(np.float32)
    pixels[2, 3, 1] = 65504.0
    pixels[4, 5, 2] = 70000.0
    found = clipped(measured(pixels))
    assert [int(mask.sum()) for mask in found.values()] == [0, 1, 1]
    pixels = np.minimum(pixels, 0.9)
    pixels[7, 7, 0] = 1.0
    assert [int(mask.sum()) for mask in clipped(measured(pixels, 1.0)).values()] == [1, 0, 0]
    assert not any(mask.any() for mask in clipped(measured(np.minimum(pixels, 0.99), 1.0)).values())


def test_a_flat_top_is_clipped_where_the_picture_has_grain():
    rng = np.random.default_rng(2)
    light = 4.0 * np.exp(-((np.mgrid[0:40, 0:40] - 20) ** 2).sum(axis=0) / 200)[..., None] * [1, 0.8, 0.2]
    grainy = light * (1 + 0.02 * rng.standard_normal(light.shape))
    masks = clipped(measured(np.minimum(grainy, 2.0)))
    for k, mask in enumerate(masks.values()):
        truth = grainy[..., k] > 2.0
        assert not (mask & ~truth).any()
        assert mask.sum() >= 0.8 * truth.sum()
    assert masks["R"].sum() > masks["G"].sum() > 100
    assert not masks["B"].any()


def test_a_drawn_picture_is_not_clipped_for_being_flat():
    drawn = np.full((20, 20, 3), 0.1, np.float32)
    drawn[5:15, 5:15] = 3.0
    assert not any(mask.any() for mask in clipped(measured(drawn)).values())
    dim = np.random.default_rng(3).uniform(0, 0.1, (20, 20, 3)).astype(np.float32)
    dim[5:15, 5:15] = 0.2  # a flat patch darker than white in a grainy picture
    assert not any(mask.any() for mask in clipped(measured(dim)).values())


@pytest.mark.parametrize("limit", [0.05, 0.3, 0.45, 0.7, 0.88, 1.2, 3.0])
@pytest.mark.parametrize("share", [0.1, 0.5, 1.0])
def test_a_patch_cut_at_any_light_is_clipped(limit, share):
    """A grey patch under 2 % grain in a grainy picture, cut so that this share of it, or all, is at the limit."""
    rng = np.random.default_rng(6)
    picture = (0.3 * limit * (1 + 0.02 * rng.standard_normal((60, 80, 3)))).astype(np.float32)
    centre = {0.1: limit * (1 - 0.0256), 0.5: limit, 1.0: limit * 1.3}[share]
    grain = 1 + 0.02 * rng.standard_normal((30, 40, 3))
    whole = (centre * grain).astype(np.float32)
    picture[10:40, 20:60] = np.minimum(whole, np.float32(limit))
    found = area_statistics(measured(picture), parse_rectangle("20,10,40,30"))
    truth = (whole >= np.float32(limit)).any(axis=-1).sum()
    assert found.clipped == truth
    picture[10:40, 20:60] = np.minimum(whole, np.inf)
    assert area_statistics(measured(picture), parse_rectangle("20,10,40,30")).clipped == 0


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_coarse_steps_are_no_pile(bits):
    """Grain of half a step leaves few values, but no pile at the largest."""
    rng = np.random.default_rng(7)
    for seed, level in enumerate(np.linspace(0.2, 0.7, 40)):
        steps = 2**bits - 1
        picture = np.round((level + rng.standard_normal((40, 40, 3)) * 0.5 / steps) * steps) / steps
        found = area_statistics(measured(picture.astype(np.float32), 1.0), parse_rectangle("4,4,30,30"))
        assert found.clipped == 0, (seed, level)


def test_a_still_of_whole_numbers_is_clipped_at_its_end(tmp_path):
    from stackcomp.files import stills

    pixels = np.random.default_rng(4).uniform(0.1, 0.6, (10, 10, 3)).astype(np.float32)
    pixels[2:4, 2:4] = 1.0
    stills.write(tmp_path / "s.png", pixels, bits=16)
    found = open_measured(tmp_path / "s.png", encoding="ACEScct")
    assert found.ceiling == 1.0
    assert area_statistics(found, parse_rectangle("0,0,10,10")).clipped == 4
