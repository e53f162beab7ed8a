"""What became of each point, for people and programs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.data.frames import format_frames
from stackcomp.track.point import Track

__all__ = ["Summary", "all_lost_at", "summary_of"]


@dataclass(frozen=True)
class Summary:
    """What became of a point.

    Attributes:
        name: of the point.
        found: how many frames it was found at.
        frames: how many frames there are.
        lost: frames at which it is lost, as text: ``1003-1005,1009``; empty where it never is.
        mean: disagreement of there and back, in pixels, over the frames but the given one.
        largest: the largest of them.
        largest_at: its frame.
        doubt: a sentence about the pattern; may be empty.
    """

    name: str
    found: int
    frames: int
    lost: str
    mean: float
    largest: float
    largest_at: int
    doubt: str

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "point": self.name,
            "found": self.found,
            "frames": self.frames,
            "lost": self.lost,
            "mean_disagreement": round(self.mean, 4),
            "largest_disagreement": round(self.largest, 4),
            "largest_at": self.largest_at,
            "doubt": self.doubt,
        }


def summary_of(track: Track, given: int) -> Summary:
    """What became of a point that was given in a frame."""
    off = {frame: place.disagreement for frame, place in track.places.items() if place and frame != given}
    worst = max(off, key=lambda frame: off[frame], default=given)
    lost = [frame for frame, place in track.places.items() if place is None]
    return Summary(
        track.name,
        len(track.places) - len(lost),
        len(track.places),
        format_frames(lost),
        float(np.mean(list(off.values()))) if off else 0.0,
        off.get(worst, 0.0),
        worst,
        track.doubt,
    )


def all_lost_at(tracks: Sequence[Track], given: int) -> int | None:
    """The frame nearest to the given one from which on no point is ever found again; None where there is none.

    With two points or more that is the sign of a cut, or of a picture that is something else.
    """
    frames = list(tracks[0].places) if len(tracks) > 1 else []
    found = {frame for track in tracks for frame, place in track.places.items() if place is not None}
    after = [frame for frame in frames if found and frame > max(found)]
    before = [frame for frame in frames if found and frame < min(found)]
    ends = [*after[:1], *before[-1:]]
    return min(ends, key=lambda frame: abs(frame - given)) if ends else None
