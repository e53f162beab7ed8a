"""Squares of a plate in which grain is measured: those whose pixels can all be used."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError
from stackcomp.measure.picture import Measured
from stackcomp.measure.statistics import clipped

__all__ = ["FEWEST", "GrainError", "pixels_of", "whole_squares"]

#: Squares that are needed, of a picture and of one level.
FEWEST = 24


class GrainError(RequestError):
    """Grain that cannot be measured.

    Args:
        what: what is wrong, with the value seen; or the problems themselves.
        way_out: what to do.
    """

    def __init__(self, what: str | Problem | Iterable[Problem], way_out: str = "") -> None:
        super().__init__(Problem("grain-unclear", what, way_out) if isinstance(what, str) else what)


def whole_squares(
    pictures: Sequence[Measured], inside: npt.NDArray[np.bool_], window: Window, side: int, named: str
) -> npt.NDArray[np.intp]:
    """Find the squares whose pixels are inside an area, and finite and not clipped in all pictures.

    Args:
        pictures: of one frame.
        inside: bool, of the window's shape: what belongs to the area.
        window: where the pictures are looked at.
        side: of a square, in pixels.
        named: what messages call the area.

    Returns:
        Row and column of each square's first pixel in the window, ``(squares, 2)``.

    Raises:
        GrainError: fewer than `FEWEST`.
    """
    good = inside.copy()
    for picture in pictures:
        light = picture.light.over(window)
        for channel in "RGB":
            good &= np.isfinite(light[channel])
        place = window.slices_in(picture.light.window)
        for mask in clipped(picture).values():
            good &= ~mask[place]
    down, across = good.shape[0] // side, good.shape[1] // side
    whole = good[: down * side, : across * side].reshape(down, side, across, side).all(axis=(1, 3))
    corners = np.argwhere(whole) * side
    if len(corners) < FEWEST:
        raise GrainError(
            f"the {named} holds {len(corners)} whole squares of {side} × {side} pixels that are not clipped",
            f"{FEWEST} are needed; " + ("name a larger area" if named == "area" else "measure a larger picture"),
        )
    return np.asarray(corners, np.intp)


def pixels_of(plane: npt.NDArray[np.float32], corners: npt.NDArray[np.intp], side: int) -> npt.NDArray[np.float64]:
    """Return the pixels of each square, float64 ``(squares, side²)``."""
    steps = np.arange(side)
    y, x = corners[:, 0, None, None] + steps[:, None], corners[:, 1, None, None] + steps
    return np.asarray(plane[y, x].reshape(len(corners), -1), np.float64)
