"""The pictures that examples may name: a brass lantern on a boatbuilder's bench, drawn by the program itself.

==================  ===========================================================================================
plate               the set with a cord that hangs in front; colour without alpha
plate_with_rig      the same with the crew's stand-in, a ball on a stick
plate_log           ``plate`` in the log encoding of a camera
clean               ``plate`` from a camera that was moved: 9 pixels to the right and 4 down
lantern             the lantern, premultiplied, its lamp not lit
lantern_straight    the same divided by alpha
old_lantern         a green lantern beside it, premultiplied
lamp                the light of the flame, premultiplied with alpha 0 everywhere
gel                 a sheet of colours, premultiplied
shadow              what the lantern leaves of the set's light, a ratio
lantern_matte       the lantern's coverage
cord                the cord's coverage
depth               metres along the optical axis, of set, lantern and cord
lantern_depth       the same of the lantern alone, 0 elsewhere
swing               the lantern's motion as it swings: 24 pixels per frame to the right, 7 down
pan                 motion of the whole picture by a camera that slides: the nearer the farther
waves               s and t of every pixel, moved by waves; t is 0 at the bottom
comp                the lantern over its shadow, without the cord in front; colour without alpha
final               ``comp`` with the cord in front and the lamp lit; colour without alpha
cg                  layers of a file: R G B A, emission.R G B, shadow.R G B, depth.Z, CryptoObject00 and 01.r g b a
==================  ===========================================================================================

All are 320×180 pixels, scene-linear ACEScg where they hold light.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Coordinates, Depth, Encoding, Layers, Matte, Motion, Ratio
from stackcomp.data.window import Window
from stackcomp.files.id_hash import HASH, id_of
from stackcomp.reference.bench import bench_depth, cord_cover, drawn_set, with_cord, with_rig
from stackcomp.reference.drawing import HEIGHT, WIDTH, Field, grid, shrunk, smooth
from stackcomp.reference.lantern import PARTS, Lantern, drawn_lantern, lamp_light, shadow_ratio

__all__ = ["FRAME", "scene"]

FRAME = Window.of_size(WIDTH, HEIGHT)
_LINEAR, _LOG = Encoding("ACEScg", "scene-linear"), Encoding("ACEScct", "log")

Pixels = npt.NDArray[np.float32]


@cache
def scene() -> Mapping[str, Image]:
    """Return the pictures by name, as the module's text lists them."""
    empty = drawn_set()
    lantern, lamp = drawn_lantern(), lamp_light()
    light, cord = shadow_ratio(lantern), cord_cover()
    plate = with_cord(empty)
    comp = lantern.colour + empty * light * (1 - lantern.alpha)[..., None]
    final = np.where(cord[..., None] > 0, plate, comp + lamp)
    alpha, colour = shrunk(lantern.alpha), shrunk(lantern.colour)
    straight = np.divide(colour, alpha[..., None], out=np.zeros_like(colour), where=alpha[..., None] > 0)
    old = _old(np.dstack([colour, alpha]))
    metres = _depth(lantern, cord)
    pictures = {
        "plate": _colour(plate),
        "plate_with_rig": _colour(with_rig(plate)),
        "plate_log": Image.from_array(_logged(shrunk(plate)), type=Colour("none", _LOG)),
        "clean": Image.from_array(_moved(shrunk(plate), 9, 4)),
        "lantern": Image.from_array(np.dstack([colour, alpha])),
        "lantern_straight": Image.from_array(np.dstack([straight, alpha]), alpha="straight"),
        "old_lantern": Image.from_array(old),
        "lamp": Image.from_array(np.dstack([shrunk(lamp), np.zeros_like(alpha)])),
        "gel": Image.from_array(_gel()),
        "shadow": Image.from_array(shrunk(light), type=Ratio()),
        "lantern_matte": Image.from_array(alpha, type=Matte()),
        "cord": Image.from_array(shrunk(cord), type=Matte()),
        "depth": Image.from_array(metres, type=Depth()),
        "lantern_depth": Image.from_array(_nearest(lantern.depth), type=Depth()),
        "swing": Image.from_array(np.full((HEIGHT, WIDTH, 2), [24, 7], np.float32), type=Motion()),
        "pan": Image.from_array(_slid(metres, 20), type=Motion()),
        "waves": Image.from_array(_waves(), type=Coordinates()),
        "comp": _colour(comp),
        "final": _colour(final),
    }
    pictures["cg"] = _layers(pictures, lantern)
    return MappingProxyType(pictures)


def _colour(samples: Field) -> Image:
    return Image.from_array(shrunk(samples))


def _moved(pixels: Pixels, right: int, down: int) -> Pixels:
    """Return the pixels moved by whole numbers, those at the border repeated."""
    rows = np.clip(np.arange(HEIGHT) - down, 0, HEIGHT - 1)
    columns = np.clip(np.arange(WIDTH) - right, 0, WIDTH - 1)
    return np.ascontiguousarray(pixels[rows][:, columns])


def _logged(light: Pixels) -> Pixels:
    """Return ACEScct numbers, by Academy S-2016-001."""
    low = 10.5402377416545 * light + 0.0729055341958355
    high = (np.log2(np.maximum(light, 2.0**-16)) + 9.72) / 17.52
    return np.where(light <= 0.0078125, low, high).astype(np.float32)


def _old(lantern: Pixels) -> Pixels:
    """Return the lantern beside its place, in the green of old brass."""
    green = np.array([0.30, 0.95, 0.85, 1.0], np.float32)
    return _moved(lantern * green, 30, 0)


def _gel() -> Pixels:
    """Return a sheet with soft borders: from dark to bright down the frame, from blue to amber across."""
    x, y = grid()
    across, down = smooth(70, 290, x)[..., None], smooth(20, 160, y)[..., None]
    hue = (1 - across) * np.array([0.10, 0.30, 0.95]) + across * np.array([1.0, 0.50, 0.08])
    cover = smooth(60, 72, x) * (1 - smooth(288, 300, x)) * smooth(12, 24, y) * (1 - smooth(156, 168, y))
    sheet = hue * (0.08 + 0.92 * down) * cover[..., None]
    return np.dstack([shrunk(sheet), shrunk(cover)])


def _waves() -> Pixels:
    """Return s and t at the centres of pixels, moved by up to 5 pixels."""
    y, x = np.mgrid[:HEIGHT, :WIDTH] + 0.5
    s = (x + 5 * np.sin(y / 9)) / WIDTH
    t = 1 - (y + 4 * np.sin(x / 14)) / HEIGHT
    places: Pixels = np.clip(np.dstack([s, t]), 0, 1).astype(np.float32)
    return places


def _nearest(metres: Field) -> Pixels:
    """Return the nearest sample of each pixel, where there is one; 0 elsewhere."""
    fine = metres.shape[0] // HEIGHT
    blocks = np.where(metres > 0, metres, np.inf).reshape(HEIGHT, fine, WIDTH, fine).min(axis=(1, 3))
    return np.where(np.isfinite(blocks), blocks, 0).astype(np.float32)


def _depth(lantern: Lantern, cord: Field) -> Pixels:
    _, y = grid()
    metres = np.where(lantern.depth > 0, lantern.depth, bench_depth(y))
    # The cord hangs in front of everything.
    return _nearest(np.where(cord > 0, 0.8, metres))


def _slid(metres: Pixels, pixels: float) -> Pixels:
    """Return motion of so many pixels at one metre, less farther away."""
    across = np.divide(pixels, metres, out=np.zeros_like(metres), where=metres > 0)
    return np.dstack([across, np.zeros_like(across)])


def _layers(pictures: Mapping[str, Image], lantern: Lantern) -> Image:
    planes = dict(pictures["lantern"].planes)
    for layer, name in (("emission", "lamp"), ("shadow", "shadow")):
        planes |= {f"{layer}.{plane}": pictures[name][plane] for plane in "RGB"}
    planes["depth.Z"] = _nearest(lantern.depth)
    planes |= _ids(lantern)
    header = {
        "cryptomatte/3ae39a5/name": "CryptoObject",
        "cryptomatte/3ae39a5/hash": HASH,
        "cryptomatte/3ae39a5/conversion": "uint32_to_float32",
        "cryptomatte/3ae39a5/manifest": json.dumps({name: f"{id_of(name):08x}" for name in PARTS}),
    }
    return Image(planes, FRAME, FRAME, Layers(tuple(planes), "premultiplied", _LINEAR, header), header)


def _ids(lantern: Lantern) -> dict[str, Pixels]:
    """Return ids of the four parts that cover most of each pixel, with their coverage."""
    parts = np.stack([shrunk((lantern.part == k + 1).astype(np.float64)) for k in range(len(PARTS))])
    bits = np.array([id_of(name) for name in PARTS], np.uint32).view(np.float32)
    order = np.argsort(-parts, axis=0, kind="stable")
    planes = {}
    for rank in range(4):
        ids, cover = (f"CryptoObject{rank // 2:02d}.{name}" for name in ("rg", "ba")[rank % 2])
        shares = np.take_along_axis(parts, order[rank][None], 0)[0]
        planes[ids] = np.where(shares > 0, bits[order[rank]], np.float32(0))
        planes[cover] = shares.astype(np.float32)
    return planes
