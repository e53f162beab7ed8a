"""The frames of a plate, read for tracking: all headers first, then one frame at a time."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackcomp.data.frames import format_frames
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem, RequestError
from stackcomp.files import colour, colour_tags
from stackcomp.files.file_state import FileState
from stackcomp.files.paths import FramePath, frozen, missing_frames, nearby, resolve
from stackcomp.files.picture_file import PictureHeader, header_of, planes
from stackcomp.kernels.spline import Bend
from stackcomp.track.light import bend_of, log_curve
from stackcomp.track.sight import Sight

__all__ = ["Plate", "open_plate"]

#: Weights of R, G and B, common practice, no source: green has the least noise in most cameras.
_WEIGHTS = {"R": 0.25, "G": 0.5, "B": 0.25}


@dataclass(frozen=True, eq=False)
class Plate:
    """The frames of a plate.

    Attributes:
        pattern: path with a frame token.
        frames: that are tracked, rising.
        display: window of the frame, the same in all files.
        encoding: of its colours.
        bend: how light bends over the values that are tracked.
        root: folder for relative paths.
        states: of each file when its header was read.
    """

    pattern: str
    frames: tuple[int, ...]
    display: Window
    encoding: Encoding
    bend: Bend | None
    root: Path
    states: dict[int, FileState]

    def picture(self, frame: int) -> Image:
        """R, G and B of a frame, as stored, over its data window; a grey file has them alike.

        Raises:
            FileError: it cannot be read, or has changed since the headers were read.
        """
        path = resolve(self.root, self.pattern, frame)
        header, _ = header_of(path)
        names = _channels(header)
        assert names is not None
        found, window = planes(path, dict.fromkeys(names.values()), self.states[frame])
        made: dict[str, Plane] = {plane: found[name].astype(np.float32) for plane, name in names.items()}
        return Image(made, window, self.display, Colour("none", self.encoding), {})

    def sight(self, frame: int) -> Sight:
        """A frame as tracking sees it: scene-linear light through a log curve, all else as stored.

        Raises:
            FileError: as `picture`, or none of its pixels lies in the frame.
        """
        image = self.picture(frame)
        inside = image.window & self.display
        if inside.empty:
            raise FileError(resolve(self.root, self.pattern, frame), "it has no pixels in the frame")
        grey = np.zeros(image.window.shape, np.float32)
        for name, weight in _WEIGHTS.items():
            grey += np.float32(weight) * image[name]
        if self.encoding.linear:
            grey = log_curve(grey).astype(np.float32)
        whole = np.zeros(self.display.shape, np.float32)
        whole[inside.slices_in(self.display)] = grey[inside.slices_in(image.window)]
        x, y = self.display.x0, self.display.y0
        return Sight.of(whole, (inside.x0 - x, inside.y0 - y, inside.x1 - x, inside.y1 - y), self.bend)


def open_plate(
    path: str,
    frames: Sequence[int],
    *,
    encoding: str | None = None,
    root: str | Path = ".",
    config: str = colour.DEFAULT_CONFIG,
) -> Plate:
    """Look at the headers of a plate's frames.

    Args:
        path: with a frame token; or one file of the sequence, also one of another frame.
        frames: to be tracked, two or more.
        encoding: colour space; the header of the first frame decides when None.
        root: folder for relative paths.
        config: colour config.

    Raises:
        RequestError: fewer than two frames, frames that are missing or differ in size, no colour, an encoding
            that is not known. It holds all that was found.
        FileError: a file is damaged.
    """
    wanted = tuple(sorted(set(frames)))
    if len(wanted) < 2:
        message = f"--frames: {format_frames(wanted)} is one frame, and points are tracked over two or more"
        raise RequestError(Problem("frames", message, "write a range such as 1001-1005"))
    pattern = _sequence(path, wanted, Path(root))
    _all_there(pattern, wanted, Path(root))
    files = {frame: resolve(root, pattern, frame) for frame in wanted}
    read = {frame: header_of(file) for frame, file in files.items()}
    headers = {frame: header for frame, (header, _) in read.items()}
    problems = [*_differ(files, headers), *_without_colour(files, headers)]
    if problems:
        raise RequestError(problems)
    first = headers[wanted[0]]
    space = _encoding(files[wanted[0]], first, encoding, config)
    states = {frame: state for frame, (_, state) in read.items()}
    return Plate(pattern, wanted, first.display, space, bend_of(space, config), Path(root), states)


def _sequence(path: str, frames: Sequence[int], root: Path) -> str:
    """The path with a frame token, of a sequence or of one of its files."""
    try:
        token = FramePath(path)
    except BadValueError as error:
        raise RequestError(Problem("path", error.message, error.way_out or "name a file")) from None
    if token.has_frame:
        return path
    numbers = {int(digits) for digits in re.findall(r"[0-9]+", os.path.basename(path))}
    found = frozen(path, root, {*frames, *numbers})
    if found is not None:
        return str(Path(path).parent / found.pattern) if os.path.dirname(path) else found.pattern
    hint = nearby(resolve(root, path, 0))
    raise RequestError(
        Problem(
            "path",
            f"{path} is not the file of a sequence with frames {format_frames(frames)}"
            + (f": {hint}" if hint else ""),
            "write the frame token into the name, as plate.{frame:04d}.exr",
        )
    )


def _all_there(pattern: str, frames: Sequence[int], root: Path) -> None:
    """Check that every frame has a file.

    Raises:
        RequestError: some are missing.
    """
    gone = missing_frames(pattern, root, frames)
    if gone:
        listed = ("frame " if len(gone) == 1 else "frames ") + format_frames(gone)
        hint = nearby(resolve(root, pattern, gone[0]), frames=True)
        way_out = hint or "supply them, or track other frames"
        raise RequestError(Problem("frame-missing", f"{pattern}: there is no file of {listed}", way_out))


def _differ(files: dict[int, Path], headers: dict[int, PictureHeader]) -> Iterator[Problem]:
    """A finding where frames have another size than the first one."""
    first = min(headers)
    size = headers[first].display
    others = [frame for frame, header in headers.items() if header.display != size]
    if others:
        yield Problem(
            "frame-resolution",
            f"{files[others[0]]}: the frame is {headers[others[0]].display}, but at frame {first} it is {size}"
            + (f"; so at {len(others) - 1} more" if len(others) > 1 else ""),
            "render or scan them at one size, or track only frames that are alike",
        )


def _without_colour(files: dict[int, Path], headers: dict[int, PictureHeader]) -> Iterator[Problem]:
    """A finding where a frame has neither R, G and B nor Y."""
    for frame, header in headers.items():
        if _channels(header) is None:
            held = ", ".join(header.channels[:6])
            yield Problem("no-colour", f"{files[frame]} has no R G B, but {held}", "name the plate")
            return


def _channels(header: PictureHeader) -> dict[str, str] | None:
    """Which channels are R, G and B."""
    usable = [name for name in header.channels if name not in header.unusable]
    if {"R", "G", "B"} <= set(usable):
        return {name: name for name in "RGB"}
    return dict.fromkeys("RGB", "Y") if "Y" in usable else None


def _encoding(path: Path, header: PictureHeader, told: str | None, config: str) -> Encoding:
    """The encoding, as told or by the header.

    Raises:
        RequestError: nothing tells it, or the config does not have it.
    """
    name = told or colour_tags.from_header(header.metadata)
    if name is None:
        raise RequestError(
            Problem(
                "encoding-unknown",
                f"{path}: its header does not say the colour space, and light is tracked through a log curve, "
                "log as it is",
                "name it with --encoding, such as ACEScct or ACEScg",
            )
        )
    try:
        return colour.encoding(name, config)
    except colour.UnknownEncoding as error:
        message, _, way_out = str(error).partition(" — ")
        raise RequestError(Problem("encoding-unknown", f"--encoding: {message}", way_out)) from None
