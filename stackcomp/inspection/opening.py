"""A file as checks see it: all its channels, and the colour among them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackcomp.begin.layers import Layer, layers_of
from stackcomp.data.image import Held, Image, Plane
from stackcomp.data.port_types import Alpha, Colour, Encoding, Layers, Matte
from stackcomp.errors import FileError
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.picture_file import PictureHeader, header_of, planes
from stackcomp.inspection.seen import Seen

__all__ = ["Opened", "colour_among", "encoding_of", "opened", "rendered"]

#: What OpenEXR means without ``chromaticities`` (OpenEXR, Technical Introduction), and a still without a profile.
_EXR = Encoding("Linear Rec.709 (sRGB)", "scene-linear")
_STILL = Encoding("sRGB Encoded Rec.709 (sRGB)", "display")


@dataclass(frozen=True, eq=False)
class Opened:
    """A picture that checks look at.

    Attributes:
        layers: all channels that can be read; halves are float16, ids uint32.
        seen: its colour, or else its first plane, float32.
    """

    layers: Image
    seen: Seen

    @property
    def colour(self) -> Image | None:
        """Its colour; None where it has none."""
        return self.seen.image if isinstance(self.seen.image.type, Colour | Matte) else None


def encoding_of(header: PictureHeader, told: str | None, config: str = DEFAULT_CONFIG) -> Encoding:
    """The encoding of a file: as told, by its header, or by its format.

    Raises:
        UnknownEncoding: the config has no encoding of the name that was told.
    """
    from stackcomp.files import colour, colour_tags

    if told is not None:
        return colour.encoding(told, config)
    name = colour_tags.from_header(header.metadata)
    if name is not None:
        try:
            return colour.encoding(name, config)
        except colour.UnknownEncoding:
            pass
    return _EXR if header.format == "OpenEXR" else _STILL


def opened(
    path: Path, *, encoding: str | None = None, alpha: Alpha | None = None, config: str = DEFAULT_CONFIG
) -> Opened:
    """Read a file: every channel that can be read, once.

    Args:
        path: the file.
        encoding: name of its colour space; its header decides when None.
        alpha: the state that is declared; its header decides when None.
        config: colour config.

    Raises:
        FileError: there is no such file, or it cannot be read.
        UnknownEncoding: the config has no such encoding.
    """
    header, state = header_of(path)
    names = [name for name in header.channels if name not in header.unusable]
    if not names:
        raise FileError(path, "it has no channel that can be read", "save it with R, G and B at full size")
    space = encoding_of(header, encoding, config)
    made, window = planes(path, names, state)
    if encoding is None and header.format == "TIFF" and made[names[0]].dtype == np.float32:
        space = _EXR if _beyond_white(made) else space
    state_of_alpha: Alpha = (alpha or header.alpha) if any(_is_alpha(name) for name in names) else "none"
    type_ = Layers(tuple(names), state_of_alpha, space)
    layers = Held(made, window, header.display, type_, header.metadata)
    return Opened(layers, Seen(colour_among(layers, space, state_of_alpha), header.channels, state_of_alpha))


def rendered(image: Image) -> Opened:
    """A picture that was computed."""
    alpha = image.type.alpha if isinstance(image.type, Colour) else "none"
    return Opened(image, Seen(image, image.channels, alpha))


def colour_among(layers: Image, encoding: Encoding, alpha: Alpha) -> Image:
    """R G B, and A where there is one and it is used, of the file's own layer or else of its beauty; float32.

    A file without colour gives its first plane: as a matte where it is called A, as grey where it is called Y.
    """
    found = layers_of(layers.channels, layers.metadata)
    coloured = [layer for layer in found if layer.has_colour]
    if coloured:
        best = min(coloured, key=_preference)
        names = dict(best.planes)
        if "A" not in names and "A" in layers.channels:
            names["A"] = "A"
        if alpha == "none" or "A" not in names:
            names.pop("A", None)
        type_ = Colour(alpha if "A" in names else "none", encoding)
        return _image(layers, {plane: names[plane] for plane in type_.planes}, type_)
    first = layers.channels[0]
    grey = next((name for name in layers.channels if name.rpartition(".")[2] in ("Y", "y")), None)
    if grey is not None:
        plane = layers.planes[grey]
        if plane.dtype != np.uint32:
            has_alpha = alpha != "none" and "A" in layers.channels
            names = {"R": grey, "G": grey, "B": grey, **({"A": "A"} if has_alpha else {})}
            return _image(layers, names, Colour(alpha if has_alpha else "none", encoding))
    if layers.planes[first].dtype != np.uint32 and _is_alpha(first):
        return _image(layers, {"A": first}, Matte())
    plane = layers.planes[first]
    type_of_one = Layers((first,))
    one: dict[str, Plane] = {first: plane if plane.dtype == np.uint32 else plane.astype(np.float32)}
    return Image(one, layers.window, layers.display, type_of_one, layers.metadata)


def _image(layers: Image, names: Mapping[str, str], type_: Colour | Matte) -> Image:
    wide: dict[str, Plane] = {}
    for name in set(names.values()):
        plane = layers.planes[name]
        wide[name] = plane if plane.dtype == np.float32 else plane.astype(np.float32)
    made = {plane: wide[name] for plane, name in names.items()}
    return Image(made, layers.window, layers.display, type_, layers.metadata)


def _preference(layer: Layer) -> tuple[int, int]:
    return (0 if not layer.name else 1 if layer.role == "beauty" else 2, layer.plainness)


def _is_alpha(channel: str) -> bool:
    return channel.rpartition(".")[2].casefold() in ("a", "alpha")


def _beyond_white(made: Mapping[str, Plane]) -> bool:
    """Whether values lie outside 0 to 1, which whole numbers never do."""
    with np.errstate(invalid="ignore"):
        return any(bool((plane > 1).any() or (plane < 0).any()) for plane in made.values())
