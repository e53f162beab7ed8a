"""A line along the matte's edge: sizes worked out by hand, real mattes, and what is no fringe."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from inspection.made_pairs import Pair, laid_over, linear_photograph, made, with_element
from inspection.made_pictures import coloured, made_cg
from inspection.planted_pairs import EDGES, edge_fault
from scipy import ndimage
from scipy.special import ndtr

import stackcomp
from stackcomp import Window
from stackcomp.inspection.across_edges import REACH, crossings, sampled
from stackcomp.inspection.fringe import CHECK, FringeLimits, find

LIMITS = FringeLimits()
ROOT = Path(__file__).parents[2]


def found(pair, limits=LIMITS):
    return list(find(*pair.pictures, limits))


def disc(colour=0.5, behind=0.0, soft=1.0, size=(160, 120), radius=40):
    """A disc with an edge that a Gaussian blurred, over a flat backdrop: pixels and backdrop."""
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    alpha = ndtr((radius - np.hypot(x - size[0] / 2, y - size[1] / 2)) / soft)
    alpha[alpha < 1e-5] = 0
    pixels = np.dstack([alpha * colour] * 3 + [alpha])
    return pixels, coloured(np.full((*alpha.shape, 3), behind))


def over(pixels, backdrop):
    return laid_over(coloured(np.asarray(pixels, np.float32)), backdrop)


def test_lines_cross_edges_at_right_angles():
    pixels, _ = disc()
    cross = crossings(pixels[..., 3].astype(np.float32), most=500)
    assert 300 < len(cross) <= 500
    # The end of each line lies on the radius through its middle.
    start = np.stack([cross.x[:, 0] - 80, cross.y[:, 0] - 60])
    end = np.stack([cross.x[:, -1] - 80, cross.y[:, -1] - 60])
    length = np.hypot(*start) * np.hypot(*end)
    assert np.abs((start * end).sum(axis=0) / length) == pytest.approx(1, abs=2e-3)
    assert np.hypot(*start) - np.hypot(*end) == pytest.approx(2 * REACH, abs=0.05)


def test_the_length_of_an_edge():
    """The circumference; of edges narrower than pixels about a half of it."""
    for soft, low, high in ((2.5, 0.94, 1.03), (1.0, 0.84, 1.0), (0.3, 0.45, 0.8)):
        for most in (300, 5000):
            pixels, _ = disc(soft=soft)
            length = float(crossings(pixels[..., 3].astype(np.float32), most=most).length.sum())
            assert low < length / (2 * np.pi * 40) < high


def test_samples_are_those_of_scipy():
    """scipy.ndimage.map_coordinates, order 1."""
    rng = np.random.default_rng(1)
    plane = rng.random((30, 40)).astype(np.float32)
    y, x = rng.uniform(-3, 33, (2, 200)).astype(np.float32)
    expected = ndimage.map_coordinates(plane, [y, x], order=1, mode="nearest")
    assert sampled(plane, y, x) == pytest.approx(expected, abs=1e-5)


def test_a_clean_disc_is_clean_over_anything():
    for behind in (0.0, 0.1, 0.5, 2.0):
        for soft in (0.3, 1.0, 2.5):
            assert found(over(*disc(behind=behind, soft=soft))) == []


def test_the_size_of_a_straight_edge_is_one_less_alpha():
    """(1 - a) C over black, and alpha in the middle of the edge is 0.2 to 0.8, evenly: half on average."""
    pixels, backdrop = disc(soft=0.7)
    pixels[..., :3] = np.where(pixels[..., 3:] > 0, 0.5, 0)
    (one,) = found(over(pixels, backdrop))
    assert (one.sort, one.unit, one.level) == ("bright", "%", "doubt")
    assert one.value == pytest.approx(50, abs=5)
    assert one.limit == 100 * LIMITS.size
    assert "100 % of the matte's edge" in one.message
    assert "straight" in one.cure


def test_the_size_of_an_edge_multiplied_twice_is_a_less_a_squared():
    """-a (1 - a) C over black: alpha from 0.2 to 0.8 gives 0.16 to 0.25."""
    pixels, backdrop = disc(soft=0.7)
    pixels[..., :3] *= pixels[..., 3:]
    (one,) = found(over(pixels, backdrop))
    assert one.sort == "dark"
    assert 16 <= one.value <= 25
    assert "twice" in one.cure


def test_contrast_is_that_between_inside_and_backdrop():
    """Over the same grey as inside it is a quarter of that; over one of 1.5 it is 1."""
    values = []
    for behind in (0.5, 1.5):
        pixels, backdrop = disc(behind=behind, soft=0.7)
        pixels[..., :3] *= pixels[..., 3:]
        values += [one.value for one in found(over(pixels, backdrop), LIMITS.changed(size=0.02))]
    assert values[0] == pytest.approx(8 * values[1], rel=0.02)


@pytest.mark.parametrize("way", EDGES)
def test_every_way_is_found_on_a_disc(way):
    pixels, backdrop = disc(soft=0.6, behind=0.05)
    (one,) = found(over(EDGES[way](pixels, np.random.default_rng(1)), backdrop))
    assert one.place is not None
    assert not (one.place & Window(36, 16, 124, 104)).empty
    expected = {"twice": "dark", "larger": "dark"}.get(way, one.sort if way == "held out" else "bright")
    assert one.sort == expected


def test_cures_name_what_may_be_the_cause():
    pixels, backdrop = disc(soft=0.4)
    for way, word in (("smaller", "smaller than its colour"), ("larger", "larger than its colour")):
        (one,) = found(over(EDGES[way](pixels, None), backdrop))
        assert word in one.cure


def test_the_place_is_where_the_fault_is():
    pixels, backdrop = disc(soft=0.7)
    right = np.arange(160)[None, :, None] > 100
    pixels[..., :3] = np.where(right, np.where(pixels[..., 3:] > 0, 0.5, 0), pixels[..., :3])
    (one,) = found(over(pixels, backdrop))
    assert one.place.x0 >= 90
    assert float(one.message.split("along ")[1].split(" ")[0]) == pytest.approx(33, abs=6)


def test_the_place_is_in_pixels_of_the_frame():
    pixels, _ = disc(soft=0.7)
    pixels[..., :3] = np.where(pixels[..., 3:] > 0, 0.5, 0)
    source = coloured(pixels.astype(np.float32))
    moved = replace(source, window=source.window.shift(500, 300), display=Window.of_size(1000, 600))
    plate = coloured(np.zeros((600, 1000, 3)))
    (one,) = find(moved, plate, None, LIMITS)
    assert one.place in moved.window


def test_a_glow_a_rim_and_glass_are_no_fringe():
    pixels, backdrop = disc(soft=0.8, behind=0.2)
    y, x = np.mgrid[0:120, 0:160]
    distance = np.hypot(x - 80, y - 60)
    glow = 0.3 * np.exp(-0.5 * (np.maximum(distance - 38, 0) / 8) ** 2)[..., None] * (1, 0.8, 0.5)
    rim = pixels.copy()
    rim[..., :3] *= (1 + 3 * np.exp(-np.maximum(40 - distance, 0) / 2.5))[..., None]
    limb = pixels.copy()
    limb[..., :3] *= np.sqrt(np.clip(1.02 - (distance / 40) ** 2, 0.02, None))[..., None]
    for made_one in (pixels + np.dstack([glow, 0 * glow[..., :1]]), rim, limb, 0.4 * pixels):
        assert found(over(made_one, backdrop)) == []


def test_light_without_coverage_alone_is_not_looked_at():
    pixels, backdrop = disc(soft=6)
    pixels[..., 3] = 0
    assert found(over(pixels, backdrop)) == []


def test_a_comp_that_was_made_otherwise_is_looked_at_itself():
    """The same CG, laid over without leaving room for it: (1 - a) of the backdrop too much is (1 - a) a B."""
    pixels, backdrop = disc(soft=0.7, behind=0.6, colour=0.2)
    pair = over(pixels, backdrop)
    alpha = pixels[..., 3:]
    assert found(pair) == []
    wrong = pixels[..., :3] + backdrop.to_array() * (1 - alpha) * (1 + 2 * alpha)
    (one,) = found(replace(pair, comp=coloured(wrong.astype(np.float32))))
    assert one.sort == "bright"


def test_grain_and_scale_change_nothing():
    pair = edge_fault(made(4, plain=True, sort="usual"), "twice", 4)
    value = found(pair)[0].value
    dark = Pair(*(image.with_planes({n: image[n] * 0.01 for n in "RGB"}) for image in pair.pictures))
    assert found(dark)[0].value == pytest.approx(value, rel=1e-3)


def test_a_subset_of_the_lines_gives_the_same():
    pixels, backdrop = disc(soft=0.8, size=(1200, 1000), radius=450)
    pixels[..., :3] *= pixels[..., 3:]
    (one,) = found(over(pixels, backdrop))
    assert "100 % of the matte's edge" in one.message
    assert 16 <= one.value <= 25


def test_nothing_to_look_at():
    pixels, backdrop = disc()
    flat = coloured(np.full((120, 160, 4), 1.0))
    bare = coloured(np.dstack([np.ones((120, 160, 3)), np.zeros((120, 160))]))
    opaque = coloured(np.ones((120, 160, 3)))
    one = coloured(np.full((1, 1, 4), 0.5))
    straight = coloured(pixels.astype(np.float32), alpha="straight")
    away = replace(flat, window=flat.window.shift(1000, 0))
    for source in (flat, bare, opaque, straight, away):
        assert list(find(source, backdrop, None, LIMITS)) == []
    assert list(find(one, coloured(np.ones((1, 1, 3))), None, LIMITS)) == []


def test_values_that_are_no_light():
    pixels, backdrop = disc(soft=0.7, behind=0.1)
    rng = np.random.default_rng(3)
    for value in (np.nan, np.inf, -np.inf, -5.0, 1e30):
        spoiled = pixels.copy()
        spoiled[rng.integers(0, 120, 40), rng.integers(0, 160, 40), rng.integers(0, 3, 40)] = value
        with np.errstate(all="raise"):
            assert found(over_quietly(spoiled, backdrop)) == []
    alpha = pixels.copy()
    alpha[50:60, 70:80, 3] = np.nan
    assert found(over_quietly(alpha, backdrop)) == []
    everything = np.full_like(pixels, np.nan)
    assert found(over_quietly(everything, backdrop)) == []


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 3e38, -3e38])
def test_alpha_that_is_no_coverage(value):
    """Slopes of alpha beside such values have no direction, or overflow."""
    pixels, backdrop = disc(soft=1.5, behind=0.1)
    rng = np.random.default_rng(3)
    spoiled = pixels.astype(np.float32)
    spoiled[rng.integers(0, 120, 2000), rng.integers(0, 160, 2000), 3] = value
    with np.errstate(all="raise"):
        findings = list(find(coloured(spoiled), backdrop, None, LIMITS))
    # Alpha of -3e38 is a finding of its own; a line beside it may be one as well.
    assert all(np.isfinite(one.value) for one in findings)
    assert value < -1e30 or findings == []
    spoiled = rng.choice(np.float32([0, 0.3, 0.6, 1, value]), (120, 160, 4))
    with np.errstate(all="raise"):
        list(find(coloured(spoiled), backdrop, None, LIMITS))


@pytest.mark.parametrize("factor", [1e38, 1e-44])
def test_light_at_the_ends_of_float32(factor):
    pixels, _ = disc(soft=0.7)
    pixels[..., :3] *= factor
    with np.errstate(all="raise", under="ignore"):
        list(find(coloured(pixels.astype(np.float32)), coloured(np.full((120, 160, 3), factor)), None, LIMITS))


def over_quietly(pixels, backdrop):
    with np.errstate(all="ignore"):
        return over(pixels, backdrop)


def test_inputs_are_unchanged():
    pair = edge_fault(made(4, plain=True), "straight", 4)
    before = [image.to_array() for image in pair.pictures]
    found(pair)
    for image, array in zip(pair.pictures, before, strict=True):
        assert np.array_equal(image.to_array(), array)


def test_the_lemur(material):
    """pymatting's lemur (MIT): a photograph, the colours of its fur alone, and its matte, over its open beach."""
    from stackcomp.files import stills

    folder = material / "pymatting/data/lemur"

    def light(name):
        codes = stills.read(folder / name).pixels.astype(np.float64)
        return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)

    alpha = stills.read(folder / "lemur_alpha.png").pixels[..., :1].astype(np.float64)
    fur = light("lemur_foreground.png")[..., :3]
    height, width = alpha.shape[:2]
    beach = light("beach.png")[..., :3]
    backdrop = coloured(np.resize(beach, (height, width, 3)))
    for behind in (
        backdrop,
        coloured(np.full((height, width, 3), 0.02)),
        coloured(np.full((height, width, 3), 0.8)),
    ):
        assert found(over(np.concatenate([fur * alpha, alpha], axis=-1), behind)) == []
    (one,) = found(over(np.concatenate([np.where(alpha > 0, fur, 0), alpha], axis=-1), backdrop))
    assert one.sort == "bright"


def test_a_photograph_behind():
    cg = made_cg(3, (256, 144), glow=False, sharpness=0.6)
    for name in ("astronaut", "coffee", "chelsea", "rocket"):
        plate = coloured(linear_photograph(name)[:144, :256])
        pair = laid_over(cg, plate)
        assert found(pair) == []
        assert [one.sort for one in found(edge_fault(pair, "straight", 1))] == ["bright"]


def shot(name, frame):
    graph = stackcomp.load(
        ROOT / "graphs/lantern.json", root=ROOT, variables=ROOT / "demo_shot" / name / "shot.json"
    )
    nodes = {"lifted", "shaded", "lantern"}
    images = {result.node: result.image for result in graph.results(nodes, frame)}
    return Pair(images["lifted"], images["shaded"], images["lantern"])


@pytest.mark.parametrize("name", ["wide", "close", "lamp"])
def test_the_shots_are_clean_and_faults_in_them_are_found(name):
    pair = shot(name, 1003)
    assert found(pair) == []
    ways = [
        way
        for way in EDGES
        if found(with_element(pair, EDGES[way](pair.source.to_array(), np.random.default_rng(1))))
    ]
    assert {"straight", "twice", "smaller", "left in", "keyed"} <= set(ways)


def test_the_check_is_listed():
    from stackcomp.inspection.checks import all_checks
    from stackcomp.inspection.thresholds import Thresholds

    assert CHECK in all_checks()
    assert Thresholds().fringe == LIMITS
