"""The grey card and the 24-patch chart that are held up at the lantern's place.

Patch reflectances: the published post-2014 chart data, converted to ACEScg with colour-science 0.4.7
(`CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]`, Bradford adaptation to the ACEScg white).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from props import paint
from shapes import Mesh, box, plate, shape

PATCHES = (
    ("dark skin", 0.135748, 0.085090, 0.058181),
    ("light skin", 0.447417, 0.296322, 0.225350),
    ("blue sky", 0.143623, 0.184845, 0.308940),
    ("foliage", 0.118429, 0.146242, 0.062911),
    ("blue flower", 0.231783, 0.216325, 0.398869),
    ("bluish green", 0.262467, 0.478613, 0.415561),
    ("orange", 0.527384, 0.237929, 0.063480),
    ("purplish blue", 0.088751, 0.102055, 0.349551),
    ("moderate red", 0.376079, 0.114259, 0.119977),
    ("purple", 0.087742, 0.048000, 0.126998),
    ("yellow green", 0.374913, 0.479683, 0.098393),
    ("orange yellow", 0.595237, 0.382310, 0.072872),
    ("blue", 0.042456, 0.048850, 0.252770),
    ("green", 0.130314, 0.271677, 0.086418),
    ("red", 0.287844, 0.065185, 0.048444),
    ("yellow", 0.711308, 0.585431, 0.084313),
    ("magenta", 0.360399, 0.111820, 0.270918),
    ("cyan", 0.070287, 0.216114, 0.352769),
    ("white 9.5 (.05 D)", 0.879301, 0.883887, 0.840683),
    ("neutral 8 (.23 D)", 0.587133, 0.591479, 0.585279),
    ("neutral 6.5 (.44 D)", 0.361260, 0.366365, 0.365282),
    ("neutral 5 (.70 D)", 0.190354, 0.190783, 0.189921),
    ("neutral 3.5 (1.05 D)", 0.087071, 0.088546, 0.089601),
    ("black 2 (1.5 D)", 0.031450, 0.031495, 0.032210),
)
PITCH, PATCH, RIM = 0.034, 0.029, 0.007  # metres: patch to patch, patch side, dark frame
CARD = 0.115
GREY = 0.18
FOCUS_CARD, SQUARE, SLANT = 0.15, 0.1, 8.0  # sides in metres; degrees that the square is turned by
WHITE, BLACK = 0.72, 0.03  # reflectances of the focus card

Array = np.ndarray


def frame_of(place: Array, turn: float, lean: float) -> tuple[Array, Array, Array, Array]:
    """Foot point, right, up and normal (towards the viewer) of a board: `turn` about z, leaning back by `lean`."""
    t, a = np.radians(turn), np.radians(lean)
    right = np.array([np.cos(t), np.sin(t), 0])
    front = np.array([np.sin(t), -np.cos(t), 0])
    up = np.array([0, 0, 1]) * np.cos(a) - front * np.sin(a)
    return np.asarray(place, float), right, up, np.cross(right, up)


def card_centre(place: Array, turn: float, lean: float) -> Array:
    """Middle of the grey card."""
    foot, _, up, _ = frame_of(place, turn, lean)
    return foot + up * (CARD / 2 + 0.003)


def card_corners(place: Array, turn: float, lean: float) -> Array:
    """Corners (4, 3): top left, top right, bottom right, bottom left as seen from the front."""
    _, right, up, _ = frame_of(place, turn, lean)
    c, h = card_centre(place, turn, lean), CARD / 2
    return np.array(
        [c - right * h + up * h, c + right * h + up * h, c + right * h - up * h, c - right * h - up * h]
    )


def chart_corners(place: Array, turn: float, lean: float) -> Array:
    """Outer corners (4, 3) of the block of 24 patches (half a gap beyond the patches), order as the card's."""
    foot, right, up, _ = frame_of(place, turn, lean)
    w, low, high = 3 * PITCH, 0.003 + RIM, 0.003 + RIM + 4 * PITCH
    return np.array(
        [
            foot - right * w + up * high,
            foot + right * w + up * high,
            foot + right * w + up * low,
            foot - right * w + up * low,
        ]
    )


def grey_card(place: Array, turn: float, lean: float, folder: Path) -> dict[str, Any]:
    """The 18 % card on a thin dark board, standing on the bench."""
    _, right, up, normal = frame_of(place, turn, lean)
    c = card_corners(place, turn, lean)
    face = plate(c[3], c[1] - c[0], c[0] - c[3])
    grey = {"type": "diffuse", "reflectance": {"type": "rgb", "value": GREY}}
    back = _slab(c.mean(0) - normal * 0.0022, right * (CARD + 0.002), up * (CARD + 0.002), normal * 0.004)
    return {
        "card_face": shape(face, folder, "card_face", grey),
        "card_back": shape(back, folder, "card_back", paint(0.03, 0.03, 0.03)),
    }


def focus_card(middle: Array, right: Array, up: Array, folder: Path) -> dict[str, Any]:
    """A white card on a post, with a black square turned a little: four straight edges aslant to the pixels.

    White and black lie in one plane and meet without a gap, so that nothing but the lens softens the edges.
    """
    turn, c = np.radians(SLANT), np.asarray(middle, float)
    across = right * np.cos(turn) + up * np.sin(turn)
    along = up * np.cos(turn) - right * np.sin(turn)
    signs = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    outer = [c + (right * a + up * b) * FOCUS_CARD / 2 for a, b in signs]
    inner = [c + (across * a + along * b) * SQUARE / 2 for a, b in signs]
    faces = [f for k in range(4) for j in [(k + 1) % 4] for f in ([k, j, 4 + j], [k, 4 + j, 4 + k])]
    white = Mesh(np.array(outer + inner), np.array(faces), None, np.zeros((8, 2)))
    black = plate(inner[0], across * SQUARE, along * SQUARE)
    post = box([c[0], c[1] + 0.03, c[2] / 2], [0.012, 0.012, c[2]])
    normal = np.cross(right, up)
    back = _slab(c - normal * 0.0022, right * FOCUS_CARD, up * FOCUS_CARD, normal * 0.004)
    return {
        "focus_white": shape(white, folder, "focus_white", paint(WHITE, WHITE, WHITE)),
        "focus_black": shape(black, folder, "focus_black", paint(BLACK, BLACK, BLACK)),
        "focus_back": shape(back, folder, "focus_back", paint(0.03, 0.03, 0.03)),
        "focus_post": shape(post, folder, "focus_post", paint(0.03, 0.03, 0.03)),
    }


def colour_chart(place: Array, turn: float, lean: float, folder: Path) -> dict[str, Any]:
    """24 flat squares, 6 across and 4 down, on a dark board."""
    foot, right, up, normal = frame_of(place, turn, lean)
    out: dict[str, Any] = {}
    wide, tall = 6 * PITCH + 2 * RIM, 4 * PITCH + 2 * RIM
    middle = foot + up * (0.003 + tall / 2)
    out["chart_board"] = shape(
        _slab(middle - normal * 0.0025, right * wide, up * tall, normal * 0.004),
        folder,
        "chart_board",
        paint(0.02, 0.02, 0.02),
    )
    for k, (_, *rgb) in enumerate(PATCHES):
        row, column = divmod(k, 6)
        centre = foot + right * ((column - 2.5) * PITCH) + up * (0.003 + RIM + (3.5 - row) * PITCH)
        face = plate(centre - (right + up) * PATCH / 2, right * PATCH, up * PATCH)
        look = {"type": "diffuse", "reflectance": {"type": "rgb", "value": rgb}}
        out[f"patch_{k:02d}"] = shape(face, folder, f"patch_{k:02d}", look)
    return out


def _slab(centre: Array, right: Array, up: Array, out: Array) -> Any:
    unit = box([0, 0, 0], [1, 1, 1])
    return unit._replace(points=unit.points @ np.stack([right, up, out]) + centre)
