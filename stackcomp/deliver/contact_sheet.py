"""Contact sheets: many pictures with labels in one, on a neutral dark grey.

Pictures are taken one at a time and made small at once, so that only one of them is in memory. They are averaged
over the areas that thumbnail pixels cover, in light, with the curve of sRGB (IEC 61966-2-1): the thumbnail of a
fine pattern is as bright as the pattern from a distance. Pictures smaller than their cell are enlarged by cubic
interpolation, in light too. All pictures have square pixels; each is as large as its cell allows, undistorted, in
the middle of the cell.

A sheet is a title, and rows of cells with a label under each. A cell without a picture is an outlined field with
the reason in it.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.check.originals import Reading, Writing, refusals
from stackcomp.data.arguments import value_text
from stackcomp.data.image import Plane
from stackcomp.data.window import Window
from stackcomp.deliver.lettering import CAPITAL, cleaned, draw, shortened, text_width
from stackcomp.errors import ArgumentError, FileError
from stackcomp.files import stills
from stackcomp.files.mark import Mark
from stackcomp.kernels.resample import shrink
from stackcomp.kernels.strips import over_strips

__all__ = [
    "LARGEST",
    "Cell",
    "SheetLayout",
    "check_sheet",
    "chosen",
    "contact_sheet",
    "sheet_layout",
    "thumbnail",
    "write_sheet",
]

Picture = npt.NDArray[np.float32]

LARGEST = 1 << 28
"""Largest number of pixels of a sheet, at which it takes 3 GiB of memory."""

# Largest width and height of the JPEG library; the format has 16 bits for each (ITU-T T.81, B.2.2).
_LARGEST_JPEG = 65500
# Code values: ground, empty cells and their outline, letters in three degrees.
_GROUND, _EMPTY, _OUTLINE, _DIM, _USUAL, _BRIGHT = 0.16, 0.12, 0.30, 0.62, 0.88, 0.95
# Width through height that a sheet with columns chosen by itself is near to.
_SHAPE = 1.7
_NARROWEST, _EXTREME_ASPECT = 8, 50.0


@dataclass(frozen=True)
class Cell:
    """One picture of a sheet.

    Attributes:
        label: what stands under it, such as the frame number.
        picture: float ``(height, width, 3)``, display-encoded, 0 to 1; None where there is none.
        reason: why there is none, in a few words.
    """

    label: str
    picture: npt.ArrayLike | None
    reason: str = ""


@dataclass(frozen=True)
class SheetLayout:
    """Where the things on a sheet are, in pixels.

    Attributes:
        width: of the sheet.
        height: of the sheet.
        columns: cells in a row.
        cells: windows of the cells, without their labels.
        margin: distance to the edge of the sheet.
        title_size: size of the letters of the title; 0 without a title.
        label_size: size of the letters of labels.
    """

    width: int
    height: int
    columns: int
    cells: tuple[Window, ...]
    margin: int
    title_size: int
    label_size: int


def chosen(count: int, most: int) -> list[int]:
    """Return which of ``count`` things to show where ``most`` have room: at equal distances, with both ends.

    Args:
        count: number of things, from 0.
        most: how many may be shown, from 1. One shows that in the middle.

    Returns:
        Indices in ascending order; all where there is room.

    Raises:
        ArgumentError: a number out of range.
    """
    _whole("count", count, 0)
    _whole("most", most, 1)
    if count <= most:
        return list(range(count))
    if most == 1:
        return [count // 2]
    # Rounded by whole numbers, half up.
    return [(2 * k * (count - 1) + most - 1) // (2 * (most - 1)) for k in range(most)]


def sheet_layout(
    count: int,
    *,
    aspect: float = 16 / 9,
    width: int = 1920,
    thumbnail_width: int | None = None,
    columns: int | None = None,
    title: bool = True,
) -> SheetLayout:
    """Return the layout of a sheet.

    Args:
        count: number of cells, from 1.
        aspect: width of a cell through its height.
        width: of the sheet in pixels; of no account with ``thumbnail_width``.
        thumbnail_width: width of a cell in pixels; the width of the sheet follows from it.
        columns: cells in a row; when None, chosen for the shape of a screen and a full last row.
        title: whether there is a title.

    Raises:
        ArgumentError: a number out of range, cells narrower than 8 pixels, or a sheet above `LARGEST`.
    """
    _whole("count", count, 1)
    _whole("width", width, 64)
    if columns is not None:
        _whole("columns", columns, 1)
    if thumbnail_width is not None:
        _whole("thumbnail_width", thumbnail_width, _NARROWEST)
    if not 1 / _EXTREME_ASPECT <= aspect <= _EXTREME_ASPECT:
        raise ArgumentError("aspect", f"{value_text(aspect)} is not the shape of a picture", "such as 16 / 9")
    if columns is None:
        columns = _columns(count, aspect, width if thumbnail_width is None else None)
    if thumbnail_width is None:
        margin = max(8, round(width / 50))
        gap = _gap((width - 2 * margin) / columns)
        across = (width - 2 * margin - gap * (columns - 1)) // columns
        if across < _NARROWEST:
            raise ArgumentError(
                "columns", f"{columns} columns do not fit into {width} pixels", "give fewer, or a larger width"
            )
    else:
        across, gap = thumbnail_width, _gap(thumbnail_width * 1.05)
        margin = max(8, round((across + gap) * columns / 48))
        width = across * columns + gap * (columns - 1) + 2 * margin
    down = max(1, round(across / aspect))
    label = min(max(12, round(across / 20)), 48)
    title_size = max(16, round(width / 64)) if title else 0
    top = margin + (round(2.1 * title_size) if title else 0)
    rows, step = -(-count // columns), down + round(1.75 * label) + gap
    height = top + rows * step - gap + max(0, margin - label // 2)
    if width * height > LARGEST:
        raise ArgumentError(
            "count",
            f"{count} cells of {across} × {down} pixels make a sheet of {width} × {height}, over {LARGEST} pixels",
            "show fewer frames, or make them smaller",
        )
    # What whole pixels leave over is shared by both sides.
    left = margin + (width - 2 * margin - across * columns - gap * (columns - 1)) // 2
    corners = [(left + k % columns * (across + gap), top + k // columns * step) for k in range(count)]
    cells = tuple(Window(x, y, x + across, y + down) for x, y in corners)
    return SheetLayout(width, height, columns, cells, margin, title_size, label)


def _gap(across: float) -> int:
    return min(max(6, round(across / 24)), 64)


def _columns(count: int, aspect: float, width: int | None) -> int:
    """Columns that give a sheet of a good shape, if possible with a full last row."""
    most = count if width is None else max(1, min(count, width // 120))

    def fault(columns: int) -> float:
        rows = -(-count // columns)
        empty = rows * columns - count
        shape = columns * 1.05 * aspect / (rows * (1 + 0.15 * aspect))
        return abs(math.log(shape / _SHAPE)) + (0.15 + empty / columns / (rows + 1) if empty else 0)

    return min(range(1, most + 1), key=fault)


def contact_sheet(
    cells: Iterable[Cell],
    *,
    count: int,
    title: str = "",
    note: str = "",
    width: int = 1920,
    thumbnail_width: int | None = None,
    columns: int | None = None,
    aspect: float | None = None,
) -> Picture:
    """Return a contact sheet.

    Args:
        cells: the pictures in their order. They are taken one at a time, and none is kept.
        count: their number.
        title: above them, on the left.
        note: above them, on the right, in smaller letters.
        width: see `sheet_layout`.
        thumbnail_width: see `sheet_layout`.
        columns: see `sheet_layout`.
        aspect: width of a cell through its height; when None, that of the first picture.

    Returns:
        float32 ``(height, width, 3)``, display-encoded.

    Raises:
        ArgumentError: as in `sheet_layout`; also another number of cells than ``count``, or something in a cell
            that is not a picture.
        RequestError: the font is not installed.
    """
    waiting = iter(cells)
    if aspect is None:
        aspect, waiting = _first_aspect(waiting)
    layout = sheet_layout(
        count,
        aspect=aspect,
        width=width,
        thumbnail_width=thumbnail_width,
        columns=columns,
        title=bool(cleaned(title + note).strip()),
    )
    sheet = np.full((layout.height, layout.width, 3), _GROUND, np.float32)
    if layout.title_size:
        _head(sheet, layout, title, note)
    number = 0
    for cell in waiting:
        if number == count:
            raise ArgumentError("count", f"there are more than {count} cells", "give their number")
        _fill(sheet, layout, layout.cells[number], cell)
        number += 1
        # Else the picture would stay in memory while the next one is made.
        del cell
    if number < count:
        raise ArgumentError("count", f"there are {number} cells, not {count}", "give their number")
    return sheet


def check_sheet(path: str | os.PathLike[str], layout: SheetLayout) -> None:
    """Make sure that a file can hold a sheet, before pictures are made.

    Args:
        path: the file; its suffix decides the format.
        layout: of the sheet.

    Raises:
        FileError: the sheet is larger than its format allows.
    """
    _check_size(Path(path), layout.width, layout.height)


def write_sheet(
    path: str | os.PathLike[str],
    sheet: Picture,
    mark: Mark,
    *,
    bits: int = 8,
    quality: int = 95,
    readings: Iterable[Reading] = (),
    replace_foreign: bool = False,
) -> None:
    """Write a sheet: PNG, JPEG or TIFF, whole or not at all.

    Args:
        path: the file.
        sheet: float ``(height, width, 3)``, display-encoded.
        mark: of the program.
        bits: see `stackcomp.files.stills.write`.
        quality: of JPEG.
        readings: what must not be written over, such as the files that it shows.
        replace_foreign: whether a file that this program did not write may be replaced.

    Raises:
        FileError: the format cannot hold it, the file there must stay, or it cannot be written.
    """
    path = Path(path)
    _check_size(path, sheet.shape[1], sheet.shape[0])
    for problem in refusals([Writing(path, mark)], readings, replace_foreign=replace_foreign):
        raise FileError(path, problem.message, problem.way_out)
    stills.write(path, sheet, bits, quality=quality, mark=mark)


def _check_size(path: Path, width: int, height: int) -> None:
    size = f"the sheet has {width} × {height} pixels"
    if path.suffix.lower() in (".jpg", ".jpeg") and max(width, height) > _LARGEST_JPEG:
        raise FileError(
            path, f"{size}, but JPEG holds {_LARGEST_JPEG} in each direction", "write .png, or show fewer frames"
        )
    if width * height > stills.LARGEST:
        raise FileError(path, f"{size}, above the limit of {stills.LARGEST}", "show fewer frames")


def _whole(name: str, value: int, least: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise ArgumentError(name, f"{value_text(value)} is not a whole number", f"give {least} or more")


def _first_aspect(cells: Iterator[Cell]) -> tuple[float, Iterator[Cell]]:
    """Aspect of the first picture, and all cells again."""
    empty: list[Cell] = []
    for cell in cells:
        if cell.picture is None:
            empty.append(cell)
            continue
        height, width = _pixels(cell).shape[:2]
        aspect = min(max(width / height, 1 / _EXTREME_ASPECT), _EXTREME_ASPECT)
        return aspect, chain(empty, _once([cell]), cells)
    return 16 / 9, iter(empty)


def _once(cells: list[Cell]) -> Iterator[Cell]:
    """Cells that are released as they are taken."""
    while cells:
        yield cells.pop(0)


# -- what is on a sheet --------------------------------------------------------------------------------------


def _head(sheet: Picture, layout: SheetLayout, title: str, note: str) -> None:
    size, small = layout.title_size, max(12.0, 0.72 * layout.title_size)
    left, right = layout.cells[0].x0, layout.cells[min(layout.columns, len(layout.cells)) - 1].x1
    right = max(right, layout.width - layout.margin)
    baseline = round(layout.margin + CAPITAL * size)
    # The title goes first: the note gets two fifths of the width, or what the title leaves.
    room = right - left - 1.5 * size
    note = shortened(note.strip(), max(0.4 * room, room - text_width(title, size, "semibold")), small)
    title = shortened(title.strip(), room - text_width(note, small), size, "semibold")
    draw(sheet, title, left, baseline, size, grey=_BRIGHT, weight="semibold")
    draw(sheet, note, right, baseline, small, grey=_DIM, align="right")


def _fill(sheet: Picture, layout: SheetLayout, place: Window, cell: Cell) -> None:
    size = layout.label_size
    if cell.picture is None:
        _empty(sheet, place, size, cell.reason)
    else:
        small = thumbnail(_pixels(cell), place.width, place.height)
        y = place.y0 + (place.height - small.shape[0]) // 2
        x = place.x0 + (place.width - small.shape[1]) // 2
        sheet[y : y + small.shape[0], x : x + small.shape[1]] = small
    label = shortened(cell.label.strip(), place.width, size)
    draw(sheet, label, place.x0, round(place.y1 + 0.6 * size + CAPITAL * size), size, grey=_USUAL)


def _empty(sheet: Picture, place: Window, size: int, reason: str) -> None:
    field = sheet[place.y0 : place.y1, place.x0 : place.x1]
    field[...] = _OUTLINE
    thick = max(1, round(place.width / 400))
    field[thick:-thick, thick:-thick] = _EMPTY
    inner = place.width - 2 * size
    most = max(1, int((place.height - size) / (1.4 * size)))
    lines = [("No picture", _USUAL), *((line, _DIM) for line in _wrapped(reason, inner, size, most - 1))]
    top = place.y0 + (place.height - 1.4 * size * len(lines)) / 2
    for k, (line, grey) in enumerate(lines):
        baseline = round(top + 1.4 * size * k + (1.4 + CAPITAL) / 2 * size)
        middle = (place.x0 + place.x1) / 2
        draw(sheet, shortened(line, inner, size), middle, baseline, size, grey=grey, align="centre")


def _wrapped(text: str, width: float, size: float, most: int) -> list[str]:
    """A text in lines; long words are broken, and the last line says by an ellipsis that there is more."""
    lines: list[str] = []
    rest = cleaned(text).strip()
    while rest and len(lines) < most:
        if len(lines) == most - 1:
            return [*lines, shortened(rest, width, size)]
        # The first letters that fit, and back to the end of a word.
        fits = len(shortened(rest, width, size).removesuffix("…")) if text_width(rest, size) > width else len(rest)
        if not fits:
            break
        space = rest.rfind(" ", 0, fits + 1) if fits < len(rest) else -1
        cut = space if space > 0 else fits
        lines.append(rest[:cut].rstrip())
        rest = rest[cut:].lstrip()
    return lines


def _pixels(cell: Cell) -> Picture:
    pixels = np.asarray(cell.picture, np.float32)
    if pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise ArgumentError(
            "cells", f'that of "{cell.label}" is an array {pixels.shape}, not a picture', "give (height, width, 3)"
        )
    return pixels


# -- thumbnails ----------------------------------------------------------------------------------------------


def thumbnail(picture: Picture, width: int, height: int) -> Picture:
    """Return a picture as large as fits into a size, undistorted, averaged in light.

    Args:
        picture: float32 ``(height, width, 3)``, display-encoded; clipped to 0 and 1, NaN is black.
        width: of the place for it.
        height: of the place for it.

    Returns:
        float32 of the size that it gets.
    """
    rows, columns = picture.shape[:2]
    scale = min(width / columns, height / rows)
    across, down = max(1, round(columns * scale)), max(1, round(rows * scale))
    small = np.empty((down, across, 3), np.float32)
    for k in range(3):
        light = _light(picture[..., k])
        small[..., k] = _reduced(light, scale, across, down) if scale < 1 else _enlarged(light, across, down)
    return _encoded(small)


def _reduced(light: Plane, scale: float, across: int, down: int) -> Plane:
    window = Window.of_size(light.shape[1], light.shape[0])
    # At the edges, pixels that reach beyond the picture are the average of their part inside.
    small, _ = shrink(light, window, scale, frame=window)
    missing = max(0, down - small.shape[0]), max(0, across - small.shape[1])
    return np.pad(small, ((0, missing[0]), (0, missing[1])), mode="edge")[:down, :across]


def _enlarged(light: Plane, across: int, down: int) -> Plane:
    from PIL import Image

    large = Image.fromarray(light, "F").resize((across, down), Image.Resampling.BICUBIC)
    return np.asarray(large, np.float32)


def _light(encoded: Plane) -> Plane:
    """Decoded by the curve of sRGB."""
    light: Plane = np.empty(encoded.shape, np.float32)

    def decode(first: int, last: int) -> None:
        part = light[first:last]
        np.clip(encoded[first:last], 0, 1, out=part)
        np.copyto(part, 0, where=np.isnan(part))
        low = part * np.float32(1 / 12.92)
        bright = part > np.float32(0.04045)
        part += np.float32(0.055)
        part *= np.float32(1 / 1.055)
        np.power(part, np.float32(2.4), out=part)
        np.copyto(part, low, where=~bright)

    over_strips(decode, light.shape[0])
    return light


def _encoded(light: Plane) -> Plane:
    light = np.clip(light, 0, 1)
    return np.where(
        light > 0.0031308, 1.055 * np.power(np.maximum(light, 1e-4), 1 / 2.4) - 0.055, light * 12.92
    ).astype(np.float32)
