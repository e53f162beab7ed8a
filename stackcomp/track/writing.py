"""The files that tracking writes: the track, and pictures of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stackcomp.files.atomic import whole_file
from stackcomp.files.paths import FramePath
from stackcomp.files.track_file import track_text
from stackcomp.track.drawing import draw_tracks, write_picture
from stackcomp.track.plate import Plate
from stackcomp.track.point import Track

__all__ = ["write_pictures", "write_track"]


def write_track(path: Path, plate: Plate, tracks: Sequence[Track], first: int, about: str) -> None:
    """Write a track file, whole or not at all.

    Args:
        path: the file.
        plate: what was tracked.
        tracks: in pixels of the display window; the file has those of the picture, where the two differ.
        first: the frame in which the points were given.
        about: a note for people.

    Raises:
        FileError: it cannot be written.
    """
    x, y = plate.display.x0, plate.display.y0
    points = {
        track.name: {
            frame: None if place is None else (place.x + x, place.y + y, place.disagreement)
            for frame, place in track.places.items()
        }
        for track in tracks
    }
    with whole_file(path) as unfinished:
        size = plate.display.width, plate.display.height
        unfinished.write_text(track_text(size, first, points, about), encoding="utf-8")


def write_pictures(
    path: str, plate: Plate, tracks: Sequence[Track], first: int, pattern: int, config: str
) -> list[str]:
    """Write a picture of the first frame with the tracks, or where the path has a frame token one for each frame.

    Returns:
        The files.

    Raises:
        FileError: one cannot be written, or a frame cannot be read again.
    """
    name = FramePath(path)
    written = []
    for frame in plate.frames if name.has_frame else (first,):
        drawn = draw_tracks(plate.picture(frame), tracks, frame, pattern, config=config)
        written.append(name.for_frame(frame))
        write_picture(Path(written[-1]), drawn)
    return written
