"""Filters that give independent numbers a wanted autocorrelation, and the mixing that correlates channels.

The autocorrelation's spectrum is what the square of a filter's is; so the filter is the inverse transform of its
square root, which is real and symmetric. A spectrum that errors of measuring drove below 0 is 0 there: no filter
has less. The filter is written as a sum of few products of one filter down and one across.

In a smaller picture a pixel is the average of an area, so its grain is weaker, and less of it is shared by
neighbours. Both follow from the autocorrelation at full size (`shrunk`).

Source: Wiener–Khinchin theorem; singular value decomposition for separable parts; Cholesky factors for correlated
numbers. The number of parts and the reach are chosen by the error of the autocorrelation: ours. Where a cut
filter comes close, the method of least squares leads it to one that is close enough.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.grain_field import MOST_REACH, GrainShape

__all__ = ["autocorrelation_of", "gaussian_autocorrelation", "shape_at", "shape_of", "shrunk", "whole"]

#: Error of the autocorrelation at any distance, as a share of the variance, that fewer parts or taps may cost.
_ERROR = 0.005
_MOST_PARTS = 4
#: A filter is fitted when its error is above what it may be by less than this.
_HOPE = 0.015
_STEPS_OF_A_FIT = 12
#: What keeps weights near in a fit.
_STAY = 0.001
#: Fits for one filter; each takes 10 to 40 ms.
_MOST_FITS = 6
#: Steps of weights, to 1.
_STEPS = 2**16
#: Size of the transform; the filter's tails must not wrap around.
_SIDE = 96
#: Places within a full-size pixel at which pixels of a smaller picture begin, at the most.
_PLACES = 16


def whole(half: Array) -> Array:
    """All of an autocorrelation of which the lower half is known.

    Args:
        half: ``(n + 1, 2n + 1)``: distances 0 to n down, −n to n across.

    Returns:
        ``(2n + 1, 2n + 1)``, the same from either side.
    """
    reach = half.shape[0] - 1
    full = np.zeros((2 * reach + 1, 2 * reach + 1))
    full[reach:] = half
    full[:reach] = half[:0:-1, ::-1]
    full[reach, :reach] = full[reach, :reach:-1]
    return full


def gaussian_autocorrelation(size: float) -> Array:
    """Lower half of the autocorrelation of numbers that were softened with a Gaussian.

    Args:
        size: standard deviation of the Gaussian, in pixels; 0 gives independent numbers.
    """
    line = np.arange(-MOST_REACH, MOST_REACH + 1) ** 2
    # That of a Gaussian sampled at pixels; far below a third of a pixel nothing is left of it.
    taps = np.exp(-line / (2 * size * size)) if size > 0.1 else (line == 0).astype(float)
    full = np.convolve(taps, taps)[MOST_REACH : 3 * MOST_REACH + 1]
    full /= full[MOST_REACH]
    half: Array = full[MOST_REACH:, None] * full
    return half


def shrunk(half: Array, scale: float) -> Array:
    """Lower half of the autocovariance in a picture of another size, of a variance of 1 at full size.

    Args:
        half: at full size.
        scale: above 0 and up to 1.
    """
    full = whole(half)
    if scale == 1:
        return full[full.shape[0] // 2 :]
    reach = full.shape[0] // 2
    size = 1 / scale
    most = min(MOST_REACH, math.ceil((reach + 1) * scale))
    table = np.zeros((2 * most + 1, 2 * reach + 1))
    # Smaller pixels begin at several places within full-size ones, again the same after some: the mean over these.
    count = next((n for n in range(1, _PLACES) if abs(n * size - round(n * size)) < 1e-6), _PLACES)
    for place in np.arange(count) * size % 1:
        here = _parts(place, size)
        for k in range(-most, most + 1):
            # Two pixels of the smaller picture, k of its pixels apart, share pairs of full-size ones.
            for p, share in here.items():
                for q, other in _parts(place + k * size, size).items():
                    if abs(q - p) <= reach:
                        table[k + most, q - p + reach] += share * other / count
    covariance: Array = (table @ full @ table.T)[most:]
    return covariance


def _parts(start: float, size: float) -> dict[int, float]:
    """Full-size pixels under a pixel of a smaller picture, each with its share of it."""
    end = start + size
    first, last = math.floor(start), math.ceil(end)
    overlaps = {p: min(p + 1, end) - max(p, start) for p in range(first, last)}
    return {p: overlap / size for p, overlap in overlaps.items() if overlap > 1e-9}


def autocorrelation_of(filter: Array) -> Array:
    """The autocovariance, ``(4n + 1, 4n + 1)``, of independent numbers after a filter of ``(2n + 1, 2n + 1)``."""
    count = 2 * filter.shape[0] - 1
    spectrum = np.abs(np.fft.rfft2(filter, (count, count))) ** 2
    covariance: Array = np.fft.fftshift(np.fft.irfft2(spectrum, (count, count)))
    return covariance


def shape_at(
    halves: Sequence[Array], correlation: Sequence[Sequence[float]] | None, scale: float
) -> tuple[GrainShape, tuple[float, float, float]]:
    """`shape_of` for a picture of a scale. What was made is kept, since frames are alike.

    Args:
        halves: lower halves of the autocorrelations of R, G and B at full size, each of any reach.
        correlation: of the channels of one pixel, 3×3; that of independent ones when None.
        scale: above 0 and up to 1.
    """
    reach = max(half.shape[0] for half in halves) - 1
    tables = np.zeros((3, reach + 1, 2 * reach + 1))
    for table, half in zip(tables, halves, strict=True):
        own = half.shape[0] - 1
        table[: own + 1, reach - own : reach + own + 1] = half
    mixing = np.eye(3) if correlation is None else np.array(correlation, np.float64)
    return _kept(tables.tobytes(), reach, mixing.tobytes(), scale)


@functools.lru_cache(maxsize=16)
def _kept(
    tables: bytes, reach: int, correlation: bytes, scale: float
) -> tuple[GrainShape, tuple[float, float, float]]:
    halves = np.frombuffer(tables).reshape(3, reach + 1, 2 * reach + 1)
    return shape_of(
        np.array([shrunk(half, scale) for half in halves]), np.frombuffer(correlation).reshape(3, 3).copy()
    )


def shape_of(covariances: Array, correlation: Array) -> tuple[GrainShape, tuple[float, float, float]]:
    """What a field needs to have an autocovariance in each channel, and a correlation between them.

    Args:
        covariances: lower halves, three of ``(n + 1, 2n + 1)``; see `shrunk`.
        correlation: of the channels of one pixel, 3×3.

    Returns:
        The shape, whose field has a variance of 1, and the standard deviation in each channel.
    """
    filters = [_filter(half) for half in covariances]
    # Channels are often alike, and a fit takes its time.
    kept: dict[bytes, tuple[Array, Array]] = {}
    for filter, half in zip(filters, covariances, strict=True):
        if half.tobytes() not in kept:
            kept[half.tobytes()] = _separated(filter / math.sqrt((filter**2).sum()), half)
    found = [kept[half.tobytes()] for half in covariances]
    taps, parts = max(a.shape[1] for _, a in found), max(a.shape[0] for _, a in found)
    down, across = np.zeros((3, parts, taps)), np.zeros((3, parts, taps))
    for k, (some_down, some_across) in enumerate(found):
        inner = slice((taps - some_down.shape[1]) // 2, (taps + some_down.shape[1]) // 2)
        down[k, : len(some_down), inner], across[k, : len(some_across), inner] = some_down, some_across
    made = np.einsum("kpy,kpx->kyx", down, across)
    # What the filters themselves take away of a correlation is given before them.
    alike = np.einsum("kyx,lyx->kl", made, made)
    mix = _factor(np.asarray(correlation) / np.maximum(alike, 1e-3))
    return (
        GrainShape(across.astype(np.float32), down.astype(np.float32), mix.astype(np.float32)),
        tuple(math.sqrt(max(half[0, half.shape[1] // 2], 0.0)) for half in covariances),  # type: ignore[return-value]
    )


def _filter(half: Array) -> Array:
    """A symmetric filter of the largest reach, ``(2n + 1, 2n + 1)``, whose autocovariance is the nearest."""
    full = whole(half)
    reach = full.shape[0] // 2
    placed = np.zeros((_SIDE, _SIDE))
    placed[: 2 * reach + 1, : 2 * reach + 1] = full
    placed = np.roll(placed, (-reach, -reach), (0, 1))
    spectrum = np.maximum(np.fft.rfft2(placed).real, 0)
    filter = np.fft.irfft2(np.sqrt(spectrum), (_SIDE, _SIDE))
    filter = np.roll(filter, (MOST_REACH, MOST_REACH), (0, 1))[: 2 * MOST_REACH + 1, : 2 * MOST_REACH + 1]
    cut: Array = filter
    return cut


def _separated(filter: Array, half: Array) -> tuple[Array, Array]:
    """Filters down and across, ``(parts, 2n + 1)``, of as few weights as the autocovariance allows."""
    full = whole(half)
    wanted = np.zeros((4 * MOST_REACH + 1,) * 2)
    inner = slice(2 * MOST_REACH - full.shape[0] // 2, 2 * MOST_REACH + full.shape[0] // 2 + 1)
    wanted[inner, inner] = full / max(full[full.shape[0] // 2, full.shape[1] // 2], 1e-30)
    # A table that ends before its numbers are 0 is that of no filter; the whole filter's error tells how far.
    own = float(np.abs(autocorrelation_of(filter) - wanted).max())
    good, bearable = _ERROR + min(own, _ERROR), _ERROR + own
    sizes = [(parts, reach) for parts in range(1, _MOST_PARTS + 1) for reach in range(MOST_REACH + 1)]
    tried: list[tuple[float, tuple[Array, Array]]] = []
    fits = 0
    for parts, reach in sorted(sizes, key=lambda size: (size[0] * (2 * size[1] + 1), size)):
        if parts > 2 * reach + 1:
            continue
        cut = slice(MOST_REACH - reach, MOST_REACH + reach + 1)
        found = _products(filter[cut, cut], parts)
        error = _error(*found, wanted)
        if good < error < good + _HOPE and fits < _MOST_FITS:
            fits += 1
            found = _products(_fitted(*found, wanted), parts)
            error = _error(*found, wanted)
        if error <= good:
            return found
        tried.append((error, found))
    return next((found for error, found in tried if error <= bearable), min(tried, key=lambda one: one[0])[1])


def _products(filter: Array, parts: int) -> tuple[Array, Array]:
    """Filters down and across, of which the sum of products is near a filter and has a variance of 1.

    They are rounded, so that how a processor adds up in here does not show in what they make.
    """
    u, s, v = np.linalg.svd(filter)
    s = s[:parts] / max(math.sqrt(float((s[:parts] ** 2).sum())), 1e-30)
    # Which of a pair of signs it finds depends on the processor.
    signs = np.where(np.exp(0.37 * np.arange(len(u))) @ u[:, :parts] < 0, -1, 1)
    down, across = (u[:, :parts] * signs * np.sqrt(s)).T, v[:parts] * (signs * np.sqrt(s))[:, None]
    return np.round(down * _STEPS) / _STEPS, np.round(across * _STEPS) / _STEPS


def _error(down: Array, across: Array, wanted: Array) -> float:
    """Largest error of the autocovariance at any distance."""
    made, far = autocorrelation_of(down.T @ across), wanted.copy()
    reach, middle = made.shape[0] // 2, wanted.shape[0] // 2
    far[middle - reach : middle + reach + 1, middle - reach : middle + reach + 1] -= made
    return float(np.abs(far).max())


def _fitted(down: Array, across: Array, wanted: Array) -> Array:
    """The filter that the least squares of errors of the autocovariance lead to."""
    from scipy.optimize import least_squares

    parts, taps = down.shape
    begin = np.array([down, across]).ravel()
    # Each part stays even or odd, so that the filters of channels stay alike.
    sides = np.where((down * down[:, ::-1]).sum(axis=1) < 0, -1, 1)
    mirror = np.kron(np.eye(2), np.kron(np.diag(sides), np.eye(taps)[::-1]))
    even = (np.eye(begin.size) + mirror) / 2
    count, middle = 2 * taps - 1, wanted.shape[0] // 2
    cut = slice(middle - taps + 1, middle + taps)
    near, one = wanted[cut, cut], np.eye(taps)

    def filters(weights: Array) -> Array:
        return (even @ weights).reshape(2, parts, taps)

    def errors(weights: Array) -> Array:
        d, a = filters(weights)
        # The lower half says all. Other weights make the same filter: the nearest ones are taken.
        apart = (autocorrelation_of(d.T @ a) - near)[taps - 1 :]
        return np.concatenate([apart.ravel(), _STAY * (weights - begin)])

    def slopes(weights: Array) -> Array:
        d, a = filters(weights)
        by_down = np.einsum("ty,px->ptyx", one, a).reshape(-1, taps, taps)
        by_across = np.einsum("py,tx->ptyx", d, one).reshape(-1, taps, taps)
        changes = np.fft.rfft2(np.concatenate([by_down, by_across]), (count, count))
        spectrum = np.fft.rfft2(d.T @ a, (count, count))
        rows = np.fft.irfft2(2 * (spectrum.conj() * changes).real, (count, count))
        lower = np.fft.fftshift(rows, (1, 2))[:, taps - 1 :].reshape(begin.size, -1).T
        return np.concatenate([lower @ even, _STAY * np.eye(begin.size)])

    fit = least_squares(errors, begin, slopes, max_nfev=_STEPS_OF_A_FIT)
    d, a = filters(fit.x)
    better: Array = d.T @ a
    return better


def _factor(correlation: Array) -> Array:
    """The Cholesky factor of the nearest table that can be a correlation."""
    symmetric = (correlation + correlation.T) / 2
    np.fill_diagonal(symmetric, 1.0)
    values, vectors = np.linalg.eigh(symmetric)
    near = (vectors * np.maximum(values, 1e-9)) @ vectors.T
    size = np.sqrt(np.diag(near))
    factor: Array = np.linalg.cholesky(near / np.outer(size, size))
    return factor
