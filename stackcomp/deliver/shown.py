"""A delivered file as it is looked at: R'G'B' of its frame, for movies and contact sheets.

===============  ==========================================================================================
EXR, colour      over black, through a view of the OCIO config, as the deliver node writes a JPEG of it;
                 display-encoded colour unchanged
EXR, other       matte, ratio, depth, motion and coordinates as `stackcomp.files.viewable` shows them, 8 bits
PNG, JPEG, TIFF  display-encoded already: unchanged, grey as R = G = B; straight alpha multiplies the code
                 values, so that the picture lies over black
===============  ==========================================================================================

The picture shows the display window: overscan is cropped, and pixels outside the data window are black. Values are
clipped to 0 and 1; NaN is black, and +infinity white.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import PathLike, file_path, stops
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Alpha, Colour, Coordinates, Depth, Encoding, Matte, Motion, PortType, Ratio
from stackcomp.errors import FileError
from stackcomp.files import colour, colour_tags, mark
from stackcomp.files.file_state import FileState
from stackcomp.files.picture_file import PictureHeader, header_of
from stackcomp.files.viewable import viewable
from stackcomp.kernels.strips import over_strips
from stackcomp.nodes.base import Context, Job
from stackcomp.nodes.deliver import Deliver

__all__ = ["shown_picture"]

Picture = npt.NDArray[np.float32]

_RGB = ("R", "G", "B")
# Types that the names of a file's channels tell.
_BY_NAMES: tuple[PortType, ...] = (Matte(), Depth(), Motion(), Coordinates())


def shown_picture(
    path: PathLike,
    *,
    display: str | None = None,
    view: str | None = None,
    viewing_stops: float = 0.0,
    config: str = colour.DEFAULT_CONFIG,
    encoding: str | None = None,
    type: PortType | None = None,
) -> Picture:
    """Return the frame of a picture file, display-encoded.

    Args:
        path: OpenEXR, PNG, JPEG or TIFF; the first bytes decide.
        display: EXR: display of the config; its default when None.
        view: EXR: view of the display; its default when None.
        viewing_stops: EXR: exposure of scene-linear and log colour before the view, -30 to 30.
        config: name or path of the OCIO config.
        encoding: EXR: colour space of R, G and B; when None, that which the header says.
        type: EXR: what the file holds; when None, its header and the names of its channels decide.

    Returns:
        float32 ``(height, width, 3)``, 0 to 1.

    Raises:
        FileError: it cannot be read, its colour space is not known, or it holds nothing that can be shown.
        UnknownEncoding: the config has no such display or view, or there is no such config.
        ArgumentError: not a path, or not a number of stops.
    """
    place = file_path(path)
    exposure = stops("viewing_stops", viewing_stops)
    header, state = header_of(place)
    if header.format != "OpenEXR":
        return _still(place, header, state)
    kind = _type(place, header, encoding, config) if type is None else type
    image = _image(place, header, kind, state)
    if not isinstance(kind, Colour):
        return viewable(image, config=config).astype(np.float32) / np.float32(255)
    sink = Deliver(
        kind="deliver", image="image", path="picture.jpg", display=display, view=view, viewing_stops=exposure
    )
    found = dict(image.over(image.display).planes)
    alpha = found.pop("A", None)
    # The maths of the deliver node itself, so that a movie looks like the stills beside it.
    job = Job(1, 1.0, Context(kind.encoding, config, Path(), (1,)))
    try:
        planes = sink._shown(found, alpha, kind, job)
    except colour.UnknownEncoding as error:
        if kind.encoding.family == "data":
            raise FileError(place, str(error), "deliver it as colour") from None
        raise
    return _stacked([planes[name] for name in _RGB])


def _type(path: Path, header: PictureHeader, encoding: str | None, config: str) -> PortType:
    """What an EXR file holds."""
    names = set(header.channels)
    said = str(header.metadata.get("stackcomp/type", ""))
    if not names.issuperset(_RGB):
        for kind in _BY_NAMES:
            if names == set(kind.planes):
                return kind
        listed = ", ".join(header.channels[:6]) + (" …" if len(header.channels) > 6 else "")
        raise FileError(
            path, f"it holds no picture to show: its channels are {listed}", "show a file with R, G, B"
        )
    name = encoding or header.metadata.get("stackcomp/colourSpace") or colour_tags.from_header(header.metadata)
    if said == "ratio" or (name is None and not said and mark.read(path) is not None):
        # Deliver nodes write the colour space of every colour; the other type with R, G and B has none.
        return Ratio()
    if name is None:
        raise FileError(
            path,
            "its colour space is not known: the header has neither stackcomp/colourSpace, nor colorInteropID, nor "
            "chromaticities of a known space",
            'say it: encoding="ACEScg"',
        )
    alpha: Alpha = "none" if "A" not in names else "straight" if said.startswith("straight") else "premultiplied"
    try:
        space: Encoding = colour.encoding(str(name), config)
    except colour.UnknownEncoding as error:
        if encoding is not None:
            raise
        raise FileError(path, f"its header says that its colour space is {name}, but {error}") from None
    return Colour(alpha, space)


def _image(path: Path, header: PictureHeader, kind: PortType, state: FileState) -> Image:
    from stackcomp.files import exr

    missing = [name for name in kind.planes if name not in header.channels]
    if missing:
        raise FileError(path, f"it has no channel {missing[0]}, so it does not hold {kind}", "say another type")
    pixels = exr.read(path, list(kind.planes), state=state)
    return Image(pixels.planes, pixels.window, header.display, kind)


def _still(path: Path, header: PictureHeader, state: FileState) -> Picture:
    from stackcomp.files import stills

    pixels = stills.read(path, state=state).pixels
    count = pixels.shape[2]
    planes = [pixels[..., k if count > 2 else 0] for k in range(3)]
    return _stacked(planes, pixels[..., -1] if header.alpha == "straight" else None)


def _stacked(planes: list[Plane], times: Plane | None = None) -> Picture:
    """Three planes as one picture, multiplied by a fourth, finite and clipped."""
    height, width = planes[0].shape
    picture = np.empty((height, width, 3), np.float32)

    def stack(first: int, last: int) -> None:
        for k, plane in enumerate(planes):
            part = picture[first:last, :, k]
            if times is None:
                part[...] = plane[first:last]
            else:
                # A value that is not finite times 0 is NaN, and so becomes black.
                with np.errstate(invalid="ignore", over="ignore"):
                    np.multiply(plane[first:last], times[first:last], out=part)
            np.clip(part, 0, 1, out=part)
            np.copyto(part, 0, where=np.isnan(part))

    over_strips(stack, height)
    return picture
