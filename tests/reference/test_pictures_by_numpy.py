"""The pictures on the page, computed again from what goes in by numpy alone, and shown by PyOpenColorIO itself.

The formulas are those of the sources that the kinds name: W3C Compositing and Blending Level 1, Porter and Duff
1984, the ASC CDL version 1.2 (written down from memory), and arithmetic. The pictures beside the page have steps
of 3 in 255, so half a step is what rounding may do.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PyOpenColorIO
import pytest
from PIL import Image as Still

from stackcomp.reference.scene import scene

FOLDER = Path(__file__).parents[2] / "graphs" / "kinds"
CONFIG = PyOpenColorIO.Config.CreateFromBuiltinConfig("studio-config-v2.2.0_aces-v1.3_ocio-v2.4")


def colour(name):
    """R G B, and alpha with one more axis, 1 where the picture has none."""
    image = scene()[name].over(scene()["plate"].display)
    rgb = np.stack([image[channel] for channel in "RGB"], -1).astype(np.float64)
    return rgb, image["A"][..., None].astype(np.float64) if "A" in image else np.ones((*rgb.shape[:2], 1))


def matte(name):
    return scene()[name].over(scene()["plate"].display)["A"][..., None].astype(np.float64)


def viewed(rgb):
    """Through the default view of the default display."""
    display = CONFIG.getDefaultDisplay()
    view = CONFIG.getDefaultView(display)
    processor = CONFIG.getProcessor("ACEScg", display, view, PyOpenColorIO.TRANSFORM_DIR_FORWARD)
    pixels = np.ascontiguousarray(np.broadcast_to(rgb, (*rgb.shape[:2], 3)), np.float32)
    processor.getDefaultCPUProcessor().applyRGB(pixels)
    return np.clip(pixels, 0, 1) * 255


def luma(rgb):
    return rgb @ np.array([0.2126, 0.7152, 0.0722])


def graded(rgb):
    lifted = rgb * [1.6, 1.3, 1.05]
    bent = np.where(lifted > 0, np.abs(lifted) ** 1.25, lifted)
    grey = luma(bent)[..., None]
    return grey + 0.8 * (bent - grey)


def over(front, alpha, back):
    return front + back * (1 - alpha)


def soft_light(s, b):
    """W3C, section 10.1.9; beyond 0 to 1 as the kind says."""
    inner = np.clip(b, 0, 1)
    s = np.clip(s, 0, 1)
    d = np.where(inner <= 0.25, ((16 * inner - 12) * inner + 4) * inner, np.sqrt(inner))
    mixed = np.where(s <= 0.5, inner - (1 - 2 * s) * inner * (1 - inner), inner + (2 * s - 1) * (d - inner))
    return np.where((b < 0) | (b > 1), b, mixed)


def blended(mode):
    (s, alpha), (b, _) = colour("gel"), colour("comp")
    own = np.divide(s, alpha, out=s.copy(), where=alpha > 0)
    mixed = mode(own, b)
    # The backdrop is opaque.
    return np.where(alpha > 0, alpha * mixed + b * (1 - alpha), s + b)


def shadowed(gamma=1.0, density=1.0, tint=(0, 0, 0)):
    """In the order that the page gives: exponent, density, floor, tint."""
    plate, _ = colour("plate")
    image = scene()["shadow"].over(scene()["plate"].display)
    ratio = np.stack([image[channel] for channel in "RGB"], -1).astype(np.float64) ** gamma
    ratio = np.maximum(1 + density * (ratio - 1), 0)
    return plate * (ratio + np.maximum(1 - ratio, 0) * np.array(tint))


COMP, LANTERN, PLATE = (lambda: colour("comp")[0]), (lambda: colour("lantern")), (lambda: colour("plate")[0])
MATRIX = np.array([[0.5, 0.4, 0.1], [0.15, 0.75, 0.1], [0.15, 0.4, 0.45]])

#: Name of the picture → scene-linear R G B.
LIGHT = {
    "exposure-1": lambda: COMP() * 2**1.5,
    "exposure-2": lambda: COMP() * (1 + matte("lantern_matte") * (0.25 - 1)),
    "channel_gain-1": lambda: COMP() * [0.8, 1, 1.39],
    "colour_matrix-1": lambda: COMP() @ MATRIX.T,
    "cdl-1": lambda: graded(COMP()),
    "cdl-2": lambda: COMP() + matte("lantern_matte") * (graded(COMP()) - COMP()),
    "over-1": lambda: over(*LANTERN(), PLATE()),
    "over-2": lambda: over(*colour("lamp"), COMP()),
    "blend-1": lambda: blended(lambda s, b: s * b),
    "blend-4": lambda: blended(soft_light),
    "multiply_shadow-1": lambda: shadowed(),
    "multiply_shadow-2": lambda: shadowed(gamma=2.5),
    "multiply_shadow-3": lambda: shadowed(density=0.5),
    "multiply_shadow-4": lambda: shadowed(tint=(0, 0.1, 0.6)),
    "restore-1": lambda: COMP() + matte("cord") * (PLATE() - COMP()),
}
#: Name of the picture → coverage.
MATTES = {
    "invert_matte-1": lambda: 1 - matte("lantern_matte"),
    "join_mattes-1": lambda: 1 - (1 - matte("lantern_matte")) * (1 - matte("cord")),
    "join_mattes-2": lambda: matte("lantern_matte") * matte("cord"),
    "join_mattes-3": lambda: matte("lantern_matte") * (1 - matte("cord")),
    "flat-2": lambda: np.full((180, 320, 1), 0.4),
    "ramp-2": lambda: np.linspace(0, 1, 180)[:, None, None] * np.ones((1, 320, 1)),
}
#: And what float32 is away from float64, behind the view's curve.
HALF_A_STEP = 1.5 + 0.02


def on_the_page(name):
    return np.asarray(Still.open(FOLDER / f"{name}.png").convert("RGB")).astype(np.float64)


@pytest.mark.parametrize("name", LIGHT)
def test_light(name):
    assert np.abs(on_the_page(name) - viewed(LIGHT[name]())).max() < HALF_A_STEP


@pytest.mark.parametrize("name", MATTES)
def test_mattes(name):
    assert np.abs(on_the_page(name) - 255 * MATTES[name]()).max() < HALF_A_STEP


def test_another_picture_differs_by_more():
    assert np.abs(on_the_page("exposure-1") - viewed(COMP() * 2**1.45)).max() > 2 * HALF_A_STEP
