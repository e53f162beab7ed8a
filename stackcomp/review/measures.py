"""Figures of a picture for reports: values of its channels, its type and its windows, as JSON data."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from stackcomp.data.image import Image, Plane, all_finite
from stackcomp.data.port_types import Encoding, PortType
from stackcomp.data.window import Window

__all__ = ["channel_figures", "type_as_json", "window_as_json"]


def channel_figures(image: Image) -> dict[str, dict[str, Any]]:
    """Return minimum, maximum and mean of the finite values of each channel, and the count of the others.

    All three are None if no value is finite. Ids are whole numbers.
    """
    return {name: _figures(plane) for name, plane in image.planes.items()}


def _figures(plane: Plane) -> dict[str, Any]:
    bad = 0
    if plane.dtype == np.float32 and not all_finite(plane):
        finite = np.isfinite(plane)
        bad = int(plane.size - np.count_nonzero(finite))
        plane = plane[finite]
    if not plane.size:
        return {"min": None, "max": None, "mean": None, "non_finite": bad}
    low, high = plane.min().item(), plane.max().item()
    return {"min": low, "max": high, "mean": float(plane.mean(dtype=np.float64)), "non_finite": bad}


def type_as_json(type: PortType) -> dict[str, Any]:
    """Return a port type as its name, its description and its state."""
    state = {
        field.name: _plain(getattr(type, field.name))
        for field in fields(type)
        if field.name not in ("metadata", "channels")
    }
    return {"name": type.name, "text": str(type), **state}


def _plain(value: Any) -> Any:
    if isinstance(value, Encoding):
        return {"name": value.name, "family": value.family}
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def window_as_json(window: Window) -> dict[str, int]:
    """Return a window as its corner and size."""
    return {"x": window.x0, "y": window.y0, "width": window.width, "height": window.height}
