"""What the check says of objects that are chosen by name, for all frames that will be rendered."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from itertools import islice
from pathlib import Path

from stackcomp.data.frames import format_frames
from stackcomp.data.port_types import Ids, Layers, PortType
from stackcomp.errors import FileError, Problem, cut
from stackcomp.files.id_hash import HASH, id_of, id_text
from stackcomp.files.id_manifest import Manifest, manifest_of
from stackcomp.files.id_names import ChosenName, chosen_name, nearest_names
from stackcomp.files.id_types import IdType
from stackcomp.files.picture_file import header_of
from stackcomp.files.sequences import sequences_of
from stackcomp.nodes.base import Context
from stackcomp.nodes.named_ids import NamesIds, NoTypeError, type_of_ids
from stackcomp.nodes.named_ids_found import Found

__all__ = ["look_at_names"]

#: How many collisions and frames a message lists one by one.
_MOST_LISTED = 12


def look_at_names(node: NamesIds, type: PortType, context: Context) -> Iterator[Problem]:
    """Yield what is wrong with the type of ids, the channels, the manifests and the names of a node.

    Args:
        node: of a kind that chooses objects by name.
        type: at its port of ids.
        context: of the check; the headers of all its frames are read.
    """
    if isinstance(type, Ids):
        yield from _of_ids(node, type)
        return
    assert isinstance(type, Layers)
    found = Found()
    frames = context.frames or (context.frame,)
    files = {type.file_of(frame) if type.file_of is not None else None: frame for frame in reversed(frames)}
    for file, frame in reversed(files.items()):
        _look_at_frame(node, type, file, frame, found)
    several = len(files) > 1
    for (rule, message, way_out, at, severity), some in found.problems.items():
        which = f"{_frames(some)}: " if several else ""
        yield Problem(rule, which + message, way_out, field=at or node.ids_port, severity=severity)  # type: ignore[arg-type]
    if found.type is not None:
        yield from _names(node, type, found, several)


def _of_ids(node: NamesIds, type: Ids) -> Iterator[Problem]:
    if node.type is not None:
        yield Problem(
            "ids-type",
            f'"type" is {node.type}, but ids that were chosen channel by channel have one type',
            'leave "type" out, or feed the node that reads the file',
            field="type",
        )
    if type.manifest:
        found = Found(type=IdType("the picture", ()))
        found.add(Manifest(dict(type.manifest)), node.chosen_names, HASH)
        yield from _names(node, None, found, several=False)
        return
    for k, text in enumerate(node.names or ()):
        name = chosen_name(text)
        if name.pattern is not None:
            yield Problem(
                "ids-manifest",
                f'"{cut(text, 60)}" has wildcards, which choose from a manifest, and ids that were chosen channel '
                "by channel have none",
                "feed the node that reads the file, or name the objects in full",
                field=f"names.{k}",
            )
        elif name.exact is not None:
            yield Problem(
                "ids-manifest",
                f"ids that were chosen channel by channel have no manifest, so nobody knows whether there is "
                f'"{cut(text, 60)}"; it is hashed',
                "feed the node that reads the file",
                field=f"names.{k}",
                severity="warning",
            )


def _look_at_frame(node: NamesIds, type: Layers, file: Path | None, frame: int, found: Found) -> None:
    """Add what the header of one frame says."""
    channels, metadata, lossy = type.channels, type.metadata, type.lossy
    if file is not None:
        try:
            header, _ = header_of(file)
        except FileError:
            return  # The node that reads it says so.
        channels, metadata, lossy = header.channels, header.metadata, header.lossy
    try:
        ids = type_of_ids(channels, metadata, node.type, file)
    except NoTypeError as error:
        fed = getattr(node, node.ids_port)
        field = "type" if node.type is not None else ""
        found.say(frame, field, "ids-type", f'"{fed}": {error.reason}', error.way_out)
        return
    bad = next((name for name, _ in ids.pairs if name in lossy), None)
    if bad is not None:
        message = f"channel {bad} holds ids, and is {lossy[bad]}: which objects they were cannot be known any more"
        found.say(
            frame, "", "ids-bits", message, "render ids as 32-bit floats with lossless compression, such as zip"
        )
        return
    more = [name for name in ids.channels if name not in type.channels]
    if more:
        message = f"it has {', '.join(more[:_MOST_LISTED])}, which other frames do not have"
        found.say(frame, "", "frame-channels", message, "render all frames with as many layers of ids")
        return
    found.type = found.type or ids
    found.frames.append(frame)
    _look_at_manifest(node, ids, file, frame, found)


def _look_at_manifest(node: NamesIds, ids: IdType, file: Path | None, frame: int, found: Found) -> None:
    try:
        manifest = manifest_of(ids, file)
    except FileError as error:
        own = str(error.path) in ("", ".", str(file))
        reason = error.reason if own else f"{error.path}: {error.reason}"
        found.without.setdefault(reason, []).append(frame)
        found.way_out[reason] = error.way_out
        return
    if manifest is None:
        found.without.setdefault("", []).append(frame)
        return
    found.add(manifest, node.chosen_names, ids.hash)
    for doubt in manifest.doubts:
        found.say(frame, "", "ids-manifest", f"in the manifest of {ids.name}, {doubt}", "", severity="warning")


def _names(node: NamesIds, type: Layers | None, found: Found, several: bool) -> Iterator[Problem]:
    names = node.chosen_names
    position = {text: k for k, text in reversed(list(enumerate(node.names or ())))}
    ids = found.type
    assert ids is not None
    wild = next((name for name in names if name.pattern is not None), None)
    exact = next((name for name in names if name.exact is not None), None)
    needy = wild or (exact if ids.hash != HASH else None)
    for reason, frames in found.without.items():
        what = reason or f"the header names no manifest of {ids.name}"
        what = f"{_frames(frames)}: {what}" if several else what
        way_out = found.way_out.get(reason, "")
        if needy is not None:
            why = "has wildcards" if needy is wild else f"cannot be hashed by {ids.hash}"
            message = f'{what}; "{cut(needy.text, 60)}" {why}, so a manifest is needed'
            instead = "name the objects in full, or by number such as #1a2b3c4d"
            instead = instead if needy is wild else "name it by number such as #1a2b3c4d"
            yield Problem("ids-manifest", message, way_out or instead, field=f"names.{position[needy.text]}")
        elif exact is not None:
            message = f"{what}, so nobody knows whether there are objects of these names; they are hashed"
            instead = "stackcomp measure FILE --ids lists the ids that it has"
            yield Problem("ids-manifest", message, way_out or instead, field="names", severity="warning")
    if not found.without:
        yield from _unknown(names, position, type, found, node)
    yield from _doubtful(names, position, found)


def _unknown(
    names: Collection[ChosenName], position: Mapping[str, int], type: Layers | None, found: Found, node: NamesIds
) -> Iterator[Problem]:
    """Names that no manifest of the frames has; where another frame of the sequence has them, that is told."""
    wanted = [name for name in names if name.number is None]
    missing = [name for name in wanted if name.text not in found.known]
    elsewhere = _elsewhere(missing, type, found.frames, node) if missing else {}
    of = found.type.name if found.type is not None else ""
    for name in missing:
        at = f"names.{position[name.text]}"
        shown = f'"{cut(name.text, 80)}"'
        if name.text in elsewhere:
            message = (
                f"no frame that is rendered has {shown}, so nothing is covered; {elsewhere[name.text]} has it"
            )
            yield Problem("object-absent", message, "", field=at, severity="warning")
            continue
        what = f"no object of {of} fits {shown}" if name.pattern else f"there is no object {shown} of {of}"
        near = nearest_names(name.bare, found.every) or "stackcomp measure FILE --ids lists them"
        yield Problem("object-unknown", what, near, field=at)


def _fits(name: ChosenName, other: str) -> bool:
    return name.exact == other or (name.pattern is not None and name.pattern.fullmatch(other) is not None)


def _elsewhere(
    names: Collection[ChosenName], type: Layers | None, frames: Collection[int], node: NamesIds
) -> dict[str, str]:
    """Files of the same sequence whose manifests have some of the names, by the name."""
    if type is None or type.file_of is None:
        return {}
    seen = {type.file_of(frame) for frame in frames}
    first = min(seen)
    try:
        listed = sorted(item.name for item in first.parent.iterdir())
    except OSError:
        return {}
    sequence = next((one for one in sequences_of(listed) if first.name in one.names), None)
    found: dict[str, str] = {}
    for other in sequence.names if sequence is not None else ():
        path = first.parent / other
        left = [name for name in names if name.text not in found]
        if not left or path in seen:
            continue
        try:
            header, _ = header_of(path)
            manifest = manifest_of(type_of_ids(header.channels, header.metadata, node.type, path), path)
        except FileError:
            continue
        if manifest is not None:
            found |= {name.text: other for name in left if any(_fits(name, one) for one in manifest.ids)}
    return found


def _doubtful(names: Collection[ChosenName], position: Mapping[str, int], found: Found) -> Iterator[Problem]:
    """Names whose id is not their hash, and ids that several names share, not all of them chosen."""
    for name in names:
        listed = found.other_ids.get(name.exact) if name.exact is not None else None
        if listed is not None:
            yield Problem(
                "ids-hash",
                f'the manifest gives "{cut(str(name.exact), 60)}" the id {id_text(listed)}, but its hash is '
                f"{id_text(id_of(str(name.exact)))}; the id of the manifest is used",
                "check which of them the picture holds: stackcomp measure FILE --ids",
                field=f"names.{position[name.text]}",
                severity="warning",
            )
    partly = (
        (others, bits)
        for others, bits in found.collisions.items()
        if not all(any(_fits(name, other) for name in names) for other in others)
    )
    for others, bits in islice(partly, _MOST_LISTED):
        shown = [f'"{cut(other, 60)}"' for other in others[:_MOST_LISTED]]
        more = len(others) - len(shown)
        listed_names = ", ".join(shown) + f" and {more} more" if more else " and ".join(shown)
        yield Problem(
            "ids-collide",
            f"{listed_names} have the same id, {bits}: {'both' if len(others) == 2 else 'all'} are covered",
            "rename one of them and render again, if they must be told apart",
            field="names",
            severity="warning",
        )


def _frames(frames: Collection[int]) -> str:
    parts = format_frames(frames).split(",")
    text = ",".join(parts[:_MOST_LISTED]) + (" …" if len(parts) > _MOST_LISTED else "")
    return f"frame{'s' if len(frames) > 1 else ''} {text}"
