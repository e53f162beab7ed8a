"""The irradiance of a small flat card in a place, from a lat-long picture of the place.

A lat-long picture holds the radiance that arrives at one point from every direction. Its middle column looks along
+y, the column a quarter of the width right of it along +x, the top row along +z (up)::

    lon = (x / width − 1/2) · 360°        lat = (1/2 − y / height) · 180°        (pixel centres at + 1/2)
    direction = (sin lon · cos lat, cos lon · cos lat, sin lat)

A card with normal n receives E = ∫ L(ω) · max(0, n · ω) dω over all directions. If it scatters the share ρ of
that evenly in all directions, its radiance is ρ · E / π.

Radiance is taken as constant within each pixel. The weight of a pixel is ``∫∫ max(0, n · ω) cos(lat) dlat dlon``.
The integral over latitude is in closed form. The integral over longitude is too, where the whole pixel is above
the card's horizon. Where the horizon crosses the pixel, the interval is split at the points where the horizon
enters and leaves the row, so that quadrature is done on smooth functions only. The weights of all pixels sum to π.

Sources: Lambert's cosine law; the weights were worked out for this file.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.errors import Problem, RequestError
from stackcomp.measure.given import Triple, TripleLike, number, triple
from stackcomp.measure.picture import Measured

__all__ = ["Irradiance", "cosine_weights", "direction", "irradiance"]

Array = npt.NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
# Intervals are also split where the horizon is at these parts of a row's height: the horizon of an upright card
# crosses all latitudes within a very small range of longitude.
_CUTS = tuple(sorted({0.0, 1.0, *(0.5**k for k in range(1, 10)), *(1 - 0.5**k for k in range(1, 10))}))


@dataclass(frozen=True)
class Irradiance:
    """Irradiance of a card, R G B, in the picture's units times steradian.

    Attributes:
        value: scene-linear R G B; a constant sky of radiance 1 gives π.
        normal: unit vector of the card.
        brightest: the largest share of it that one pixel gives, in any channel; large where there is a sun.
    """

    value: Triple
    normal: Triple
    brightest: float

    def card(self, reflectance: float) -> Triple:
        """Radiance of a card that scatters this share of the light evenly in all directions.

        Args:
            reflectance: above 0, at most 1.

        Returns:
            Scene-linear R G B.
        """
        red, green, blue = self.value
        factor = reflectance / np.pi
        return red * factor, green * factor, blue * factor

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {"irradiance": list(self.value), "normal": list(self.normal), "brightest_pixel": self.brightest}


def direction(longitude: float, latitude: float) -> Triple:
    """Unit vector of a direction in a lat-long picture.

    Args:
        longitude: degrees, 0 at the middle column, 90 a quarter of the width right of it; from -360 to 360.
        latitude: degrees, 90 is up; from -90 to 90.

    Returns:
        (x, y, z): +y at the middle column, +x 90° right of it, +z up.

    Raises:
        ArgumentError: a number that is out of range.
    """
    longitude = number(longitude, "longitude", way_out="longitude is between -360 and 360 degrees")
    latitude = number(latitude, "latitude", way_out="latitude is between -90 and 90 degrees")
    if not (abs(longitude) <= 360 and abs(latitude) <= 90):
        raise _wrong(
            "normal",
            f"the direction {longitude:g}, {latitude:g} is out of range",
            "longitude is between -360 and 360, latitude between -90 and 90 degrees",
        )
    lon, lat = np.radians(longitude), np.radians(latitude)
    return float(np.sin(lon) * np.cos(lat)), float(np.cos(lon) * np.cos(lat)), float(np.sin(lat))


def irradiance(image: Image | Measured, normal: TripleLike) -> Irradiance:
    """Integrate a lat-long picture over the hemisphere in front of a card.

    Args:
        image: R G B, scene-linear, twice as wide as high, with pixels in its whole frame.
        normal: the card's normal (x, y, z), of any length above 0.

    Returns:
        The irradiance, R G B.

    Raises:
        ArgumentError: not a picture, or a normal that is not three numbers.
        RequestError: a picture of another form or with pixels that are not finite, or a normal of length 0.
    """
    image = (image if isinstance(image, Measured) else Measured.of_light(image)).light
    normal = triple(normal, "normal", "(0, 0, 1)")
    length = float(np.linalg.norm(normal))
    if not np.isfinite(length) or length == 0:
        raise _wrong("normal", f"the normal {normal} has no direction", "give three numbers that are not all 0")
    height, width = image.display.shape
    if image.display not in image.window:
        raise _wrong("lat-long", f"the lat-long picture has pixels only in {image.window} of {image.display}",
                     "give the whole picture: light from every direction is needed")  # fmt: skip
    if width != 2 * height:
        raise _wrong("lat-long", f"the picture is {width}×{height}, but a lat-long is twice as wide as high",
                     "convert it to lat-long, all 360° × 180° of it")  # fmt: skip
    unit = normal[0] / length, normal[1] / length, normal[2] / length
    pixels = np.stack([image.over(image.display)[name] for name in "RGB"], axis=-1)
    bad = int(np.count_nonzero(~np.isfinite(pixels).all(axis=-1)))
    if bad:
        raise _wrong("non-finite", f"{bad} pixels of the lat-long picture are not finite",
                     "repair them: values that are not finite cannot be summed")  # fmt: skip
    total, brightest = np.zeros(3), np.zeros(3)
    for row, weights in enumerate(_rows(width, height, unit)):
        light = pixels[row] * weights[:, None]
        total += light.sum(axis=0)
        brightest = np.maximum(brightest, light.max(axis=0))
    share = float((brightest[total > 0] / total[total > 0]).max(initial=0))
    return Irradiance((float(total[0]), float(total[1]), float(total[2])), unit, share)


def _wrong(rule: str, message: str, way_out: str) -> RequestError:
    return RequestError(Problem(rule, message, way_out))


def cosine_weights(width: int, height: int, normal: Triple) -> Array:
    """The weight of each pixel of a lat-long picture: ``(height, width)``, steradian times cosine; the sum is π.

    Args:
        width: pixels around.
        height: pixels from the zenith to the nadir.
        normal: unit vector.
    """
    return np.stack(list(_rows(width, height, normal)))


def _rows(width: int, height: int, normal: Triple) -> Iterator[Array]:
    edges = (np.arange(width + 1) / width - 0.5) * 2 * np.pi
    latitudes = (0.5 - np.arange(height + 1) / height) * np.pi
    for high, low in itertools.pairwise(latitudes):
        yield _row(edges, float(low), float(high), normal)


def _row(edges: Array, low: float, high: float, normal: Triple) -> Array:
    """Weights of one row between two latitudes."""
    cuts = np.unique(np.concatenate([edges, *(_horizon_at(low + (high - low) * f, normal) for f in _CUTS)]))
    start, end = cuts[:-1], cuts[1:]
    x, y, z = normal
    middle, half = (start + end) / 2, (end - start) / 2
    # The horizon does not cross the border of a row within a piece, so its middle stands for all of it.
    first, last = _lit(x * np.sin(middle) + y * np.cos(middle), z, low, high)
    along = x * (np.cos(start) - np.cos(end)) + y * (np.sin(end) - np.sin(start))
    pieces = np.where(last > first, along * (_square(high) - _square(low)) + z * 2 * half * _rise(low, high), 0.0)
    crossed = (last > first) & ((first > low) | (last < high))
    if crossed.any():
        lon = middle[crossed, None] + half[crossed, None] * _NODES
        across = x * np.sin(lon) + y * np.cos(lon)
        first, last = _lit(across, z, low, high)
        value = across * (_square(last) - _square(first)) + z * _rise(first, last)
        pieces[crossed] = (value @ _WEIGHTS) * half[crossed]
    owner = np.clip(np.searchsorted(edges, middle, side="right") - 1, 0, len(edges) - 2)
    return np.bincount(owner, pieces, minlength=len(edges) - 1).astype(np.float64)


def _horizon_at(latitude: float, normal: Triple) -> Array:
    """Longitudes, −π to π, where the card's horizon is at this latitude."""
    x, y, z = normal
    level = np.hypot(x, y)
    if level == 0 or abs(np.cos(latitude)) < 1e-15:
        return np.empty(0)
    cosine = -z * np.tan(latitude) / level
    if not -1 < cosine < 1:
        return np.empty(0)
    found = np.arctan2(x, y) + np.arccos(cosine) * np.array([-1.0, 1.0])
    return np.asarray((found + np.pi) % (2 * np.pi) - np.pi)


def _lit(across: Array, z: float, low: float, high: float) -> tuple[Array, Array]:
    """Lowest and highest latitude of a row in front of the card, where ``across · cos + z · sin`` is above 0."""
    if z == 0:
        return np.full_like(across, low), np.where(across > 0, high, low)
    horizon = np.clip(np.arctan2(-across, z) if z > 0 else np.arctan2(across, -z), low, high)
    return (horizon, np.full_like(across, high)) if z > 0 else (np.full_like(across, low), horizon)


def _square(latitude: Any) -> Any:
    """Integral of cos² from 0."""
    return latitude / 2 + np.sin(2 * latitude) / 4


def _rise(low: Any, high: Any) -> Any:
    """Integral of sin · cos."""
    return (np.sin(high) ** 2 - np.sin(low) ** 2) / 2
