"""From a working space to X Y Z of the standard observer.

The colour config defines each working space by a matrix from ACES2065-1, whose primaries and white are published
(SMPTE ST 2065-1). X Y Z follow from these. Whites are adapted by Bradford's matrix, as in colour profiles (ICC.1,
annex E).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import text
from stackcomp.errors import Problem, RequestError
from stackcomp.files import colour

__all__ = ["D50", "D65", "adapted", "luminance_weights", "white_xyz", "xyz_d50_matrix", "xyz_matrix"]

Array = npt.NDArray[np.float64]

D50 = (0.34570291, 0.3585386)
"""Chromaticity x, y of the white of profiles; from X Z = 0.9642, 0.8249 at Y = 1."""

D65 = (0.3127, 0.3290)
"""Chromaticity x, y of the white of ITU-R BT.709."""

_ACES_WHITE = (0.32168, 0.33767)
_ACES_PRIMARIES = ((0.7347, 0.2653), (0.0, 1.0), (0.0001, -0.0770))
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
# The role by which a config names the space that all others are defined from (OpenColorIO 2).
_INTERCHANGE = ("aces_interchange", "ACES2065-1")


def white_xyz(xy: tuple[float, float]) -> Array:
    """X Y Z of a white at Y = 1."""
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def adapted(source: tuple[float, float], target: tuple[float, float]) -> Array:
    """3×3 from X Y Z under one white to X Y Z of the same appearance under another (Bradford)."""
    cones = _BRADFORD @ white_xyz(target) / (_BRADFORD @ white_xyz(source))
    return np.asarray(np.linalg.solve(_BRADFORD, cones[:, None] * _BRADFORD))


def xyz_d50_matrix(working_space: str, config: str = colour.DEFAULT_CONFIG) -> Array:
    """3×3 from R G B of a scene-linear space to X Y Z under D50; R = G = B = 1 becomes the white.

    Raises:
        RequestError: the config does not define this space by a matrix from ACES2065-1.
    """
    return xyz_matrix(working_space, D50, config)


def xyz_matrix(working_space: str, white: tuple[float, float], config: str = colour.DEFAULT_CONFIG) -> Array:
    """3×3 from R G B of a scene-linear space to X Y Z under a white; R = G = B = 1 becomes the white.

    Args:
        working_space: name of the space.
        white: chromaticity x, y.
        config: of colour.

    Raises:
        RequestError: as `xyz_d50_matrix`.
    """
    return adapted(_ACES_WHITE, white) @ _aces_to_xyz() @ _to_aces(working_space, config)


def luminance_weights(working_space: str, config: str = colour.DEFAULT_CONFIG) -> Array:
    """The shares of R, G and B in luminance: three numbers, whose sum is 1.

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
    text(working_space, "working_space")
    text(config, "colour_config")
    reason = "it has no interchange space"
    for name in _INTERCHANGE:
        try:
            conversion = colour.is_matrix(working_space, name, config)
        except colour.UnknownEncoding as error:
            reason = str(error)
            continue
        if conversion is not None and not conversion.offset.any():
            return np.asarray(conversion.matrix, np.float64)
        reason = f"no matrix leads from {working_space} to {name}"
    raise RequestError(
        Problem("working-space", f"the primaries of {working_space} are not known from {config}: {reason}",
                "use a config with the role aces_interchange, and a scene-linear working space")
    )  # fmt: skip
