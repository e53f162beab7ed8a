"""Moving scenes drawn moment by moment, with closed formulas, which share nothing with the program's motion blur.

A disc with a pattern lies over a ground with a pattern. At each moment it is drawn at its place, its edge
antialiased by the distance from the edge; the mean over many moments is what a camera records. What a renderer
without motion blur gives of it is the moment 0, with motion and depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Pixels = np.ndarray[Any, Any]


@dataclass(frozen=True)
class Disc:
    """A disc that moves by ``motion`` pixels per frame and turns by ``turn`` radians per frame."""

    centre: tuple[float, float]
    radius: float
    motion: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0
    depth: float = 2.0

    def drawn(self, x: Pixels, y: Pixels, time: float) -> tuple[Pixels, Pixels]:
        """Colour and coverage at a moment."""
        away_x = x - self.centre[0] - self.motion[0] * time
        away_y = y - self.centre[1] - self.motion[1] * time
        cos, sin = np.cos(self.turn * time), np.sin(self.turn * time)
        own_x, own_y = cos * away_x + sin * away_y, cos * away_y - sin * away_x
        colour = np.stack(
            [
                0.5 + 0.4 * np.sin(own_x / 3) * np.cos(own_y / 4),
                0.6 + 0.3 * np.cos(own_x / 5 + own_y / 3),
                0.3 + 0.2 * np.sin(own_y / 6),
            ]
        )
        return colour, np.clip(self.radius + 0.5 - np.hypot(away_x, away_y), 0, 1)

    def moving(self, x: Pixels, y: Pixels) -> Pixels:
        """The motion of each place, as if the disc had no end."""
        return np.stack(
            [
                self.motion[0] - self.turn * (y - self.centre[1]),
                self.motion[1] + self.turn * (x - self.centre[0]),
            ]
        )


def ground(x: Pixels, y: Pixels, moved: tuple[float, float] = (0.0, 0.0)) -> Pixels:
    """What lies behind, moved by some pixels."""
    x, y = x - moved[0], y - moved[1]
    return np.stack([0.15 + 0.1 * np.sin(x / 4), 0.2 + 0.1 * np.cos(y / 5 + x / 9), 0.8 + 0.15 * np.sin(y / 3)])


def centres(size: tuple[int, int]) -> tuple[Pixels, Pixels]:
    """Pixel centres of a picture of width and height."""
    y, x = np.mgrid[: size[1], : size[0]] + 0.5
    return x, y


def layer(disc: Disc, size: tuple[int, int], time: float) -> Pixels:
    """The disc alone: R, G, B and alpha, premultiplied."""
    colour, cover = disc.drawn(*centres(size), time)
    return np.concatenate([colour * cover, cover[None]])


def picture(
    discs: list[Disc], size: tuple[int, int], time: float, pan: tuple[float, float] = (0.0, 0.0)
) -> Pixels:
    """All over the ground, the nearest last."""
    x, y = centres(size)
    result = np.concatenate([ground(x, y, (pan[0] * time, pan[1] * time)), np.ones((1, *x.shape))])
    for disc in sorted(discs, key=lambda disc: -disc.depth):
        own = layer(disc, size, time)
        result = own + result * (1 - own[3])
    return result


def passes(
    discs: list[Disc], size: tuple[int, int], pan: tuple[float, float] = (0.0, 0.0), least: float = 0.5
) -> tuple[Pixels, Pixels]:
    """Motion and depth at moment 0: of the nearest disc that covers at least so much of a pixel."""
    x, y = centres(size)
    motion = np.stack([np.full(x.shape, pan[0]), np.full(x.shape, pan[1])])
    depth = np.full(x.shape, 5.0)
    for disc in sorted(discs, key=lambda disc: -disc.depth):
        covered = disc.drawn(x, y, 0)[1] >= least
        motion, depth = np.where(covered, disc.moving(x, y), motion), np.where(covered, disc.depth, depth)
    return motion, depth


def recorded(draw: Any, begin: float, end: float, moments: int) -> Pixels:
    """The mean of what is drawn over the exposure, float64."""
    total = 0.0
    for k in range(moments):
        total = total + draw(begin + (end - begin) * (k + 0.5) / moments)
    return np.asarray(total / moments)
