"""match_sharpness: known softness, noise, a photograph, edges of alpha; doubts; what cannot be matched."""

from __future__ import annotations

import json

import numpy as np
import pytest
import skimage.data
from scipy import ndimage
from soft_edges import soft_edge, width_of

from stackcomp import ArgumentError, Composition, Graph, Image, Window
from stackcomp.measure import AreaError, EdgeError, Measured, match_sharpness

TINT = np.array([1.0, 0.8, 0.6])


def measured(plane, tint=TINT, noise=0.0, alpha=None, seed=1, **more):
    tint = np.asarray(tint)
    pixels = np.asarray(plane)[..., None] * tint
    pixels = pixels + noise * tint * np.random.default_rng(seed).normal(size=pixels.shape)
    if alpha is not None:
        pixels = np.dstack([pixels, alpha])
    return Measured.of_light(Image.from_array(pixels.astype(np.float32), **more))


def plate(sigma, noise=0.0, degrees=7):
    return measured(soft_edge(56, 56, degrees, 0.3, sigma, 0.1, 0.7), noise=noise)


def cg(sigma, noise=0.0, degrees=80):
    cover = soft_edge(56, 56, degrees, 0.1, sigma)
    return measured(cover * 0.5, noise=noise, alpha=cover, seed=2)


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("render", "camera", "alpha"),
    [(0.5, 0.8, False), (0.4, 1.1, True)]
    + [pytest.param(*one, marks=SLOW) for one in ((0.5, 0.8, True), (0.4, 1.1, False), (0.6, 2.5, False))],
)
def test_the_radius_is_the_difference_in_quadrature(render, camera, alpha):
    match = match_sharpness(plate(camera), None, cg(render), None, alpha=alpha)
    assert match.radius == pytest.approx(np.sqrt(camera**2 - render**2), rel=0.02)
    assert match.plate.width == pytest.approx(width_of(camera, 7), rel=0.01)
    assert match.other.width == pytest.approx(width_of(render, 80), rel=0.01)
    assert match.softened == pytest.approx(match.plate.width, rel=1e-3)
    assert set(match.other.widths) == ({"A"} if alpha else set("RGB"))
    assert not match.doubts


@pytest.mark.slow
def test_the_radius_softens_the_cg_to_the_plates_width_in_a_graph():
    front = cg(0.4)
    match = match_sharpness(plate(0.9), None, front, None)
    graph = Graph(frames="1")
    graph.add("flat", "cg", size=[56, 56])
    graph.add("soften", "soft", image="cg", radius=match.radius)
    pixels = np.dstack([front.light.to_array(), front.coverage])
    soft = Composition(graph).render("soft", 1, replace={"cg": Image.from_array(pixels)})
    again = match_sharpness(plate(0.9), None, Measured.of_light(soft), None)
    assert again.other.width == pytest.approx(match.plate.width, rel=1e-3)
    assert again.radius < 0.06


@SLOW
def test_noise_is_in_the_standard_error():
    found = [
        match_sharpness(plate(1.0, noise=0.015, degrees=d), None, cg(0.5, noise=0.005), None) for d in (4, 7, 11)
    ]
    radii = np.array([match.radius for match in found])
    assert np.abs(radii - np.sqrt(0.75)).max() < 0.04
    assert all(0.002 < match.standard_error < 0.05 for match in found)


@pytest.mark.slow
@pytest.mark.parametrize("area", ["90,126,36,24", pytest.param("54,126,36,24", marks=SLOW)])
def test_a_photograph_softened_by_known_amounts(area):
    """A photograph of scikit-image (camera, public domain): its coat against the sky."""
    light = (skimage.data.camera() / 255.0) ** 2.2
    before = measured(light)
    for sigma in (0.8, 1.5):
        match = match_sharpness(measured(ndimage.gaussian_filter(light, sigma)), area, before, area)
        # scipy's weights are samples, which at 0.8 pixels are those of this width to 0.1 %.
        assert match.radius == pytest.approx(sigma, rel=0.02)
        quadrature = np.sqrt(match.plate.width**2 - match.other.width**2) / 2.5631
        assert quadrature == pytest.approx(sigma, rel=0.06)
    same = match_sharpness(before, area, before, area)
    assert same.radius == 0


def test_cg_that_is_softer_needs_none():
    match = match_sharpness(plate(0.5), None, cg(0.9), None)
    assert match.radius == 0
    assert match.softened == match.other.width
    (doubt,) = match.doubts
    assert "the CG is softer than the plate already" in doubt
    assert "2.4" in doubt


def test_a_faint_channel_is_left_out():
    tint = np.array([1.0, 0.5, 0.01])
    match = match_sharpness(measured(soft_edge(56, 56, 7, 0.3, 0.9), tint), None, cg(0.5), None)
    assert match.plate.widths["B"] is None
    assert match.radius == pytest.approx(np.sqrt(0.9**2 - 0.25), rel=0.02)


@pytest.mark.slow
def test_cg_smaller_than_its_frame_ends_against_nothing():
    """The data window of a render ends where its coverage does; its frame goes on."""
    cover = soft_edge(56, 56, 185, 0.1, 0.5)
    # Columns on the right hold nothing at all: they are not in the file.
    width = int(np.nonzero(cover.max(axis=0) > 1e-6)[0].max()) + 1
    frame = Window.of_size(56, 56)
    whole = measured(cover * 0.5, alpha=cover)
    cropped = measured(cover[:, :width] * 0.5, alpha=cover[:, :width], display=frame)
    first, second = (match_sharpness(plate(0.9), None, it, "0,0,56,56") for it in (whole, cropped))
    assert second.radius == pytest.approx(first.radius, rel=1e-3)
    without = measured(cover[:, :width] * 0.5, display=frame)
    with pytest.raises(AreaError, match="the CG's area 0,0,56,56 leaves the picture"):
        match_sharpness(plate(0.9), None, without, "0,0,56,56")


@SLOW
def test_straight_colour_is_multiplied_first():
    cover = soft_edge(56, 56, 80, 0.1, 0.5)
    pixels = np.dstack([np.full((56, 56, 3), 0.5), cover]).astype(np.float32)
    straight = Measured.of_light(Image.from_array(pixels, alpha="straight"))
    match = match_sharpness(plate(0.9), None, straight, None)
    assert match.radius == pytest.approx(match_sharpness(plate(0.9), None, cg(0.5), None).radius, rel=1e-3)


@pytest.mark.slow
def test_pixels_that_are_not_finite_are_left_out():
    front = cg(0.5)
    planes = {name: np.array(plane) for name, plane in front.light.items()}
    planes["R"][20, 20], planes["G"][30:32, 8] = np.nan, np.inf
    spoiled = Measured.of_light(front.light.with_planes(planes))
    assert match_sharpness(plate(0.9), None, spoiled, None).radius == pytest.approx(
        match_sharpness(plate(0.9), None, Measured.of_light(front.light), None).radius, rel=0.01
    )


def doubts(first, second=None, area=None, **more):
    return " ".join(match_sharpness(first, area, second or cg(0.4), None, **more).doubts)


@pytest.mark.slow
def test_doubts_about_edges():
    assert "standard error of" in doubts(plate(0.9, noise=0.12))
    assert "bends by" in doubts(measured(soft_edge(30, 30, 7, 0, 0.9, radius=15.0)))
    soft = soft_edge(56, 56, 7, 0.3, 0.8)
    assert "was sharpened" in doubts(measured(2 * soft - ndimage.gaussian_filter(soft, 1.2)))


@SLOW
def test_more_doubts_about_edges():
    assert "clipped" in doubts(measured(np.minimum(soft_edge(56, 56, 7, 0.3, 0.9) * 80000, 65504), [1, 1, 1]))
    assert "px long within its area" in doubts(plate(0.9), area="10,20,36,14")
    soft = soft_edge(56, 56, 7, 0.3, 0.8)
    assert "no step that was softened evenly" in doubts(
        measured(0.5 * soft_edge(56, 56, 7, -2, 0.6) + 0.5 * soft_edge(56, 56, 7, 2, 0.6))
    )
    leaning = soft.copy()
    leaning[20:34, 30:36] = 0.3
    assert "do not belong to one edge" in doubts(measured(leaning))
    assert "less than the area of a pixel" in doubts(plate(0.9), measured(soft_edge(56, 56, 0, 0, 0)))
    assert "frame is 56×56 and the CG's 28×28" in doubts(plate(0.9), measured(soft_edge(28, 28, 80, 0, 0.5)))


@SLOW
def test_doubts_about_very_soft_edges():
    assert "soft in the scene" in doubts(measured(soft_edge(90, 90, 7, 0.3, 7)))
    assert "softer than a radius of 10" in doubts(measured(soft_edge(120, 120, 7, 0.3, 11)))


def test_what_cannot_be_matched():
    with pytest.raises(EdgeError, match=r"the plate's area 0,0,56,56: all pixels are of one value"):
        match_sharpness(measured(np.full((56, 56), 0.2)), None, cg(0.5), None)
    with pytest.raises(EdgeError, match="the CG's area 0,0,6,56"):
        match_sharpness(plate(0.9), None, cg(0.5), "0,0,6,56")
    with pytest.raises(AreaError, match="the plate's area 40,40,30,9 leaves the picture"):
        match_sharpness(plate(0.9), "40,40,30,9", cg(0.5), None)
    with pytest.raises(ArgumentError, match="no alpha"):
        match_sharpness(plate(0.9), None, plate(0.5), None, alpha=True)
    with pytest.raises(ArgumentError, match="alpha"):
        match_sharpness(plate(0.9), None, cg(0.5), None, alpha="yes")


def test_figures_as_json_data():
    record = match_sharpness(plate(0.9), None, cg(0.5), None).as_dict()
    assert set(record) == {"radius", "standard_error", "softened_width", "plate", "other", "doubts"}
    assert set(record["plate"]["width_per_channel"]) == set("RGB")
    assert json.loads(json.dumps(record, allow_nan=False)) == record
