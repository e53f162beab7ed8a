"""read: a file sequence as layers."""

from __future__ import annotations

import functools
import os
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, field_validator

from stackcomp.data.image import Held, Image, Plane
from stackcomp.data.port_types import Alpha, Coordinates, Depth, Encoding, Ids, Layers, PortType
from stackcomp.data.window import Window
from stackcomp.errors import FileError, Problem
from stackcomp.files.file_state import FileState, NoFileError, file_state, require_state
from stackcomp.files.id_manifest import sidecar_paths
from stackcomp.files.paths import FramePath, frozen, missing_frames, nearby, resolve
from stackcomp.files.picture_file import PictureHeader, header_in_state, header_of, planes
from stackcomp.files.tiff import ALPHA_UNSTATED
from stackcomp.nodes.base import Context, Job, PageExamples, SourceNode

#: How many missing frames a message lists one by one.
_MOST_LISTED = 12


class Read(SourceNode):
    """Reads one file a frame: OpenEXR with all its parts, layers and windows, or PNG, JPEG, TIFF.

    The first bytes of a file say what it is, not its ending. The tags of a TIFF for alpha and orientation are
    followed. Premultiplied then means that the stored numbers were multiplied, in whatever encoding they are.

    The result is all channels, by their full names. It may feed a colour port directly (its R G B and A), a
    matte port directly when it has a single channel, and anything else through a pick_channels node. Only channels
    that are used are converted to float32 and kept.
    """

    source_of_maths: ClassVar[str] = "OpenEXR file format; nothing is computed"
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "R G B A of the file; its other channels are there by their names.",
            "path": "cg.{frame:04d}.exr",
            "encoding": "ACEScg",
        },
    )

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
            description="State of A, in all layers; left out, OpenEXR is premultiplied, PNG straight, and TIFF "
            "what its tag says (straight where that says nothing). With none no A is used, except where a "
            "pick_channels node names it."
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
        """The picture, and the manifests of its ids that stand in files beside it."""
        path = self.file(frame, root)
        try:
            header, _ = header_of(path)
        except FileError:
            return [path]  # That it cannot be read is reported elsewhere.
        return [path, *sidecar_paths(path, header.metadata)]

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        frames = [frame + self.shift for frame in (context.frames or (context.frame,))]
        pattern = FramePath(self.path)
        wanted = len(frames)
        if not pattern.has_frame:
            frames = frames[:1]
        missing = missing_frames(self.path, context.root, frames)
        if missing and len(missing) == len(frames):
            yield self._missing(resolve(context.root, self.path, missing[0]), pattern.has_frame)
        elif missing:
            from stackcomp.data.frames import format_frames

            have, which = "has" if len(missing) == 1 else "have", _cut(format_frames(missing))
            yield Problem(
                "frame-missing",
                f"{len(missing)} of {len(frames)} frames {have} no file {self.path}: {which}",
                "supply them, or render other frames",
                field="path",
            )
        elif not pattern.has_frame and wanted > 1:
            sequence = frozen(pattern, context.root, context.frames)
            if sequence is not None:
                yield Problem(
                    "frozen",
                    f"reads the same file at all {wanted} frames, but {sequence.description}",
                    "write the frame token into the path, unless a frozen picture is wanted",
                    field="path",
                    severity="warning",
                )
        yield from self._unreadable(context)
        if self.encoding is not None:
            from stackcomp.files import colour

            try:
                colour.encoding(self.encoding, context.colour_config)
            except colour.UnknownEncoding as error:
                yield Problem("encoding-unknown", str(error), field="encoding")

    def _missing(self, path: Path, of_sequence: bool) -> Problem:
        try:
            file_state(path)
        except NoFileError:
            near = nearby(path, frames=of_sequence)
            return Problem("file-missing", f"there is no file {path}", near, field="path")
        except FileError as error:
            return Problem("file-missing", f"{path}: {error.reason}", error.way_out, field="path")
        return Problem("file-missing", f"there was no file {path} a moment ago", "try again", field="path")

    def _unreadable(self, context: Context) -> Iterator[Problem]:
        """Frames in whose place something stands that cannot be read, from headers alone; each reason once."""
        groups: dict[str, list[tuple[int, FileError]]] = {}
        for frame, error in self._headers(context)[1].items():
            groups.setdefault(error.reason.partition(":")[0], []).append((frame, error))
        for group in list(groups.values())[:_MOST_LISTED]:
            first = group[0][1]
            others = [frame for frame, _ in group[1:]]
            more = f", and so {'is' if len(others) == 1 else 'are'} {_frames(others)}" if others else ""
            yield Problem("file", f"{first.path}: {first.reason}{more}", first.way_out, field="path")

    def _headers(self, context: Context) -> tuple[dict[int, PictureHeader], dict[int, FileError]]:
        """Headers of the frames whose files are there, and what is wrong with the others."""
        frames = context.frames or (context.frame,)
        paths = {frame: self.file(frame, context.root) for frame in frames}
        if len(set(paths.values())) == 1:
            paths = {frames[0]: paths[frames[0]]}
        headers: dict[int, PictureHeader] = {}
        broken: dict[int, FileError] = {}
        for frame, path in paths.items():
            if not os.path.lexists(path):
                continue  # Missing files are a finding of their own.
            try:
                headers[frame], _ = header_of(path)
            except FileError as error:
                broken[frame] = error
        return headers, broken

    def look_at_frames(self, used: Collection[str], context: Context) -> Iterator[Problem]:
        headers, _ = self._headers(context)
        yield from self._doubts(headers, used)
        unusable = {frame: sorted(set(header.unusable) & set(used)) for frame, header in headers.items()}
        odd = [frame for frame, names in unusable.items() if names]
        if odd:
            names = unusable[odd[0]]
            reason = headers[odd[0]].unusable[names[0]]
            yield Problem(
                "channel-unusable",
                f"{self._files_of(odd, headers)}: channel {', '.join(names)} is {reason}",
                "save it with R, G and B at full size",
                field="path",
            )
        usual = _usual(headers)
        if usual is None:
            return
        odd = [frame for frame, header in headers.items() if header.display != usual.display]
        if odd:
            other = headers[odd[0]].display
            yield Problem(
                "frame-resolution",
                f"{_frames(odd)} of {self.path} has a frame of {other}, the others one of {usual.display}"
                if len(odd) == 1
                else f"{_frames(odd)} of {self.path} have frames of {other}, the others of {usual.display}",
                "render them again at the one resolution of the sequence",
                field="path",
            )
        yield from self._alpha_alike(headers, used, usual)
        lost = {frame: set(used) - set(header.channels) for frame, header in headers.items()}
        odd = [frame for frame, names in lost.items() if names]
        if odd:
            names = sorted(set().union(*lost.values()))
            yield Problem(
                "frame-channels",
                f"{_frames(odd)} of {self.path} without {', '.join(names[:_MOST_LISTED])}, which the others have",
                "render them again with all channels",
                field="path",
            )

    def _doubts(self, headers: Mapping[int, PictureHeader], used: Collection[str]) -> Iterator[Problem]:
        """What is odd about the files, each thing once with its frames."""
        doubtful: dict[str, list[int]] = {}
        for frame, header in headers.items():
            for doubt in header.doubts:
                doubtful.setdefault(doubt, []).append(frame)
        for doubt, frames in doubtful.items():
            if doubt == ALPHA_UNSTATED:
                if self.alpha is None and "A" in used:
                    way_out = 'say "alpha": "straight", "premultiplied" or "none"'
                    message = f"{self._files_of(frames, headers)}: {doubt}"
                    yield Problem("alpha-unsaid", message, way_out, field="alpha", severity="warning")
            else:
                yield Problem(
                    "header", f"{self._files_of(frames, headers)}: {doubt}", field="path", severity="warning"
                )

    def _files_of(self, frames: Collection[int], headers: Mapping[int, PictureHeader]) -> str:
        return f"{_frames(frames)} of {self.path}" if len(headers) > 1 else self.path

    def _alpha_alike(
        self, headers: Mapping[int, PictureHeader], used: Collection[str], usual: PictureHeader
    ) -> Iterator[Problem]:
        if "A" in usual.channels:
            odd = [frame for frame, header in headers.items() if header.alpha not in (usual.alpha, "none")]
            if odd and self.alpha is None and "A" in used:
                yield Problem(
                    "frame-alpha",
                    f"{_frames(odd)} of {self.path} with {headers[odd[0]].alpha} alpha, "
                    f"the others with {usual.alpha} alpha",
                    'write them again in one way, or say "alpha" where the files are wrong',
                    field="path",
                )
            return
        odd = [frame for frame, header in headers.items() if "A" in header.channels]
        if odd and self.alpha != "none":
            yield Problem(
                "frame-channels",
                f"{_frames(odd)} of {self.path} with A, which the others do not have; it is not used",
                'render the others again with A, or say "alpha": "none" if it is not wanted',
                field="path",
                severity="warning",
            )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        header = self._first(context)
        alpha: Alpha = (self.alpha or header.alpha) if "A" in header.channels else "none"
        texts = {name: value for name, value in header.metadata.items() if isinstance(value, str)}
        encoding = self._encoding(header, context)
        of_layers: Alpha = self.alpha or ("premultiplied" if header.alpha == "none" else header.alpha)
        header_says = "" if encoding else _header_says(header, context)
        return Layers(
            header.channels,
            alpha,
            encoding,
            texts,
            header_says,
            of_layers,
            header.lossy,
            functools.partial(self.file, root=context.root),
        )

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return self._first(context).display

    def _first(self, context: Context) -> PictureHeader:
        """Header of the first frame that is like most of them; it stands for all."""
        usual = _usual(self._headers(context)[0])
        return header_of(self.file(context.frame, context.root))[0] if usual is None else usual

    def _encoding(self, header: PictureHeader, context: Context) -> Encoding | None:
        from stackcomp.files import colour, colour_tags

        name = self.encoding or colour_tags.from_header(header.metadata)
        try:
            return None if name is None else colour.encoding(name, context.colour_config)
        except colour.UnknownEncoding:
            return None

    def _opened(self, job: Job) -> tuple[Path, PictureHeader, FileState]:
        """The frame's file in the state in which this frame was begun, whoever looks at it and when."""
        path = self.file(job.frame, job.root)
        if path not in job.opened:
            header, job.opened[path] = header_of(path)
            return path, header, job.opened[path]
        state = job.opened[path]
        require_state(path, state)
        return path, header_in_state(path, state), state

    def source_domain(self, job: Job, display: Window) -> Window:
        path, header, _ = self._opened(job)
        if header.display != display:
            raise FileError(
                path,
                f"its frame is {header.display}, but the first file's was {display}",
                "all frames of a sequence have one resolution",
            )
        return header.window

    def produce(self, wanted: Window, display: Window, type: PortType, job: Job) -> Image:
        assert isinstance(type, Layers)
        path, header, state = self._opened(job)
        names = job.channels if job.channels is not None else type.channels
        gone = [name for name in names if name not in header.channels]
        if gone:
            raise FileError(path, f"it has no channel {gone[0]}, which the first file had", "render it again")
        alpha = self.alpha or header.alpha
        if "A" in names and alpha != type.alpha:
            raise FileError(
                path, f"its alpha is {alpha}, but the first file's was {type.alpha}", "write both in one way"
            )
        made, window = planes(path, names, state)
        return Held(made, window, display, type, header.metadata)

    def settles(self, type: PortType) -> bool:
        # Of depth and coordinates they mean that there is nothing, and ids are bit patterns: all stay as they are.
        return not isinstance(type, Ids | Depth | Coordinates)

    def settle(self, image: Image, window: Window, job: Job) -> Image:
        """Deal with pixels that are not finite as ``non_finite`` says; they are counted either way.

        Raises:
            FileError: there are some, and they are refused.
        """
        return _settled(image, window, self.non_finite, job, self.file(job.frame, job.root))


def _settled(image: Image, window: Window, policy: str, job: Job, path: Path) -> Image:
    seen = window.slices_in(image.window)
    finite = {name: np.isfinite(plane[seen]) for name, plane in image.planes.items()}
    bad = {name: int(found.size - np.count_nonzero(found)) for name, found in finite.items()}
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

    job.warn(f"values that are not finite were repaired: {listed}")
    planes = {
        name: _repaired(plane, image.window, window) if name in bad else plane
        for name, plane in image.planes.items()
    }
    return replace(image, planes=planes)


def _repaired(plane: Plane, own: Window, window: Window) -> Plane:
    """The plane with the pixels in a part of it repaired, by neighbours from around the part too."""
    from stackcomp.kernels.repair import FARTHEST, repair

    around = window.grow(FARTHEST) & own
    part = repair(plane[around.slices_in(own)].astype(np.float32))
    # The mean of halves need not be one.
    result = plane.astype(np.float32)
    result[window.slices_in(own)] = part[window.slices_in(around)]
    return result


def _header_says(header: PictureHeader, context: Context) -> str:
    """What a header says of the encoding that could not be understood; empty where it is silent."""
    from stackcomp.files import colour_tags

    known = colour_tags.from_header(header.metadata)
    if known is not None:
        return f'its header says "{known}", which {context.colour_config} does not have'
    identifier, numbers = header.metadata.get("colorInteropID"), header.metadata.get("chromaticities")
    reasons = []
    if identifier is not None:
        reasons.append(f'its colorInteropID "{identifier}" is not known')
    if numbers is not None:
        reasons.append(
            f"its chromaticities ({' '.join(f'{float(n):.5g}' for n in numbers)}) are of a space that is not known"
        )
    return " and ".join(reasons)


def _usual(headers: Mapping[int, PictureHeader]) -> PictureHeader | None:
    """The first header whose resolution and channels most frames share."""
    if not headers:
        return None
    alike = Counter((header.display, header.channels) for header in headers.values())
    most = max(alike.values())
    return next(header for header in headers.values() if alike[header.display, header.channels] == most)


def _frames(frames: Collection[int]) -> str:
    from stackcomp.data.frames import format_frames

    return f"frame{'s' if len(frames) > 1 else ''} {_cut(format_frames(frames))}"


def _cut(text: str) -> str:
    parts = text.split(",")
    return text if len(parts) <= _MOST_LISTED else ",".join(parts[:_MOST_LISTED]) + " …"
