"""A viewable 8-bit picture of an image of any type.

==============  ==============================================================================
colour          through the config's default view if scene-linear or log, else unchanged;
                over black, or over a dark checkerboard
matte           grey, 0 black to 1 white
ratio           grey and tints at half scale: 1 is mid grey, 2 and more is white
depth           near is bright, far is dim, 0 (nothing) is black; linear in 1 / distance
ids             one colour per id, from its bits, times coverage
motion          mid grey at rest; red follows dx, green follows dy, scaled to the fastest
coordinates     s in red, t in green
layers          its R G B as colour if it has them, else its first channel as grey
==============  ==============================================================================

Pixels that are not finite are pure magenta. The picture shows the display window: overscan is cropped, and pixels
outside the data window have the value that the type defines there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import (
    Colour,
    Coordinates,
    Depth,
    Encoding,
    Ids,
    Layers,
    Matte,
    Motion,
    Ratio,
)
from stackcomp.files import colour

__all__ = ["exposed", "viewable"]

Shown = npt.NDArray[np.float32]
_MAGENTA = (255, 0, 255)
_CHECKER = (0.02, 0.05)  # scene-linear greys
_CHECKER_SIZE = 16
_BRIGHTEST = np.float32(1e12)  # far above white; from about 1e30 on views give black
_FARTHEST = 0.12  # brightness of the farthest depth, so that it differs from nothing


def viewable(
    image: Image,
    *,
    stops: float = 0.0,
    checker: bool = False,
    config: str = colour.DEFAULT_CONFIG,
) -> npt.NDArray[np.uint8]:
    """Return the frame as 8-bit display RGB.

    Args:
        image: of any type.
        stops: viewing exposure in stops, for scene-linear and log colour.
        checker: show a dark checkerboard, not black, behind transparent pixels.
        config: colour config, see `stackcomp.files.colour.config`. If it does not have the picture's encoding,
            scene-linear is taken as linear Rec.709, and other encodings are shown unchanged.

    Returns:
        uint8 ``(height, width, 3)`` of the display window.
    """
    frame = image.over(image.display)
    shown = np.zeros((*frame.display.shape, 3), np.float32)
    if frame.display.empty or not frame.planes:
        return shown.astype(np.uint8)
    finite = np.ones(frame.display.shape, bool)
    planes: dict[str, Plane] = dict(frame.planes)
    for name in _shown_channels(frame):
        plane = frame.planes[name]
        if plane.dtype == np.float32:
            good = np.isfinite(plane)
            finite &= good
            plane = plane if good.all() else np.where(good, plane, np.float32(0))
        planes[name] = plane
    shown = _shown(replace(frame, planes=planes), stops, checker, config)
    eight = np.rint(np.clip(shown, 0, 1) * 255).astype(np.uint8)
    eight[~finite] = _MAGENTA
    return eight


def exposed(plane: Plane, stops: float) -> Plane:
    """Return scene-linear light brighter by some stops; finite values are limited to the range of views."""
    factor = 2.0**stops
    with np.errstate(over="ignore"):
        brighter: Plane = plane * np.float32(factor)
    np.copyto(brighter, np.clip(brighter, -_BRIGHTEST, _BRIGHTEST), where=np.isfinite(plane))
    return brighter


def _shown_channels(image: Image) -> tuple[str, ...]:
    if isinstance(image.type, Layers):
        if all(name in image for name in "RGB"):
            return ("R", "G", "B", "A") if "A" in image else ("R", "G", "B")
        return image.channels[:1]
    return image.channels


def _shown(image: Image, stops: float, checker: bool, config: str) -> Shown:
    planes = list(image.planes.values())
    match image.type:
        case Colour(alpha=alpha, encoding=encoding):
            return _colour(image, alpha, encoding, stops, checker, config)
        case Layers(alpha=alpha, encoding=encoding) if all(name in image for name in "RGB"):
            state = "none" if "A" not in image else alpha
            return _colour(image, state, encoding or Encoding("ACEScg", "scene-linear"), stops, checker, config)
        case Ratio():
            return np.stack(planes, axis=-1) * np.float32(0.5)
        case Depth():
            return _grey(_nearness(planes[0]))
        case Ids():
            return _ids(planes)
        case Motion():
            return _motion(planes[0], planes[1])
        case Coordinates():
            return np.stack([planes[0], planes[1], np.zeros_like(planes[0])], axis=-1)
        case Matte():
            return _grey(planes[0])
    return (
        _ids([planes[0], np.ones_like(planes[0], np.float32)])
        if planes[0].dtype == np.uint32
        else _grey(planes[0])
    )


def _grey(plane: Plane) -> Shown:
    return np.repeat(np.asarray(plane, np.float32)[..., None], 3, axis=-1)


def _colour(image: Image, alpha: str, encoding: Encoding, stops: float, checker: bool, config: str) -> Shown:
    light = encoding.family in ("scene-linear", "log")
    rgb = [image["R"], image["G"], image["B"]]
    if light:
        rgb, encoding = _linear(rgb, encoding, config)
        if stops and encoding.linear:
            rgb = [exposed(plane, stops) for plane in rgb]
    if alpha == "straight":
        rgb = [plane * image["A"] for plane in rgb]
    if checker and alpha != "none":
        behind = _checkerboard(image.window.shape, linear=light) * (1 - image["A"])
        rgb = [plane + behind for plane in rgb]
    if light and encoding.linear:
        rgb = list(colour.display_view(rgb, encoding, config=config))
    return np.stack(rgb, axis=-1)


def _linear(rgb: list[Plane], encoding: Encoding, config: str) -> tuple[list[Plane], Encoding]:
    """Return the same light scene-linear, in a space of the config."""
    try:
        known = colour.encoding(encoding.name, config)
        if encoding.linear:
            return rgb, known
        working = colour.encoding("scene_linear", config)
        return list(colour.convert(rgb, known, working, config)), working
    except colour.UnknownEncoding:
        if not encoding.linear:
            return rgb, encoding
        return rgb, colour.encoding("Linear Rec.709 (sRGB)", config)


def _checkerboard(shape: tuple[int, int], *, linear: bool) -> Shown:
    rows, columns = np.indices(shape, sparse=True)
    dark = (rows // _CHECKER_SIZE + columns // _CHECKER_SIZE) % 2 == 0
    low, high = _CHECKER if linear else np.power(_CHECKER, 1 / 2.4)
    return np.where(dark, np.float32(low), np.float32(high))


def _nearness(depth: Plane) -> Shown:
    there = depth > 0
    if not there.any():
        return np.zeros_like(depth)
    with np.errstate(divide="ignore"):
        closeness = np.where(there, 1 / depth, np.float32(0))
    far, near = np.percentile(closeness[there], [0, 99.5])
    spread = (closeness - far) / (near - far) if near > far else np.ones_like(closeness)
    shown = _FARTHEST + (1 - _FARTHEST) * np.clip(spread, 0, 1)
    return np.where(there, shown, 0).astype(np.float32)


def _ids(planes: list[Plane]) -> Shown:
    shown = np.zeros((*planes[0].shape, 3), np.float32)
    for ids, cover in zip(planes[::2], planes[1::2], strict=False):
        bits = ids if ids.dtype == np.uint32 else ids.view(np.uint32)
        # Two rounds of multiply and shift spread neighbouring numbers over all colours.
        mixed = (bits ^ (bits >> np.uint32(16))) * np.uint32(0x45D9F3B)
        mixed = (mixed ^ (mixed >> np.uint32(15))) * np.uint32(0x2C1B3C6D)
        mixed ^= mixed >> np.uint32(13)
        weight = np.where(bits == 0, np.float32(0), cover) / np.float32(255)
        for channel, shift in enumerate((0, 8, 16)):
            byte = (mixed >> np.uint32(shift)) & np.uint32(0xFF)
            shown[..., channel] += (48 + byte * np.float32(207 / 255)) * weight
    return shown


def _motion(dx: Plane, dy: Plane) -> Shown:
    fastest = max(1.0, float(np.percentile(np.hypot(dx, dy), 99.9)))
    middle = np.full_like(dx, 0.5)
    return np.stack([0.5 + dx / (2 * fastest), 0.5 + dy / (2 * fastest), middle], axis=-1).astype(np.float32)
