"""One channel of a file opened for measuring: depth or a matte, numbers that have no colour space.

Which channel is meant follows from what is named, and what it is from its name: a channel of which a part is
called Z or depth is depth, any other one a matte.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from stackcomp.data.image import Image
from stackcomp.errors import Problem, RequestError, did_you_mean
from stackcomp.measure.source import Names, Source, channels_of, colour_in, listed, no_such_layer

__all__ = ["MeasuredChannel", "What", "choose_channel", "one_channel_is_meant", "open_channel", "what_it_is"]

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
    """

    image: Image
    channel: str
    what: What


def open_channel(
    path: str | Path,
    *,
    channel: str = "",
    layer: str = "",
    what: What | None = None,
    frame: int | None = None,
    root: str | Path = ".",
    names: Names = _PARAMETERS,
) -> MeasuredChannel:
    """Open one channel of a file.

    Args:
        path: file, or a file sequence with a frame token.
        channel: name of the channel, within ``layer`` where that is given. Left out, the one channel of the layer
            that is depth, or the coverage A, or the only channel there is.
        layer: what stands before the last dot of the channel's name.
        what: depth or a matte; left out, its name tells.
        frame: frame number; needed where the path has a token.
        root: folder for relative paths.
        names: what messages call these inputs.

    Raises:
        RequestError: no frame given for a sequence.
        RequestError: no such file, layer or channel, or several that may be meant.
        FileError: the file is damaged.
    """
    source = Source(str(path), frame, root=root, names=names)
    chosen = choose_channel(source, source.header().channels, layer=layer, channel=channel, what=what)
    is_what = what or what_it_is(chosen)
    graph = source.graph()
    plane = "Z" if is_what == "depth" else "A"
    graph.add("pick_channels", "plane", layers="file", as_=is_what, channels={plane: chosen})
    return MeasuredChannel(source.images(graph, ["plane"])["plane"], chosen, is_what)


def what_it_is(channel: str) -> What:
    """Depth where a part of the name, between dots, is Z or depth; else a matte."""
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
    """The full name of the channel that is meant.

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
    # Depth may stand in a layer that nobody has named; a matte is not looked for all over the file.
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
