"""stackcomp: put CG onto live action, checked before a pixel is read.

    comp = stackcomp.load("graphs/lantern.json")
    problems = comp.check()
    image = comp.render("final", frame=1001)
    comp.deliver()

Everything public is listed below; the rest may change without notice.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from stackcomp.version import __version__

if TYPE_CHECKING:
    from stackcomp.composition import Composition, StackcompWarning, load
    from stackcomp.document.graph import Graph
    from stackcomp.document.values import Keyed
    from stackcomp.errors import (
        ArgumentError,
        ChannelError,
        CheckError,
        DocumentError,
        FileError,
        GraphError,
        Problem,
        RenderError,
        StackcompError,
        WorkError,
    )
    from stackcomp.files.cdl import Correction, read_corrections, write_corrections
    from stackcomp.image import Image
    from stackcomp.kernels.strips import set_threads
    from stackcomp.nodes import KINDS
    from stackcomp.port_types import (
        Colour,
        Coordinates,
        Depth,
        Encoding,
        Ids,
        Layers,
        Matte,
        Motion,
        PortType,
        Ratio,
    )
    from stackcomp.window import Window

_HOMES = {
    "composition": ("Composition", "StackcompWarning", "load"),
    "document.graph": ("Graph",),
    "document.values": ("Keyed",),
    "errors": (
        "ArgumentError",
        "ChannelError",
        "CheckError",
        "DocumentError",
        "FileError",
        "GraphError",
        "Problem",
        "RenderError",
        "StackcompError",
        "WorkError",
    ),
    "files.cdl": ("Correction", "read_corrections", "write_corrections"),
    "image": ("Image",),
    "kernels.strips": ("set_threads",),
    "nodes": ("KINDS",),
    "port_types": (
        "Colour",
        "Coordinates",
        "Depth",
        "Encoding",
        "Ids",
        "Layers",
        "Matte",
        "Motion",
        "PortType",
        "Ratio",
    ),
    "window": ("Window",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "KINDS",
    "ArgumentError",
    "ChannelError",
    "CheckError",
    "Colour",
    "Composition",
    "Coordinates",
    "Correction",
    "Depth",
    "DocumentError",
    "Encoding",
    "FileError",
    "Graph",
    "GraphError",
    "Ids",
    "Image",
    "Keyed",
    "Layers",
    "Matte",
    "Motion",
    "PortType",
    "Problem",
    "Ratio",
    "RenderError",
    "StackcompError",
    "StackcompWarning",
    "Window",
    "WorkError",
    "__version__",
    "load",
    "read_corrections",
    "set_threads",
    "write_corrections",
]


def __getattr__(name: str) -> Any:
    # Public names are imported when first used, so that `stackcomp --help` need not wait for numpy.
    if name in _HOME_OF:
        return getattr(importlib.import_module(f"stackcomp.{_HOME_OF[name]}"), name)
    raise AttributeError(f"module 'stackcomp' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
