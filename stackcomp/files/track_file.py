"""Track files: where points of a plate are, frame by frame.

    {"stackcomp_track": 1, "about": "", "width": 512, "height": 288, "reference": 1003,
     "points": {"bench_left": {"1001": [151.20, 93.71, 0.02], "1002": null, "1003": [152.5, 94.0, 0]}}}

A position is ``[x, y]`` or ``[x, y, disagreement]``: pixels of the plate at full size, x right and y down, with
pixel centres at half pixels, as in homographies. The disagreement, in pixels, is how far from its start the point
ends when it is tracked to that frame and back. ``null`` says that the point is lost or hidden at that frame; its
place is never guessed. ``reference`` is the frame for which pictures and shapes that follow the points are made,
unless a node says otherwise.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping, Set
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from stackcomp.errors import BadValueError, shown
from stackcomp.files.file_state import FileState
from stackcomp.files.mark import program
from stackcomp.files.side_file import side_file

__all__ = ["Position", "TrackFile", "read_track", "track_text"]

Position = tuple[float, float]

_FRAME = re.compile(r"0|-?[1-9][0-9]{0,8}")
#: Pixels from the origin at the most, as for every coordinate in a graph.
_FARTHEST = 1e5


class TrackFile(BaseModel):
    """What a track file holds; see the module's text."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    version: Annotated[Literal[1], Field(alias="stackcomp_track", description="Version of the format.")]
    about: str = ""
    program: Annotated[str, Field(description="Which program wrote the file; changes nothing.")] = ""
    width: Annotated[int, Field(ge=1, le=65536, description="Width of the plate, in pixels.")]
    height: Annotated[int, Field(ge=1, le=65536, description="Height of the plate, in pixels.")]
    reference: Annotated[int, Field(description="The frame for which pictures that follow are made.")]
    points: Annotated[
        dict[str, dict[str, tuple[float, ...] | None]],
        Field(description="Positions by name of the point and frame."),
    ]

    @field_validator("points")
    @classmethod
    def _can_be_followed(
        cls, points: dict[str, dict[str, tuple[float, ...] | None]]
    ) -> dict[str, dict[str, tuple[float, ...] | None]]:
        if not points:
            raise BadValueError("has no point in it", 'write "points": {"name": {"1001": [x, y]}}')
        for name, places in points.items():
            if not name.strip():
                raise BadValueError("has a point whose name is empty", "give each point a name")
            for frame, place in places.items():
                if not _FRAME.fullmatch(frame):
                    raise BadValueError(
                        f'has the point "{name}" at {shown(frame)}, which is not a frame number',
                        'write a whole number in quotes, such as "1001"',
                    )
                _look_at(name, frame, place)
        return points

    @cached_property
    def _by_frame(self) -> dict[int, dict[str, Position]]:
        found: dict[int, dict[str, Position]] = {}
        for name, places in self.points.items():
            for frame, place in places.items():
                here = found.setdefault(int(frame), {})
                if place is not None:
                    here[name] = (place[0], place[1])
        return found

    @property
    def frames(self) -> Set[int]:
        """Frames that the file speaks of; points may be lost at them."""
        return self._by_frame.keys()

    def positions(self, frame: int) -> Mapping[str, Position]:
        """The points that are known at a frame, by name: ``(x, y)`` in pixels of the plate at full size."""
        return self._by_frame.get(frame, {})


def _look_at(name: str, frame: str, place: tuple[float, ...] | None) -> None:
    """Check one position.

    Raises:
        BadValueError: not two or three numbers, far outside of any picture, a negative disagreement.
    """
    if place is None:
        return
    at = f'has the point "{name}" at frame {frame}'
    if len(place) not in (2, 3):
        raise BadValueError(
            f"{at} with {len(place)} numbers", "write [x, y], or [x, y, disagreement], or null where it is lost"
        )
    if max(abs(place[0]), abs(place[1])) > _FARTHEST:
        raise BadValueError(
            f"{at} at {shown(list(place[:2]))}", f"give coordinates within ±{_FARTHEST:.0f} pixels"
        )
    if len(place) == 3 and place[2] < 0:
        raise BadValueError(f"{at} with a disagreement of {place[2]:g} pixels", "give 0 or more")


def read_track(path: Path, opened: dict[Path, FileState] | None = None) -> TrackFile:
    """Return what a track file holds; it is read once for each of its states.

    Args:
        path: the file.
        opened: files of a frame and their states, see `stackcomp.files.side_file`.

    Raises:
        FileError: it cannot be read, or is no track.
    """
    return side_file(path, TrackFile, "track", opened)


def track_text(
    size: tuple[int, int],
    reference: int,
    points: Mapping[str, Mapping[int, tuple[float, float, float] | None]],
    about: str = "",
) -> str:
    """Return the text of a track file, one position a line.

    Args:
        size: width and height of the plate, in pixels.
        reference: the frame for which pictures that follow are made.
        points: by name and frame: x, y and disagreement, in pixels, or None where the point is lost.
        about: a note for people.
    """
    head: dict[str, Any] = {
        "stackcomp_track": 1,
        "program": program(),
        "about": about,
        "width": size[0],
        "height": size[1],
    }
    lines = [f"  {_json(key)}: {_json(value)}," for key, value in {**head, "reference": reference}.items()]
    blocks = [_block(name, places, sorted(places)) for name, places in points.items()]
    return "\n".join(["{", *lines, '  "points": {', ",\n".join(blocks), "  }", "}"]) + "\n"


def _json(value: str | int) -> str:
    return json.dumps(value, ensure_ascii=False)


def _block(name: str, places: Mapping[int, tuple[float, float, float] | None], frames: Collection[int]) -> str:
    """One point; positions in steps of 0.0001 px, far below what any track can know."""
    rows = []
    for frame in frames:
        place = places[frame]
        text = "null" if place is None else json.dumps([round(float(number), 4) for number in place])
        rows.append(f'      "{frame}": {text}')
    return f"    {_json(name)}: {{\n" + ",\n".join(rows) + "\n    }"
