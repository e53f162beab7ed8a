"""What is left of noise in a square when its mean, or a quadratic surface, is taken away.

For noise of any autocovariance the covariance of what is left is known: ``M = (1 − P) Σ (1 − P)``, where P
projects on what is taken away. M gives the means of products of pixels at each distance. So the autocovariance is
found whose means are those that were measured.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

__all__ = ["REACH", "SIDE", "Residual", "products"]

Floats = npt.NDArray[np.float64]

#: Side of a square, and distances that are measured, in pixels.
SIDE, REACH = 16, 8
_PIXELS = SIDE * SIDE
#: Steps towards the autocovariance; each takes away most of the error.
_STEPS = 6
#: Root mean square of what is left at one distance, in standard errors and in shares of the variance, up to which
#: it is chance, or of no account.
_CHANCE, _NEGLIGIBLE = 2.0, 0.004


def products(rest: Floats) -> Floats:
    """Mean products of pixels of a square at each distance, lower half, ``(REACH + 1, 2 · REACH + 1)``.

    Args:
        rest: ``(squares, 256)``.
    """
    from scipy.fft import irfft2, rfft2

    # Far enough apart that opposite sides do not meet.
    size = (SIDE + REACH,) * 2
    power = np.zeros((size[0], size[1] // 2 + 1))
    for some in np.array_split(rest.reshape(-1, SIDE, SIDE), max(1, len(rest) // 512)):
        spectrum = rfft2(some, size)
        power += (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    sums = np.roll(irfft2(power, size), REACH, axis=1)[: REACH + 1, : 2 * REACH + 1]
    steps = np.arange(-REACH, REACH + 1)
    means: Floats = sums / (len(rest) * np.outer(SIDE - steps[REACH:], SIDE - np.abs(steps)))
    return means


class Residual:
    """Squares less the polynomial surface of a degree.

    Args:
        degree: 0 takes away the mean, 2 a quadratic surface.
    """

    def __init__(self, degree: int) -> None:
        line = np.linspace(-1, 1, SIDE)
        y, x = np.meshgrid(line, line, indexing="ij")
        terms = [x**a * y**b for a in range(degree + 1) for b in range(degree + 1 - a)]
        self._basis = np.linalg.qr(np.stack([term.ravel() for term in terms], axis=1))[0]

    def left(self, pixels: Floats) -> Floats:
        """``(squares, 256)`` less their surfaces."""
        rest: Floats = pixels - (pixels @ self._basis) @ self._basis.T
        return rest

    def variance(self, rest: Floats) -> Floats:
        """Of each square; that of its noise where pixels are independent."""
        variance: Floats = np.einsum("ij,ij->i", rest, rest) / (_PIXELS - self._basis.shape[1])
        return variance

    def left_share(self, covariance: Floats | None) -> float:
        """Share of the noise's variance that `variance` finds, for an autocovariance."""
        if covariance is None:
            return 1.0
        left = np.trace(self._left_covariance(covariance)) / (_PIXELS - self._basis.shape[1])
        return float(left / covariance[0, REACH])

    def freedom(self, covariance: Floats | None) -> float:
        """Degrees of freedom of a square's variance."""
        if covariance is None:
            return float(_PIXELS - self._basis.shape[1])
        left = self._left_covariance(covariance)
        return float(np.trace(left) ** 2 / np.vdot(left, left))

    def restored(self, measured: Floats, squares: int) -> Floats:
        """The autocovariance of the least reach whose residuals have the products that were measured.

        An autocovariance that reaches beyond a square could hide in what was taken away. So it is 0 beyond its
        reach, and its reach is the least that leaves nothing beyond chance.

        Args:
            measured: from `products`.
            squares: how many they were measured in.
        """
        # So many pairs of pixels are behind a mean of products.
        steps = np.arange(-REACH, REACH + 1)
        pairs = squares * np.outer(SIDE - steps[REACH:], SIDE - np.abs(steps))
        covariance = np.zeros_like(measured)
        for reach in range(REACH + 1):
            inside = np.maximum(steps[REACH:, None], np.abs(steps)) <= reach
            for _ in range(_STEPS):
                covariance = np.where(inside, covariance + measured - self._expected(covariance), 0.0)
            shares = covariance / covariance[0, REACH]
            alike = float(2 * (shares**2).sum() - (shares[0] ** 2).sum())
            wrong = (measured - self._expected(covariance)) / covariance[0, REACH]
            if all(_chance(wrong, np.sqrt(alike / pairs), ring) for ring in range(reach + 1, REACH + 1)):
                break
        return covariance

    @cached_property
    def _places(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Of each two pixels of a square their distance as an index into a lower half, and which are far apart."""
        y, x = np.divmod(np.arange(_PIXELS), SIDE)
        down, across = y[None] - y[:, None], x[None] - x[:, None]
        turned = (down < 0) | ((down == 0) & (across < 0))
        down, across = np.where(turned, -down, down), np.where(turned, -across, across)
        near = (down <= REACH) & (np.abs(across) <= REACH)
        index = np.where(near, down * (2 * REACH + 1) + across + REACH, 0)
        return index, near, np.bincount(index[near], minlength=(REACH + 1) * (2 * REACH + 1))

    def _left_covariance(self, covariance: Floats) -> Floats:
        index, near, _ = self._places
        whole = np.where(near, covariance.ravel()[index], 0.0)
        part = self._basis @ (self._basis.T @ whole)
        left: Floats = whole - part - part.T + self._basis @ (self._basis.T @ part.T @ self._basis) @ self._basis.T
        return left

    def _expected(self, covariance: Floats) -> Floats:
        """The mean products of residuals."""
        index, near, counts = self._places
        left = self._left_covariance(covariance)
        sums = np.bincount(index[near], left[near], minlength=counts.size)
        means = (sums / np.maximum(counts, 1)).reshape(covariance.shape)
        # Of the first row only one side is counted; the other is the same.
        means[0, :REACH] = means[0, :REACH:-1]
        return means


def _chance(wrong: Floats, error: Floats, radius: int) -> bool:
    """Whether the values at one distance are no larger than chance makes them, or than anything depends on."""
    part = np.s_[: radius + 1, REACH - radius : REACH + radius + 1]
    ring = np.ones((radius + 1, 2 * radius + 1), bool)
    ring[:radius, 1:-1] = False
    odds, sizes = (wrong / error)[part][ring], wrong[part][ring]
    return bool(np.sqrt(np.mean(odds**2)) < _CHANCE or np.sqrt(np.mean(sizes**2)) < _NEGLIGIBLE)
