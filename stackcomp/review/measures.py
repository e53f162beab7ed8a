"""Figures of a picture for reports: values of its channels, its type and its windows, as JSON data."""

from __future__ import annotations

import contextlib
from dataclasses import fields
from typing import Any

import numpy as np

from stackcomp.data.image import Image, Plane, all_finite
from stackcomp.data.port_types import Encoding, Ids, Layers, PortType
from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files.id_channels import id_channels
from stackcomp.files.id_manifest import manifest_of
from stackcomp.files.id_types import id_types

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
        if field.name not in ("metadata", "channels", "lossy", "file_of")
    }
    return {"name": type.name, "text": str(type), **state}


def _plain(value: Any) -> Any:
    if isinstance(value, Encoding):
        return {"name": value.name, "family": value.family}
    return [_plain(item) for item in value] if isinstance(value, tuple) else value


def ids_as_json(image: Image, frame: int) -> dict[str, Any]:
    """Return which channels hold ids, and the id of each object that is known by name; nothing where none do.

    A manifest that cannot be read names nothing.

    Args:
        image: any picture.
        frame: its frame, by which the file is found beside which a manifest may be.
    """
    if isinstance(image.type, Ids):
        channels = [name for name in image.channels if name.startswith("id")]
        return {"id_channels": channels, "manifest": dict(image.type.manifest)}
    if not isinstance(image.type, Layers):
        return {}
    metadata = image.metadata or image.type.metadata
    found = id_channels(image.channels, metadata)
    channels = [name for name in image.channels if name in found]
    if not channels:
        return {}
    file = image.type.file_of(frame) if image.type.file_of is not None else None
    names: dict[str, int] = {}
    for ids in id_types(image.channels, metadata).values():
        with contextlib.suppress(FileError):
            manifest = manifest_of(ids, file)
            names |= manifest.ids if manifest is not None else {}
    return {"id_channels": channels, "manifest": names}


def window_as_json(window: Window) -> dict[str, int]:
    """Return a window as its corner and size."""
    return {"x": window.x0, "y": window.y0, "width": window.width, "height": window.height}
