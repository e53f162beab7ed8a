"""A frame of the plate with the tracks drawn on it."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.files.atomic import whole_file
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.mark import Mark, in_png
from stackcomp.files.viewable import viewable
from stackcomp.track.point import Track

__all__ = ["draw_tracks", "write_picture"]

_WIDTH = 1280  # narrower plates are enlarged by a whole factor, so that lines do not hide them
_DIM = 0.7
_LINE, _PALE, _SHADE = (255, 214, 120), (150, 122, 62), (20, 16, 8)

_Points = list[tuple[float, float]]


def draw_tracks(
    image: Image, tracks: Sequence[Track], frame: int, pattern: int, *, config: str = DEFAULT_CONFIG
) -> npt.NDArray[np.uint8]:
    """The frame through a display view, with each point's pattern, its path over all frames, and its name.

    A path has a gap where the point is lost. Points that are lost at this frame are listed at the bottom.

    Args:
        image: the frame of the plate.
        tracks: in pixels of the display window.
        frame: its number.
        pattern: pixels of a side of the pattern.
        config: colour config for the view.

    Returns:
        ``(height, width, 3)``, 8-bit display values.
    """
    from PIL import Image as Canvas
    from PIL import ImageDraw, ImageFont

    shown = (viewable(image, config=config) * np.float32(_DIM)).astype(np.uint8)
    factor = max(1, -(-_WIDTH // max(1, shown.shape[1])))
    canvas = Canvas.fromarray(shown.repeat(factor, axis=0).repeat(factor, axis=1))
    pen = ImageDraw.Draw(canvas)
    font = ImageFont.load_default(max(13, canvas.width // 80))
    for track in tracks:
        for run in _paths(track, factor):
            _line(pen, run, _PALE)
    lost = []
    for track in tracks:
        place = track.places.get(frame)
        if place is None:
            lost.append(track.name)
            continue
        x, y, half = place.x * factor, place.y * factor, pattern * factor / 2
        corners = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
        _line(pen, [*corners, corners[0]], _LINE)
        arm = max(3, factor)
        _line(pen, [(x - arm, y), (x + arm, y)], _LINE)
        _line(pen, [(x, y - arm), (x, y + arm)], _LINE)
        _words(pen, font, track.name, (x - half, y - half), canvas.size)
    text = f"frame {frame}" + (f"   lost: {', '.join(lost)}" if lost else "")
    _words(pen, font, text, (8, canvas.height), canvas.size)
    return np.asarray(canvas, np.uint8)


def _paths(track: Track, factor: int) -> list[_Points]:
    """The runs of a path that have no gap, in pixels of the drawing."""
    runs: list[_Points] = [[]]
    for place in track.places.values():
        if place is None:
            runs.append([])
        else:
            runs[-1].append((place.x * factor, place.y * factor))
    return [run for run in runs if len(run) > 1]


def _line(pen: Any, points: _Points, colour: tuple[int, int, int]) -> None:
    pen.line(points, fill=_SHADE, width=3, joint="curve")
    pen.line(points, fill=colour, width=1, joint="curve")


def _words(pen: Any, font: Any, words: str, corner: tuple[float, float], size: tuple[int, int]) -> None:
    """A label above a corner, kept inside of the picture."""
    left, top, right, bottom = pen.textbbox((0, 0), words, font=font)
    width, height = right - left + 8, bottom - top + 6
    x = min(max(0.0, corner[0]), max(0.0, size[0] - width))
    y = min(max(0.0, corner[1] - height - 2), max(0.0, size[1] - height))
    pen.rectangle((x, y, x + width, y + height), fill=_SHADE)
    pen.text((x + 4 - left, y + 3 - top), words, font=font, fill=_LINE)


def write_picture(path: Path, picture: npt.NDArray[np.uint8]) -> None:
    """Write 8-bit RGB as a PNG, whole or not at all.

    Raises:
        FileError: it cannot be written.
    """
    from PIL import Image as Canvas

    encoded = io.BytesIO()
    Canvas.fromarray(picture).save(encoded, format="PNG")
    with whole_file(path) as unfinished:
        unfinished.write_bytes(in_png(encoded.getvalue(), Mark("measurement")))
