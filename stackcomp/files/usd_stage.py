"""USD files opened, and one of their cameras found, with errors that say what a person can do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from stackcomp.errors import FileError, Problem, RequestError, did_you_mean

__all__ = ["cameras_of", "chosen", "library", "opened", "readable"]


def library() -> Any:
    """The parts of the library that are used, by name."""
    try:
        from pxr import Sdf, Tf, Usd, UsdGeom
    except ImportError:
        message = "usd-core, which reads USD files, is not installed"
        raise RequestError(Problem("extra-missing", message, "pip install 'stackcomp[camera]'")) from None
    return SimpleNamespace(Sdf=Sdf, Tf=Tf, Usd=Usd, UsdGeom=UsdGeom)


def opened(path: Path, usd: Any) -> Any:
    """The stage of a file.

    Raises:
        RequestError: there is no such file.
    """
    if not path.is_file():
        from stackcomp.files.paths import nearby

        folder = path.is_dir()
        message = f"{path} is a folder" if folder else f"there is no file {path}"
        raise RequestError(Problem("camera-usd", message, "name a USD file" if folder else nearby(path)))
    return usd.Usd.Stage.Open(str(path))


@contextmanager
def readable(path: Path, usd: Any) -> Iterator[None]:
    """Tell of what the library finds wrong with a file, when it is opened or when a value is asked for.

    Raises:
        FileError: with the library's reason.
    """
    try:
        yield
    except (usd.Tf.ErrorException, UnicodeDecodeError) as error:
        raise FileError(path, f"cannot be read as USD: {_reason(error)}", "export it again") from None


def _reason(error: Exception) -> str:
    """What a person needs of the library's text, which holds lines of its own source too: the first quotation."""
    try:
        lines = str(error).splitlines()
    except UnicodeDecodeError as undecoded:
        # The text quotes the file, whose bytes need not be text.
        error = undecoded
    if isinstance(error, UnicodeDecodeError):
        return "it holds bytes that are no text in UTF-8"
    told = [line.partition(" : '")[2].strip("'\n") for line in lines if " : '" in line]
    return " ".join(told[0].split()) if told else "the library does not say why"


def cameras_of(stage: Any, usd: Any) -> list[Any]:
    """All cameras, those in instances too."""
    every = usd.Usd.PrimRange.Stage(stage, usd.Usd.TraverseInstanceProxies())
    return [prim for prim in every if prim.IsA(usd.UsdGeom.Camera)]


def chosen(path: Path, cameras: list[Any], asked: str | None, stage: Any, usd: Any) -> Any:
    """The camera that was asked for: by its path, by that of a prim above it alone, or the only one.

    Raises:
        FileError: the file holds no camera.
        RequestError: no such camera, or several and none is named.
    """
    names = [str(prim.GetPath()) for prim in cameras]
    if not cameras:
        missing = [str(error).strip() for error in stage.GetCompositionErrors()]
        because = f"; files that it refers to are missing: {missing[0]}" if missing else ""
        raise FileError(path, f"the file holds no camera{because}", "export the camera, and all that it refers to")
    if asked is None:
        if len(cameras) == 1:
            return cameras[0]
        raise _request(f"{path} holds {len(cameras)} cameras", f"name one: --prim {_few(names)}")
    place = "/" + asked.strip("/")
    below = [prim for prim, name in zip(cameras, names, strict=True) if name == place]
    below = below or [
        p for p, name in zip(cameras, names, strict=True) if name.startswith(place.rstrip("/") + "/")
    ]
    if len(below) == 1:
        return below[0]
    if below:
        inside = [str(prim.GetPath()) for prim in below]
        raise _request(f"--prim: {place} holds {len(below)} cameras", f"name one: --prim {_few(inside)}")
    there = stage.GetPrimAtPath(place) if usd.Sdf.Path.IsValidPathString(place) else None
    if there and there.IsA(usd.UsdGeom.Camera):
        what = "is no part of the scene: it, or a prim above it, is inactive, a class or an over"
    elif there:
        what = f"is no camera, but a {there.GetTypeName() or 'prim without a type'}"
    else:
        what = "is not in the file"
    near = did_you_mean(place, names) or f"its cameras are {_few(names)}"
    raise _request(f"--prim: {place} {what}", near)


def _few(names: list[str], most: int = 8) -> str:
    more = f" … and {len(names) - most} more" if len(names) > most else ""
    return " or ".join(names[:most]) + more


def _request(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("camera-prim", message, way_out))
