"""The encoding of a file: as told, as its header says, or a question with the likely answers."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from stackcomp.begin.material import Material
from stackcomp.data.port_types import Encoding
from stackcomp.errors import Problem, RequestError
from stackcomp.files import colour, colour_tags

__all__ = ["Told", "encoding_of", "said_by_header"]

_MOST_ANSWERS = 6
#: The header attribute in which stackcomp records the colour space of any encoding.
_OWN = "stackcomp/colourSpace"


@dataclass(frozen=True)
class Told:
    """An encoding and who told it.

    Attributes:
        encoding: the encoding.
        reason: in words that go on from the name.
        by_header: whether a read node finds it in the header without being told.
        doubt: what contradicts it; may be empty.
    """

    encoding: Encoding
    reason: str
    by_header: bool = False
    doubt: str = ""


def encoding_of(
    material: Material, option: str, told: str | None, config: str, *, rendered: bool, fallback: Told | None = None
) -> Told:
    """The encoding of a file's colours.

    Args:
        material: the file.
        option: the option that tells it.
        told: what that option says.
        config: the colour config.
        rendered: whether it is a render and not a camera's picture, for the likely answers.
        fallback: taken where neither the option nor the header says.

    Raises:
        RequestError: nothing tells it, or the config has no such encoding.
    """
    header = said_by_header(material, config)
    if told is not None:
        try:
            encoding = colour.encoding(told, config)
        except colour.UnknownEncoding as error:
            message, _, way_out = str(error).partition(" — ")
            raise RequestError(Problem("encoding-unknown", f"{option}: {message}", way_out)) from None
        doubt = ""
        if header is not None and header.encoding != encoding:
            doubt = f"{material.path}: {header.reason}, but {option} says {encoding.name}, which is taken"
        return Told(encoding, f"as {option} says", doubt=doubt)
    if header is not None:
        return header
    if fallback is not None:
        return fallback
    raise RequestError(_question(material, option, config, rendered))


def said_by_header(material: Material, config: str) -> Told | None:
    """The encoding that a header declares; None where it declares none that the config has."""
    metadata = material.header.metadata
    ways = (
        (colour_tags.from_header(metadata), True, "by its " + _attribute(metadata)),
        (metadata.get(_OWN), False, f"by its {_OWN}"),
    )
    for name, by_header, reason in ways:
        if isinstance(name, str):
            try:
                encoding = colour.encoding(name, config)
            except colour.UnknownEncoding:
                continue
            return Told(encoding, f"its header says {encoding.name}, {reason}", by_header)
    return None


def _attribute(metadata: Mapping[str, Any]) -> str:
    identifier = metadata.get("colorInteropID")
    known = identifier is not None and colour_tags.from_interop_id(str(identifier)) is not None
    return "colorInteropID" if known else "chromaticities"


def _question(material: Material, option: str, config: str, rendered: bool) -> Problem:
    hinted = _hinted(material, config)
    usual = _usual(material, config, rendered)
    answers = list(dict.fromkeys((*hinted, *usual)))
    said = f' (its {hinted[answers[0]]} mentions "{answers[0]}")' if hinted else ""
    named = " or ".join(f"{option} {shlex.quote(name)}" for name in answers[:_MOST_ANSWERS])
    command = "stackcomp encodings"
    if config != colour.DEFAULT_CONFIG:
        command += f" --colour-config {shlex.quote(config)}"
    silent = _not_understood(material.header.metadata) or "Its header does not say"
    return Problem(
        "encoding-unknown",
        f"{material.option}: in which encoding are the colours of {material.path}? {silent}{said}",
        f"give {named}; `{command}` lists all",
    )


def _not_understood(metadata: Mapping[str, Any]) -> str:
    """A sentence about what a header says that is not known; empty where it says nothing."""
    identifier, numbers = metadata.get("colorInteropID"), metadata.get("chromaticities")
    if identifier is not None:
        return f'Its header says colorInteropID "{identifier}", which is not known'
    if numbers is not None:
        listed = " ".join(f"{float(number):.5g}" for number in numbers)
        return f"Its header has chromaticities ({listed}) of a space that is not known"
    return ""


def _hinted(material: Material, config: str) -> dict[str, str]:
    """Encodings whose name stands in a text of the header or in the path, with the place; longest names first."""
    texts = {
        f'attribute "{name}"': value
        for name, value in material.header.metadata.items()
        if isinstance(value, str) and len(value) < 2000
    }
    texts["path"] = material.path
    found: dict[str, tuple[int, str]] = {}
    for space in colour.spaces(config):
        for name in (space.name, *space.aliases):
            if len(name) < 5:
                continue
            pattern = re.compile(rf"(?<![A-Za-z0-9]){re.escape(name)}(?![A-Za-z0-9])", re.IGNORECASE)
            place = next((place for place, text in texts.items() if pattern.search(text)), None)
            if place is not None and len(name) > found.get(space.name, (0, ""))[0]:
                found[space.name] = (len(name), place)
    ordered = sorted(found, key=lambda name: -found[name][0])
    return {name: found[name][1] for name in ordered[:2]}


def _usual(material: Material, config: str, rendered: bool) -> list[str]:
    """Encodings that files of its format usually have, common practice, no source."""
    still = material.header.format != "OpenEXR" or PurePath(material.path).suffix.lower() != ".exr"
    spaces = colour.spaces(config)
    if still:
        wanted = ["srgb_rec709_scene", "camera_rec709", "srgb_display"]
        names = [space.name for word in wanted for space in spaces if word in space.aliases]
        return names + ([] if rendered else _camera_curves(config))
    linear = ["lin_ap1_scene", "lin_rec709_scene", "lin_ap0_scene"]
    of_render = [space.name for word in linear for space in spaces if word in space.aliases]
    return of_render if rendered else [*_camera_curves(config), *of_render]


def _camera_curves(config: str) -> list[str]:
    """Log encodings, one of each maker, and those of the scene-linear space itself first."""
    chosen: dict[str, str] = {}
    for space in colour.spaces(config):
        if space.family == "log" and not space.name.startswith("ADX"):
            chosen.setdefault(space.group, space.name)
            if space.name == "ACEScct":
                chosen[space.group] = space.name
    return list(chosen.values())
