"""How the values of a plate stand for light: its pictures blur in light, not in what is stored of it."""

from __future__ import annotations

import numpy as np

from stackcomp.data.port_types import Encoding
from stackcomp.files import colour
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.spline import Bend

__all__ = ["bend_of", "log_curve"]

#: Between these values lie those of log and display encodings, in steps that are far above rounding.
_VALUES = np.linspace(-0.1, 1.2, 131)
#: More than any camera's curve has. Where light hardly changes with the value, rounding would give anything.
_MOST = 40.0


def log_curve(light: Array) -> Array:
    """Return scene-linear values through the curve of ACEScct, which is straight near black.

    Source: ACEScct, Academy specification S-2016-001; its constants as recalled, checked by their published break.
    """
    bright = np.log2(np.maximum(light, 0.0078125)) + 9.72
    result: Array = np.where(light <= 0.0078125, 10.5402377416545 * light + 0.0729055341958355, bright / 17.52)
    return result


def bend_of(encoding: Encoding, config: str = colour.DEFAULT_CONFIG) -> Bend | None:
    """Return how light bends over the values that are tracked; see `stackcomp.kernels.pattern_match.Bend`.

    Args:
        encoding: of the plate; scene-linear ones are tracked through `log_curve`.
        config: colour config.

    Returns:
        None where the config cannot tell.
    """
    # Light that goes through the log curve here is tracked as ACEScct, which another config may not have.
    space, known = ("ACEScct", colour.DEFAULT_CONFIG) if encoding.linear else (encoding, config)
    grey = _VALUES.astype(np.float32)[None]
    try:
        light = colour.convert([grey] * 3, space, "scene_linear", known)[1][0]
    except colour.UnknownEncoding:
        return None
    slope = np.gradient(light.astype(np.float64), _VALUES)
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = np.gradient(slope, _VALUES) / slope
    return _VALUES, np.clip(np.nan_to_num(bend, nan=0, posinf=0, neginf=0), -_MOST, _MOST)
