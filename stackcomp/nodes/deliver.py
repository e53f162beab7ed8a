"""deliver: a picture out of the graph, into files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field, field_validator

from stackcomp.errors import Problem, did_you_mean
from stackcomp.files.mark import ATTRIBUTE, Mark
from stackcomp.files.paths import FramePath, resolve
from stackcomp.image import Image
from stackcomp.nodes.base import Context, Job, Port, SinkNode
from stackcomp.port_types import Colour, Depth, Ids, Matte, PortType, Ratio

_STILLS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
_BITS = {".png": (8, 16), ".jpg": (8,), ".jpeg": (8,), ".tif": (8, 16, 32), ".tiff": (8, 16, 32)}


class Deliver(SinkNode):
    """Writes a picture to one file a frame: OpenEXR as it is, or PNG, JPEG, TIFF through a display view.

    A file is written beside its final name, read back, and only then given that name. OpenEXR keeps both windows
    and records program version, graph, inputs, frame, colour space and the plate's timecode. A still shows the
    frame alone, encoded for ``display`` and ``view``.

    What the graph reads is never overwritten. Of other files, a delivery replaces what the same graph file
    delivered for the same shot, and pictures that this program made to be looked at. Every file carries a mark
    that tells; a file without it, a delivery of another graph or for another shot is refused before anything
    is computed, unless ``replace`` is "anything".
    """

    source_of_maths: ClassVar[str] = "OpenEXR file format; views of the OCIO config"

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
    display: Annotated[
        str | None, Field(description="Stills: display of the OCIO config; its default if left out.")
    ] = None
    view: Annotated[str | None, Field(description="Stills: view of the display; its default if left out.")] = None
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

    def look(self, types: Mapping[str, PortType], context: Context) -> Iterator[Problem]:
        ending, type = self._ending, types["image"]
        if ending not in (".exr", *_STILLS):
            yield Problem(
                "format",
                f'nothing is known about files that end in "{ending}"',
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
        if not FramePath(self.path).has_frame and len(context.frames) > 1:
            yield Problem(
                "output-twice",
                f"{len(context.frames)} frames would all write {self.path}",
                "put {frame:04d} into the path",
                field="path",
            )
        if ending in _STILLS and isinstance(type, Colour) and type.encoding.family != "display":
            yield from self._view_exists(type, context)

    def _view_exists(self, type: Colour, context: Context) -> Iterator[Problem]:
        from stackcomp.files import colour

        try:
            probe = [np.zeros((1, 1), np.float32)] * 3
            colour.display_view(probe, type.encoding, self.display, self.view, context.colour_config)
        except ValueError as error:
            yield Problem("view", str(error), field="view" if self.view else "display")

    @property
    def replaces_foreign(self) -> bool:
        return self.replace == "anything"

    def outputs(self, frame: int, root: Path) -> list[Path]:
        return [resolve(root, self.path, frame)]

    def write(self, image: Image, job: Job, notes: Mapping[str, Any]) -> list[Path]:
        path = resolve(job.root, self.path, job.frame)
        if self._ending == ".exr":
            self._write_exr(path, image, job, notes)
        else:
            self._write_still(path, image, job, notes.get(ATTRIBUTE))
        return [path]

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
            metadata=metadata,
            # The open ID-matte specification keeps ids as the bits of float channels.
            bits_as_float=image.type.planes[::2] if isinstance(image.type, Ids) else (),
            mark=mark,
        )
        if report.clamped:
            job.warn(
                f"{report.clamped} values beyond ±65504, the range of half, were clamped in {path.name}; "
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
            job.warn(f"{report.not_finite} values that are not finite were written as 0 in {path.name}")

    def _shown(self, planes: dict[str, Any], alpha: Any, type: Colour, job: Job) -> dict[str, Any]:
        """Display-encoded, straight where a still keeps alpha (as PNG demands), over black in JPEG."""
        from stackcomp.files import colour

        keeps_alpha = alpha is not None and self._ending not in (".jpg", ".jpeg")
        if keeps_alpha and type.alpha == "premultiplied":
            by = np.where(alpha != 0, alpha, np.float32(1))
            planes = {name: plane / by for name, plane in planes.items()}
        if alpha is not None and not keeps_alpha and type.alpha == "straight":
            planes = {name: plane * alpha for name, plane in planes.items()}
        if type.encoding.family == "display":
            return planes
        encoded = colour.display_view(
            list(planes.values()), type.encoding, self.display, self.view, job.context.colour_config
        )
        return dict(zip("RGB", encoded, strict=True))
