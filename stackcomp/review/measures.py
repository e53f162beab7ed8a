"""Figures of a picture for reports: values of its channels, its type and its windows, as JSON data."""

from __future__ import annotations

import json
import re
from dataclasses import fields
from typing import Any

import numpy as np

from stackcomp.data.image import Image, Plane, all_finite
from stackcomp.data.port_types import Encoding, Ids, Layers, PortType
from stackcomp.data.window import Window
from stackcomp.files.id_channels import id_channels

__all__ = ["channel_figures", "ids_as_json", "type_as_json", "window_as_json"]


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


def ids_as_json(image: Image) -> dict[str, Any]:
    """Return which channels hold ids, and the id of each object that is known by name; nothing where none do.

    A manifest of a file is JSON: name → id in hexadecimal (Cryptomatte 1.2.0). One that cannot be read names
    nothing.
    """
    if isinstance(image.type, Ids):
        channels = [name for name in image.channels if name.startswith("id")]
        return {"id_channels": channels, "manifest": dict(image.type.manifest)}
    if not isinstance(image.type, Layers):
        return {}
    metadata = image.type.metadata
    found = id_channels(image.channels, metadata)
    manifest: dict[str, int] = {}
    for name, text in metadata.items():
        if re.fullmatch(r"cryptomatte/[^/]+/manifest", name):
            manifest |= _manifest(text)
    channels = [name for name in image.channels if name in found]
    return {"id_channels": channels, "manifest": manifest} if channels else {}


def _manifest(text: str) -> dict[str, int]:
    try:
        listed = json.loads(text)
        return {str(name): int(bits, 16) & 0xFFFFFFFF for name, bits in listed.items()}
    except (ValueError, TypeError, AttributeError, RecursionError):
        return {}


def window_as_json(window: Window) -> dict[str, int]:
    """Return a window as its corner and size."""
    return {"x": window.x0, "y": window.y0, "width": window.width, "height": window.height}
