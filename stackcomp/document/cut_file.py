"""The file of a cut: OpenTimelineIO as text, in a bundle or a folder, and the timeline in it."""

from __future__ import annotations

import json
import re
import zipfile
import zlib
from pathlib import Path
from typing import Any

from stackcomp.errors import DocumentError, Problem, cut, did_you_mean, pointer_to, shown
from stackcomp.files.json_mistakes import explain
from stackcomp.files.paths import nearby

__all__ = [
    "cut_failure",
    "cut_problem",
    "decoded",
    "index_of_track",
    "opentimelineio",
    "parsed",
    "text_of",
    "timeline_in",
]

# OpenTimelineIO crashes on files whose lists and objects are nested far deeper; a composition takes two of them.
_DEEPEST_JSON = 400
_LARGEST = 1 << 30
_ENDINGS = (".otio", ".otioz", ".otiod")
_AGAIN = "export it again"


def cut_problem(pointer: tuple[Any, ...], message: str, way_out: str) -> Problem:
    """A finding about a place of the file, given key by key."""
    return Problem("cut", message, way_out, pointer_override=pointer_to(pointer))


def cut_failure(message: str, way_out: str) -> DocumentError:
    """An error about the file as a whole."""
    return DocumentError(Problem("cut", message, way_out))


def opentimelineio() -> Any:
    """The library. Raises DocumentError, which says what to install, where it is missing."""
    try:
        import opentimelineio
    except ImportError:
        raise cut_failure("OpenTimelineIO is not installed", "pip install 'stackcomp[timeline]'") from None
    return opentimelineio


def text_of(file: Path) -> str:
    """The JSON text of a file, a bundle or a folder. Raises DocumentError where it cannot be read."""
    ending = file.suffix.lower()
    if ending not in _ENDINGS:
        what = f'files that end in "{file.suffix}"' if file.suffix else "files without an ending"
        way_out = "export the cut as OpenTimelineIO, .otio; otioconvert of OpenTimelineIO converts others"
        raise cut_failure(f"{what} are not read", way_out)
    path = file / "content.otio" if ending == ".otiod" else file
    try:
        data = _zipped(file) if ending == ".otioz" else path.read_bytes()
    except FileNotFoundError:
        if path != file and file.is_dir():
            raise cut_failure('the bundle holds no "content.otio"', _AGAIN) from None
        raise cut_failure("there is no such file", nearby(file)) from None
    except OSError as error:
        raise cut_failure(f"it cannot be read: {(error.strerror or str(error)).lower()}", nearby(file)) from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise cut_failure(
            f"it cannot be read as UTF-8 text: {error.reason} at byte {error.start}", _AGAIN
        ) from None


def _zipped(file: Path) -> bytes:
    try:
        with zipfile.ZipFile(file) as bundle:
            size = bundle.getinfo("content.otio").file_size
            if size > _LARGEST:
                raise cut_failure(f"its timeline has {size} bytes; the most is {_LARGEST}", _AGAIN)
            return bundle.read("content.otio")
    except KeyError:
        raise cut_failure('the bundle holds no "content.otio"', _AGAIN) from None
    except (zipfile.BadZipFile, EOFError, RuntimeError, ValueError, zlib.error) as error:
        raise cut_failure(f"it cannot be read as a bundle (ZIP): {cut(str(error), 80)}", _AGAIN) from None


def parsed(text: str) -> Any:
    """The JSON data. Refuses what OpenTimelineIO would crash on, or report without the place."""
    too_deep = f"it cannot be read: lists and objects are nested more than {_DEEPEST_JSON} deep"
    try:
        raw = json.loads(text)
        level = [raw]
        for _ in range(_DEEPEST_JSON):
            level = [item for held in level for item in _held(held)]
            if not level:
                return raw
    except json.JSONDecodeError as error:
        mistakes = [mistake.message for mistake in explain(text, error)] if text.strip() else ["the file is empty"]
        raise DocumentError(
            Problem("cut", f"it cannot be read as JSON: {mistake}", _AGAIN) for mistake in mistakes
        ) from None
    except RecursionError:
        pass
    except ValueError:
        raise cut_failure("it cannot be read: it holds a number of thousands of digits", _AGAIN) from None
    raise cut_failure(too_deep, _AGAIN)


def _held(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def decoded(otio: Any, text: str) -> Any:
    """What the library makes of the text. Raises DocumentError where it cannot."""
    try:
        return otio.core.deserialize_json_from_string(text)
    except otio.exceptions.UnsupportedSchemaError as error:
        message = f"it cannot be read: it is newer than OpenTimelineIO {otio.__version__} ({_told(error)})"
        raise cut_failure(message, "update OpenTimelineIO, or export the cut for an older version") from None
    except Exception as error:
        # The library raises errors of many classes, ValueError and its own among them.
        raise cut_failure(f"it cannot be read as OpenTimelineIO: {_told(error)}", _AGAIN) from None


def _told(error: Exception) -> str:
    """What OpenTimelineIO says, with the names of its classes as they stand in files."""
    text = str(error.args[0]) if error.args else type(error).__name__
    return cut(re.sub(r"\bN\d+opentime\w*?v[\d_]+([A-Z][A-Za-z]*)E\b", r"\1", text), 200)


def timeline_in(otio: Any, held: Any) -> tuple[Any, tuple[Any, ...]]:
    """The composition at the top, and the keys that lead to it."""
    pointer: tuple[Any, ...] = ()
    if isinstance(held, otio.schema.SerializableCollection):
        found = [(k, item) for k, item in enumerate(held) if isinstance(item, otio.schema.Timeline)]
        if len(found) != 1:
            names = ", ".join(shown(item.name) for _, item in found[:8])
            raise cut_failure(f"it holds {len(found)} timelines{names and f' ({names})'}", "export one alone")
        pointer, held = ("children", found[0][0]), found[0][1]
    if isinstance(held, otio.schema.Timeline):
        pointer, held = (*pointer, "tracks"), held.tracks
        if held is None:
            raise DocumentError(cut_problem(pointer, "the timeline has no tracks", _AGAIN))
    if isinstance(held, otio.core.Composition):
        return held, pointer
    if getattr(held, "is_unknown_schema", False):
        raise cut_failure("it holds an object that OpenTimelineIO does not know, not a timeline", _AGAIN)
    kind = f"a {type(held).__name__}" if isinstance(held, otio.core.SerializableObject) else "other JSON data"
    raise cut_failure(f"it holds {kind}, not a timeline", "export the timeline")


def index_of_track(otio: Any, top: Any, pointer: tuple[Any, ...], name: str | None) -> int | None:
    """The place of the only track that is read; None for all."""
    if name is None:
        return None
    listed = [top] if isinstance(top, otio.schema.Track) else list(top)
    video = [(k, item) for k, item in enumerate(listed) if isinstance(item, otio.schema.Track)]
    video = [(k, item) for k, item in video if item.kind == otio.schema.TrackKind.Video]
    found = [k for k, item in video if item.name == name and item.enabled]
    if len(found) == 1:
        return found[0]
    names = [item.name for _, item in video if item.name and item.enabled]
    message, way_out = f'there is no video track "{name}"', did_you_mean(name, names)
    if found:
        message, way_out = f'{len(found)} video tracks are named "{name}"', "give each a name of its own"
    elif any(item.name == name for _, item in video):
        way_out = "it is disabled: enable it in the cut"
    elif not names:
        way_out = "no enabled video track has a name: leave the track out"
    elif not way_out:
        way_out = f"its video tracks are {', '.join(map(shown, names[:12]))}"
    raise DocumentError(cut_problem(pointer, message, way_out))
