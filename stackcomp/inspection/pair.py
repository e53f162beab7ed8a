"""CG and plate over one window, as the checks of pairs look at them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour
from stackcomp.data.window import Window

__all__ = ["Array", "Planes", "Shared", "planes_of", "shared"]

Array = npt.NDArray[np.float32]
#: Pixels beside a cropped window that edges at its border need to be measured.
_MARGIN = 16
#: A side of a window cuts through the CG where that share of it is covered; else it was cropped to what is there.
_CUT = 0.5
#: R, G and B.
Planes = tuple[Array, Array, Array]


@dataclass(frozen=True, eq=False)
class Shared:
    """The part of the frame where there are pixels of the CG, and some beside them.

    Attributes:
        window: of all planes, inside the frame.
        front: CG, premultiplied.
        alpha: its coverage.
        behind: the backdrop.
        comp: what is seen; None where no comp was given.
        frame: the frame.
    """

    window: Window
    front: Planes
    alpha: Array
    behind: Planes
    comp: Planes | None
    frame: Window


def planes_of(image: Image, window: Window) -> Planes:
    """R, G and B over a window; they share memory with the picture where they can."""
    red, green, blue = (image.plane_over(name, window) for name in "RGB")
    return red, green, blue


def _with_margins(source: Image) -> Window:
    """The window of the CG, larger on the sides where it ends within it; there is nothing beyond."""
    window, alpha = source.window, source["A"]
    sides = (alpha[:, 0], alpha[0], alpha[:, -1], alpha[-1])
    with np.errstate(invalid="ignore"):
        left, top, right, bottom = (0 if np.mean(side > 0.5) >= _CUT else _MARGIN for side in sides)
    return Window(window.x0 - left, window.y0 - top, window.x1 + right, window.y1 + bottom)


def shared(source: Image, backdrop: Image, comp: Image | None = None) -> Shared | None:
    """CG and plate over the part of the frame that the CG covers with pixels.

    Returns:
        None where there is nothing to compare: a picture that is not colour, CG that is not premultiplied or has
        no alpha, CG or a backdrop outside the frame.
    """
    for image in (source, backdrop, comp):
        if image is not None and not isinstance(image.type, Colour):
            return None
    if not isinstance(source.type, Colour) or source.type.alpha != "premultiplied":
        return None
    frame = backdrop.display
    window = source.window & frame
    if not window.empty:
        window = _with_margins(source) & frame
    if window.empty or (backdrop.window & frame).empty:
        return None
    return Shared(
        window,
        planes_of(source, window),
        source.plane_over("A", window),
        planes_of(backdrop, window),
        None if comp is None else planes_of(comp, window),
        frame,
    )
