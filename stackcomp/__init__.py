"""stackcomp: put CG onto live action, checked before a pixel is read.

    comp = stackcomp.load("graphs/lantern.json")
    problems = comp.check()
    image = comp.render("final", frame=1001)
    comp.deliver()

Everything public is listed below; the rest may change without notice.

For pytest, which would warn where this was imported before its plugin: PYTEST_DONT_REWRITE.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from stackcomp.data import services
from stackcomp.version import __version__

if TYPE_CHECKING:
    from stackcomp.composition import Composition, load
    from stackcomp.data.image import Image
    from stackcomp.data.numbers import Keyed
    from stackcomp.data.port_types import (
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
    from stackcomp.data.window import Window
    from stackcomp.document.graph import Graph
    from stackcomp.errors import (
        ArgumentError,
        BugError,
        ChannelError,
        CheckError,
        DocumentError,
        FileError,
        GraphError,
        Problem,
        RenderError,
        RequestError,
        StackcompError,
        StackcompWarning,
        WorkError,
    )
    from stackcomp.execute.executor import Executor
    from stackcomp.execute.frame import Result
    from stackcomp.files.cdl import Correction, read_corrections, write_corrections
    from stackcomp.kernels.strips import set_threads
    from stackcomp.nodes.kinds import KINDS

_HOMES = {
    "composition": ("Composition", "load"),
    "document.graph": ("Graph",),
    "data.numbers": ("Keyed",),
    "errors": (
        "ArgumentError",
        "BugError",
        "ChannelError",
        "CheckError",
        "DocumentError",
        "FileError",
        "GraphError",
        "Problem",
        "RenderError",
        "RequestError",
        "StackcompError",
        "StackcompWarning",
        "WorkError",
    ),
    "execute.executor": ("Executor",),
    "execute.frame": ("Result",),
    "files.cdl": ("Correction", "read_corrections", "write_corrections"),
    "data.image": ("Image",),
    "kernels.strips": ("set_threads",),
    "nodes.kinds": ("KINDS",),
    "data.port_types": (
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
    "data.window": ("Window",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "KINDS",
    "ArgumentError",
    "BugError",
    "ChannelError",
    "CheckError",
    "Colour",
    "Composition",
    "Coordinates",
    "Correction",
    "Depth",
    "DocumentError",
    "Encoding",
    "Executor",
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
    "RequestError",
    "Result",
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


def _encoding(asked: Any) -> Any:
    from stackcomp.files.given_encoding import encoding

    return encoding(asked)


def _save(image: Any, path: Any, **options: Any) -> Any:
    from stackcomp.deliver.save_image import save_image

    return save_image(image, path, **options)


def _viewable(image: Any) -> Any:
    from stackcomp.files.viewable import viewable

    return viewable(image)


def _check_replaceable(path: Any, mark: Any, replace: bool) -> None:
    from stackcomp.check.originals import Writing, refusals
    from stackcomp.errors import FileError

    allow = "replace=True lets it be replaced"
    for problem in refusals([Writing(path, mark)], [], replace_foreign=replace, allow=allow):
        raise FileError(path, problem.message, problem.way_out)


# What an Image offers from rooms above its own; loaded when it is first used.
services.provide("encoding", _encoding)
services.provide("save", _save)
services.provide("viewable", _viewable)
services.provide("check_replaceable", _check_replaceable)


def __getattr__(name: str) -> Any:
    # Public names are imported when first used, so that `stackcomp --help` need not wait for numpy.
    if name in _HOME_OF:
        return getattr(importlib.import_module(f"stackcomp.{_HOME_OF[name]}"), name)
    raise AttributeError(f"module 'stackcomp' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
