"""From a working space to what a standard observer sees.

Working spaces are known to the colour config alone. It says how each is made from ACES2065-1, whose primaries and
white are published (SMPTE ST 2065-1), and from there X Y Z follow. Whites are adapted by Bradford's matrix, as in
colour profiles (ICC.1, annex E).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.errors import Problem, RequestError
from stackcomp.files import colour

__all__ = ["D50", "adapted", "luminance_weights", "white_xyz", "xyz_d50_matrix"]

Array = npt.NDArray[np.float64]

D50 = (0.34570291, 0.3585386)
"""Chromaticity x, y of the white of profiles; from X Z = 0.9642, 0.8249 at Y = 1."""

_ACES_WHITE = (0.32168, 0.33767)
_ACES_PRIMARIES = ((0.7347, 0.2653), (0.0, 1.0), (0.0001, -0.0770))
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
# The role is how a config of any make names the space that all others are defined by (OpenColorIO 2).
_INTERCHANGE = ("aces_interchange", "ACES2065-1")


def white_xyz(xy: tuple[float, float]) -> Array:
    """X Y Z of a white at Y = 1."""
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def adapted(source: tuple[float, float], target: tuple[float, float]) -> Array:
    """3×3 that takes X Y Z seen under one white to those that look alike under another (Bradford)."""
    cones = _BRADFORD @ white_xyz(target) / (_BRADFORD @ white_xyz(source))
    return np.asarray(np.linalg.solve(_BRADFORD, cones[:, None] * _BRADFORD))


def xyz_d50_matrix(working_space: str, config: str = colour.DEFAULT_CONFIG) -> Array:
    """3×3 from R G B of a scene-linear space to X Y Z under D50; R = G = B = 1 becomes the white.

    Raises:
        RequestError: the config does not tie this space to ACES2065-1 by a matrix.
    """
    return adapted(_ACES_WHITE, D50) @ _aces_to_xyz() @ _to_aces(working_space, config)


def luminance_weights(working_space: str, config: str = colour.DEFAULT_CONFIG) -> Array:
    """The share of R, G and B in luminance (three numbers, sum 1).

    Raises:
        RequestError: as `xyz_d50_matrix`.
    """
    weights: Array = (_aces_to_xyz() @ _to_aces(working_space, config))[1]
    return weights


def _aces_to_xyz() -> Array:
    primaries = np.array([white_xyz(xy) for xy in _ACES_PRIMARIES]).T
    scale = np.linalg.solve(primaries, white_xyz(_ACES_WHITE))
    return np.asarray(primaries * scale)


def _to_aces(working_space: str, config: str) -> Array:
    reason = "has no interchange space"
    for name in _INTERCHANGE:
        try:
            conversion = colour.is_matrix(working_space, name, config)
        except colour.UnknownEncoding as error:
            reason = str(error)
            continue
        if conversion is not None and not conversion.offset.any():
            return np.asarray(conversion.matrix, np.float64)
        reason = f"{working_space} is no matrix away from {name}"
    raise RequestError(
        Problem("working-space", f"what {working_space} looks like is not known from {config}: {reason}",
                "take a config with the role aces_interchange, and a scene-linear working space")
    )  # fmt: skip
