"""Objects chosen by name from the ids of a file: fields and rules of the kinds that do so.

The type of ids and the names are fields. What they choose at a frame follows from that frame's own header:
`IdChoice` holds the channels and the ids. The engine sums up the coverage and hands it to the kind as a matte.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, BeforeValidator, Field

from stackcomp.data.port_types import Ids, Layers, PortType
from stackcomp.errors import BadValueError, FileError, cut, did_you_mean, shown
from stackcomp.files.file_state import FileChangedError, FileState
from stackcomp.files.id_hash import HASH
from stackcomp.files.id_manifest import Manifest, manifest_of
from stackcomp.files.id_names import ChosenName, chosen_ids, chosen_name
from stackcomp.files.id_types import IdType, id_types, undeclared_types

__all__ = ["NAMES_DOC", "IdChoice", "Names", "NamesIds", "NoTypeError", "pairs_of", "type_of_ids"]


class NoTypeError(FileError):
    """A file has no such type of ids, or several and none is chosen."""


@dataclass(frozen=True)
class IdChoice:
    """What names choose in one picture.

    Attributes:
        pairs: channels of the picture, id and coverage, rank by rank.
        ids: bits of the ids.
    """

    pairs: tuple[tuple[str, str], ...]
    ids: frozenset[int]


def _names(raw: Any) -> Any:
    if isinstance(raw, str):
        raise BadValueError(f"is {shown(raw)}, a text", f"give a list: [{shown(raw)}]")
    if isinstance(raw, list | tuple) and not raw:
        raise BadValueError("is an empty list", "name an object; * stands for any text")
    return tuple(raw) if isinstance(raw, list) else raw


NAMES_DOC = (
    "Objects, whose coverage is added up. * stands for any text and ? for one character, unless a backslash "
    "stands before; #1a2b3c4d is an id by number."
)
"""What the field of names is for."""

Names = Annotated[tuple[str, ...], BeforeValidator(_names)]


class NamesIds(BaseModel):
    """Mixin of kinds that choose objects by name at the port `ids_port`."""

    #: The port at which ids arrive, as layers of a file or chosen by pick_channels.
    ids_port: ClassVar[str] = "ids"
    #: Whether the result is the coverage itself, so that no loop is needed behind it.
    is_coverage: ClassVar[bool] = False

    type: Annotated[
        str | None,
        Field(description="Type of ids in the file, such as CryptoObject. Left out, the only one that it has."),
    ] = None
    names: Annotated[
        Names | None,
        Field(description=NAMES_DOC),
    ] = None

    @property
    def chosen_names(self) -> tuple[ChosenName, ...]:
        """The names as parsed, each once."""
        return tuple(chosen_name(text) for text in dict.fromkeys(self.names or ()))

    def kernels(self) -> Sequence[str]:
        """As of an area node."""
        return ("id_coverage",) if getattr(self, self.ids_port, None) is not None else ()

    def chosen_pairs(self, type: Layers) -> tuple[tuple[str, str], ...]:
        """Channels of a file's layers, id and coverage, rank by rank.

        Raises:
            NoTypeError: it has no such type of ids.
        """
        return type_of_ids(type.channels, type.metadata, self.type).pairs

    def chosen(
        self, type: PortType, metadata: Mapping[str, Any], file: Path | None, opened: dict[Path, FileState]
    ) -> IdChoice:
        """What the names choose in a picture.

        Args:
            type: of what arrives.
            metadata: attributes of the picture's header.
            file: that it was read from, if any.
            opened: files of the frame and their states; the manifest's own is added.

        Raises:
            NoTypeError: the picture has no such type of ids.
            FileError: a manifest is needed that cannot be used.
        """
        if isinstance(type, Ids):
            manifest = Manifest(dict(type.manifest)) if type.manifest else None
            by_text = chosen_ids(self.chosen_names, manifest)
            return IdChoice(pairs_of(type), frozenset().union(*by_text.values()))
        assert isinstance(type, Layers)
        ids = type_of_ids(type.channels, metadata, self.type, file)
        by_text = chosen_ids(self.chosen_names, self._manifest(ids, file, opened), ids.hash)
        return IdChoice(ids.pairs, frozenset().union(*by_text.values()))

    def _manifest(self, ids: IdType, file: Path | None, opened: dict[Path, FileState]) -> Manifest | None:
        """The manifest, or None where none can be used and the names do without: exact ones can be hashed."""
        try:
            return manifest_of(ids, file, opened)
        except FileChangedError:
            raise
        except FileError:
            if any(name.pattern is not None for name in self.chosen_names) or ids.hash != HASH:
                raise
            return None


def pairs_of(type: Ids) -> tuple[tuple[str, str], ...]:
    """Planes of ids and their coverage."""
    return tuple((f"id{rank}", f"cover{rank}") for rank in range(type.ranks))


def type_of_ids(
    channels: tuple[str, ...], metadata: Mapping[str, Any], wanted: str | None, file: Path | None = None
) -> IdType:
    """The type of that name, or the only one where None is given.

    A type that the header does not declare is found by its layers, if it is named.

    Raises:
        NoTypeError: there is none, or none with coverage, or more than one.
    """
    declared = id_types(channels, metadata)
    with_layers = {name: type for name, type in declared.items() if type.pairs or type.flaw}
    place = file or ""
    if wanted is None:
        if len(with_layers) == 1:
            return _whole(next(iter(with_layers.values())), place)
        if with_layers:
            raise NoTypeError(
                place, f"it has ids of {_listed(with_layers)}, and none is chosen", 'say which with "type"'
            )
        if declared:
            return _whole(next(iter(declared.values())), place)
        others = undeclared_types(channels)
        way_out = 'render it with ids, or choose their channels with pick_channels and "as": "ids"'
        if others:
            way_out = f'if one of its layers is, name it with "type": {_listed(others)}'
        raise NoTypeError(place, "its header declares no ids", way_out)
    if wanted in declared:
        return _whole(declared[wanted], place)
    undeclared = undeclared_types(channels)
    if wanted in undeclared:
        return _whole(undeclared[wanted], place)
    choices = list(with_layers or undeclared)
    way_out = did_you_mean(wanted, choices) or (f"it has {_listed(choices)}" if choices else "it has none")
    raise NoTypeError(place, f'it has no ids of type "{cut(wanted, 60)}"', way_out)


def _whole(type: IdType, place: Path | str) -> IdType:
    if type.flaw is not None:
        raise NoTypeError(place, *type.flaw)
    if not type.pairs:
        message = (
            f"its header declares ids of type {type.name}, but it has no layers {type.name}00, {type.name}01 …"
        )
        raise NoTypeError(place, message, "render it again with these layers")
    return type


def _listed(names: Any) -> str:
    return ", ".join(f'"{cut(name, 60)}"' for name in list(names)[:12])
