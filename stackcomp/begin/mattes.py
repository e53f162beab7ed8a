"""Which channel of a file is a matte."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackcomp.begin.layers import Layer, layers_of
from stackcomp.begin.material import Material, locate
from stackcomp.begin.samples import samples_of
from stackcomp.errors import Problem, RequestError, did_you_mean

__all__ = ["MatteChannel", "MatteFile", "matte_channel", "matte_file"]


@dataclass(frozen=True)
class MatteFile:
    """A file with a matte, and the channel that was named for it; empty where none was."""

    material: Material
    channel: str = ""


@dataclass(frozen=True)
class MatteChannel:
    """The channel of a matte.

    Attributes:
        channel: its full name.
        alone: whether it is the only one, so that a matte port takes the file itself.
        reason: why this one.
        doubt: what is odd about its values; may be empty.
    """

    channel: str
    alone: bool
    reason: str
    doubt: str = ""


def matte_file(text: str, option: str, root: Path) -> MatteFile:
    """A matte as it is named: a path, or ``PATH:CHANNEL`` where the file has several channels.

    Raises:
        RequestError: there is no such file.
    """
    path, colon, channel = text.rpartition(":")
    if not colon or not path or os.path.lexists(text) or not re.fullmatch(r"[^/\\]+", channel):
        return MatteFile(locate(text, option, root))
    return MatteFile(locate(path, option, root), channel)


def matte_channel(file: MatteFile, frames: Sequence[int]) -> MatteChannel:
    """Choose the channel.

    Raises:
        RequestError: it cannot be known which one is meant, or there is none of the name that was given.
    """
    material, channels = file.material, file.material.header.channels
    if file.channel:
        folded = {name.casefold(): name for name in channels}
        named = folded.get(file.channel.casefold())
        if named is None:
            raise RequestError(
                Problem("channel-missing",
                        f'{material.option}: {material.path} has no channel "{file.channel}"',
                        did_you_mean(file.channel, list(channels)) or f"it has {', '.join(channels[:12])}")
            )  # fmt: skip
        return _with_doubt(material, named, len(channels) == 1, "as named", frames)
    if len(channels) == 1:
        return _with_doubt(material, channels[0], True, "the only channel", frames)
    main = next((layer for layer in layers_of(channels, material.header.metadata) if not layer.name), None)
    found = _of_picture(material, main, frames) if main is not None else None
    if found is None:
        choices = " or ".join(f'{material.option} "{material.given}:{name}"' for name in channels[:6])
        more = f"; there are {len(channels) - 6} more" if len(channels) > 6 else ""
        message = f"which of the {len(channels)} channels of {material.path} is the matte?"
        raise RequestError(Problem("channel-unknown", f"{material.option}: {message}", f"give {choices}{more}"))
    return _with_doubt(material, found[0], False, found[1], frames)


def _of_picture(material: Material, main: Layer, frames: Sequence[int]) -> tuple[str, str] | None:
    """The matte in a picture with R G B: its alpha where that varies, else R where R, G and B are alike."""
    planes = main.planes
    samples = samples_of(material, list(planes.values()), frames)
    if not samples.frames:
        return (planes["A"], "its alpha") if "A" in planes else None
    stacks = {plane: samples.stacked([name]) for plane, name in planes.items()}
    solid = "A" in stacks and all(float(stack.min()) >= 0.999 for stack in stacks["A"])
    if "A" in stacks and not solid:
        return planes["A"], "its alpha"
    if not main.has_colour:
        grey = [name for name in material.header.channels if name not in planes.values()]
        return (grey[0], "its alpha is 1 throughout") if len(grey) == 1 else None
    alike = all(
        float(np.abs(stacks[plane][k] - stacks["R"][k]).max()) <= 0.01
        for k in range(len(samples.frames))
        for plane in "GB"
    )
    if not alike:
        return None
    reason = f"R, G and B are alike on {samples.words}"
    return planes["R"], f"its alpha is 1 throughout, and {reason}" if solid else f"it has no alpha, and {reason}"


def _with_doubt(material: Material, channel: str, alone: bool, reason: str, frames: Sequence[int]) -> MatteChannel:
    samples = samples_of(material, [channel], frames)
    stacks = samples.stacked([channel])
    doubt = ""
    if stacks:
        least, most = min(float(s.min()) for s in stacks), max(float(s.max()) for s in stacks)
        where = f"{material.path}: coverage on {samples.words} lies between {least:.3g} and {most:.3g}"
        if most > 1.01 or least < -0.01:
            doubt = f"{where}; below 0 counts as 0, above 1 as 1"
        elif most <= 0:
            doubt = f"{where}: the matte is empty there"
    return MatteChannel(channel, alone, reason, doubt)
