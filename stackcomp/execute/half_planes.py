"""Planes of 16-bit floats, widened for whoever computes with numbers of its own.

The same conversion as in loops, in strips on all threads.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Held, Image, Plane, all_finite
from stackcomp.execute.fuse import compiled
from stackcomp.kernels.strips import over_strips
from stackcomp.nodes.pixel import pixel
from stackcomp.plan.program import Lane, Op, Program

__all__ = ["is_finite", "widened", "widened_image"]


@pixel
def _same(x):  # type: ignore[no-untyped-def]
    return x


_WIDEN = Program((1,), (Op(_same, (Lane("plane"),)),), ((0, 0),), half_inputs=(True,))


def widened(plane: npt.NDArray[np.float16]) -> npt.NDArray[np.float32]:
    """A plane as float32."""
    wide = np.empty(plane.shape, np.float32)
    rows, integers = compiled(_WIDEN).on([plane, wide], np.zeros(1, np.float32)), np.zeros(2, np.int64)
    over_strips(lambda first, last: rows(first, last, plane.shape[1], integers), plane.shape[0])
    return wide


def is_finite(plane: Plane) -> bool:
    """Whether a plane holds neither NaN nor infinity; ids are always finite."""
    if plane.dtype == np.uint32 or not plane.size:
        return True
    found: list[bool] = []

    def strip(first: int, last: int) -> None:
        rows = plane[first:last]
        if rows.dtype == np.float16:
            # All bits of the exponent are set in nothing else.
            bits = rows.view(np.uint16) & np.uint16(0x7C00)
            found.append(bool(bits.max() < 0x7C00))
        else:
            found.append(all_finite(rows))

    over_strips(strip, plane.shape[0])
    return all(found)


def widened_image(image: Image) -> Image:
    """A picture all of whose planes are float32, or ids."""
    if not isinstance(image, Held):
        return image
    planes = {name: widened(plane) if plane.dtype == np.float16 else plane for name, plane in image.planes.items()}
    return Image(planes, image.window, image.display, image.type, image.metadata)
