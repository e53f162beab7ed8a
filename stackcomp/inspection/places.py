"""Where something is in a picture: windows around clusters of pixels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window

__all__ = ["bounds", "largest_cluster"]

Mask = npt.NDArray[np.bool_]


def bounds(mask: Mask, window: Window) -> Window | None:
    """The smallest window around all pixels that are set; None where there is none.

    Args:
        mask: ``(height, width)`` of ``window``.
        window: where the mask lies, in pixels of the frame.
    """
    rows = np.flatnonzero(mask.any(axis=1))
    if not rows.size:
        return None
    columns = np.flatnonzero(mask[rows[0] : rows[-1] + 1].any(axis=0))
    return Window(
        window.x0 + int(columns[0]),
        window.y0 + int(rows[0]),
        window.x0 + int(columns[-1]) + 1,
        window.y0 + int(rows[-1]) + 1,
    )


def largest_cluster(mask: Mask, window: Window, *, cell: int = 16) -> Window | None:
    """The smallest window around the cluster with the most pixels; None where no pixel is set.

    Pixels belong to one cluster where the cells that hold them touch.

    Args:
        mask: ``(height, width)`` of ``window``.
        window: where the mask lies, in pixels of the frame.
        cell: side of a cell in pixels.
    """
    from scipy import ndimage

    around = bounds(mask, window)
    if around is None:
        return None
    inside = mask[around.slices_in(window)]
    starts = np.arange(0, around.height, cell), np.arange(0, around.width, cell)
    counts = np.add.reduceat(np.add.reduceat(inside, starts[0], axis=0, dtype=np.int32), starts[1], axis=1)
    labels, clusters = ndimage.label(counts > 0, np.ones((3, 3), bool))
    if clusters <= 1:
        return around
    sizes = ndimage.sum_labels(counts, labels, np.arange(1, clusters + 1))
    largest = labels == 1 + int(np.argmax(sizes))
    rows, columns = np.flatnonzero(largest.any(axis=1)), np.flatnonzero(largest.any(axis=0))
    x0, y0 = around.x0 + int(columns[0]) * cell, around.y0 + int(rows[0]) * cell
    x1, y1 = around.x0 + (int(columns[-1]) + 1) * cell, around.y0 + (int(rows[-1]) + 1) * cell
    part = Window(x0, y0, x1, y1) & around
    # Other clusters may reach into the rectangle around this one.
    own = largest.repeat(cell, axis=0).repeat(cell, axis=1)[: around.height, : around.width]
    return bounds((inside & own)[part.slices_in(around)], part)
