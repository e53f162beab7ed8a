"""The 3×3 matrix from the patches of one chart to those of another.

Least squares in scene-linear light: the matrix minimises the sum of (matrix · source - target)² over patches and
channels. There is no offset, so black stays black, and exposure can change before or after.

Optionally a grey patch maps exactly: each row of the matrix then satisfies
row · (grey of the source) = (grey of the target), a linear constraint solved with Lagrange's multiplier.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.errors import Problem, RequestError
from stackcomp.files import colour
from stackcomp.files.colorimetry import D50, luminance_weights, white_xyz, xyz_d50_matrix
from stackcomp.measure.chart_data import NAMES, NEUTRALS, published
from stackcomp.measure.chart_patches import LEAST_PATCHES, plain
from stackcomp.measure.delta_e import delta_e_2000, lab_from_xyz

__all__ = ["ChartFit", "difference_under", "exposure_between", "fit_chart", "solve_matrix"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_FLATTEST = 1e-3  # a smallest singular value below this share of the largest: patches do not differ in colour


@dataclass(frozen=True, eq=False)
class ChartFit:
    """A matrix, and the differences that it leaves.

    Attributes:
        matrix: 3×3; multiplies the source to give the target, exposure included.
        errors: 3×3, standard errors of its numbers, from the residuals of the fit.
        exposure: factor of light from source to target, by the luminance of the greys; part of the matrix.
        used: a mask of the patches that were fitted, ``(24,)``.
        white: name of the patch that maps exactly, or empty.
        before: ΔE 2000 between source and target as they are, ``(24,)``; NaN for patches not used.
        exposed: the same with the source times ``exposure``.
        after: the same with the source times ``matrix``.
        residual: root of the sum of squared residuals in linear light, as a share of the target's.
        mapped: the source's patches times the matrix, ``(24, 3)``.
        scale: factor from target and mapped to the level of the published data, at which ΔE is computed.
    """

    matrix: Array
    errors: Array
    exposure: float
    used: Mask
    white: str
    before: Array
    exposed: Array
    after: Array
    residual: float
    mapped: Array
    scale: float

    @property
    def stops(self) -> float:
        """The exposure in stops."""
        return float(np.log2(self.exposure))

    def as_dict(self) -> dict[str, Any]:
        """For ``--json`` and files of findings."""
        stages = {"before": self.before, "exposed": self.exposed, "after": self.after}
        return {
            "matrix": plain(self.matrix),
            "matrix_standard_errors": plain(self.errors),
            "exposure": self.exposure,
            "stops": self.stops,
            "white": self.white or None,
            "residual": self.residual,
            "delta_e_2000": {
                **{f"mean_{name}": float(np.nanmean(values)) for name, values in stages.items()},
                **{f"max_{name}": float(np.nanmax(values)) for name, values in stages.items()},
                **{name: dict(zip(NAMES, plain(values), strict=True)) for name, values in stages.items()},
            },
            "patches_used": [name for name, used in zip(NAMES, self.used, strict=True) if used],
        }


def fit_chart(
    source: Array,
    target: Array,
    *,
    used: Mask | None = None,
    white: str = "",
    working_space: str = "ACEScg",
    config: str = colour.DEFAULT_CONFIG,
) -> ChartFit:
    """Fit the matrix from source to target.

    ΔE 2000 is computed from L*a*b* under D50, with both sides at the exposure for which the target's greys are as
    bright as the published ones. So a chart in the shade is judged as if it were well lit.

    Args:
        source: scene-linear R G B of 24 patches, ``(24, 3)``.
        target: the same.
        used: a mask of the patches that count; all when None.
        white: name of a grey patch that maps exactly; none when empty.
        working_space: of both.
        config: name or path of an OCIO config with that space.

    Raises:
        RequestError: fewer than `LEAST_PATCHES` patches, patches that do not differ in colour, a white that is
            not a grey patch or is not used.
    """
    used = np.ones(len(NAMES), bool) if used is None else used
    if np.count_nonzero(used) < LEAST_PATCHES:
        raise _error(f"only {np.count_nonzero(used)} of 24 patches can be used; at least {LEAST_PATCHES} are "
                     "needed", "choose a frame in which the chart is neither clipped nor in the dark")  # fmt: skip
    place = _white_place(white, used)
    matrix, errors = solve_matrix(source, target, used, place)
    weights = luminance_weights(working_space, config)
    exposure = exposure_between(source, target, used, weights)
    scale = exposure_between(target, published(working_space, config), used, weights)
    differ = difference_under(scale, working_space, config)

    def difference(values: Array) -> Array:
        return np.where(used, differ(values, target), np.nan)

    mapped = source @ matrix.T
    left = float(np.linalg.norm((mapped - target)[used]) / np.linalg.norm(target[used]))
    with np.errstate(invalid="ignore"):
        before, exposed, after = (difference(values) for values in (source, source * exposure, mapped))
    return ChartFit(
        matrix, errors, exposure, used, white, before, exposed, after, residual=left, mapped=mapped, scale=scale
    )


def difference_under(scale: float, working_space: str, config: str) -> Callable[[Array, Array], Array]:
    """The function for ΔE 2000 between patches, both ``(n, 3)``, times ``scale``, under D50.

    Raises:
        RequestError: the primaries of the working space are not known from the config.
    """
    to_xyz, d50 = xyz_d50_matrix(working_space, config), white_xyz(D50)

    def lab(values: Array) -> Array:
        return lab_from_xyz(values * scale @ to_xyz.T, d50)

    return lambda one, other: delta_e_2000(lab(one), lab(other))


def solve_matrix(source: Array, target: Array, used: Mask, exact: int | None = None) -> tuple[Array, Array]:
    """The matrix, and the standard errors of its numbers.

    Args:
        source: ``(n, 3)``.
        target: ``(n, 3)``.
        used: a mask of the rows that count.
        exact: index of the row that maps exactly; none when None.

    Raises:
        RequestError: the source's rows do not span three dimensions.
    """
    s, t = source[used], target[used]
    sizes = np.linalg.svd(s, compute_uv=False)
    if not sizes[-1] > _FLATTEST * sizes[0]:
        raise _error("the patches hardly differ in colour, so no matrix follows from them",
                     "check that the picture is not grey, and that the corners enclose a chart")  # fmt: skip
    rows: Array = np.asarray(np.linalg.lstsq(s, t, rcond=None)[0].T, np.float64)
    covariance: Array = np.asarray(np.linalg.inv(s.T @ s), np.float64)
    if exact is not None:
        grey = source[exact]
        reach = covariance @ grey / (grey @ covariance @ grey)
        rows = rows + np.outer(target[exact] - rows @ grey, reach)
        covariance = covariance - np.outer(reach, grey @ covariance)
    free = len(s) - (3 if exact is None else 2)
    scatter = ((s @ rows.T - t) ** 2).sum(axis=0) / free
    errors: Array = np.sqrt(np.outer(scatter, np.maximum(np.diag(covariance), 0)))
    return rows, errors


def exposure_between(source: Array, target: Array, used: Mask, weights: Array) -> float:
    """Luminance of the target's greys / that of the source's; of all patches where no grey is used.

    Raises:
        RequestError: one of them has no light.
    """
    greys = np.zeros(len(used), bool)
    greys[list(NEUTRALS)] = True
    chosen = used & greys if (used & greys).any() else used
    light = [float((values[chosen] @ weights).sum()) for values in (source, target)]
    if not min(light) > 0:
        raise _error("a chart has no light in its greys", "check the frame, and the black that is subtracted")
    return light[1] / light[0]


def _white_place(white: str, used: Mask) -> int | None:
    if not white:
        return None
    greys = {NAMES[k]: k for k in NEUTRALS}
    if white not in greys:
        raise _error(f'"{white}" is not a grey patch', "choose from " + ", ".join(f'"{name}"' for name in greys))
    if not used[greys[white]]:
        raise _error(f'the patch "{white}" is clipped or dark, so it cannot map exactly', "name another grey")
    return greys[white]


def _error(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("chart", message, way_out))
