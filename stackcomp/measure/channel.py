"""One channel of a file opened for measuring: depth or a matte, whose numbers have no colour space.

The channel follows from the names that are given; its kind from its own name: a channel is depth where a part of
its name is Z or depth, and a matte otherwise.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike
from stackcomp.data.image import Image
from stackcomp.errors import ArgumentError, Problem, RequestError, did_you_mean
from stackcomp.measure.given import instance, name
from stackcomp.measure.source import Names, Source, channels_of, colour_in, listed, no_such_layer

__all__ = [
    "MeasuredChannel",
    "What",
    "choose_channel",
    "one_channel_is_meant",
    "open_channel",
    "open_channel_of",
    "what_it_is",
]

What = Literal["depth", "matte"]

_DEPTH = {"z", "depth"}
_PARAMETERS = Names(channel="channel=", encoding="")


@dataclass(frozen=True, eq=False)
class MeasuredChannel:
    """A channel of a file.

    Attributes:
        image: depth in a plane Z, or a matte in a plane A, over the file's data window; numbers as stored.
        channel: its full name in the file.
        what: ``"depth"`` or ``"matte"``.
        doubts: sentences about a frame that is not used.
    """

    image: Image
    channel: str
    what: What
    doubts: tuple[str, ...] = ()


def open_channel(
    path: PathLike,
    *,
    channel: str = "",
    layer: str = "",
    what: What | None = None,
    frame: int | None = None,
    root: PathLike = ".",
    names: Names = _PARAMETERS,
) -> MeasuredChannel:
    """Open one channel of a file.

    Args:
        path: file, or a file sequence with a frame token.
        channel: name of the channel, within ``layer`` where that is given. Left out, the one channel of the layer
            that is depth, or the coverage A, or the only channel.
        layer: the text before the last dot of the channel's name.
        what: depth or a matte; when None, the channel's name decides.
        frame: frame number; needed where the path has a token.
        root: folder for relative paths.
        names: what messages call these inputs.

    Returns:
        The channel over the file's data window, numbers as stored.

    Raises:
        ArgumentError: an argument of the wrong kind.
        RequestError: no frame for a sequence; no such file, layer or channel; several that may be meant.
        FileError: the file is damaged.
    """
    file = str(arguments.file_path(path)) if isinstance(path, os.PathLike) else arguments.text(path, "path")
    channel, layer = name(channel, "channel"), name(layer, "layer")
    instance(names, Names, "names", "leave it out")
    if what is not None and (not isinstance(what, str) or what not in get_args(What)):
        raise ArgumentError("what", f'{arguments.value_text(what)} is not "depth" or "matte"', "name one of them")
    folder = arguments.file_path(root, "root")
    return open_channel_of(Source(file, frame, root=folder, names=names), channel=channel, layer=layer, what=what)


def open_channel_of(
    source: Source, *, channel: str = "", layer: str = "", what: What | None = None
) -> MeasuredChannel:
    """One channel of a source; see `open_channel`."""
    chosen = choose_channel(source, source.header().channels, layer=layer, channel=channel, what=what)
    is_what = what or what_it_is(chosen)
    graph = source.graph()
    plane = "Z" if is_what == "depth" else "A"
    graph.add("pick_channels", "plane", layers="file", as_=is_what, channels={plane: chosen})
    return MeasuredChannel(source.images(graph, ["plane"])["plane"], chosen, is_what, source.doubts)


def what_it_is(channel: str) -> What:
    """``"depth"`` where a part of the name, between dots, is Z or depth; else ``"matte"``."""
    return "depth" if _DEPTH & set(channel.casefold().split(".")) else "matte"


def one_channel_is_meant(source: Source, layer: str) -> bool:
    """Whether a layer, or the file itself where that is empty, has one channel to measure and no R G B.

    Raises:
        RequestError: as `stackcomp.measure.source.Source.header`.
    """
    channels = source.header().channels
    if no_such_layer(source, layer, channels) is not None or colour_in(layer, channels):
        return False
    try:
        choose_channel(source, channels, layer=layer)
    except RequestError:
        return False
    return True


def choose_channel(
    source: Source, channels: Sequence[str], *, layer: str = "", channel: str = "", what: What | None = None
) -> str:
    """The full name of the channel to measure.

    Args:
        source: the file, for messages.
        channels: its channels.
        layer: see `open_channel`, as the others.
        channel: likewise.
        what: likewise.

    Raises:
        RequestError: there is no such layer or channel, or several may be meant.
    """
    missing = no_such_layer(source, layer, channels)
    if missing is not None:
        raise RequestError(missing)
    if channel:
        full = f"{layer}.{channel}" if layer else channel
        if full in channels:
            return full
        near = did_you_mean(full, channels) or f"it has {listed(channels)}"
        raise RequestError(
            Problem("channel-missing", f'{source.path} has no channel "{full}"', near, field="channel")
        )
    held = channels_of(layer, channels)
    # Depth may be in any layer where none is named; a matte is looked for in the layer alone.
    among = list(channels) if what == "depth" and not layer else held
    depths = [name for name in among if what_it_is(name) == "depth"]
    alpha = f"{layer}.A" if layer else "A"
    if what != "matte" and len(depths) == 1:
        return depths[0]
    if what == "matte" and alpha in held:
        return alpha
    if len(held) == 1 or len(channels) == 1:
        return (held or list(channels))[0]
    where = f'layer "{layer}" of {source.path}' if layer else source.path
    raise RequestError(
        Problem(
            "channel-unknown",
            f"which channel of {where} is meant is not clear: {listed(depths or held or channels)}",
            f"name it with {source.names.channel}",
            field="channel",
        )
    )
