"""Colour spaces and conversions between them, through an OpenColorIO config.

The config is pinned by its full name: what ``default`` and the ``-latest`` names stand for changes from one
release of the library to the next, and pictures with it. A config file on disk is taken by its path.

Conversions run in float32 with the lossless optimisation. The library's default takes short cuts in log,
exp and power: measured with OpenColorIO 2.6, ACEScg to ACEScct was off by 8.5e-7 instead of 7e-8, and the
default view by up to 1e-4, for a fifth of the time saved.

A conversion from or to a data space (normals, depth …) is refused, where the library would silently do
nothing.
"""

from __future__ import annotations

import functools
import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from stackcomp.errors import did_you_mean
from stackcomp.image import Plane
from stackcomp.kernels.strips import over_strips
from stackcomp.port_types import Encoding, EncodingFamily

__all__ = [
    "DEFAULT_CONFIG",
    "Conversion",
    "UnknownEncoding",
    "config",
    "convert",
    "display_view",
    "encoding",
    "is_matrix",
]

DEFAULT_CONFIG = "studio-config-v2.2.0_aces-v1.3_ocio-v2.4"
"""The config used where a graph names none."""

Planes = tuple[Plane, Plane, Plane]
_FAMILIES: dict[str, EncodingFamily] = {
    "scene-linear": "scene-linear",
    "log": "log",
    "sdr-video": "display",
    "hdr-video": "display",
    "display": "display",
    "display-linear": "display",
    "edr-video": "display",
    "data": "data",
}
_lock = threading.Lock()


class UnknownEncoding(ValueError):  # noqa: N818 - reads as what it says
    """A name that the config does not have, or a conversion that it cannot give."""


@dataclass(frozen=True)
class Conversion:
    """A conversion that is one matrix: ``out = matrix @ rgb + offset``, float64."""

    matrix: npt.NDArray[np.float64]
    offset: npt.NDArray[np.float64]


def config(name: str = DEFAULT_CONFIG) -> Any:
    """The config of that name, or at that path; read once.

    Args:
        name: full name of a built-in config, with or without ``ocio://``, or path to a config file.

    Raises:
        UnknownEncoding: a name whose meaning changes, an unknown name, or a file that cannot be read.
    """
    bare = name.removeprefix("ocio://")
    if bare == "default" or bare.endswith("-latest"):
        raise UnknownEncoding(
            f'config "{name}" stands for another one in each release of OpenColorIO, and pictures would '
            f'change with it — give a full name, such as "{DEFAULT_CONFIG}"'
        )
    changed = 0 if bare in _built_in() else _changed(Path(name), bare)
    with _lock:
        return _load(bare, changed)


@functools.cache
def _built_in() -> tuple[str, ...]:
    import PyOpenColorIO

    return tuple(entry[0] for entry in PyOpenColorIO.BuiltinConfigRegistry().getBuiltinConfigs())


def _changed(path: Path, name: str) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        hint = did_you_mean(name, _built_in())
        raise UnknownEncoding(
            f'there is no config "{name}", neither built in nor as a file' + (f" — {hint}" if hint else "")
        ) from None


@functools.lru_cache(maxsize=8)
def _load(name: str, changed: int) -> Any:
    import PyOpenColorIO

    try:
        if name in _built_in():
            return PyOpenColorIO.Config.CreateFromBuiltinConfig(name)
        return PyOpenColorIO.Config.CreateFromFile(os.path.abspath(name))
    except PyOpenColorIO.Exception as error:
        raise UnknownEncoding(f'config "{name}" cannot be read: {error}') from error


def encoding(name: str, config: str = DEFAULT_CONFIG) -> Encoding:
    """The encoding that a name stands for.

    Args:
        name: of a colour space or display colour space, an alias of one, or a role; in any case.
        config: see `config`.

    Raises:
        UnknownEncoding: no such name; the message holds the nearest official ones.
    """
    return _encoding(name, config)


@functools.lru_cache(maxsize=512)
def _encoding(name: str, config_name: str) -> Encoding:
    loaded = config(config_name)
    space = loaded.getColorSpace(name) if name else None
    if space is None:
        import PyOpenColorIO

        every = list(
            loaded.getColorSpaceNames(PyOpenColorIO.SEARCH_REFERENCE_SPACE_ALL, PyOpenColorIO.COLORSPACE_ALL)
        )
        hint = did_you_mean(name, every)
        raise UnknownEncoding(
            f'there is no colour space "{name}" in {config_name}' + (f" — {hint}" if hint else "")
        )
    return Encoding(space.getName(), _family(loaded, space))


def _family(loaded: Any, space: Any) -> EncodingFamily:
    import PyOpenColorIO

    if space.isData():
        return "data"
    if (family := _FAMILIES.get(space.getEncoding().lower())) is not None:
        return family
    if space.getReferenceSpaceType() == PyOpenColorIO.REFERENCE_SPACE_DISPLAY:
        return "display"
    linear = loaded.isColorSpaceLinear(space.getName(), PyOpenColorIO.REFERENCE_SPACE_SCENE)
    return "scene-linear" if linear else "display"


def is_matrix(src: str | Encoding, dst: str | Encoding, config: str = DEFAULT_CONFIG) -> Conversion | None:
    """The matrix of a conversion that is nothing but one; None where it is more.

    Raises:
        UnknownEncoding: see `encoding`; also a data space.
    """
    return _matrix(_name(src), _name(dst), config)


@functools.lru_cache(maxsize=128)
def _matrix(src: str, dst: str, config_name: str) -> Conversion | None:
    import PyOpenColorIO

    processor = _processor(src, dst, config_name).getOptimizedProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    steps = list(processor.createGroupTransform())
    if not steps:
        return Conversion(np.eye(3), np.zeros(3))
    # The optimisation has joined neighbouring matrices, so a conversion that is one has a single step.
    (step, *more) = steps
    if more or not isinstance(step, PyOpenColorIO.MatrixTransform):
        return None
    matrix: npt.NDArray[np.float64] = np.array(step.getMatrix(), np.float64).reshape(4, 4)
    offset: npt.NDArray[np.float64] = np.array(step.getOffset(), np.float64)
    forward = step.getDirection() == PyOpenColorIO.TRANSFORM_DIR_FORWARD
    alpha_alone = matrix[3].tolist() == [0, 0, 0, 1] and not matrix[:3, 3].any() and offset[3] == 0
    return Conversion(matrix[:3, :3].copy(), offset[:3].copy()) if forward and alpha_alone else None


def convert(
    planes: Sequence[Plane], src: str | Encoding, dst: str | Encoding, config: str = DEFAULT_CONFIG
) -> Planes:
    """Convert R, G and B from one encoding to another.

    Args:
        planes: three float32 planes of one shape; they are not written to.
        src: encoding they are in.
        dst: encoding wanted.
        config: see `config`.

    Returns:
        Three new planes.

    Raises:
        UnknownEncoding: see `encoding`; also a data space.
        ValueError: not three float32 planes of one shape.
    """
    return _apply(planes, _cpu(_name(src), _name(dst), config))


def display_view(
    planes: Sequence[Plane],
    src: str | Encoding,
    display: str | None = None,
    view: str | None = None,
    config: str = DEFAULT_CONFIG,
) -> Planes:
    """Encode R, G and B for a display, through a view of the config (its tone mapping included).

    Args:
        planes: three float32 planes of one shape; they are not written to.
        src: encoding they are in.
        display: the config's default when None.
        view: the display's default when None.
        config: see `config`.

    Raises:
        UnknownEncoding: no such encoding, display or view; the message holds the choices.
        ValueError: not three float32 planes of one shape.
    """
    return _apply(planes, _display_cpu(_name(src), display, view, config))


def _name(which: str | Encoding) -> str:
    return which if isinstance(which, str) else which.name


def _processor(src: str, dst: str, config_name: str) -> Any:
    import PyOpenColorIO

    source, target = _encoding(src, config_name), _encoding(dst, config_name)
    for end in (source, target):
        if end.family == "data" and source != target:
            raise UnknownEncoding(
                f'"{end.name}" is data, not colour: there is no conversion from "{source.name}" '
                f'to "{target.name}" — say which encoding the numbers are in'
            )
    try:
        return config(config_name).getProcessor(source.name, target.name)
    except PyOpenColorIO.Exception as error:
        raise UnknownEncoding(
            f'no conversion from "{source.name}" to "{target.name}" in {config_name}: {error}'
        ) from error


@functools.lru_cache(maxsize=128)
def _cpu(src: str, dst: str, config_name: str) -> Any:
    import PyOpenColorIO

    return _processor(src, dst, config_name).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)


@functools.lru_cache(maxsize=128)
def _display_cpu(src: str, display: str | None, view: str | None, config_name: str) -> Any:
    import PyOpenColorIO

    loaded = config(config_name)
    source = _encoding(src, config_name)
    if source.family == "data":
        raise UnknownEncoding(f'"{source.name}" is data, not colour: no view shows it')
    display = display or loaded.getDefaultDisplay()
    _check_choice("display", display, list(loaded.getDisplays()), config_name)
    view = view or loaded.getDefaultView(display, source.name)
    _check_choice(f'view of "{display}"', view, list(loaded.getViews(display)), config_name)
    transform = PyOpenColorIO.DisplayViewTransform(src=source.name, display=display, view=view)
    try:
        return loaded.getProcessor(transform).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    except PyOpenColorIO.Exception as error:
        raise UnknownEncoding(f'"{source.name}" cannot be shown on "{display}": {error}') from error


def _check_choice(what: str, wrong: str, choices: list[str], config_name: str) -> None:
    if wrong not in choices:
        hint = did_you_mean(wrong, choices)
        raise UnknownEncoding(f'there is no {what} "{wrong}" in {config_name}' + (f" — {hint}" if hint else ""))


def _apply(planes: Sequence[Plane], processor: Any) -> Planes:
    import PyOpenColorIO

    shapes = {plane.shape for plane in planes}
    if len(planes) != 3 or len(shapes) != 1 or any(plane.dtype != np.float32 for plane in planes):
        seen = ", ".join(f"{plane.dtype} {plane.shape}" for plane in planes)
        raise ValueError(f"colour is three float32 planes of one shape, not {seen}")
    converted = cast(Planes, tuple(np.array(plane, np.float32, order="C") for plane in planes))
    height, width = converted[0].shape
    if processor.isNoOp() or not width:
        return converted

    def work(first: int, last: int) -> None:
        rows = [plane[first:last] for plane in converted]
        processor.apply(PyOpenColorIO.PlanarImageDesc(*rows, width, last - first))

    over_strips(work, height)
    return converted
