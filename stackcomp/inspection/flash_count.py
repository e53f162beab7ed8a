"""Counts flashes in each cell of a picture: pairs of opposing transitions.

A transition is a change from an extreme to the next that is large enough to be harmful; a flash is two of them in
opposite directions. Changes that take several frames, or several steps, are one transition.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["LuminanceTransitions", "Recent", "RedTransitions", "Transitions"]

Plane = npt.NDArray[np.float32]
Signs = npt.NDArray[np.int8]


class LuminanceTransitions:
    """Transitions of luminance, cell by cell.

    Args:
        change: cd/m² from which on a change counts, where the darker state is below ``dark``.
        dark: cd/m²; above, a change counts from the Michelson contrast that ``change`` has there.
        contrast: that contrast.
    """

    def __init__(self, change: float, dark: float, contrast: float) -> None:
        self._change, self._dark, self._contrast = change, dark, contrast
        self._low: Plane | None = None
        self._high: Plane | None = None
        self._direction: Signs | None = None

    def take(self, luminance: Plane) -> Signs:
        """1 for each cell that has become brighter by a transition in this frame, -1 for darker, else 0.

        Args:
            luminance: cd/m².
        """
        if self._low is None or self._high is None or self._direction is None:
            self._low, self._high = luminance.copy(), luminance.copy()
            self._direction = np.zeros(luminance.shape, np.int8)
            return np.zeros(luminance.shape, np.int8)
        np.minimum(self._low, luminance, out=self._low)
        np.maximum(self._high, luminance, out=self._high)
        rises = self._counts(self._low, luminance) & (self._direction <= 0)
        falls = self._counts(luminance, self._high) & (self._direction >= 0) & ~rises
        # The extreme from which the next transition is measured starts at the new state.
        turned = rises | falls
        self._direction[rises] = 1
        self._direction[falls] = -1
        self._high[turned] = luminance[turned]
        self._low[turned] = luminance[turned]
        return rises.astype(np.int8) - falls.astype(np.int8)

    def _counts(self, dark: Plane, bright: Plane) -> npt.NDArray[np.bool_]:
        difference = bright - dark
        relative = difference >= self._contrast * (bright + dark)
        return np.asarray(np.where(dark < self._dark, difference >= self._change, relative), bool)


class RedTransitions:
    """Transitions to and from saturated red, cell by cell.

    Args:
        distance: in u'v' (CIE 1976 UCS) between the two states, beyond which a change counts.
    """

    def __init__(self, distance: float) -> None:
        self._distance = distance
        self._at_red: npt.NDArray[np.bool_] | None = None
        self._last: Plane | None = None

    def take(self, chromaticity: Plane, red: npt.NDArray[np.bool_]) -> Signs:
        """1 for each cell that has become saturated red by a transition in this frame, -1 for back, else 0.

        Args:
            chromaticity: ``(rows, columns, 2)``, u' and v'.
            red: whether the state is a saturated red.
        """
        if self._at_red is None or self._last is None:
            self._at_red, self._last = red.copy(), chromaticity.copy()
            return np.zeros(red.shape, np.int8)
        away = np.hypot(*np.moveaxis(chromaticity - self._last, -1, 0)) > self._distance
        comes, goes = red & ~self._at_red & away, ~red & self._at_red & away
        # The extreme of each state since it came: the reddest red, and what is farthest from red.
        redder = chromaticity[..., 0] > self._last[..., 0]
        kept = np.where(self._at_red, red & redder, ~redder) | comes | goes
        self._last[kept] = chromaticity[kept]
        self._at_red = (self._at_red & ~goes) | comes
        return np.asarray(comes.astype(np.int8) - goes.astype(np.int8), np.int8)


@dataclass(frozen=True, eq=False)
class Transitions:
    """What a frame adds to the count.

    Attributes:
        counts: transitions of each cell within a second, those of this frame included.
        area: share of the cells that changed in the same direction about then, 0 to 1.
    """

    counts: npt.NDArray[np.int16]
    area: float


class Recent:
    """Transitions of the last second that many cells have together.

    A transition counts where, in the frames from one before to one after it, a share of the cells larger than
    ``area`` has one in the same direction: in one frame alone, or in the three together beyond those that have
    one in the other direction. What moves past makes as many cells brighter as darker, a few in each frame. A
    transition is counted one frame late.

    Args:
        frames: as many as a second has, 1 or more.
        area: share, 0 to 1.
    """

    def __init__(self, frames: int, area: float) -> None:
        self._frames, self._area = frames, area
        self._waiting: deque[Signs] = deque()
        self._counted: deque[Signs] = deque()
        self._counts: npt.NDArray[np.int16] | None = None

    def take(self, signs: Signs | None) -> Transitions | None:
        """Add a frame; the result is of the frame before. None at the first.

        Args:
            signs: of each cell; None after the last frame.
        """
        if signs is not None:
            self._waiting.append(signs)
        at = len(self._waiting) - (1 if signs is None else 2)
        if at < 0 or not self._waiting:
            return None
        here, near = self._waiting[at], list(self._waiting)[max(0, at - 1) :]
        together = np.zeros(here.shape, np.int8)
        largest = 0.0
        shares = {sign: float(np.mean(np.any([plane == sign for plane in near], axis=0))) for sign in (1, -1)}
        for sign in (1, -1):
            at_once = max(float(np.mean(plane == sign)) for plane in near)
            area = max(at_once, shares[sign] - shares[-sign])
            largest = max(largest, area)
            if area > self._area:
                together[here == sign] = sign
        if self._counts is None:
            self._counts = np.zeros(here.shape, np.int16)
        self._counts += together != 0
        self._counted.append(together)
        if len(self._counted) > self._frames:
            self._counts -= self._counted.popleft() != 0
        if at >= 1 or signs is None:
            self._waiting.popleft()
        return Transitions(self._counts.copy(), largest)
