"""deliver: a picture out of the graph, into files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field, field_validator

from stackcomp.data.image import Image, Plane, all_finite
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Colour, Depth, Encoding, Ids, Matte, PortType, Ratio
from stackcomp.data.window import Window
from stackcomp.errors import Problem, did_you_mean
from stackcomp.files import exr_level
from stackcomp.files.mark import ATTRIBUTE, Mark
from stackcomp.files.paths import FramePath, resolve
from stackcomp.nodes.base import Context, Job, PageExamples, Port, SinkNode

#: Stands for infinite light in front of a view: the largest number of a half float.
_BRIGHTEST = 65504.0
_STILLS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
_BITS = {".png": (8, 16), ".jpg": (8,), ".jpeg": (8,), ".tif": (8, 16, 32), ".tiff": (8, 16, 32)}


class Deliver(SinkNode):
    """Writes a picture to one file a frame: OpenEXR as it is, or PNG, JPEG, TIFF through a display view.

    A file is written beside its final name, read back, and only then given that name. OpenEXR keeps both windows
    and records program version, graph, inputs, frame, colour space and the plate's timecode and frame rate. A
    still shows the frame alone, encoded for ``display`` and ``view``, after ``viewing_stops`` of exposure for the
    people who look at it; these never change an OpenEXR file.

    What the graph reads is never overwritten. A delivery replaces two kinds of other files: what the same graph
    file delivered for the same shot, and pictures that this program made to be looked at. A mark in every file
    says which it is. A file without the mark, and a delivery of another graph or for another shot, is refused
    before anything is computed, unless ``replace`` is "anything".
    """

    source_of_maths: ClassVar[str] = "OpenEXR file format; views of the OCIO config"
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The picture in the file, for a display, one stop brighter for looking.",
            "image": "final",
            "path": "lantern.{frame:04d}.png",
            "viewing_stops": 1,
        },
    )

    kind: Literal["deliver"] = "deliver"
    image: Annotated[str, Port((Colour, Matte, Ratio, Depth), doc="picture to write")]
    path: Annotated[
        str,
        Field(description="File, with {frame:04d} or %04d; its ending says the format: .exr .png .jpg .tif"),
    ]
    pixel_type: Annotated[
        Literal["half", "float"], Field(description="OpenEXR: 16 or 32 bits a value. Depth is always float.")
    ] = "half"
    compression: Annotated[
        Literal["none", "rle", "zips", "zip", "piz", "htj2k32", "htj2k256"],
        Field(description="OpenEXR: lossless compression."),
    ] = "zip"
    compression_level: Annotated[
        int,
        Field(
            ge=1, le=9, description="OpenEXR, zip and zips: 1 is fastest, 9 smallest; all give the same pixels."
        ),
    ] = exr_level.DEFAULT
    display: Annotated[
        str | None, Field(description="Stills: display of the OCIO config; its default if left out.")
    ] = None
    view: Annotated[str | None, Field(description="Stills: view of the display; its default if left out.")] = None
    viewing_stops: Annotated[
        float,
        Number("stills of scene light: exposure before the view, for looking", unit="stops", low=-30, high=30),
    ] = 0.0
    bits: Annotated[Literal[8, 16, 32], Field(description="Stills: bits a value. 32 is float, TIFF only.")] = 8
    quality: Annotated[int, Field(ge=1, le=100, description="JPEG: quality.")] = 95
    replace: Annotated[
        Literal["own", "anything"],
        Field(
            description="Files that may be replaced: this graph's own deliveries for this shot, or anything but "
            "what the graph reads."
        ),
    ] = "own"

    @field_validator("path")
    @classmethod
    def _path_parses(cls, text: str) -> str:
        FramePath(text)
        return text

    @property
    def _ending(self) -> str:
        return Path(self.path).suffix.lower()

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        ending, type = self._ending, types["image"]
        if ending in (".mp4", ".mov"):
            yield Problem(
                "format",
                f'a deliver node writes one file a frame, and "{ending}" is a movie',
                'deliver stills, and make the movie of them under "deliveries" of a sequence file',
                field="path",
            )
            return
        if ending not in (".exr", *_STILLS):
            yield Problem(
                "format",
                f'files that end in "{ending}" are not supported'
                if ending.strip(".").isalnum()
                else f'the path "{self.path}" has no ending that says the format',
                did_you_mean(ending, [".exr", *_STILLS]),
                field="path",
            )
            return
        if ending == ".exr" and isinstance(type, Colour) and type.alpha == "straight":
            yield Problem(
                "straight-alpha",
                "OpenEXR holds premultiplied colour, but this is straight",
                "put a premultiply node before it",
                field="image",
            )
        if ending != ".exr" and self.bits not in _BITS[ending]:
            yield Problem(
                "bits",
                f"{ending} has no {self.bits} bits a value",
                f"choose from {', '.join(map(str, _BITS[ending]))}",
                field="bits",
            )
        if ending != ".exr" and isinstance(type, Depth | Ratio):
            yield Problem("format", f"a still cannot hold {type}", "deliver it as .exr", field="path")
        yield from self._level_used()
        yield from self._stops_seen(type)
        if not FramePath(self.path).has_frame and len(context.frames) > 1:
            yield Problem(
                "output-twice",
                f"{len(context.frames)} frames would all write {self.path}",
                "put {frame:04d} into the path",
                field="path",
            )
        if ending in _STILLS and isinstance(type, Colour) and type.encoding.family != "display":
            yield from self._view_exists(type, context)

    def _level_used(self) -> Iterator[Problem]:
        """A level that would change nothing."""
        if "compression_level" not in self.model_fields_set:
            return
        if self._ending != ".exr":
            message = f"{self._ending} has no such level"
        elif self.compression not in ("zip", "zips"):
            message = f'compression "{self.compression}" has no level'
        elif not exr_level.available():
            message = "the installed OpenEXR library does not let its level be set"
        else:
            return
        yield Problem(
            "compression-level",
            f'"compression_level" changes nothing here: {message}',
            "leave it out",
            field="compression_level",
            severity="warning",
        )

    def _stops_seen(self, type: PortType) -> Iterator[Problem]:
        """Stops that would change nothing."""
        if not isinstance(self.viewing_stops, Keyed) and self.viewing_stops == 0:
            return
        if self._ending == ".exr":
            message, way_out = (
                "OpenEXR is written as it is",
                "put an exposure node before it to change the picture",
            )
        elif not isinstance(type, Colour):
            message, way_out = f"{type} has no exposure", "leave it out"
        elif type.encoding.family == "display":
            message, way_out = f"colour in {type.encoding} is written as it is", "deliver the scene-linear picture"
        else:
            return
        yield Problem(
            "viewing-stops",
            f'"viewing_stops" changes nothing here: {message}',
            way_out,
            field="viewing_stops",
            severity="warning",
        )

    def _view_exists(self, type: Colour, context: Context) -> Iterator[Problem]:
        from stackcomp.files.colour import UnknownEncoding

        try:
            probe = [np.zeros((1, 1), np.float32)] * 3
            self.at(context.frame)._encoded(probe, type.encoding, context.colour_config)
        except UnknownEncoding as error:
            yield Problem("view", str(error), field="view" if self.view else "display")

    @property
    def replaces_foreign(self) -> bool:
        return self.replace == "anything"

    def takes_half(self, type: PortType) -> bool:
        return self._ending == ".exr" and self.pixel_type == "half" and not isinstance(type, Depth | Ids)

    def outputs(self, frame: int, root: Path) -> list[Path]:
        return [resolve(root, self.path, frame)]

    def write(self, image: Image, job: Job, notes: Mapping[str, Any]) -> list[Path]:
        path = resolve(job.root, self.path, job.frame)
        self.write_file(path, image, job, notes)
        return [path]

    def write_file(self, path: Path, image: Image, job: Job, notes: Mapping[str, Any]) -> None:
        """Write one file, whatever its name; the format is that of the node's own path."""
        if self._ending == ".exr":
            self._write_exr(path, image, job, notes)
        else:
            self._write_still(path, image, job, notes.get(ATTRIBUTE))

    def _write_exr(self, path: Path, image: Image, job: Job, notes: Mapping[str, Any]) -> None:
        from stackcomp.files import colour_tags, exr

        metadata = dict(notes)
        mark = metadata.pop(ATTRIBUTE, None)
        if isinstance(image.type, Colour):
            encoding = image.type.encoding
            metadata["stackcomp/colourSpace"] = encoding.name
            # Of a config on disk the name alone: a path would tell of one machine.
            metadata["stackcomp/colourConfig"] = Path(job.context.colour_config).name
            chromaticities = colour_tags.chromaticities_of(encoding) if encoding.linear else None
            if chromaticities is not None:
                metadata["chromaticities"] = chromaticities
            identifier = colour_tags.interop_id_of(encoding)
            if identifier is not None:
                metadata["colorInteropID"] = identifier
        pixel_type: Literal["half", "float"] = "float" if isinstance(image.type, Depth) else self.pixel_type
        report = exr.write(
            path,
            image.planes,
            window=image.window,
            display=image.display,
            pixel_type=pixel_type,
            compression=self.compression,
            compression_level=self.compression_level,
            metadata=metadata,
            # The open ID-matte specification keeps ids as the bits of float channels.
            bits_as_float=image.type.planes[::2] if isinstance(image.type, Ids) else (),
            mark=mark,
        )
        clamped = report.clamped + job.clamped
        if clamped:
            job.warn(
                f"{clamped} values beyond ±65504, the range of half, were clamped in {path.name}; "
                'set "pixel_type" to "float" to keep them'
            )

    def _write_still(self, path: Path, image: Image, job: Job, mark: Mark | None) -> None:
        from stackcomp.files import stills

        frame = image.over(image.display)
        planes = dict(frame.planes)
        alpha = planes.pop("A", None) if isinstance(image.type, Colour) else None
        if isinstance(image.type, Colour):
            planes = self._shown(planes, alpha, image.type, job)
        if alpha is not None and self._ending not in (".jpg", ".jpeg"):
            planes["A"] = alpha
        pixels = np.stack(list(planes.values()), axis=-1)
        report = stills.write(path, pixels, self.bits, quality=self.quality, mark=mark)
        if report.not_finite:
            _tell(job, path, (report.above, report.below, report.nan), "1 (white)", "0 (black)")

    def _shown(self, planes: dict[str, Any], alpha: Any, type: Colour, job: Job) -> dict[str, Any]:
        """Display-encoded, straight where a still keeps alpha (as PNG demands), over black in JPEG."""
        keeps_alpha = alpha is not None and self._ending not in (".jpg", ".jpeg")
        if keeps_alpha and type.alpha == "premultiplied":
            by = np.where(alpha != 0, alpha, np.float32(1))
            planes = {name: plane / by for name, plane in planes.items()}
        if alpha is not None and not keeps_alpha and type.alpha == "straight":
            planes = {name: plane * alpha for name, plane in planes.items()}
        if type.encoding.family == "display":
            return planes
        planes = self._finite(planes, job)
        encoded = self._encoded(list(planes.values()), type.encoding, job.context.colour_config)
        return dict(zip("RGB", encoded, strict=True))

    def _encoded(self, rgb: list[Plane], encoding: Encoding, config: str) -> tuple[Plane, Plane, Plane]:
        """R, G and B through the view, after the stops. Raises ValueError where the config has no such way."""
        from stackcomp.files import colour
        from stackcomp.files.viewable import exposed

        if self.viewing_stops:
            # Log is brought to light first: stops are factors of light, not of its logarithm.
            if not encoding.linear:
                linear = colour.encoding("scene_linear", config)
                rgb, encoding = list(colour.convert(rgb, encoding, linear, config)), linear
            rgb = [exposed(plane, self.viewing_stops) for plane in rgb]
        return colour.display_view(rgb, encoding, self.display, self.view, config)

    def _finite(self, planes: dict[str, Any], job: Job) -> dict[str, Any]:
        """Light that a view can show: through its curves and matrices, one infinity would make a black pixel."""
        if all(all_finite(plane) for plane in planes.values()):
            return planes
        tests = (np.isposinf, np.isneginf, np.isnan)
        counts = tuple(sum(int(np.count_nonzero(test(plane))) for plane in planes.values()) for test in tests)
        path = resolve(job.root, self.path, job.frame)
        _tell(job, path, counts, f"white ({_BRIGHTEST:.0f} before the view)", "black (0 before the view)")
        return {
            name: np.nan_to_num(plane, nan=0.0, posinf=_BRIGHTEST, neginf=0.0) for name, plane in planes.items()
        }


def _tell(job: Job, path: Path, counts: tuple[int, ...], white: str, black: str) -> None:
    """Say what became of +infinity, -infinity and NaN, in that order."""
    words = (f"+infinity as {white}", f"-infinity as {black}", f"NaN as {black}")
    listed = ", ".join(f"{count} of {what}" for count, what in zip(counts, words, strict=True) if count)
    job.warn(f"values that are not finite were written into {path.name}: {listed}")
