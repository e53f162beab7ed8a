"""The transform that carries points of one picture to points of another.

How much freedom it has depends on how many points there are:

    1          translation
    2          similarity: translation, rotation, one scale
    3          affine: a scale of its own along each axis, and shear
    4 or more  homography, by least squares where there are more than 4

Sources: Hartley and Zisserman, Multiple View Geometry in Computer Vision, 2nd edition 2004, sections 4.1 (direct
linear transform), 4.4.4 (normalised points) and A6.2 (damped least squares).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.errors import BadValueError
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.homography import inverse

__all__ = ["apply", "fit"]

#: Points whose spread across is a smaller share of their spread along lie on a line.
_FLATTEST = 1e-3
#: The second smallest singular value of the equations against the largest. Below this an error of a point grows
#: more than fifty-fold beside the line on which the others lie (measured).
_LEAST_RANK = 1e-3
_MOST_STEPS = 20


def apply(homography: npt.ArrayLike, points: npt.ArrayLike) -> Array:
    """Return where a homography maps points.

    Args:
        homography: ``(3, 3)``.
        points: ``(n, 2)``, in pixels.

    Returns:
        ``(n, 2)``, float64; infinite for points that it maps to infinity.
    """
    xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    mapped = np.column_stack([xy, np.ones(len(xy))]) @ np.asarray(homography, dtype=np.float64).T
    with np.errstate(divide="ignore", invalid="ignore"):
        result: Array = mapped[:, :2] / mapped[:, 2:]
    return result


def fit(source: npt.ArrayLike, target: npt.ArrayLike) -> Array:
    """Return the transform that carries source points to target points; see the module's text.

    With more points than a homography needs, the sum of squared distances to the target points is least.

    Args:
        source: ``(n, 2)``, pixels of one picture.
        target: ``(n, 2)``, where the same points are in the other one.

    Returns:
        3×3, float64, with 1 in the last place.

    Raises:
        BadValueError: points that do not determine the transform: none, not finite, at one place, on one line, or
            carried past the horizon.
        ValueError: arrays of other shapes.
    """
    a, b = (np.asarray(points, dtype=np.float64) for points in (source, target))
    if a.shape != b.shape or a.ndim != 2 or a.shape[1] != 2:
        raise ValueError(f"points are (n, 2) and as many on both sides, not {a.shape} and {b.shape}")
    if len(a) == 0:
        raise BadValueError("there is no point to fit a transform to", "give one point or more")
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise BadValueError("a point has a coordinate that is not finite")
    if len(a) == 1:
        return np.array([[1, 0, b[0, 0] - a[0, 0]], [0, 1, b[0, 1] - a[0, 1]], [0, 0, 1]], dtype=np.float64)
    for points in (a, b):
        _spread_out(points)
    if len(a) == 2:
        return _similarity(a, b)
    if len(a) == 3:
        return _affine(a, b)
    return _homography(a, b)


def _spread_out(points: Array) -> None:
    """Check that points lie apart and, where there are three or more, not on one line.

    Raises:
        BadValueError: they do not.
    """
    along, across = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[:2]
    if not along > 1e-6 * (1 + float(np.abs(points).max())):
        x, y = points[0]
        raise BadValueError(
            f"the {len(points)} points lie at one place, ({x:.2f}, {y:.2f})", "choose points that are apart"
        )
    if len(points) > 2 and not across > _FLATTEST * along:
        raise BadValueError(
            f"the {len(points)} points lie on one line", "choose points that are spread over the surface"
        )


def _similarity(a: Array, b: Array) -> Array:
    (from_x, from_y), (to_x, to_y) = a[1] - a[0], b[1] - b[0]
    # As complex numbers: what the one difference must be multiplied by to become the other.
    turned = complex(to_x, to_y) / complex(from_x, from_y)
    c, s = turned.real, turned.imag
    result = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]], dtype=np.float64)
    result[:2, 2] = b.mean(axis=0) - result[:2, :2] @ a.mean(axis=0)
    return result


def _affine(a: Array, b: Array) -> Array:
    middle = a.mean(axis=0)
    solved = np.linalg.solve(np.column_stack([a - middle, np.ones(3)]), b)
    result = np.eye(3)
    result[:2, :2] = solved[:2].T
    result[:2, 2] = solved[2] - result[:2, :2] @ middle
    return result


def _homography(a: Array, b: Array) -> Array:
    norm_a, norm_b = _normalising(a), _normalising(b)
    p, q = apply(norm_a, a), apply(norm_b, b)
    rows = np.zeros((2 * len(p), 9))
    one = np.column_stack([p, np.ones(len(p))])
    rows[0::2, 0:3], rows[0::2, 6:9] = one, -q[:, :1] * one
    rows[1::2, 3:6], rows[1::2, 6:9] = one, -q[:, 1:] * one
    # The full set of right vectors is needed where four points leave one equation less than numbers.
    values, vectors = np.linalg.svd(rows, full_matrices=len(a) == 4)[1:]
    if not values[7] > _LEAST_RANK * values[0]:
        raise BadValueError(
            f"the {len(a)} points do not determine a homography: all but one lie on one line",
            "choose four points of which no three lie on one line",
        )
    h = vectors[8].reshape(3, 3)
    if len(a) > 4:
        h = _refined(h, p, q)
    result: Array = np.linalg.inv(norm_b) @ h @ norm_a
    depths = np.column_stack([a, np.ones(len(a))]) @ result[2]
    if not (np.all(depths > 0) or np.all(depths < 0)):
        raise BadValueError(
            "the horizon of the homography passes between the points",
            "check that the points have the same order around the surface in both pictures",
        )
    if abs(result[2, 2]) > 1e-9 * np.abs(result[2]).max():
        result = result / result[2, 2]
    inverse(result)
    return result


def _normalising(points: Array) -> Array:
    """The transform that brings the middle of points to 0 and their mean distance from it to √2."""
    middle = points.mean(axis=0)
    size = np.sqrt(2) / np.linalg.norm(points - middle, axis=1).mean()
    return np.array([[size, 0, -size * middle[0]], [0, size, -size * middle[1]], [0, 0, 1]], dtype=np.float64)


def _refined(h: Array, p: Array, q: Array) -> Array:
    """The homography near ``h`` with the least squared distances to ``q``, by damped Gauss–Newton steps."""
    one = np.column_stack([p, np.ones(len(p))])
    h = h / np.linalg.norm(h)
    error = apply(h, p) - q
    worth, damping = float(np.sum(error**2)), 1e-6
    for _ in range(_MOST_STEPS):
        mapped = one @ h.T
        u = one / mapped[:, 2:]
        x, y = (mapped[:, :2] / mapped[:, 2:]).T
        slopes = np.zeros((2 * len(p), 9))
        slopes[0::2, 0:3], slopes[0::2, 6:9] = u, -x[:, None] * u
        slopes[1::2, 3:6], slopes[1::2, 6:9] = u, -y[:, None] * u
        # Nine numbers have eight degrees of freedom: the length of h is held by one more equation.
        square = slopes.T @ slopes + np.outer(h.ravel(), h.ravel())
        square[np.diag_indices(9)] += damping * np.trace(square) / 9
        tried = h - np.linalg.solve(square, slopes.T @ error.reshape(-1)).reshape(3, 3)
        tried /= np.linalg.norm(tried)
        error_there = apply(tried, p) - q
        worth_there = float(np.sum(error_there**2))
        if not worth_there < worth:
            damping *= 100
            if damping > 1:
                break
            continue
        gained = worth - worth_there
        h, error, worth, damping = tried, error_there, worth_there, max(damping / 10, 1e-12)
        if gained <= 1e-14 * worth:
            break
    return h
