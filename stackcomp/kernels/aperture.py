"""The opening of a lens, and the discs that it makes of points out of focus.

**Shape.** A round opening, or a polygon of `blades` sides with a corner at the top, turned clockwise by `rotation`
degrees. `roundness` blends its edges into the circle through its corners. `squeeze` is the height of a disc
over its width. Whatever the shape, its area is that of the round opening of the same f-number, so light and
f-number stay what they were, and a radius is that of the round disc of this area.

**Side.** The shape is that seen from behind the camera. What is behind the focus shows it upright, what is in
front of the focus turned by 180°: the line from a point of the opening through an object at distance z meets
the plane of focus at 1 - focus / z times its place in the opening, which changes its sign at the focus.

**Cat's eyes.** Away from the middle of the frame the rim in front of the opening cuts off a part of it. That
rim is a circle as large as the circle around the opening, displaced towards the middle of the frame by
`cat_eye` times its radius in the corners of the frame, and in proportion to the distance from the middle
elsewhere. So behind the focus discs are cut on the side away from the middle, in front of it on the other side.
Cut discs keep their
light: pictures are not darkened towards their corners, which would darken what is in focus as well.

**Rim.** The weight of a pixel is a half plus its distance from the edge, from 0 to 1: a soft rim one pixel wide.
The distance from the edge is taken along the line from the centre: exact for circles.

Radii are rounded to `RADII`, so that each disc is computed once, and weights to 1 / 256. Where discs are cut,
radii are rounded more: to every second of those below 4 pixels, to every eighth from there on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, inlined

__all__ = ["RADII", "ROUND", "Aperture", "disc_mask"]

#: Radii to which others are rounded: to 1/32 below 16 pixels, 1/16 below 32, 1/8 below 64, 1/2 below 128, then 2.
RADII = np.concatenate(
    [
        np.arange(512) / 32,
        16 + np.arange(256) / 16,
        32 + np.arange(256) / 8,
        64 + np.arange(128) / 2,
        128.0 + 2 * np.arange(448),
    ]
)
# Parts of the half diagonal of a frame, and of a turn, into which the field is divided for cut discs.
_RINGS, _SECTORS = 10, 32
# Directions over which the area of a shape is integrated.
_DIRECTIONS = 1 << 14


@dataclass(frozen=True)
class Aperture:
    """The shape of an opening.

    Attributes:
        blades: corners of a polygon, from 3; 0 is round.
        rotation: by which the polygon is turned, in degrees clockwise; at 0 a corner is at the top.
        roundness: from 0, straight edges, to 1, the circle through the corners.
        squeeze: height of a disc over its width.
        cat_eye: displacement of the rim that cuts discs in the corners of the frame, in radii; 0 cuts none.

    Raises:
        ValueError: out of these ranges.
    """

    blades: int = 0
    rotation: float = 0.0
    roundness: float = 0.0
    squeeze: float = 1.0
    cat_eye: float = 0.0
    numbers: Array = field(init=False, repr=False, compare=False)
    normals: Array = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.blades != 0 and self.blades < 3:
            raise ValueError(f"an opening has no blades or three and more, not {self.blades}")
        if not (0 <= self.roundness <= 1 and 0 <= self.cat_eye <= 1 and 0 < self.squeeze < math.inf):
            raise ValueError("roundness and cat_eye are from 0 to 1, squeeze is above 0")
        turned = math.radians(self.rotation)
        middles = turned - math.pi / 2 + math.pi * (2 * np.arange(self.blades) + 1) / max(1, self.blades)
        normals = np.stack([np.cos(middles), np.sin(middles)], axis=-1)
        # The circle around a shape of the area π.
        angles = np.arange(_DIRECTIONS) * (2 * math.pi / _DIRECTIONS)
        ways = np.stack([np.cos(angles), np.sin(angles)])
        sizes = np.ones(_DIRECTIONS)
        straight = 0.0 if self.blades == 0 else (1 - self.roundness) / math.cos(math.pi / self.blades)
        if self.blades:
            sizes = straight * (normals @ ways).max(axis=0) + self.roundness
        around = 1 / math.sqrt(np.mean(1 / sizes**2))
        bend = self.roundness if self.blades else 1.0
        numbers = np.array([straight / around, bend / around, math.sqrt(self.squeeze), around])
        object.__setattr__(self, "numbers", numbers)
        object.__setattr__(self, "normals", np.ascontiguousarray(normals))

    @property
    def turns(self) -> bool:
        """Whether the shape differs when it is turned by 180°."""
        return self.blades % 2 == 1 or self.cat_eye > 0

    @property
    def extent(self) -> float:
        """How far a disc extends from its centre, in radii."""
        if self.blades == 0:
            return max(math.sqrt(self.squeeze), 1 / math.sqrt(self.squeeze))
        return float(self.numbers[3]) * max(math.sqrt(self.squeeze), 1 / math.sqrt(self.squeeze))

    def reach(self, radius: float) -> int:
        """By how many pixels a disc of that radius extends at most."""
        if radius <= 0.5:
            return 0
        corner = math.cos(math.pi / self.blades) if self.blades else 1.0
        return math.ceil(radius * self.extent + 0.5 / corner)

    @property
    def cells(self) -> int:
        """Number of parts of the field whose discs differ."""
        return 1 + _RINGS * _SECTORS if self.cat_eye else 1

    def cut(self, cell: int) -> tuple[float, float]:
        """Displacement of the rim that cuts the discs of a part of the field, in radii, right and down."""
        if cell == 0:
            return 0.0, 0.0
        ring, sector = divmod(cell - 1, _SECTORS)
        angle = (sector + 0.5) * (2 * math.pi / _SECTORS)
        length = -self.cat_eye * float(self.numbers[3]) * (ring + 1) / _RINGS
        return length * math.cos(angle), length * math.sin(angle)

    def cells_of(self, across: Array, down: Array) -> Array:
        """Parts of the field in which places lie, int16.

        Args:
            across: distances from the middle of the frame to the right, in halves of its diagonal.
            down: the same downwards; broadcast with the others.
        """
        ring = np.rint(np.hypot(across, down) * _RINGS).astype(np.int16)
        sector = np.floor(np.arctan2(down, across) * (_SECTORS / (2 * math.pi))).astype(np.int16) % _SECTORS
        return np.where(ring == 0, 0, 1 + (np.minimum(ring, _RINGS) - 1) * _SECTORS + sector).astype(np.int16)


#: The round opening.
ROUND = Aperture()


@inlined
def _weight(
    x: float, y: float, radius: float, cut_x: float, cut_y: float, numbers: Array, normals: Array
) -> float:
    """Weight of a place by an opening, before it is rounded."""
    straight, bend, stretch, around = numbers[0], numbers[1], numbers[2], numbers[3]
    px, py = x * stretch, y / stretch
    length = np.sqrt(px * px + py * py)
    # How large the shape is whose edge passes here, and how fast that changes.
    size, slope_x, slope_y = bend * length, 0.0, 0.0
    if length > 0:
        slope_x, slope_y = bend * px / length, bend * py / length
    if straight > 0:
        far, side = -1.0, 0
        for k in range(normals.shape[0]):
            along = normals[k, 0] * px + normals[k, 1] * py
            if along > far:
                far, side = along, k
        size += straight * far
        slope_x += straight * normals[side, 0]
        slope_y += straight * normals[side, 1]
    slope_x, slope_y = slope_x * stretch, slope_y / stretch
    steep = np.sqrt(slope_x * slope_x + slope_y * slope_y)
    weight = 0.5 + (radius - size) / (steep if steep > 0 else 1.0)
    if cut_x != 0 or cut_y != 0:
        px, py = px - cut_x * radius, py - cut_y * radius
        length = np.sqrt(px * px + py * py)
        steep = 1.0
        if length > 0:
            slope_x, slope_y = px / length * stretch, py / length / stretch
            steep = np.sqrt(slope_x * slope_x + slope_y * slope_y)
        weight = min(weight, 0.5 + (around * radius - length) / steep)
    return float(min(1.0, max(0.0, weight)))


@compiled
def disc_mask(
    radius: float, side: int, cut_x: float, cut_y: float, numbers: Array, normals: Array, reach: int
) -> Array:
    """Return the weights of the pixels around the centre of a disc, float64 ``(2 n + 1, 2 n + 1)``.

    Args:
        radius: in pixels; up to half a pixel the disc is the pixel itself.
        side: 1 behind the focus, -1 in front of it.
        cut_x: displacement of the rim that cuts the opening, in radii, to the right.
        cut_y: the same, down.
        numbers: of an `Aperture`.
        normals: of an `Aperture`.
        reach: of an `Aperture`, for that radius.
    """
    result = np.zeros((2 * reach + 1, 2 * reach + 1))
    if reach == 0:
        result[0, 0] = 1
        return result
    for row in range(2 * reach + 1):
        y = float((row - reach) * side)
        line = result[row]
        # A shape has no dents: between its first and its last whole pixel, all are whole.
        first = line.size
        for k in range(line.size):
            weight = _weight(float((k - reach) * side), y, radius, cut_x, cut_y, numbers, normals)
            line[k] = np.floor(weight * 256 + 0.5) / 256
            if weight >= 1:
                first = k
                break
        for k in range(line.size - 1, first, -1):
            weight = _weight(float((k - reach) * side), y, radius, cut_x, cut_y, numbers, normals)
            line[k] = np.floor(weight * 256 + 0.5) / 256
            if weight >= 1:
                for inner in range(first, k):
                    line[inner] = 1
                break
    return result
