"""Manifests of ID mattes: which name has which id.

A manifest is a JSON object, name → ``%08x`` of the id's bits (the open ID-matte specification, Cryptomatte 1.2.0).
It stands in the header, or in a file beside the picture, in its folder or below it.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from stackcomp.errors import FileError, cut, kind_of
from stackcomp.files.file_state import FileState, NoFileError, file_state, one_state
from stackcomp.files.id_types import IdType

__all__ = ["Manifest", "embedded_manifest", "manifest_of", "sidecar_manifest", "sidecar_path", "sidecar_paths"]

_ALL_BITS = re.compile(r"(?:(?:0[xX])?[0-9a-fA-F]{1,8},)*")
_NAMES_FILE = re.compile(r"cryptomatte/[^/]+/manif_file")
#: Half a character, of an escape such as \ud800; it cannot be written anywhere.
_HALF = re.compile("[\ud800-\udfff]")
#: How many manifests are kept. One of tens of thousands of names takes 10 MB, and frames mostly share one.
_KEPT = 16
_WRITTEN = 'a manifest is written {"name": "8 hexadecimal digits", …}'


@dataclass(frozen=True, eq=False)
class Manifest:
    """Names and their ids.

    Attributes:
        ids: bits of the id by name.
        doubts: what is wrong with it although it can be used; clauses without a full stop.
    """

    ids: Mapping[str, int]
    doubts: tuple[str, ...] = ()

    @cached_property
    def names(self) -> dict[int, tuple[str, ...]]:
        """Names by id; more than one where their ids collide."""
        found: dict[int, list[str]] = {}
        for name, bits in self.ids.items():
            found.setdefault(bits, []).append(name)
        return {bits: tuple(names) for bits, names in found.items()}

    @cached_property
    def shared(self) -> dict[int, tuple[str, ...]]:
        """Names by id, where there is more than one; usually nothing, which is found sooner than all names."""
        if len(set(self.ids.values())) == len(self.ids):
            return {}
        return {bits: names for bits, names in self.names.items() if len(names) > 1}


def manifest_of(type: IdType, file: Path | None, opened: dict[Path, FileState] | None = None) -> Manifest | None:
    """The manifest of a type; None where the header names none.

    Args:
        type: of the ids.
        file: the picture file; None where that is not known.
        opened: files of a frame and their states; a manifest's own file is added.

    Raises:
        FileError: a manifest is named that cannot be used.
        FileChangedError: its file has another state than in ``opened``.
    """
    if type.manifest is not None:
        return embedded_manifest(type.manifest, file, type.name)
    if type.manifest_file is None:
        return None
    if file is None:
        what = f"the manifest of {type.name} is in a file beside the picture, and where that is is not known"
        raise FileError(type.manifest_file, what, "feed the node that reads the file")
    return sidecar_manifest(sidecar_path(file, type.manifest_file), opened)


def sidecar_paths(file: Path, metadata: Mapping[str, Any]) -> list[Path]:
    """Files beside a picture that its header names as manifests, and that are there.

    Those that are not are left out, since the picture and its exact names can be used without; so are those that
    lead elsewhere.
    """
    paths = []
    for attribute, name in metadata.items():
        if isinstance(name, str) and _NAMES_FILE.fullmatch(attribute):
            with contextlib.suppress(FileError):
                paths.append(sidecar_path(file, name))
    return [path for path in dict.fromkeys(paths) if os.path.isfile(path)]


def sidecar_path(file: Path, name: str) -> Path:
    """The path of a manifest's file.

    Args:
        file: the picture file.
        name: as its header has it.

    Raises:
        FileError: the name is absolute or leads out of the folder of the picture.
    """
    parts = PureWindowsPath(name)
    leads_out = parts.is_absolute() or parts.drive or parts.root or ".." in parts.parts
    if not name.strip() or "\0" in name or leads_out or PurePosixPath(name).is_absolute():
        raise FileError(
            file,
            f'its header names the manifest "{cut(name, 80)}", which leads out of the folder of the picture',
            "put the manifest beside the picture, and its bare name into the header",
        )
    folder = Path(file).parent
    # Other systems write paths with a backslash; here that is a character of a name, so the name goes first.
    path = folder / name if os.path.lexists(folder / name) else folder.joinpath(*parts.parts)
    if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
        raise FileError(
            path, "it is a link that leads out of the folder of the picture", "put the manifest itself there"
        )
    return path


def sidecar_manifest(path: Path, opened: dict[Path, FileState] | None = None) -> Manifest:
    """The manifest in a file; it is read once for each state of the file.

    Raises:
        FileError: it cannot be read, or is no manifest.
        FileChangedError: it has another state than in ``opened``.
    """
    try:
        state = (opened or {}).get(path) or file_state(path)
    except NoFileError as error:
        way_out = error.way_out or "copy it beside the picture"
        raise NoFileError(path, "there is no such manifest", way_out) from None
    with one_state(path, state):
        made = _from_file(path, state)
    if opened is not None:
        opened[path] = state
    return made


@lru_cache(maxsize=_KEPT)
def _from_file(path: Path, state: FileState) -> Manifest:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise FileError(path, f"the manifest cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError as error:
        raise FileError(path, f"the manifest is not UTF-8 text: {error.reason} at byte {error.start}") from None
    return _parsed(text, path, "the manifest")


def embedded_manifest(text: str, file: Path | None, type_name: str) -> Manifest:
    """The manifest in a header; the same text is parsed once.

    Args:
        text: the JSON.
        file: of the header, for messages.
        type_name: likewise.

    Raises:
        FileError: it is no manifest.
    """
    made = _from_text(text)
    if isinstance(made, Manifest):
        return made
    raise FileError(file or "", f"the manifest of {type_name} in its header {made}", _WRITTEN)


@lru_cache(maxsize=_KEPT)
def _from_text(text: str) -> Manifest | str:
    try:
        return _parsed(text, Path(), "")
    except FileError as error:
        return error.reason.strip()


def _parsed(text: str, path: Path, what: str) -> Manifest:
    repeated: dict[str, None] = {}

    def members(pairs: list[tuple[str, object]]) -> dict[str, object]:
        held = dict(pairs)
        if len(held) < len(pairs):
            seen: dict[str, object] = {}
            for name, value in pairs:
                if name in seen and seen[name] != value:
                    repeated[name] = None
                seen[name] = value
        return held

    try:
        document = json.loads(text, object_pairs_hook=members)
    except (ValueError, RecursionError) as error:
        raise FileError(path, f"{what} is no JSON{_place(error)}".strip(), _WRITTEN) from None
    if not isinstance(document, dict):
        raise FileError(path, f"{what} holds {kind_of(document)}, not an object".strip(), _WRITTEN)
    ids, without = _ids_of(document)
    doubts = []
    if without:
        odd = without[0]
        shown = cut(repr(document[odd]), 40)
        more = f", and {len(without) - 1} more have none either" if len(without) > 1 else ""
        doubts.append(f'the id of "{cut(odd, 60)}" is {shown}{more}')
        if not ids:
            raise FileError(path, f"{what} has no id in it: {doubts[0]}".strip(), _WRITTEN)
    if repeated:
        doubts.append(
            f'the name "{cut(next(iter(repeated)), 60)}" stands there with two ids; the last one is used'
        )
    return Manifest(ids, tuple(doubts))


def _place(error: Exception) -> str:
    if not isinstance(error, json.JSONDecodeError):
        return ""
    return f" ({error.msg.removesuffix(' at')}: line {error.lineno}, character {error.colno})"


def _ids_of(document: Mapping[str, object]) -> tuple[dict[str, int], list[str]]:
    """Bits by name, and the names without any."""
    sound = document if _all_bits(document.values()) else {n: b for n, b in document.items() if _all_bits([b])}
    ids = {name: int(str(bits), 16) for name, bits in sound.items()}
    without = [name for name in document if name not in ids] if len(ids) < len(document) else []
    if _HALF.search("".join(ids)):
        ids = {_HALF.sub("?", name): bits for name, bits in ids.items()}
    return ids, without


def _all_bits(values: Collection[Any]) -> bool:
    """Whether each is the text of an id; of tens of thousands that is known at once, not one by one."""
    try:
        joined = ",".join((*values, ""))
    except TypeError:
        return False
    return joined.count(",") == len(values) and _ALL_BITS.fullmatch(joined) is not None
