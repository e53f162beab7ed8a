"""Pictures that laws are tried on: small, with windows that differ, and all that pictures may hold.

==============  ======================================================================================
cg              premultiplied; highlights, light under alpha 0, soft edges; smaller than the frame
straight        the same kind of picture with straight alpha
plate           without alpha, larger than the frame (overscan)
cropped         without alpha, another part of the frame
log             without alpha, in ACEScct
matte           coverage with hard and soft edges, smaller than the frame
other_matte     coverage over the whole frame
ratio           a multiplier, around 1
depth           1 to 5 metres
other_depth     likewise, smaller than the frame
motion          up to 6 pixels per frame to all sides
file            layers of a file: R G B A and mask
ids             layers of a file: ids of bolt, cord and lamp in two ranks, CryptoObject00.r g b a
==============  ======================================================================================

Values are noise, so that neighbours differ and every mistake of a place shows.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Coordinates, Depth, Encoding, Layers, Matte, Motion, Ratio
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError, did_you_mean
from stackcomp.files.id_hash import id_of

__all__ = ["CROP", "FRAME", "LAW_PICTURES", "law_picture", "noise"]

#: The frame of all these pictures.
FRAME = Window.of_size(44, 36)
CROP = Window(3, 2, 40, 35)
_HIGHER = Window(5, 0, 44, 31)
_OVERSCAN = Window(-2, -1, 46, 38)
_OBJECTS = ("bolt", "cord", "lamp")
_FILE = ("R", "G", "B", "A", "mask")


def noise(seed: int, window: Window, channels: int) -> npt.NDArray[np.float32]:
    """Evenly distributed noise, 0 to 1, ``(height, width, channels)``; the same for the same seed."""
    return np.random.default_rng(seed).random((*window.shape, channels)).astype(np.float32)


def _image(pixels: npt.ArrayLike, window: Window, **more: Any) -> Image:
    return Image.from_array(pixels, origin=(window.x0, window.y0), display=FRAME, **more)


def _cg(alpha: str) -> Image:
    pixels = noise(1, CROP, 4) * [3, 3, 3, 1]
    pixels[..., 3] = np.clip(pixels[..., 3] * 3 - 1, 0, 1)
    pixels[..., :3] *= np.where(pixels[..., 3:] > 0, pixels[..., 3:], 0.25)
    return _image(pixels, CROP, alpha=alpha)


def _file() -> Image:
    planes = {plane: noise(9, CROP, 1)[..., 0] + k for k, plane in enumerate(_FILE)}
    type = Layers(_FILE, "premultiplied", Encoding("ACEScg", "scene-linear"))
    return Image(planes, CROP, FRAME, type)


def _coordinates() -> Image:
    """Places in the frame, moved by waves, with pixels in which nothing is."""
    y, x = np.mgrid[CROP.y0 : CROP.y1, CROP.x0 : CROP.x1] + 0.5
    s = (x + 3 * np.sin(y / 5)) / FRAME.width
    t = 1 - (1.2 * y + 2 * np.cos(x / 4)) / FRAME.height
    return _image(np.dstack([s, t]), CROP, type=Coordinates())


def _ids() -> Image:
    bits = np.array([id_of(name) for name in _OBJECTS], np.uint32).view(np.float32)
    which, shares = (noise(seed, CROP, 2) for seed in (10, 11))
    planes = {}
    for rank, (id, cover) in enumerate((("r", "g"), ("b", "a"))):
        planes[f"CryptoObject00.{id}"] = bits[(which[..., rank] * len(bits)).astype(int)]
        planes[f"CryptoObject00.{cover}"] = shares[..., rank] / 2
    header = {"cryptomatte/3ae39a5/name": "CryptoObject"}
    header["cryptomatte/3ae39a5/manifest"] = json.dumps({name: f"{id_of(name):08x}" for name in _OBJECTS})
    return Image(planes, CROP, FRAME, Layers(tuple(planes), metadata=header), header)


#: What makes each picture, by its name.
LAW_PICTURES: dict[str, Callable[[], Image]] = {
    "cg": lambda: _cg("premultiplied"),
    "straight": lambda: _cg("straight"),
    "plate": lambda: _image(noise(2, _OVERSCAN, 3) * 2, _OVERSCAN),
    "cropped": lambda: _image(noise(3, _HIGHER, 3), _HIGHER),
    "log": lambda: _image(noise(4, CROP, 3), CROP, type=Colour("none", Encoding("ACEScct", "log"))),
    "matte": lambda: _image(np.clip(noise(5, CROP, 1) * 3 - 1, 0, 1), CROP, type=Matte()),
    "other_matte": lambda: _image(noise(6, FRAME, 1), FRAME, type=Matte()),
    "ratio": lambda: _image(noise(7, CROP, 3) * 1.2, CROP, type=Ratio()),
    "depth": lambda: _image(1 + 4 * noise(8, FRAME, 1), FRAME, type=Depth()),
    "other_depth": lambda: _image(1 + 4 * noise(12, CROP, 1), CROP, type=Depth()),
    "motion": lambda: _image(noise(13, FRAME, 2) * 8 - 4, FRAME, type=Motion()),
    "coordinates": _coordinates,
    "file": _file,
    "ids": _ids,
}


@cache
def law_picture(name: str) -> Image:
    """The picture of that name.

    Raises:
        ArgumentError: there is none.
    """
    if name not in LAW_PICTURES:
        raise ArgumentError("picture", f'there is no picture "{name}"', did_you_mean(name, list(LAW_PICTURES)))
    return LAW_PICTURES[name]()
