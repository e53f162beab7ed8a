"""Light spread over large distances: radial falloffs, and exact convolution with them.

It is the reference for `mixture`, which is faster. Convolution is a product of spectra, in float64. The rounding
noise of the transform is about 1e-15 of the brightest value. If the input has no negative values, negative results
are such noise and become 0.

**Memory.** A falloff is symmetric in both axes, so one quarter defines it, and its spectrum is real: the cosine
transform of that quarter. A plane is transformed along its rows; its columns are then transformed, multiplied and
transformed back in place, a few at a time. The plane is not padded by the reach of the falloff first: outside of a
plane there is nothing.

**Radius.** The radius of a falloff is its half-light radius: half of the spread light of a point lands within that
distance. (The measure and its name are common in astronomy.) Both falloffs end where about a ten-thousandth of the
light is left. Glare has a size in degrees instead, and is multiplied by a normal distribution of 15 degrees so
that it ends (common practice, no source). All are lowered by their value at the end so that they end without a
step, are averaged over each pixel's area near the centre, and are divided by their sum.

Source of glare: Spencer, Shirley, Zimmerman and Greenberg, Physically-Based Glare Effects for Digital Images,
SIGGRAPH 1995, the point-spread function of an eye in the light; its figures as two public programs have them that
cite it. Each of its three terms integrates to 1 over a hemisphere, which a test repeats.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from typing import Literal

import numpy as np
from scipy import fft

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["Falloff", "Spreading", "falloff", "falloff_margin", "glare", "near_profile", "profile"]

Falloff = Literal["exponential", "gaussian", "glare"]

# Half-light radius over scale length: (1 + x) exp(-x) = 1/2 for exp(-r / length), and
# exp(-x² / 2) = 1/2 for exp(-r² / 2 sigma²).
_EXPONENTIAL_HALF = 1.6783469900166605
_GAUSSIAN_HALF = math.sqrt(2 * math.log(2))
# Standard deviation by which glare fades, in pixels where a degree is one pixel wide: 15 degrees from the middle.
_GLARE_FADES = math.degrees(math.tan(math.radians(15)))
_REACH = {"exponential": 7.0, "gaussian": 3.8, "glare": 4.4 * _GLARE_FADES}
# Pixels within this distance of the centre are averaged over this number of samples in each direction.
_NEAR, _SAMPLES = 12, 16
_CLOSE, _CLOSE_SAMPLES = 2, 128
# Pixels of a falloff, and rows and columns of a plane, that are processed at a time.
_PART, _ROWS, _COLUMNS = 1 << 18, 16, 16


def falloff_margin(radius: float, kind: Falloff) -> int:
    """Return the number of pixels that a falloff covers on each side: 7 radii if exponential, 3.8 if Gaussian.

    Args:
        radius: half-light radius in pixels, 0 or more; of glare, pixels to a degree in the middle of the view.
        kind: ``"exponential"``, ``"gaussian"`` or ``"glare"``.

    Raises:
        ValueError: a radius below 0 or not finite.
    """
    if not (math.isfinite(radius) and radius >= 0):
        raise ValueError(f"the radius of a falloff is 0 or more, not {radius}")
    return math.ceil(_REACH[kind] * radius)


def falloff(radius: float, kind: Falloff, down: int | None = None, across: int | None = None) -> Array:
    """Return the share of a point's light that lands at each distance down and across from it.

    ``"exponential"`` is ``exp(-r / length)`` with ``length = radius / 1.678``: a peaked centre with a long tail,
    like light scattered in a lens. ``"gaussian"`` is ``exp(-r² / 2 sigma²)`` with ``sigma = radius / 1.177``: a
    round, soft glow with a short tail. ``"glare"`` is `glare` on a flat picture, in whose middle the point is.

    Args:
        radius: half-light radius in pixels, 0 or more; of glare, pixels to a degree in the middle of the view.
        kind: ``"exponential"``, ``"gaussian"`` or ``"glare"``.
        down: largest distance down; `falloff_margin` when None.
        across: largest distance across; `falloff_margin` when None.

    Returns:
        float64 ``(1 + down, 1 + across)``: the quarter of the falloff from its centre. All four quarters, which
        share the middle row and column, sum to 1 if neither distance is limited.

    Raises:
        ValueError: a radius below 0 or not finite.
    """
    reach = falloff_margin(radius, kind)
    if radius < 1e-3:
        return np.ones((1, 1))
    height, width = (reach + 1 if limit is None else min(limit, reach) + 1 for limit in (down, across))
    result = np.empty((height, width))
    for first, part in _parts(radius, kind, height, width):
        result[first : first + len(part)] = part
    result /= _total(radius, kind)
    return result


@functools.lru_cache(maxsize=64)
def _total(radius: float, kind: Falloff) -> float:
    """Return the sum of all four quarters before normalisation."""
    size = falloff_margin(radius, kind) + 1
    # Each distance except 0 occurs at two pixels.
    times = np.where(np.arange(size) > 0, 2.0, 1.0)
    parts = _parts(radius, kind, size, size)
    return sum(float(times[first : first + len(part)] @ part @ times) for first, part in parts)


def _parts(radius: float, kind: Falloff, height: int, width: int) -> Iterator[tuple[int, Array]]:
    """Yield the first row and some rows at a time, because a quarter may be larger than the picture."""
    end = float(profile(np.asarray(falloff_margin(radius, kind) + 0.5), radius, kind))
    columns = np.arange(width, dtype=np.float64)
    step = max(_NEAR + 1, _PART // width)
    for first in range(0, height, step):
        rows = np.arange(first, min(first + step, height), dtype=np.float64)
        part = profile(np.hypot(rows[:, None], columns), radius, kind)
        if first == 0:
            near = part[: _NEAR + 1, : _NEAR + 1]
            near[:] = near_profile(_NEAR + 1, radius, kind)[: near.shape[0], : near.shape[1]]
        yield first, np.maximum(part - end, 0)


def glare(degrees: Array) -> Array:
    """Return how much light an eye scatters to each solid angle, 1/sr, at an angle from where it came from."""
    from_core = degrees + 0.02
    return (
        0.384 * 2.61e6 * np.exp(-np.square(degrees / 0.02))
        + 0.478 * 20.91 / from_core**3
        + 0.138 * 72.37 / np.square(from_core)
    )


def profile(distance: Array, radius: float, kind: Falloff) -> Array:
    """Return a falloff at distances in pixels, neither averaged over pixels nor divided by its sum."""
    values: Array
    if kind == "exponential":
        values = np.exp(distance * (-_EXPONENTIAL_HALF / radius))
    elif kind == "gaussian":
        values = np.exp(-0.5 * np.square(distance * (_GAUSSIAN_HALF / radius)))
    else:
        angle = np.arctan(distance * (math.pi / 180 / radius))
        # A pixel beside the middle is seen aslant and from farther away.
        faded = np.exp(-0.5 * np.square(distance / (_GLARE_FADES * radius)))
        values = glare(np.degrees(angle)) * np.cos(angle) ** 3 * faded
    return values


def near_profile(near: int, radius: float, kind: Falloff) -> Array:
    """Return the means of `profile` over the areas of the pixels at 0 to ``near - 1`` down and across."""
    means = _means(near, _SAMPLES, radius, kind)
    if kind == "glare":
        # Its core may be much smaller than a pixel.
        close = min(near, _CLOSE)
        means[:close, :close] = _means(close, _CLOSE_SAMPLES, radius, kind)
    return means


def _means(near: int, samples: int, radius: float, kind: Falloff) -> Array:
    inside = (np.arange(samples) + 0.5) / samples - 0.5
    fine = (np.arange(near)[:, None] + inside).ravel()
    values = profile(np.hypot(fine[:, None], fine), radius, kind)
    means: Array = values.reshape(near, samples, near, samples).mean(axis=(1, 3))
    return means


class Spreading:
    """Convolution of planes of one window with a falloff, to planes of another window.

    Args:
        radius: half-light radius in pixels, 0 or more.
        kind: shape of the falloff.
        source: window of the planes; outside of it there is nothing.
        target: window of the results.

    Raises:
        ValueError: a radius below 0 or not finite.
    """

    def __init__(self, radius: float, kind: Falloff, source: Window, target: Window) -> None:
        self.source, self.target = source, target
        if source.empty or target.empty:
            return
        # The largest distances down and across between a source and a target pixel; the falloff beyond is not
        # used.
        down = max(target.y1 - 1 - source.y0, source.y1 - 1 - target.y0)
        across = max(target.x1 - 1 - source.x0, source.x1 - 1 - target.x0)
        quarter = falloff(radius, kind, down, across)
        self._alone = float(quarter[0, 0]) if quarter.size == 1 else None
        if self._alone is not None:
            return
        # Long enough that light that wraps around lands on no target pixel. With even sizes the spectrum of a
        # quarter is a cosine transform.
        self._rows = _good_size(max(source.height, quarter.shape[0] + down))
        self._columns = _good_size(max(source.width, quarter.shape[1] + across))
        self._spectrum = _spectrum(quarter, self._rows, self._columns)

    def __call__(self, plane: Array) -> Array:
        """Spread a plane.

        Args:
            plane: float32, of the source window's shape.

        Returns:
            float32, of the target window's shape. A tile equals the whole to within 1e-6 of the brightest value.

        Raises:
            ValueError: a plane of another shape.
        """
        plane = plane_of(plane)
        if plane.shape != self.source.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {self.source.shape}")
        result = np.zeros(self.target.shape, np.float32)
        if self.source.empty or self.target.empty:
            return result
        if self._alone is not None:
            both = self.source & self.target
            np.multiply(
                plane[both.slices_in(self.source)],
                np.float32(self._alone),
                out=result[both.slices_in(self.target)],
            )
            return result
        height = self.target.height
        # Frequencies across, and rows: first those of the source, then those of the result.
        work = np.empty((max(plane.shape[0], height), self._columns // 2 + 1), np.complex128)

        def along_rows(first: int, last: int) -> None:
            rows = plane[first:last].astype(np.float64)
            work[first:last] = fft.rfft(rows, self._columns, axis=1, overwrite_x=True)

        def along_columns(first: int, last: int) -> None:
            block = np.zeros((last - first, self._rows), np.complex128)
            block[:, : plane.shape[0]] = work[: plane.shape[0], first:last].T
            block = fft.fft(block, axis=1, overwrite_x=True)
            half = self._rows // 2 + 1
            block[:, :half] *= self._spectrum[first:last]
            block[:, half:] *= self._spectrum[first:last, half - 2 : 0 : -1]
            block = fft.ifft(block, axis=1, overwrite_x=True)
            work[:height, first:last] = block[:, wrapped_rows].T

        least = 0.0 if plane.min() >= 0 else -np.inf

        def back_along_rows(first: int, last: int) -> None:
            rows = fft.irfft(work[first:last], self._columns, axis=1)
            np.maximum(rows[:, wrapped_columns], least, out=result[first:last], casting="same_kind")

        wrapped_rows = np.arange(self.target.y0 - self.source.y0, self.target.y1 - self.source.y0) % self._rows
        wrapped_columns = (
            np.arange(self.target.x0 - self.source.x0, self.target.x1 - self.source.x0) % self._columns
        )
        _in_parts(along_rows, plane.shape[0], _ROWS)
        _in_parts(along_columns, work.shape[1], _COLUMNS)
        _in_parts(back_along_rows, height, _ROWS)
        return result


def _in_parts(function: Callable[[int, int], None], count: int, size: int) -> None:
    """Call a function for ranges of a fixed size, in threads.

    The ranges do not depend on the number of threads: a transform of many rows rounds differently from that of
    one.
    """

    def strip(first: int, last: int) -> None:
        for part in range(first, last):
            function(part * size, min(count, (part + 1) * size))

    over_strips(strip, -(-count // size), least=1)


def _spectrum(quarter: Array, rows: int, columns: int) -> Array:
    """Return the spectrum of a falloff at frequencies 0 to half, across and then down; both sizes are even."""
    half_rows, half_columns = rows // 2 + 1, columns // 2 + 1
    # Rows first: only those of the quarter, the others are 0.
    by_columns = np.empty((half_columns, quarter.shape[0]))

    def along_rows(first: int, last: int) -> None:
        by_columns[:, first:last] = fft.dct(quarter[first:last], 1, half_columns, axis=1).T

    _in_parts(along_rows, quarter.shape[0], _ROWS)
    result = np.empty((half_columns, half_rows))

    def along_columns(first: int, last: int) -> None:
        result[first:last] = fft.dct(by_columns[first:last], 1, half_rows, axis=1)

    _in_parts(along_columns, half_columns, _COLUMNS)
    return result


def _good_size(least: int) -> int:
    """Return the smallest even number of at least ``least`` whose half has only small factors, for a fast FFT."""
    return 2 * int(fft.next_fast_len(max(1, -(-least // 2)), real=True))
