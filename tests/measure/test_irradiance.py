"""Light from a lat-long picture onto a card: closed forms, scipy's integration, and a path-traced card."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from stackcomp import Image, RequestError
from stackcomp.measure.irradiance import cosine_weights, direction, irradiance
from stackcomp.measure.picture import open_picture

DEMO = Path(__file__).parents[2] / "demo_shot"
directions = st.tuples(st.floats(-180, 180), st.floats(-90, 90))


def sky(width, radiance):
    """A lat-long picture of ``radiance(x, y, z)`` at pixel centres."""
    lon = ((np.arange(width) + 0.5) / width - 0.5) * 2 * np.pi
    lat = (0.5 - (np.arange(width // 2) + 0.5) / (width // 2))[:, None] * np.pi
    x, y, z = np.sin(lon) * np.cos(lat), np.cos(lon) * np.cos(lat), np.sin(lat) + 0 * lon
    value = np.broadcast_to(radiance(x, y, z), x.shape)
    return Image.from_array(np.stack([value, 2 * value, 3 * value], axis=-1))


@settings(deadline=None)
@given(directions, st.sampled_from([(8, 4), (30, 15), (64, 32)]))
def test_the_weights_of_all_pixels_sum_to_pi(facing, size):
    weights = cosine_weights(*size, direction(*facing))
    assert weights.sum() == pytest.approx(np.pi, abs=1e-9)
    assert weights.min() >= -1e-12


@pytest.mark.parametrize(
    "normal", [(0, 0, 1), (0, 0, -1), (1, 0, 0), (0, 1, 1e-6), (1e-8, 0, 1), (0, -1, -1e-3), (-0.6, 0.3, 0.2)]
)
def test_a_constant_sky_gives_pi_times_its_radiance(normal):
    found = irradiance(sky(64, lambda x, y, z: 1.0), normal)
    assert found.value == pytest.approx((np.pi, 2 * np.pi, 3 * np.pi), rel=1e-6)
    # A card that scatters everything is as bright as the sky: Lambert's law.
    assert found.card(1.0) == pytest.approx((1, 2, 3), rel=1e-6)


@pytest.mark.slow
@settings(deadline=None)
@given(directions, st.floats(0, 1), st.floats(0, 2 * np.pi))
def test_a_weight_is_solid_angle_times_cosine_where_the_pixel_lies_above_the_horizon(facing, u, v):
    """The solid angle of a pixel is Δlon · (sin lat₁ − sin lat₂); small pixels have one cosine."""
    height, normal = 90, direction(*facing)
    row, column = min(int(u * height), height - 1), int(v / (2 * np.pi) * 2 * height) % (2 * height)
    top, bottom = np.radians(90 - row * 2.0), np.radians(90 - (row + 1) * 2.0)
    middle = direction((column + 0.5) * 2.0 - 180, 90 - (row + 0.5) * 2.0)
    cosine = float(np.dot(normal, middle))
    solid = np.radians(2.0) * (np.sin(top) - np.sin(bottom))
    weight = cosine_weights(2 * height, height, normal)[row, column]
    assert weight == pytest.approx(max(0.0, cosine) * solid, abs=solid * 0.03)


def test_a_cosine_lobe_analytically():
    """L = max(0, n·ω)ᵏ gives E = 2π / (k + 2); L = 1 + m·ω gives π + 2π/3 · n·m. Worked out by hand."""
    n, m = np.array(direction(37, 25)), np.array(direction(-80, 60))
    for k in (1, 2, 5):
        lobe = sky(512, lambda x, y, z, k=k: np.maximum(0, n[0] * x + n[1] * y + n[2] * z) ** k)
        assert irradiance(lobe, tuple(n)).value[0] == pytest.approx(2 * np.pi / (k + 2), rel=1e-4)
    slope = sky(512, lambda x, y, z: 1 + m[0] * x + m[1] * y + m[2] * z)
    assert irradiance(slope, tuple(n)).value[0] == pytest.approx(np.pi + 2 * np.pi / 3 * (n @ m), rel=1e-4)


@pytest.mark.parametrize("facing", [(0, 90), (158, 10), (-75, -30)])
def test_a_smooth_sky_against_scipy(facing):
    """scipy.integrate.dblquad in the card's own polar angles, which know nothing of longitude and latitude."""
    n = np.array(direction(*facing))
    a = np.cross(n, [0.3, 0.2, 0.93])
    a /= np.linalg.norm(a)
    b = np.cross(n, a)

    def radiance(x, y, z):
        return np.exp(0.8 * x - 0.5 * y) * (1.2 + z)

    def integrand(polar, around):
        w = np.cos(polar) * n + np.sin(polar) * (np.cos(around) * a + np.sin(around) * b)
        return float(radiance(*w)) * np.cos(polar) * np.sin(polar)

    truth, _ = dblquad(integrand, 0, 2 * np.pi, 0, np.pi / 2, epsabs=1e-7)
    assert irradiance(sky(512, radiance), tuple(n)).value[0] == pytest.approx(truth, rel=1e-4)


def test_the_mapping_by_a_lamp_in_one_pixel():
    """A single bright pixel right of the middle, above it: seen from +x and up, not from −x or below."""
    pixels = np.zeros((32, 64, 3), np.float32)
    pixels[8, 48] = 100.0  # longitude about 90°, latitude about 45°
    lamp = Image.from_array(pixels)
    east, up = irradiance(lamp, (1, 0, 0)), irradiance(lamp, (0, 0, 2))
    assert east.value[0] == pytest.approx(up.value[0], rel=0.11)
    assert east.value[0] > 0
    assert east.brightest == pytest.approx(1)
    for normal in ((-1, 0, 0), (0, 0, -1)):
        assert irradiance(lamp, normal).value == (0, 0, 0)


def test_the_path_traced_cards_of_the_demo():
    """A path tracer lit 18 % cards at the HDRI's own point; the HDRI has a planted white balance."""
    place = json.loads((DEMO / "place" / "place.json").read_text())
    hdri = open_picture(DEMO / "place" / "hdri.exr")
    for card in place["cards_at_point"]:
        found = irradiance(hdri, tuple(card["normal"])).card(card["reflectance"])
        true = np.array(found) / place["planted_white_balance"]
        assert true == pytest.approx(np.array(card["radiance"]), rel=0.01)


def test_what_cannot_be_integrated_is_refused():
    with pytest.raises(RequestError, match="twice as wide"):
        irradiance(Image.from_array(np.ones((8, 8, 3))), (0, 0, 1))
    with pytest.raises(RequestError, match="no direction"):
        irradiance(Image.from_array(np.ones((4, 8, 3))), (0, 0, 0))
    bad = np.ones((4, 8, 3))
    bad[1, 2, 0] = np.inf
    with pytest.raises(RequestError, match="1 pixels of the lat-long"):
        irradiance(Image.from_array(bad), (0, 0, 1))
