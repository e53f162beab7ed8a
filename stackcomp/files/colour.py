"""Colour spaces and conversions between them, through an OpenColorIO config.

The config is named by its full name: the meaning of ``default`` and of the ``-latest`` names changes between
releases of the library, and would change pictures. A config file on disk is named by its path.

Conversions run in float32 with the lossless optimisation. The library's default approximates log, exp and power:
measured with OpenColorIO 2.6, the error of ACEScg to ACEScct was 8.5e-7 instead of 7e-8, and that of the default
view up to 1e-4, for a fifth of the time saved.

A conversion from or to a data space (normals, depth …) is refused; the library would silently change nothing.
"""

from __future__ import annotations

import functools
import os
import shlex
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Plane
from stackcomp.data.port_types import Encoding, EncodingFamily
from stackcomp.errors import Problem, RequestError, did_you_mean
from stackcomp.files.colour_names import Space, hint, matching
from stackcomp.files.paths import nearby
from stackcomp.kernels.strips import over_strips

__all__ = [
    "DEFAULT_CONFIG",
    "Conversion",
    "UnknownEncoding",
    "config",
    "convert",
    "display_view",
    "displays",
    "encoding",
    "find_spaces",
    "is_matrix",
    "name_of",
    "processor",
    "spaces",
]

DEFAULT_CONFIG = "studio-config-v2.2.0_aces-v1.3_ocio-v2.4"
"""The config of graphs that do not name one."""

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


class UnknownEncoding(RequestError):  # noqa: N818 - a state of the request, not of the program
    """The config has no such colour space, display or view, cannot convert, or there is no such config.

    Args:
        message: what is wrong, with the way out; or the problems themselves.
    """

    def __init__(self, message: str | Problem | Iterable[Problem]) -> None:
        super().__init__(Problem("encoding-unknown", message) if isinstance(message, str) else message)


@dataclass(frozen=True)
class Conversion:
    """A conversion that is one matrix: ``out = matrix @ rgb + offset``, float64."""

    matrix: npt.NDArray[np.float64]
    offset: npt.NDArray[np.float64]


def config(name: str = DEFAULT_CONFIG) -> Any:
    """Return the config of a name or path; each config is read once.

    Args:
        name: full name of a built-in config, with or without ``ocio://``, or path to a config file.

    Raises:
        UnknownEncoding: a name whose meaning changes, an unknown name, or a file that cannot be read.
    """
    bare = name.removeprefix("ocio://")
    if bare == "default" or bare.endswith("-latest"):
        raise UnknownEncoding(
            f'config "{name}" is a different config in each release of OpenColorIO, which would change pictures '
            f'— give a full name, such as "{DEFAULT_CONFIG}"'
        )
    modified = 0 if bare in _built_in() else _modified(Path(name), bare)
    with _lock:
        return _load(bare, modified)


@functools.cache
def _built_in() -> tuple[str, ...]:
    import PyOpenColorIO

    return tuple(entry[0] for entry in PyOpenColorIO.BuiltinConfigRegistry().getBuiltinConfigs())


def _modified(path: Path, name: str) -> int:
    """Return the modification time of a config file in nanoseconds."""
    try:
        return path.stat().st_mtime_ns
    except (OSError, ValueError):  # ValueError: a character that no path can contain
        of_file = path.suffix == ".ocio" or len(path.parts) > 1
        near = nearby(path) if of_file else did_you_mean(name, _built_in())
        if of_file and not near.startswith(("did", "it")) and "not exist" not in near:
            near = f'give the path of a config, or the full name of a built-in one, such as "{DEFAULT_CONFIG}"'
        raise UnknownEncoding(
            f'there is no config "{name}", neither a built-in one nor a file' + (f" — {near}" if near else "")
        ) from None


@functools.lru_cache(maxsize=8)
def _load(name: str, modified: int) -> Any:
    import PyOpenColorIO

    try:
        if name in _built_in():
            return PyOpenColorIO.Config.CreateFromBuiltinConfig(name)
        return PyOpenColorIO.Config.CreateFromFile(os.path.abspath(name))
    except PyOpenColorIO.Exception as error:
        raise UnknownEncoding(f'config "{name}" cannot be read: {error}') from error


def encoding(name: str, config: str = DEFAULT_CONFIG) -> Encoding:
    """Return the encoding of a name.

    Args:
        name: of a colour space or display colour space, an alias of one, or a role; case-insensitive.
        config: see `config`.

    Raises:
        UnknownEncoding: no such name; the message lists the most similar official names.
    """
    return _encoding(name, config)


@functools.lru_cache(maxsize=512)
def _encoding(name: str, config_name: str) -> Encoding:
    loaded = config(config_name)
    # The library takes UTF-8 only; a name that cannot be encoded is the name of no space.
    encodable = name.encode("utf-8", errors="replace").decode() == name
    space = loaded.getColorSpace(name) if name and encodable else None
    if space is None:
        raise UnknownEncoding(f'there is no colour space "{name}" in {config_name} — {_hint(name, config_name)}')
    return Encoding(space.getName(), _family(loaded, space))


def spaces(config: str = DEFAULT_CONFIG) -> list[Space]:
    """Return all colour spaces of a config: first scene-linear ones, then log, display and data.

    Args:
        config: see `config`.

    Raises:
        UnknownEncoding: no such config.
    """
    return list(_spaces(config))


@functools.lru_cache(maxsize=16)
def _spaces(config_name: str) -> tuple[Space, ...]:
    import PyOpenColorIO

    loaded = config(config_name)
    names = loaded.getColorSpaceNames(PyOpenColorIO.SEARCH_REFERENCE_SPACE_ALL, PyOpenColorIO.COLORSPACE_ALL)
    stored = [loaded.getColorSpace(name) for name in names]
    roles = list(loaded.getRoles())

    def others(space: Any) -> tuple[str, ...]:
        return (*space.getAliases(), *(role for role, name in roles if name == space.getName()))

    listed = [Space(space.getName(), _family(loaded, space), space.getFamily(), others(space)) for space in stored]
    order = list(get_args(EncodingFamily))
    return tuple(sorted(listed, key=lambda space: order.index(space.family)))


def displays(config_name: str = DEFAULT_CONFIG) -> dict[str, list[str]]:
    """Return the views of each display by name, the default display and views first.

    Args:
        config_name: see `config`.

    Raises:
        UnknownEncoding: no such config.
    """
    loaded = config(config_name)
    names = _first(loaded.getDefaultDisplay(), loaded.getDisplays())
    return {name: _first(loaded.getDefaultView(name), loaded.getViews(name)) for name in names}


def _first(default: str, names: Iterable[str]) -> list[str]:
    return sorted(names, key=lambda name: name != default)


def find_spaces(word: str, config: str = DEFAULT_CONFIG) -> list[Space]:
    """Return colour spaces whose name, alias or group contains a word, best first; see `colour_names.matching`.

    Args:
        word: as the user wrote it; case, spaces, dashes and dots are ignored.
        config: see `config`.

    Raises:
        UnknownEncoding: no such config.
    """
    by_name = {space.name: space for space in _spaces(config)}
    names = _names(config, groups=True)
    return [by_name[name] for name in matching(word, names)]


def _names(config_name: str, *, groups: bool = False) -> dict[str, tuple[str, ...]]:
    """Return the other names by name: first spaces that are not of a camera, which are more often meant."""
    listed = sorted(_spaces(config_name), key=lambda space: space.group.startswith("Input/"))
    return {space.name: (*space.aliases, *((space.group,) if groups else ())) for space in listed}


def _hint(name: str, config_name: str) -> str:
    """Return a hint about a colour space that a config does not have."""
    command = _command("stackcomp encodings", config_name)
    names = _names(config_name)
    if not matching(name, names):
        studio = [entry for entry in _built_in() if entry.startswith("studio-config-") and entry != DEFAULT_CONFIG]
        for other in (DEFAULT_CONFIG, *studio):
            matches = matching(name, _names(other))
            if matches and other != config_name.removeprefix("ocio://"):
                return (
                    f'the built-in config {other} has "{matches[0]}", and "colour_config" can select that config; '
                    f"`{command}` lists the colour spaces of this one"
                )
    return hint(name, names, command)


def _command(command: str, config_name: str) -> str:
    return command if config_name == DEFAULT_CONFIG else f"{command} --colour-config {shlex.quote(config_name)}"


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
    """Return the matrix of a conversion that is a single matrix; None if it is not.

    Args:
        src: encoding to convert from.
        dst: encoding to convert to.
        config: see `config`.

    Raises:
        UnknownEncoding: see `encoding`; also a data space.
    """
    return _matrix(name_of(src), name_of(dst), config)


@functools.lru_cache(maxsize=128)
def _matrix(src: str, dst: str, config_name: str) -> Conversion | None:
    import PyOpenColorIO

    optimised = processor(src, dst, config_name).getOptimizedProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    steps = list(optimised.createGroupTransform())
    if not steps:
        return Conversion(np.eye(3), np.zeros(3))
    # The optimisation joins adjacent matrices, so a conversion that is a matrix has a single step.
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
        planes: three float32 planes ``(height, width)``; they are not written to.
        src: their encoding.
        dst: encoding of the result.
        config: see `config`.

    Returns:
        Three new float32 planes ``(height, width)``.

    Raises:
        UnknownEncoding: see `encoding`; also a data space.
        ValueError: not three float32 planes of one shape; a programming error.
    """
    return _apply(planes, _cpu(name_of(src), name_of(dst), config))


def display_view(
    planes: Sequence[Plane],
    src: str | Encoding,
    display: str | None = None,
    view: str | None = None,
    config: str = DEFAULT_CONFIG,
) -> Planes:
    """Encode R, G and B for a display, through a view of the config (its tone mapping included).

    Args:
        planes: three float32 planes ``(height, width)``; they are not written to.
        src: their encoding.
        display: the config's default when None.
        view: the display's default when None.
        config: see `config`.

    Returns:
        Three new float32 planes ``(height, width)`` of display values, 0 to 1 for most views.

    Raises:
        UnknownEncoding: no such encoding, display or view; the message lists the choices.
        ValueError: not three float32 planes of one shape; a programming error.
    """
    return _apply(planes, _display_cpu(name_of(src), display, view, config))


def name_of(which: str | Encoding) -> str:
    """The name of an encoding that may be given by its name."""
    return which if isinstance(which, str) else which.name


def processor(src: str, dst: str, config_name: str) -> Any:
    """The library's processor of a conversion between two spaces by name.

    Raises:
        UnknownEncoding: see `encoding`; also a data space.
    """
    import PyOpenColorIO

    source, target = _encoding(src, config_name), _encoding(dst, config_name)
    for end in (source, target):
        if end.family == "data" and source != target:
            raise UnknownEncoding(
                f'"{end.name}" is data, not colour: there is no conversion from "{source.name}" '
                f'to "{target.name}" — give the encoding of the numbers'
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

    return processor(src, dst, config_name).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)


@functools.lru_cache(maxsize=128)
def _display_cpu(src: str, display: str | None, view: str | None, config_name: str) -> Any:
    import PyOpenColorIO

    loaded = config(config_name)
    source = _encoding(src, config_name)
    if source.family == "data":
        raise UnknownEncoding(f'"{source.name}" is data, not colour: it has no view')
    display = display or loaded.getDefaultDisplay()
    _check_choice("there is no display", display, list(loaded.getDisplays()), config_name)
    view = view or loaded.getDefaultView(display, source.name)
    _check_choice(f'display "{display}" has no view', view, list(loaded.getViews(display)), config_name)
    transform = PyOpenColorIO.DisplayViewTransform(src=source.name, display=display, view=view)
    try:
        return loaded.getProcessor(transform).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS)
    except PyOpenColorIO.Exception as error:
        raise UnknownEncoding(f'"{source.name}" cannot be shown on "{display}": {error}') from error


def _check_choice(what: str, wrong: str, choices: list[str], config_name: str) -> None:
    if wrong not in choices:
        command = _command("stackcomp encodings --displays", config_name)
        raise UnknownEncoding(
            f'{what} "{wrong}" in {config_name} — {hint(wrong, dict.fromkeys(choices, ()), command)}'
        )


def _apply(planes: Sequence[Plane], converter: Any) -> Planes:
    import PyOpenColorIO

    shapes = {plane.shape for plane in planes}
    if len(planes) != 3 or len(shapes) != 1 or any(plane.dtype != np.float32 for plane in planes):
        given = ", ".join(f"{plane.dtype} {plane.shape}" for plane in planes)
        raise ValueError(f"colour is three float32 planes of one shape, not {given}")
    converted = cast(Planes, tuple(np.array(plane, np.float32, order="C") for plane in planes))
    height, width = converted[0].shape
    if converter.isNoOp() or not width:
        return converted

    def convert_rows(first: int, last: int) -> None:
        rows = [plane[first:last] for plane in converted]
        converter.apply(PyOpenColorIO.PlanarImageDesc(*rows, width, last - first))

    over_strips(convert_rows, height)
    return converted
