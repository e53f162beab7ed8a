"""How light becomes display values, as tables for the page: the default view of the colour config.

Scene-linear light goes through a cube of display values, whose axes are stops: value + offset, in logarithm. Log
pictures are first made linear. All is read out of the config, so that the page shows what the program shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.data.port_types import Encoding
from stackcomp.files import colour

__all__ = ["SIZE", "ViewTable", "view_table"]

#: Points along an axis. With tetrahedra between them, light of usual saturation is off by 0.1 level of 255 on
#: average, and by 1.0 at the 99th percentile; 33 points: 0.2 and 2.0; 25 points: 0.4 and 3.0. The largest errors,
#: about 25, are where the view itself has an edge: a channel of a saturated colour that reaches 0.
SIZE = 48
_OFFSET, _TOP = 2.0**-7, 2.0**7
_CURVE = 1024
_OFF = 2e-3


@dataclass(frozen=True)
class ViewTable:
    """A view of one encoding.

    Attributes:
        cube: uint16 ``(SIZE, SIZE, SIZE, 3)``, blue slowest; 65535 is display white.
        offset: of the logarithm.
        top: the brightest light that differs from brighter light.
        curve: of log encodings: linear light of codes from ``curve_range[0]`` to ``curve_range[1]``, evenly.
        curve_range: likewise.
        matrix: applied to what the curve gives, row by row.
    """

    cube: npt.NDArray[np.uint16]
    offset: float = _OFFSET
    top: float = _TOP
    curve: npt.NDArray[np.float32] | None = None
    curve_range: tuple[float, float] = (0.0, 1.0)
    matrix: tuple[float, ...] | None = None


def view_table(encoding: Encoding, config: str) -> ViewTable | None:
    """The view of an encoding; None where its values are shown as they are.

    Args:
        encoding: of the picture. A scene-linear one that the config does not have is taken as linear Rec.709.
        config: name or path of the colour config.
    """
    if encoding.family not in ("scene-linear", "log"):
        return None
    try:
        known = colour.encoding(encoding.name, config)
    except colour.UnknownEncoding:
        if not encoding.linear:
            return None
        return ViewTable(_cube(colour.encoding("Linear Rec.709 (sRGB)", config), config))
    if encoding.linear:
        return ViewTable(_cube(known, config))
    working = colour.encoding("scene_linear", config)
    taken_apart = _apart(known, working, config)
    if taken_apart is None:
        return None
    curve, ends, matrix = taken_apart
    return ViewTable(_cube(working, config), curve=curve, curve_range=ends, matrix=matrix)


def _cube(encoding: Encoding, config: str) -> npt.NDArray[np.uint16]:
    steps = np.linspace(0, np.log2((_TOP + _OFFSET) / _OFFSET), SIZE)
    axis = (_OFFSET * np.exp2(steps) - _OFFSET).astype(np.float32)
    blue, green, red = np.meshgrid(axis, axis, axis, indexing="ij")
    planes = [np.ascontiguousarray(p.reshape(SIZE * SIZE, SIZE)) for p in (red, green, blue)]
    shown = np.stack(list(colour.display_view(planes, encoding, config=config)), axis=-1)
    cube: npt.NDArray[np.uint16] = np.rint(np.clip(shown, 0, 1) * 65535).astype(np.uint16)
    return cube.reshape(SIZE, SIZE, SIZE, 3)


def _apart(
    log: Encoding, linear: Encoding, config: str
) -> tuple[npt.NDArray[np.float32], tuple[float, float], tuple[float, ...]] | None:
    """A log encoding as a curve and a matrix behind it; None where it is not one, seen at random codes."""
    ends = (-0.25, 1.5)
    codes = np.linspace(*ends, _CURVE).astype(np.float32)
    neutral = _converted(np.stack([codes] * 3), log, linear, config)
    curve = neutral.mean(axis=0)
    pure = np.full((3, 5), 0.1, np.float32)
    pure[[0, 1, 2], [1, 2, 3]] = 0.7
    pure[:, 4] = 0.7
    made_linear = _converted(pure, log, linear, config)
    low, high = made_linear[:, [0, 4]].mean(axis=0)
    matrix = (made_linear[:, 1:4] - made_linear[:, :1]) / (high - low)
    tried = np.random.default_rng(7).uniform(0, 0.9, (3, 256)).astype(np.float32)
    expected = _converted(tried, log, linear, config)
    made = matrix @ np.interp(tried, codes, curve)
    if np.any(np.abs(made - expected) > _OFF * np.maximum(np.abs(expected).max(axis=0), 0.05)):
        return None
    return curve.astype(np.float32), ends, tuple(float(v) for v in matrix.ravel())


def _converted(
    codes: npt.NDArray[np.float32], log: Encoding, linear: Encoding, config: str
) -> npt.NDArray[np.float64]:
    planes = [np.ascontiguousarray(row[None]) for row in codes]
    return np.concatenate(list(colour.convert(planes, log, linear, config))).astype(np.float64)
