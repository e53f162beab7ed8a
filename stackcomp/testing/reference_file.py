"""References: stored pictures that renders are compared with.

A reference is an OpenEXR file with the mark of the program, of the kind ``reference``, and two attributes more,
both JSON. By its mark, nothing but ``--update-renders`` writes over it unasked.
``stackcomp/reference`` says what was rendered: node, frame, scale, window. ``stackcomp/nodes`` holds the records
of the nodes that it depends on (`stackcomp.testing.node_records`). Since picture and records are one file, they
are always of the same state.

Any other OpenEXR file with the channels of the result serves as an expected picture too; it has no records, and is
never written over unasked.

Colour, mattes and ratios are stored as half where the tolerance has room for its rounding, and as float otherwise;
everything else is stored as float, ids bit for bit.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from stackcomp.compare.pictures import layers_of
from stackcomp.compare.tolerance import Tolerances, tolerance_for
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Layers, Matte, Ratio
from stackcomp.data.window import Window
from stackcomp.files import exr
from stackcomp.files.mark import Mark
from stackcomp.testing.node_records import NodeRecord

__all__ = ["MARK", "Reference", "Request", "pixel_type_for", "read_reference", "write_reference"]

MARK = Mark("reference")

_WHAT, _NODES = "stackcomp/reference", "stackcomp/nodes"
# Half rounds by 2**-11 (4.9e-4) at most, as `Tolerance` measures: nearly half of this.
_LEAST_FOR_HALF = 1e-3
_LARGEST_HALF = 65504.0


@dataclass(frozen=True)
class Request:
    """What a test renders.

    Attributes:
        node: name of the node.
        frame: frame number.
        scale: as in `Composition.render`.
        window: likewise; x, y, width and height, or None.
    """

    node: str
    frame: int
    scale: float
    window: tuple[int, int, int, int] | None

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**dataclasses.asdict(self), "window": None if self.window is None else list(self.window)}

    def __str__(self) -> str:
        window = "" if self.window is None else f", window {','.join(map(str, self.window))}"
        scale = "" if self.scale == 1 else f", scale {self.scale:g}"
        return f'node "{self.node}", frame {self.frame}{window}{scale}'


@dataclass(frozen=True)
class Reference:
    """A stored picture.

    Attributes:
        image: of the type of the result, if the file says so or says nothing of it; else `Layers`.
        type: its type in words; empty if the file does not say it.
        request: what was rendered; None in a file that is not a reference.
        nodes: records of nodes, inputs first.
    """

    image: Image
    type: str
    request: Request | None
    nodes: tuple[NodeRecord, ...]


def pixel_type_for(image: Image, tolerance: Tolerances | None) -> Literal["half", "float"]:
    """How a reference of a picture is stored, so that storing takes no more than half of what is tolerated."""
    if not isinstance(image.type, Colour | Matte | Ratio):
        return "float"
    # A channel may have a tolerance of its own.
    layers = layers_of(image.channels, tolerance, whole=True)
    if any(tolerance_for(layer, tolerance).small < _LEAST_FOR_HALF for layer in layers):
        return "float"
    with np.errstate(invalid="ignore"):
        clamped = any(bool((np.isfinite(p) & (np.abs(p) > _LARGEST_HALF)).any()) for p in image.planes.values())
    return "float" if clamped else "half"


def write_reference(
    path: Path,
    image: Image,
    request: Request,
    nodes: Sequence[NodeRecord],
    *,
    pixel_type: Literal["half", "float"] = "float",
) -> None:
    """Write a reference, whole or not at all. Whoever calls it has asked what may be replaced.

    Raises:
        FileError: it cannot be written.
    """
    window = image.window
    what = {
        **request.as_dict(),
        "type": str(image.type),
        # The file of an empty window has one pixel.
        "data_window": [window.x0, window.y0, window.x1, window.y1],
    }
    metadata = {
        _WHAT: json.dumps(what, ensure_ascii=True),
        _NODES: json.dumps([record.as_dict() for record in nodes], ensure_ascii=True, separators=(",", ":")),
        "stackcomp/type": str(image.type),
    }
    exr.write(
        path,
        image.planes,
        window=window,
        display=image.display,
        pixel_type=pixel_type,
        compression="zip",
        metadata=metadata,
        mark=MARK,
    )


def read_reference(path: Path, result: Image) -> Reference:
    """Read the picture that a result is to be compared with.

    Args:
        path: an OpenEXR file.
        result: the result.

    Raises:
        FileError: it is missing, damaged, or not OpenEXR.
    """
    pixels = exr.read(path)
    metadata = pixels.header.metadata
    what = _json(metadata, _WHAT, dict)
    type = str(metadata.get("stackcomp/type", ""))
    window, planes = pixels.window, pixels.planes
    own = what.get("data_window")
    if isinstance(own, list) and len(own) == 4 and Window(*own).empty:
        window = Window(*own)
        planes = {name: np.zeros(window.shape, plane.dtype) for name, plane in planes.items()}
    if set(planes) == set(result.planes) and type in ("", str(result.type)):
        planes = {name: planes[name] for name in result.planes}
        image = Image(planes, window, pixels.header.display_window, result.type)
    else:
        layers = Layers(channels=tuple(planes), alpha="none", encoding=None)
        image = Image(planes, window, pixels.header.display_window, layers)
    return Reference(image, type, _request(what), _records(_json(metadata, _NODES, list)))


def _json(metadata: Mapping[str, Any], name: str, kind: type[Any]) -> Any:
    """The JSON of an attribute; an empty one where it is missing or something else."""
    try:
        data = json.loads(metadata.get(name, ""))
    except (TypeError, ValueError, RecursionError):
        data = None
    return data if isinstance(data, kind) else kind()


def _request(what: Mapping[str, Any]) -> Request | None:
    try:
        window = what["window"]
        x, y, width, height = (0, 0, 0, 0) if window is None else map(int, window)
        asked = None if window is None else (x, y, width, height)
        return Request(str(what["node"]), int(what["frame"]), float(what["scale"]), asked)
    except (KeyError, TypeError, ValueError):
        return None


def _records(entries: Sequence[Any]) -> tuple[NodeRecord, ...]:
    try:
        return tuple(NodeRecord.from_dict(entry) for entry in entries)
    except (AttributeError, KeyError, TypeError, ValueError):
        return ()
