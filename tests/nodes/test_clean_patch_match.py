"""Patches whose light is fitted to the plate: against the scene that the plate was made from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render

from stackcomp import DocumentError, Graph, Image, Matte, Window

SIZE = (160, 120)
FRAME = Window.of_size(*SIZE)
OUTLINE = [[50, 40], [110, 36], [116, 84], [46, 88]]
#: Well inside of the outline, and all of it.
CORE, BOX = (slice(48, 78), slice(58, 102)), (slice(42, 80), slice(52, 108))
GRAIN = 0.02


def scene():
    """A bench with some texture."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    draw = np.random.default_rng(5)
    texture = 0.25 + 0.1 * np.sin(x / 6) * np.cos(y / 7) + 0.08 * draw.random(SIZE[::-1])
    return (texture[..., None] * [1, 0.8, 0.5]).astype(np.float32)


def grain(seed):
    return np.random.default_rng(seed).normal(0, GRAIN, (*SIZE[::-1], 3)).astype(np.float32)


def plate(light, seed=1, grainy=True):
    """The scene in another light, with a thing in its middle that must go."""
    picture = (scene() * light).astype(np.float32)
    picture[50:76, 60:100] = [0.9, 0.1, 0.1]
    return picture + grain(seed) if grainy else picture


def mended(light, *, seed=1, still=None, grainy=True, picture=None, **fields):
    given = {
        "plate": Image.from_array(plate(light, seed, grainy) if picture is None else picture),
        "still": Image.from_array(scene() + grain(99) if still is None else still),
    }
    if "matte" in fields:
        given["m"] = Image.from_array(fields["matte"], type=Matte())
        fields["matte"] = "m"
    fields = {"outline": OUTLINE, "feather": 6, **fields}
    return render("clean_patch", given, backdrop="plate", patch="still", **fields)


def colour_light(by):
    return by * np.array([1, 0.9, 1.15])


def error(result, light, where=CORE):
    """How far the mean of each channel is off, relative; grain averages out over 1320 pixels."""
    truth = (scene() * light)[where].mean(axis=(0, 1))
    return np.abs(result.to_array()[where].mean(axis=(0, 1)) / truth - 1).max()


@pytest.mark.parametrize("match", ["gain", "membrane"])
@pytest.mark.parametrize("by", [0.4, 1, 2.3])
def test_it_holds_when_the_light_changes(match, by):
    light = colour_light(by)
    assert error(mended(light, match=match), light) < 0.015
    if by != 1:
        assert error(mended(light), light) > 0.3


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_without_grain_it_is_exact(match):
    light = colour_light(1.7)
    result = mended(light, match=match, grainy=False, still=scene()).to_array()
    assert np.abs(result / (scene() * light) - 1)[BOX].max() < 1e-5


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_a_slow_ramp_of_light_does_not_flicker(match):
    """Twelve frames, each with its own grain: what remains of it in the patch is far below the grain itself."""
    ratios = []
    for frame in range(12):
        light = colour_light(0.7 + 0.05 * frame)
        result = mended(light, seed=frame, match=match).to_array()[CORE].mean(axis=(0, 1))
        ratios.append(result / (scene() * light)[CORE].mean(axis=(0, 1)))
    assert np.std(ratios, axis=0).max() < 0.006
    assert np.abs(np.mean(ratios) - 1) < 0.01


def test_a_membrane_follows_light_that_changes_across_the_patch():
    x = np.linspace(0.5, 1.6, SIZE[0])[None, :, None]
    y = np.linspace(0.9, 1.2, SIZE[1])[:, None, None]
    light = x * y * np.ones(3)
    both = {match: mended(light, match=match).to_array() for match in ("membrane", "gain")}
    blocks = {}
    for match, result in both.items():
        ratio = result[BOX][:36, :56].reshape(6, 6, 7, 8, 3).mean(axis=(1, 3))
        truth = (scene() * light)[BOX][:36, :56].reshape(6, 6, 7, 8, 3).mean(axis=(1, 3))
        blocks[match] = np.abs(ratio / truth - 1)
    assert blocks["membrane"].max() < 0.09
    assert blocks["membrane"].mean() < 0.025
    # One gain cannot.
    assert blocks["gain"].max() > 0.15


def test_a_shadow_that_crosses_the_ring_breaks_little():
    light = np.ones((*SIZE[::-1], 3))
    light[:, :58] = 0.35
    picture = plate(light)
    whole = np.ones(3)
    for match, far in (("gain", 0.03), ("membrane", 0.12)):
        # The middle of the patch is in the light, as it was without the shadow.
        assert error(mended(None, picture=picture, match=match), whole, (slice(50, 76), slice(80, 104))) < far


def test_the_border_has_no_seam():
    x = np.linspace(0.5, 1.6, SIZE[0])[None, :, None]
    light = x * np.ones((SIZE[1], 1, 3))
    result = mended(light, match="membrane", grainy=False, still=scene(), feather=0).to_array()
    inside, outside = result[44:80, 54:58].mean(axis=(0, 1)), result[44:80, 40:44].mean(axis=(0, 1))
    truth = (scene() * light)[44:80, 54:58].mean(axis=(0, 1)), (scene() * light)[44:80, 40:44].mean(axis=(0, 1))
    assert inside / outside == pytest.approx(truth[0] / truth[1], rel=0.03)


def test_outside_of_the_patch_nothing_changes():
    light = colour_light(1.4)
    for match in ("gain", "membrane"):
        result = mended(light, match=match).to_array()
        assert np.array_equal(result[:, :40], plate(light)[:, :40])
        assert np.array_equal(result[95:], plate(light)[95:])


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 150), st.integers(0, 110), st.integers(1, 40), st.sampled_from(["gain", "membrane"]))
def test_a_tile_equals_the_whole(x, y, size, match):
    tilted = [1.02, 0.03, -4, -0.02, 1.01, 3, 0.0001, 0.0002, 1]
    light = colour_light(1.4)
    fields = {"match": match, "homography": tilted}
    whole = mended(light, **fields)
    tile = Window(x, y, x + size, y + size) & FRAME
    part = mended(light, window=tile, **fields)
    for name in "RGB":
        assert np.array_equal(part.over(tile)[name], whole.over(tile)[name])


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_a_preview_looks_the_same(match):
    light = colour_light(1.6)
    whole = mended(light, match=match).to_array().reshape(60, 2, 80, 2, 3).mean(axis=(1, 3))
    half = mended(light, match=match, at=0.5).to_array()
    assert np.abs(half - whole).max() < 0.06
    assert np.abs(half - whole).mean() < 0.003


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_a_patch_without_outline_is_compared_at_its_inside(match):
    light = colour_light(1.5)
    small = (scene() + grain(7))[30:94, 30:130]
    at_home = [1, 0, 30, 0, 1, 30, 0, 0, 1]
    result = mended(light, still=small, outline=None, homography=at_home, match=match, ring=8)
    assert error(result, light) < 0.03


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_a_matte_instead_of_an_outline(match):
    matte = np.zeros(SIZE[::-1], np.float32)
    matte[40:86, 50:110] = 1
    light = colour_light(1.5)
    assert error(mended(light, matte=matte, outline=None, feather=0, match=match), light) < 0.02


@pytest.mark.parametrize("match", [None, "gain", "membrane"])
def test_a_matte_with_a_data_window_of_its_own(match):
    """It is nothing outside of it, wherever the pixels of the patch end."""
    part = Window(50, 40, 110, 86)
    light = colour_light(1.5) if match else np.ones(3)
    given = {
        "plate": Image.from_array(plate(light)),
        "still": Image.from_array(scene() + grain(99)),
        "m": Image.from_array(np.ones(part.shape, np.float32), type=Matte(), origin=(50, 40), display=FRAME),
    }
    result = render("clean_patch", given, backdrop="plate", patch="still", matte="m", match=match)
    assert error(result, light) < 0.02
    assert np.array_equal(result.to_array()[:38], plate(light)[:38])


@pytest.mark.parametrize("match", ["gain", "membrane"])
@pytest.mark.parametrize("move", [[-90, 0], [60, -50], [0, 500], [-104, -80]])
def test_a_patch_that_leaves_the_frame(match, move):
    """What is left of the ring is enough; without any of it nothing is fitted, and nothing fails."""
    homography = [1, 0, move[0], 0, 1, move[1], 0, 0, 1]
    flat = np.full((*SIZE[::-1], 3), 0.3, np.float32)
    result = mended(None, picture=2 * flat, still=flat, homography=homography, match=match).to_array()
    assert np.abs(result - 0.6).max() < 1e-4


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_black_and_values_below_0(match):
    black = np.zeros((*SIZE[::-1], 3), np.float32)
    assert np.array_equal(
        mended(None, picture=black, still=scene(), match=match).to_array()[60, 80], scene()[60, 80]
    )
    assert not mended(None, picture=black, still=black, match=match).to_array().any()
    result = mended(None, picture=black - 0.1, still=scene() - 0.5, match=match).to_array()
    assert np.isfinite(result).all()


@pytest.mark.parametrize("match", ["gain", "membrane"])
@pytest.mark.parametrize("value", [np.nan, np.inf, 0])
def test_pixels_of_the_plate_that_tell_nothing_do_not_count(match, value):
    light = colour_light(1.5)
    picture = plate(light, grainy=False)
    picture[30:38, 60:75] = value
    result = mended(None, picture=picture, still=scene(), match=match, warn=lambda *_: None).to_array()
    assert np.abs(result / (scene() * light) - 1)[BOX].max() < 1e-4


@pytest.mark.parametrize("match", ["gain", "membrane"])
def test_alpha_is_respected(match):
    """A backdrop and a patch that cover half of each pixel, premultiplied: light is compared, not coverage."""
    light = colour_light(1.5)
    alpha = np.full((*SIZE[::-1], 1), 0.5, np.float32)
    backdrop = np.concatenate([(plate(light, grainy=False) * alpha).astype(np.float32), alpha], axis=-1)
    still = np.concatenate([scene(), np.ones_like(alpha)], axis=-1)
    result = mended(None, picture=backdrop, still=still, match=match).to_array()
    assert result[60, 80, 3] == 1
    assert np.abs(result[..., :3] / (scene() * light) - 1)[CORE].max() < 5e-4
    half = np.concatenate([(scene() * alpha).astype(np.float32), alpha], axis=-1)
    result = mended(None, picture=plate(light, grainy=False), still=half, match=match).to_array()
    below = plate(light, grainy=False)
    assert np.abs(result - 0.5 * scene() * light - 0.5 * below)[CORE].max() < 1e-4


def test_a_small_data_window_of_the_backdrop():
    light = colour_light(1.5)
    part = Window(55, 20, 160, 100)
    for match in ("gain", "membrane"):
        given = {
            "plate": Image.from_array(plate(light)[part.slices_in(FRAME)], origin=(55, 20), display=FRAME),
            "still": Image.from_array(scene()),
        }
        fields = {"backdrop": "plate", "patch": "still", "outline": OUTLINE, "feather": 6, "match": match}
        result = render("clean_patch", given, **fields)
        assert result.window == part
        truth = (scene() * light)[48:78, 62:102].mean(axis=(0, 1))
        found = result.over(FRAME).to_array(FRAME)[48:78, 62:102].mean(axis=(0, 1))
        assert found == pytest.approx(truth, rel=0.02)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"match": "blend"}, "gain"),
        ({"ring": 9}, 'has a "ring" without "match"'),
        ({"match": "gain", "ring": 1}, "smallest value"),
        ({"match": "gain", "ring": 1e4}, "largest value"),
    ],
)
def test_what_does_not_fit_is_refused(fields, message):
    with pytest.raises(DocumentError, match=message):
        Graph().add("clean_patch", "it", backdrop="a", patch="b", **fields)
