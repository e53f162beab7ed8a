"""Pictures with the places of findings marked, to look at.

A place is framed by its four corners, so that nothing inside is covered, with the name of the check and what was
measured beside it. A place that is small in its picture is shown enlarged in a corner as well.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.deliver.lettering import CAPITAL, DESCENT, Picture, draw, shortened, text_width
from stackcomp.files.atomic import whole_file
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.mark import Mark, in_png
from stackcomp.files.viewable import viewable
from stackcomp.inspection.finding import Finding

__all__ = ["file_name", "file_names", "marked", "write_marked"]

#: Narrower pictures are enlarged by a whole factor, so that lines and letters do not hide them.
_WIDTH = 960
#: A place whose longer side is less than this part of the picture's width is shown enlarged too.
_SMALL = 1 / 14
#: Side of the enlarged part in parts of the shorter side of the picture, and the least pixels of the file across
#: it.
_ENLARGED, _LEAST_AROUND = 0.24, 24
_LINE = np.array([1.0, 0.84, 0.47], np.float32)
_SHADE = np.array([0.08, 0.06, 0.03], np.float32)
_LETTERS = 0.93
#: Bytes of a file's name without frame and ending; disks take 255 in all.
_LONGEST_NAME = 180


@dataclass(frozen=True)
class _Box:
    """A rectangle in pixels of the drawn picture; x1 and y1 are exclusive."""

    x0: int
    y0: int
    x1: int
    y1: int


def file_name(name: str, frame: int | None) -> str:
    """The file of a marked picture: ``shots_cg.1004.png`` for frame 1004 of ``shots/cg.{frame:04d}.exr``."""
    stem = re.sub(r"^node \"(.*)\"$", r"\1", name)
    stem = re.sub(r"\{frame[^}]*\}|%0?\d*d|\{\{|\}\}", "", stem)
    stem = re.sub(r"\.[A-Za-z]{3,4}$", "", stem)
    plain = re.sub(r"[^\w.-]+", "_", stem.replace("\\", "/").strip("./")).strip("._-") or "picture"
    # The end of a long path tells more than its beginning.
    plain = plain.encode()[-_LONGEST_NAME:].decode(errors="ignore").lstrip("._-")
    return f"{plain}.png" if frame is None else f"{plain}.{frame:04d}.png"


def file_names(pictures: Iterable[tuple[str, int | None]]) -> dict[tuple[str, int | None], str]:
    """A file of its own for each picture: ``a.png``, and ``a_2.png`` where ``a.exr`` and ``a.tif`` are marked.

    Args:
        pictures: names and frames, as in `file_name`.
    """
    found: dict[tuple[str, int | None], str] = {}
    taken: set[str] = set()
    for name, frame in pictures:
        if (name, frame) in found:
            continue
        first = own = file_name(name, frame)
        number = 1
        # Some disks do not tell capitals from small letters.
        while own.casefold() in taken:
            number += 1
            plain, dot, rest = first.rpartition("." if frame is None else f".{frame:04d}.")
            own = f"{plain}_{number}{dot}{rest}"
        found[name, frame] = own
        taken.add(own.casefold())
    return found


def marked(
    image: Image, findings: Sequence[Finding], *, stops: float = 0.0, config: str = DEFAULT_CONFIG
) -> npt.NDArray[np.uint8]:
    """The frame through a display view, with the places of findings marked.

    Args:
        image: a picture of any type.
        findings: those about it; what has no place is written at the top.
        stops: viewing exposure in stops.
        config: colour config of the view.

    Returns:
        ``(height, width, 3)``, 8-bit display values; enlarged by a whole factor where the picture is small.
    """
    frame = image.display | image.window if _outside(image, findings) else image.display
    shown = viewable(replace(image, display=frame), stops=stops, config=config)
    factor = max(1, math.ceil(_WIDTH / max(1, frame.width)))
    plain = shown.repeat(factor, axis=0).repeat(factor, axis=1)
    picture: Picture = plain.astype(np.float32) / np.float32(255)
    size = max(15.0, picture.shape[1] / 64)
    boxes = [_box(finding.place, frame, factor) for finding in findings]
    for box in boxes:
        if box is not None:
            _corners(picture, _grown(box, picture, size), size)
    taken: list[_Box] = []
    top = 0
    for finding, box in zip(findings, boxes, strict=True):
        words = f"{finding.level} {finding.check}: {finding.message}"
        if box is None:
            top = _words(picture, words, 0, top, size, taken)
        else:
            grown = _grown(box, picture, size)
            _words(picture, words, grown.x0, _free_row(picture, grown, size, taken), size, taken)
    both = zip(findings, boxes, strict=True)
    small = [(finding, box) for finding, box in both if box is not None and _is_small(box, picture)]
    for number, (finding, box) in enumerate(small[:2]):
        _enlarged(picture, plain, box, finding.check, factor, size, taken, number)
    return np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8)


def write_marked(path: Path, picture: npt.NDArray[np.uint8]) -> None:
    """Write a marked picture as PNG, whole or not at all.

    Raises:
        FileError: it cannot be written.
    """
    from PIL import Image as Canvas

    encoded = BytesIO()
    Canvas.fromarray(picture).save(encoded, format="PNG")
    with whole_file(path) as unfinished:
        unfinished.write_bytes(in_png(encoded.getvalue(), Mark("measurement")))


def _outside(image: Image, findings: Sequence[Finding]) -> bool:
    """Whether a place lies in overscan beyond the frame."""
    return any(finding.place is not None and finding.place not in image.display for finding in findings)


def _box(place: Window | None, frame: Window, factor: int) -> _Box | None:
    inside = None if place is None else place & frame
    if inside is None or inside.empty or inside == frame:
        return None
    x0, y0 = (inside.x0 - frame.x0) * factor, (inside.y0 - frame.y0) * factor
    return _Box(x0, y0, x0 + inside.width * factor, y0 + inside.height * factor)


def _grown(box: _Box, picture: Picture, size: float) -> _Box:
    """The box with a margin, and large enough to be seen."""
    height, width = picture.shape[:2]
    margin = round(size * 0.4)
    least = round(size * 1.6)
    across = max(margin, (least - (box.x1 - box.x0)) // 2)
    down = max(margin, (least - (box.y1 - box.y0)) // 2)
    return _Box(
        max(0, box.x0 - across), max(0, box.y0 - down), min(width, box.x1 + across), min(height, box.y1 + down)
    )


def _corners(picture: Picture, box: _Box, size: float) -> None:
    """Draw the four corners of a box, dark below light, so that they show on any ground."""
    line = max(2, round(size / 8))
    arm = max(3 * line, min(round(size * 1.4), (box.x1 - box.x0) // 3, (box.y1 - box.y0) // 3))
    for grow, colour in ((max(1, line // 2), _SHADE), (0, _LINE)):
        for x, inward_x in ((box.x0, 1), (box.x1, -1)):
            for y, inward_y in ((box.y0, 1), (box.y1, -1)):
                _fill(picture, *_span(x, inward_x * arm, grow), *_span(y, inward_y * line, grow), colour)
                _fill(picture, *_span(x, inward_x * line, grow), *_span(y, inward_y * arm, grow), colour)


def _span(start: int, length: int, grow: int) -> tuple[int, int]:
    low, high = min(start, start + length), max(start, start + length)
    return low - grow, high + grow


def _fill(picture: Picture, x0: int, x1: int, y0: int, y1: int, colour: npt.NDArray[np.float32]) -> None:
    picture[max(0, y0) : max(0, y1), max(0, x0) : max(0, x1)] = colour


def _height(size: float) -> int:
    return round(size * (CAPITAL + DESCENT) + size * 0.5)


def _free_row(picture: Picture, box: _Box, size: float, taken: Sequence[_Box]) -> int:
    """A row for words above a box, or below it where there is no room or other words are."""
    high = _height(size)
    gap = round(size * 0.3)
    candidates = [box.y0 - gap - high, box.y1 + gap]
    candidates += [box.y1 + gap + k * high for k in range(1, 6)] + [box.y0 - gap - k * high for k in range(2, 6)]
    for row in candidates:
        if row < 0 or row + high > picture.shape[0]:
            continue
        if all(row + high <= other.y0 or row >= other.y1 for other in taken):
            return row
    return int(np.clip(candidates[0], 0, max(0, picture.shape[0] - high)))


def _words(picture: Picture, words: str, x: int, y: int, size: float, taken: list[_Box]) -> int:
    """Draw words on a dark strip, moved left where they would leave the picture; return the row below."""
    height, width = picture.shape[:2]
    pad = round(size * 0.35)
    line = shortened(words, width - 2 * pad, size, "medium")
    across = math.ceil(text_width(line, size, "medium")) + 2 * pad
    left, high = int(np.clip(x, 0, max(0, width - across))), _height(size)
    strip = picture[y : y + high, left : left + across]
    strip *= 0.25
    strip += _SHADE * np.float32(0.75)
    draw(picture, line, left + pad, y + round(size * (CAPITAL + 0.25)), size, grey=_LETTERS, weight="medium")
    taken.append(_Box(left, y, min(width, left + across), min(height, y + high)))
    return y + high


def _is_small(box: _Box, picture: Picture) -> bool:
    width: int = picture.shape[1]
    return max(box.x1 - box.x0, box.y1 - box.y0) < _SMALL * width


def _enlarged(
    picture: Picture,
    plain: npt.NDArray[np.uint8],
    box: _Box,
    words: str,
    scale: int,
    size: float,
    taken: list[_Box],
    number: int,
) -> None:
    """Show the surroundings of a small place enlarged by a whole factor, in a corner away from it."""
    height, width = picture.shape[:2]
    side = round(min(width, height) * _ENLARGED)
    longest = max(box.x1 - box.x0, box.y1 - box.y0)
    factor = max(2, side // max(_LEAST_AROUND * scale, 2 * longest))
    across = side // factor
    middle = (box.x0 + box.x1) // 2, (box.y0 + box.y1) // 2
    x0 = int(np.clip(middle[0] - across // 2, 0, width - across))
    y0 = int(np.clip(middle[1] - across // 2, 0, height - across))
    part = plain[y0 : y0 + across, x0 : x0 + across].repeat(factor, axis=0).repeat(factor, axis=1)
    margin, line = round(size * 0.8), max(2, round(size / 8))
    left = width - margin - part.shape[1] if middle[0] < width / 2 else margin
    rows = [height - margin - part.shape[0], margin]
    if middle[1] > height / 2:
        rows.reverse()
    frames = [_Box(left, row, left + part.shape[1], row + part.shape[0]) for row in rows]
    free = [frame for frame in frames if not any(_overlap(frame, other) for other in taken)]
    frame = (free or [frames[number % 2]])[0]
    taken.append(frame)
    _fill(picture, frame.x0 - 2 * line, frame.x1 + 2 * line, frame.y0 - 2 * line, frame.y1 + 2 * line, _SHADE)
    _fill(picture, frame.x0 - line, frame.x1 + line, frame.y0 - line, frame.y1 + line, _LINE)
    picture[frame.y0 : frame.y1, frame.x0 : frame.x1] = part.astype(np.float32) / np.float32(255)
    _words(picture, f"{words} ×{factor * scale}", frame.x0, frame.y1 - _height(size), size, [])


def _overlap(one: _Box, other: _Box) -> bool:
    return one.x0 < other.x1 and other.x0 < one.x1 and one.y0 < other.y1 and other.y0 < one.y1
