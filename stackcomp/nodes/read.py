"""read: a file sequence as layers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field, field_validator

from stackcomp.errors import FileError, Problem
from stackcomp.files.paths import FramePath, frozen, missing_frames, nearby, resolve
from stackcomp.image import Image, Plane, all_finite
from stackcomp.nodes.base import Context, Job, SourceNode
from stackcomp.port_types import Alpha, Encoding, Layers, PortType
from stackcomp.window import Window

#: How many missing frames a message lists one by one.
_MOST_LISTED = 12


@dataclass(frozen=True)
class _Seen:
    """What a file's header says, whatever its format."""

    channels: tuple[str, ...]
    window: Window
    display: Window
    alpha: Alpha
    metadata: Mapping[str, Any]


class Read(SourceNode):
    """Reads one file a frame: OpenEXR with all its parts, layers and windows, or PNG, JPEG, TIFF.

    The result are all channels by their full names. It may feed a colour port directly (its R G B and A), a
    matte port directly when it has a single channel, and anything else through a pick_channels node. Only channels
    that are used are converted to float32 and kept.
    """

    source_of_maths: ClassVar[str] = "OpenEXR file format; nothing is computed"

    kind: Literal["read"] = "read"
    path: Annotated[str, Field(description="File, with {frame:04d} or %04d where the frame number stands.")]
    encoding: Annotated[
        str | None,
        Field(
            description="Colour space of its colours; left out, the file's own chromaticities or "
            "colorInteropID decide."
        ),
    ] = None
    alpha: Annotated[
        Literal["premultiplied", "straight", "none"] | None,
        Field(
            description="State of A, in all layers; left out, OpenEXR is premultiplied and a still straight. "
            "With none no A is used, except where a pick_channels node names it."
        ),
    ] = None
    shift: Annotated[int, Field(description="Added to the frame number, for files numbered otherwise.")] = 0
    non_finite: Annotated[
        Literal["repair", "refuse", "keep"],
        Field(
            description="What to do with NaN and infinity in pictures and mattes: put the mean of the nearest "
            "finite neighbours there, refuse the frame, or leave them."
        ),
    ] = "repair"

    @field_validator("path")
    @classmethod
    def _path_parses(cls, text: str) -> str:
        FramePath(text)
        return text

    def file(self, frame: int, root: Path) -> Path:
        """The file of a frame."""
        return resolve(root, self.path, frame + self.shift)

    def files(self, frame: int, root: Path) -> list[Path]:
        return [self.file(frame, root)]

    def look(self, types: Mapping[str, PortType], context: Context) -> Iterator[Problem]:
        frames = [frame + self.shift for frame in (context.frames or (context.frame,))]
        pattern = FramePath(self.path)
        missing = missing_frames(self.path, context.root, frames if pattern.has_frame else frames[:1])
        if missing and (not pattern.has_frame or len(missing) == len(frames)):
            path = resolve(context.root, self.path, missing[0])
            near = nearby(path, frames=pattern.has_frame)
            yield Problem("file-missing", f"there is no file {path}", near, field="path")
        elif missing:
            from stackcomp.document.frames import format_frames

            have, which = "has" if len(missing) == 1 else "have", _cut(format_frames(missing))
            yield Problem(
                "frame-missing",
                f"{len(missing)} of {len(frames)} frames {have} no file {self.path}: {which}",
                "supply them, or render other frames",
                field="path",
            )
        elif not pattern.has_frame and len(frames) > 1:
            sequence = frozen(pattern, context.root, context.frames)
            if sequence is not None:
                yield Problem(
                    "frozen",
                    f"reads the same file at all {len(frames)} frames, but {sequence.told}",
                    "write the frame token into the path, unless a frozen picture is wanted",
                    field="path",
                    severity="warning",
                )
        if self.encoding is not None:
            from stackcomp.files import colour

            try:
                colour.encoding(self.encoding, context.colour_config)
            except ValueError as error:
                yield Problem("encoding-unknown", str(error), field="encoding")

    def _headers(self, context: Context) -> tuple[dict[int, _Seen], list[FileError]]:
        """Headers of the frames whose files are there, and what is wrong with the others."""
        frames = context.frames or (context.frame,)
        paths = {frame: self.file(frame, context.root) for frame in frames}
        if len(set(paths.values())) == 1:
            paths = {frames[0]: paths[frames[0]]}
        found: dict[int, _Seen] = {}
        broken: list[FileError] = []
        for frame, path in paths.items():
            if path.is_file():
                try:
                    found[frame] = _seen(path)
                except FileError as error:
                    broken.append(error)
        return found, broken

    def look_at_frames(self, used: Collection[str], context: Context) -> Iterator[Problem]:
        found, broken = self._headers(context)
        if len(found) + len(broken) < 2:
            return  # A single file is told of when its header is asked for the type.
        alike: dict[tuple[str, str], list[str]] = {}
        for error in broken:
            alike.setdefault((error.reason, error.way_out), []).append(error.path)
        for (reason, way_out), files in alike.items():
            more = f" and {len(files) - 1} more" if len(files) > 1 else ""
            yield Problem("file", f"{files[0]}{more}: {reason}", way_out, field="path")
        usual = _usual(found)
        if usual is None:
            return
        odd = [frame for frame, seen in found.items() if seen.display != usual.display]
        if odd:
            other = found[odd[0]].display
            yield Problem(
                "frame-resolution",
                f"{_frames(odd)} of {self.path} has a frame of {other}, the others one of {usual.display}"
                if len(odd) == 1
                else f"{_frames(odd)} of {self.path} have frames of {other}, the others of {usual.display}",
                "render them again at the one resolution of the sequence",
                field="path",
            )
        lost = {frame: set(used) - set(seen.channels) for frame, seen in found.items()}
        odd = [frame for frame, names in lost.items() if names]
        if odd:
            names = sorted(set().union(*lost.values()))
            yield Problem(
                "frame-channels",
                f"{_frames(odd)} of {self.path} without {', '.join(names[:_MOST_LISTED])}, which the others have",
                "render them again with all channels",
                field="path",
            )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        path = self._first(context)
        seen = _seen(path)
        alpha: Alpha = (self.alpha or seen.alpha) if "A" in seen.channels else "none"
        texts = {name: value for name, value in seen.metadata.items() if isinstance(value, str)}
        found = self._encoding(seen, context)
        of_layers: Alpha = self.alpha or ("premultiplied" if seen.alpha == "none" else seen.alpha)
        header_says = "" if found else _header_says(seen, context)
        return Layers(seen.channels, alpha, found, texts, header_says, of_layers)

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return _seen(self._first(context)).display

    def _first(self, context: Context) -> Path:
        """The first frame that is like most of them; its header stands for all."""
        found, _ = self._headers(context)
        usual = _usual(found)
        frame = next((frame for frame, seen in found.items() if seen == usual), context.frame)
        return self.file(frame, context.root)

    def _encoding(self, seen: _Seen, context: Context) -> Encoding | None:
        from stackcomp.files import colour, colour_tags

        name = self.encoding or colour_tags.from_header(seen.metadata)
        try:
            return None if name is None else colour.encoding(name, context.colour_config)
        except ValueError:
            return None

    def source_domain(self, job: Job, display: Window) -> Window:
        path = self.file(job.frame, job.root)
        seen = _seen(path)
        if seen.display != display:
            raise FileError(
                path,
                f"its frame is {seen.display}, but the first file's was {display}",
                "all frames of a sequence have one resolution",
            )
        return seen.window

    def produce(self, wanted: Window, display: Window, type: PortType, job: Job) -> Image:
        assert isinstance(type, Layers)
        path = self.file(job.frame, job.root)
        names = job.channels if job.channels is not None else type.channels
        seen = _seen(path)
        gone = [name for name in names if name not in seen.channels]
        if gone:
            raise FileError(path, f"it has no channel {gone[0]}, which the first file had", "render it again")
        planes, window = _pixels(path, names)
        return Image(planes, window, display, type, seen.metadata)


def settle(image: Image, policy: str, job: Job, path: Path) -> Image:
    """Deal with pixels that are not finite, as the node's ``non_finite`` says; counted either way.

    Raises:
        FileError: there are some and the policy is to refuse.
    """
    bad = {
        name: int(plane.size - np.count_nonzero(np.isfinite(plane)))
        for name, plane in image.planes.items()
        if not all_finite(plane)
    }
    bad = {name: count for name, count in bad.items() if count}
    if not bad:
        return image
    listed = ", ".join(f"{count} in {name}" for name, count in bad.items())
    if policy == "refuse":
        raise FileError(path, f"values that are not finite: {listed}", 'set "non_finite" to "repair"')
    if policy == "keep":
        job.warn(f"values that are not finite were kept: {listed}")
        return image
    from dataclasses import replace

    from stackcomp.kernels.repair import repair

    job.warn(f"values that are not finite were repaired: {listed}")
    planes = {name: repair(plane) if name in bad else plane for name, plane in image.planes.items()}
    return replace(image, planes=planes)


def _header_says(seen: _Seen, context: Context) -> str:
    """What a header says of the encoding that could not be understood; empty where it is silent."""
    from stackcomp.files import colour_tags

    known = colour_tags.from_header(seen.metadata)
    if known is not None:
        return f'its header says "{known}", which {context.colour_config} does not have'
    identifier, numbers = seen.metadata.get("colorInteropID"), seen.metadata.get("chromaticities")
    said = []
    if identifier is not None:
        said.append(f'its colorInteropID "{identifier}" is not known')
    if numbers is not None:
        said.append(f"its chromaticities ({' '.join(f'{float(n):.5g}' for n in numbers)}) are of no known space")
    return " and ".join(said)


def _usual(found: Mapping[int, _Seen]) -> _Seen | None:
    """The first header whose resolution and channels most frames share."""
    if not found:
        return None
    alike = Counter((seen.display, seen.channels) for seen in found.values())
    most = max(alike.values())
    return next(seen for seen in found.values() if alike[seen.display, seen.channels] == most)


def _frames(frames: Collection[int]) -> str:
    from stackcomp.document.frames import format_frames

    return f"frame{'s' if len(frames) > 1 else ''} {_cut(format_frames(frames))}"


def _cut(text: str) -> str:
    parts = text.split(",")
    return text if len(parts) <= _MOST_LISTED else ",".join(parts[:_MOST_LISTED]) + " …"


def _seen(path: Path) -> _Seen:
    try:
        stamp = path.stat()
    except OSError as error:
        raise FileError(path, error.strerror or str(error), nearby(path)) from None
    return _header(path, stamp.st_mtime_ns, stamp.st_size)


@lru_cache(maxsize=16384)
def _header(path: Path, changed: int, size: int) -> _Seen:
    """A header, read once for each state of a file."""
    if path.suffix.lower() == ".exr":
        from stackcomp.files import exr

        header = exr.read_header(path)
        alpha: Alpha = "premultiplied" if "A" in header.channels else "none"
        return _Seen(header.channels, header.data_window, header.display_window, alpha, header.metadata)
    from stackcomp.files import stills

    still = stills.read_header(path)
    window = Window.of_size(still.width, still.height)
    channels = _still_channels(still.channels)
    return _Seen(channels, window, window, "straight" if "A" in channels else "none", {})


def _still_channels(count: int) -> tuple[str, ...]:
    return {1: ("Y",), 2: ("Y", "A"), 3: ("R", "G", "B"), 4: ("R", "G", "B", "A")}[count]


def _pixels(path: Path, names: tuple[str, ...] | frozenset[str]) -> tuple[dict[str, Plane], Window]:
    if path.suffix.lower() == ".exr":
        from stackcomp.files import exr

        found = exr.read(path, list(names))
        return found.planes, found.window
    from stackcomp.files import stills

    pixels = stills.read(path).pixels
    order = _still_channels(pixels.shape[2])
    planes = {name: np.ascontiguousarray(pixels[..., order.index(name)]) for name in names}
    return planes, Window.of_size(pixels.shape[1], pixels.shape[0])
