"""The traces of ``trace/make_overlaps.py`` against geometry: a lamp behind the focus is a picture of the aperture.

For one lamp that stands free: the light of its disc, its place, and its second moments. The mean of x² over a
regular polygon of n corners on a circle of radius r is r² (2 + cos(2π / n)) / 12, and over the circle r² / 4.
"""

import math

import numpy as np
import pytest
from kernels.test_defocus_trace import colours, difference, load

LAMP, RADIUS, LEVEL = (-1.55, -1.05, 6.5), 0.03, 40.0  # red light


def polygon(corners):
    return (2 + math.cos(2 * math.pi / corners)) / 12


@pytest.mark.parametrize(
    ("name", "across", "down"),
    [
        ("lights", 1 / 4, 1 / 4),
        ("lights_six_blades", polygon(6), polygon(6)),
        ("lights_five_blades", polygon(5), polygon(5)),
        ("lights_ellipse", 0.5**2 / 4, 1 / 4),
        # The mean of x² with light 1 + 0.6 (2 r² − 1): 1/4 + 0.6 (2/3 − 1/2) / 2.
        ("lights_bright_rim", 0.3, 0.3),
    ],
)
def test_a_lamp_behind_the_focus_is_a_picture_of_the_aperture(name, across, down):
    planes, header = load(f"{name}.exr")
    field, aperture, focus = (float(header[key]) for key in ("fieldOfView", "apertureRadius", "focusDistance"))
    height, width = planes["lens1.G"].shape
    scale = width / (2 * math.tan(math.radians(field) / 2))
    radius = aperture * (1 / focus - 1 / LAMP[2]) * scale
    x, y = np.arange(width) + 0.5 - width / 2, np.arange(height)[:, None] + 0.5 - height / 2
    x, y = x - LAMP[0] / LAMP[2] * scale, y - LAMP[1] / LAMP[2] * scale
    away = np.hypot(x, y)
    # The wall behind it, as it is left of the disc; another lamp is to the right.
    wall = (away > radius + 1.5) & (away < radius + 3) & (x < 5)
    light = planes["lens1.R"].astype(np.float64)
    light = np.where(away < radius + 1.3, light - np.median(light[wall]), 0)
    total = light.sum()
    assert total == pytest.approx(LEVEL * math.pi * (RADIUS * scale / LAMP[2]) ** 2, rel=0.005)
    # A pixel's and the lamp's own size.
    own = 1 / 12 + (RADIUS * scale / LAMP[2]) ** 2 / 4
    for way, expected in ((x, across), (y, down)):
        assert abs((light * way).sum() / total) < 0.06
        assert ((light * way**2).sum() / total - own) / radius**2 == pytest.approx(expected, abs=0.001)


def test_blades_point_where_the_header_says():
    """A corner of the five blades points up, and the side opposite lies below, nearer to the middle."""
    planes, header = load("lights_five_blades.exr")
    assert (header["apertureBlades"], header["apertureCorner"]) == ("5", "90.0")
    light = planes["lens1.R"]
    scale = light.shape[1] / (2 * math.tan(math.radians(float(header["fieldOfView"])) / 2))
    radius = 0.2 * (1 / 2.6 - 1 / LAMP[2]) * scale
    column, middle = int(96 + LAMP[0] / LAMP[2] * scale), 72 + LAMP[1] / LAMP[2] * scale
    above, below = light[int(middle - 0.9 * radius), column], light[int(middle + 0.9 * radius), column]
    assert above > 5 * below


@pytest.mark.parametrize("name", ["overlap", "silhouettes", "cord_in_front", "lights", "lights_five_blades"])
def test_two_traces_differ_by_little_noise(name):
    planes, _ = load(f"{name}.exr")
    # Measured: 0.2 to 0.7 %.
    assert 0.001 < difference(colours(planes, "lens1."), colours(planes, "lens2.")) < 0.008
