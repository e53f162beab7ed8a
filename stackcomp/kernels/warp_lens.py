"""Warp pictures by a lens: `stackcomp.kernels.lens_map` has the map, `stackcomp.kernels.warp` the filter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.lens_map import Grid, LensMap
from stackcomp.kernels.nearest import nearest_planes
from stackcomp.kernels.warp_tiles import by_places, prepared

__all__ = ["warp_by_lens"]


def warp_by_lens(
    planes: Sequence[Array], source_window: Window, map: LensMap, target_window: Window, *, nearest: bool = False
) -> list[Array]:
    """Warp planes so that each target pixel shows the place that a lens gives it.

    Args:
        planes: float32, each of ``source_window.shape``; with ``nearest`` of any type of 4 bytes.
        source_window: the window of the planes.
        map: target pixels → places in the source.
        target_window: the pixels to compute.
        nearest: take the one pixel in which the place lies, as ids and depth need it, instead of a mean.

    Returns:
        The planes over the target window, of the same type; nothing (0) where there is none.

    Raises:
        ValueError: a plane of another shape.
    """
    if target_window.empty:
        return [np.zeros(target_window.shape, plane.dtype) for plane in planes]
    if map.changes_nothing:
        return _moved(planes, source_window, target_window)
    grid = Grid.of(map, target_window)
    warp = nearest_planes if nearest else by_places
    return warp(planes, source_window, target_window, grid.places)


def _moved(planes: Sequence[Array], source_window: Window, target_window: Window) -> list[Array]:
    """The planes over another window."""
    prepared(planes, source_window, Window(0, 0, 0, 0))
    both = source_window & target_window
    results = [np.zeros(target_window.shape, plane.dtype) for plane in planes]
    if not both.empty:
        for plane, result in zip(planes, results, strict=True):
            result[both.slices_in(target_window)] = plane[both.slices_in(source_window)]
    return results
