"""Tracks with less noise: each place from a parabola through those around it.

Source: Savitzky and Golay, Smoothing and Differentiation of Data by Simplified Least Squares Procedures, 1964.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from stackcomp.track.point import Place, Track

__all__ = ["smoothed"]


def smoothed(track: Track, frames: int) -> Track:
    """Return a track with each place from a parabola, fitted to the frames around it.

    Gaps stay gaps, and nothing is fitted across them. A movement that is a parabola over time does not change.

    Args:
        track: of any frames, also where some are left out between them.
        frames: how many frames a parabola is fitted to, odd, 5 or more. A run of fewer is taken whole; fewer than
            4 stay as they are.
    """
    places = dict(track.places)
    for run in _runs(track):
        size = min(frames, len(run))
        if size < 4:
            continue
        xy = np.array([[place.x, place.y] for _, place in run])
        numbers = np.array([frame for frame, _ in run], dtype=np.float64)
        for k, (frame, place) in enumerate(run):
            # At the ends of a run the parabola of the first or last frames goes on.
            first = min(max(0, k - size // 2), len(run) - size)
            times = numbers[first : first + size] - frame
            design = np.stack([np.ones(size), times, times**2], axis=1)
            x, y = np.linalg.lstsq(design, xy[first : first + size], rcond=None)[0][0]
            places[frame] = replace(place, x=float(x), y=float(y))
    return replace(track, places=places)


def _runs(track: Track) -> Iterator[Sequence[tuple[int, Place]]]:
    """Frames without a gap."""
    run: list[tuple[int, Place]] = []
    for frame, place in track.places.items():
        if place is not None:
            run.append((frame, place))
        elif run:
            yield run
            run = []
    if run:
        yield run
