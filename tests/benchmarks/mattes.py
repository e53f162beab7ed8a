"""Mattes: shapes of an artist against skia, and growing and shrinking against OpenCV.

The shapes are 60 of 24 points with feather, and with motion blur.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import timing

sys.path.insert(0, str(Path(__file__).parents[1]))
from drawn_curves import shape, skia_path, smooth_blob

from stackcomp.data.window import Window
from stackcomp.kernels.curve_picture import prepare
from stackcomp.kernels.disc_morphology import grow, margin, shrink
from stackcomp.kernels.strips import thread_count

FRAME = Window.of_size(3840, 2160)
SHAPES, POINTS, STEPS = 60, 24, 8
OUTWARD, INWARD = 8, 4


def blobs(feather: bool) -> list[Any]:
    """Shapes of 100 to 300 pixels of radius all over the frame."""
    draw = np.random.default_rng(1)
    places = [(draw.uniform(300, 3540), draw.uniform(300, 1860), draw.uniform(100, 300)) for _ in range(SHAPES)]
    widths = (OUTWARD, INWARD) if feather else (0, 0)
    return [smooth_blob(k, POINTS, x, y, radius, *widths) for k, (x, y, radius) in enumerate(places)]


def ours(*, feather: bool, steps: int = 1) -> Callable[[], object]:
    """All that a frame needs: flattening, order, coverage, feather. Between steps all moves half a pixel."""
    drawn = [shape(points) for points in blobs(feather)]
    times = [(drawn, np.array([[1, 0, 0.5 * k], [0, 1, 0], [0, 0, 1.0]])) for k in range(steps)]
    return lambda: prepare(times, FRAME.grow(960)).painted(FRAME)


def in_skia(colour: str) -> Callable[[], object]:
    """The same paths, anti-aliased, without feather, into a picture that is kept from round to round."""
    import skia

    paths = [skia_path(points) for points in blobs(False)]
    info = skia.ImageInfo.Make(*FRAME.shape[::-1], getattr(skia, colour), skia.kPremul_AlphaType)
    surface, paint = skia.Surface.MakeRaster(info), skia.Paint(AntiAlias=True, Color=skia.ColorWHITE)

    def draw() -> None:
        with surface as canvas:
            canvas.clear(0)
            for path in paths:
                canvas.drawPath(path, paint)

    return draw


def table(rounds: int) -> str:
    """Times against skia with 8 bits a pixel; one with four floats a pixel stands beside it."""
    reference = "skia, 8-bit coverage, anti-aliased"
    contestants = {
        reference: in_skia("kAlpha_8_ColorType"),
        "skia, 8-bit R G B A, anti-aliased": in_skia("kN32_ColorType"),
        "skia, float R G B A, anti-aliased": in_skia("kRGBA_F32_ColorType"),
        "stackcomp, exact": ours(feather=False),
        f"stackcomp, exact, feather {OUTWARD} and {INWARD} px": ours(feather=True),
        f"stackcomp, the same, motion blur of {STEPS} steps": ours(feather=True, steps=STEPS),
    }
    title = f"{SHAPES} shapes of {POINTS} points, 3840×2160"
    tables = [timing.table(title, timing.in_turn(contestants, reference, rounds), reference)]
    tables += [growing(name, radius, rounds) for name in ("shapes", "noise") for radius in (3, 20, 60)]
    return "\n".join(tables)


def growing(name: str, radius: int, rounds: int) -> str:
    """Growing and shrinking against OpenCV's disc of whole pixels; ours has any radius, and edges stay soft."""
    cv2.setNumThreads(thread_count())
    if name == "noise":
        matte = np.random.default_rng(1).random(FRAME.shape, np.float32)
    else:
        matte = prepare([(list(map(shape, blobs(True))), np.eye(3))], FRAME.grow(960)).painted(FRAME)
    padded = np.pad(matte, margin(radius), mode="edge")
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    reference = "OpenCV, dilate with an ellipse"
    contestants = {
        reference: lambda: cv2.dilate(matte, disc),
        "OpenCV, erode with an ellipse": lambda: cv2.erode(matte, disc),
        "stackcomp, grow": lambda: grow(padded, radius),
        "stackcomp, shrink": lambda: shrink(padded, radius),
        "copy": timing.copy_of([matte]),
    }
    title = f"A matte of {name}, radius {radius} px, 3840×2160"
    peaks = {key: timing.peak(run) for key, run in contestants.items() if "stackcomp" in key}
    timings = timing.in_turn(contestants, reference, max(3, rounds // 3))
    return timing.table(title, timings, reference, "copy", peaks)
