"""Pictures of a checkerboard, and the corners of its squares in them. Uses OpenCV.

Sources: Duda and Frese, Accurate Detection and Localization of Checkerboard Corners for Calibration, 2018
(OpenCV's `findChessboardCornersSB`); where that finds none, OpenCV's older search; Förstner and
Gülch, A Fast Operator for Detection and Precise Location of Distinct Points, 1987 (`cornerSubPix`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackcomp.data.opencv import opencv
from stackcomp.errors import Problem, RequestError
from stackcomp.files import colour, colour_tags
from stackcomp.files.paths import nearby
from stackcomp.files.picture_file import header_of, planes
from stackcomp.kernels.compiled import Array

__all__ = ["Board", "corners_in", "open_board", "parse_board"]

#: Weights of R, G and B, common practice, no source: green has the least noise in most cameras.
_WEIGHTS = {"R": 0.25, "G": 0.5, "B": 0.25}
#: Shares of the darkest and brightest pixels that black and white are taken from: dust and lamps are left out.
_ENDS = (0.5, 99.5)
#: How far around a corner its exact place is looked for, as a share of the smallest square.
_REACH = 0.35


@dataclass(frozen=True, eq=False)
class Board:
    """A picture of a board.

    Attributes:
        file: as named.
        light: float32 ``(height, width)`` of its frame, about 0 to 1: scene-linear light, or what is stored of it.
        grey: uint8 of the same shape, as bright as an eye sees it.
    """

    file: str
    light: Array
    grey: Array

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the frame."""
        return self.grey.shape[1], self.grey.shape[0]


def parse_board(text: str) -> tuple[int, int]:
    """How many inner corners a board has across and down: two numbers with an x between.

    Raises:
        RequestError: anything else, or fewer than three.
    """
    found = re.fullmatch(r"\s*(\d{1,3})\s*[x×*]\s*(\d{1,3})\s*", text)
    across, down = (int(found[1]), int(found[2])) if found else (0, 0)
    if min(across, down) < 3 or max(across, down) > 100:
        raise RequestError(
            Problem(
                "lens-board",
                f'--board: "{text}" is not a number of corners',
                "count the inner corners, where four squares meet, 3 or more: a board of 10×7 squares is "
                "--board 9x6",
            )
        )
    return across, down


def open_board(file: str, root: str | Path = ".", encoding: str | None = None, config: str = "") -> Board:
    """Open a picture of a board.

    Corners are found in what an eye sees, so scene-linear light goes through a curve for that; their exact places
    are those in the light, in which lenses blur. Log and display encodings are taken as they are, and OpenEXR
    files that do not say theirs as scene-linear.

    Args:
        file: the picture.
        root: folder for relative paths.
        encoding: of its colours; the header decides when None.
        config: colour config.

    Raises:
        RequestError: no such file, no colour in it, no such encoding.
        FileError: it is damaged.
    """
    path = Path(root, file)
    if not path.is_file():
        raise RequestError(Problem("file-missing", f"there is no file {file}", nearby(path)))
    header, state = header_of(path)
    usable = [name for name in header.channels if name not in header.unusable]
    names = dict(_WEIGHTS) if set("RGB") <= set(usable) else {"Y": 1.0} if "Y" in usable else {}
    if not names:
        held = ", ".join(header.channels[:6])
        raise RequestError(Problem("no-colour", f"{file} has no R G B, but {held}", "name pictures of the board"))
    pixels, window = planes(path, list(names), state)
    light = sum(np.float32(weight) * pixels[name].astype(np.float32) for name, weight in names.items())
    whole = np.zeros(header.display.shape, np.float32)
    inside = window & header.display
    if not inside.empty:
        whole[inside.slices_in(header.display)] = np.asarray(light)[inside.slices_in(window)]
    whole = np.where(np.isfinite(whole), whole, np.float32(0))
    name = encoding or colour_tags.from_header(header.metadata)
    linear = header.format == "OpenEXR"
    if name is not None:
        try:
            linear = colour.encoding(name, config or colour.DEFAULT_CONFIG).linear
        except colour.UnknownEncoding as error:
            message, _, way_out = str(error).partition(" — ")
            raise RequestError(Problem("encoding-unknown", f"{file}: {message}", way_out)) from None
    low, high = np.percentile(whole, _ENDS)
    whole = np.clip((whole - low) / max(float(high - low), 1e-9), 0, 2).astype(np.float32)
    seen = np.minimum(whole, 1)
    return Board(file, whole, np.rint(255 * (seen ** (1 / 2.2) if linear else seen)).astype(np.uint8))


def corners_in(boards: Sequence[Board], across: int, down: int) -> list[Array]:
    """The inner corners of the board in each picture.

    Args:
        boards: pictures.
        across: inner corners in a row.
        down: rows of them.

    Returns:
        float64 ``(across · down, 2)`` each, row by row, in pixels with centres at half pixels.

    Raises:
        RequestError: the pictures differ in size, or the board is not found in some of them.
    """
    usual = boards[0].size
    problems = [
        Problem(
            "lens-board",
            f"{board.file} is {board.size[0]}×{board.size[1]}, but {boards[0].file} {usual[0]}×{usual[1]}",
            "use pictures of one camera and one size, without cropping",
        )
        for board in boards
        if board.size != usual
    ]
    if problems:
        raise RequestError(problems)
    found = [_found(board, across, down) for board in boards]
    missing = [board.file for board, corners in zip(boards, found, strict=True) if corners is None]
    if missing:
        way_out = "leave such pictures out, or take them again: all squares in the picture, sharp, in even light"
        if len(missing) == len(boards):
            way_out = f"count the inner corners, where four squares meet: is it {across} by {down}?"
        raise RequestError(
            Problem("lens-board", f"{file}: no checkerboard of {across}×{down} inner corners is found", way_out)
            for file in missing
        )
    return [corners for corners in found if corners is not None]


def _found(board: Board, across: int, down: int) -> Array | None:
    cv2 = opencv("calibrating a lens")
    corners = _search(board.grey, across, down)
    if corners is None:
        return None
    corners = corners.reshape(down, across, 2)
    sides = [float(np.linalg.norm(np.diff(corners, axis=axis), axis=-1).min()) for axis in (0, 1)]
    # A square around each corner that no other corner lies in.
    reach = int(np.clip(_REACH * min(sides), 2, 30))
    steps = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    refined = cv2.cornerSubPix(board.light, corners.reshape(-1, 1, 2).copy(), (reach, reach), (-1, -1), steps)
    # OpenCV counts from the centre of the first pixel.
    return np.asarray(refined, np.float64).reshape(-1, 2) + 0.5


def _search(grey: Array, across: int, down: int) -> Array | None:
    """Corners to within a pixel or so."""
    cv2 = opencv("calibrating a lens")
    # A square has a pixel at least; OpenCV's searches fail on pictures of a few pixels.
    if min(grey.shape) <= min(across, down) or max(grey.shape) <= max(across, down):
        return None
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_ACCURACY
    try:
        for more in (0, cv2.CALIB_CB_EXHAUSTIVE):
            good, corners = cv2.findChessboardCornersSB(grey, (across, down), flags=flags | more)
            if good:
                return np.asarray(corners, np.float32)
        good, corners = cv2.findChessboardCorners(grey, (across, down))
    except cv2.error:
        return None
    return np.asarray(corners, np.float32) if good else None
