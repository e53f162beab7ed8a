"""Words for ports and pictures in messages of the check stage."""

from __future__ import annotations

from collections.abc import Collection

from stackcomp.data.port_types import Alpha, Colour, Matte, PortType, Ratio
from stackcomp.nodes.base import Port

__all__ = ["alpha_way_out", "as_word", "counted", "gives", "kind_way_out", "required", "some_of"]


def alpha_way_out(given: Alpha, spec: Port) -> tuple[str, str]:
    """Rule and way out for colour in an alpha state that a port does not accept."""
    wanted = spec.alpha or ()
    if given == "straight":
        if "premultiplied" in wanted:
            return "straight-alpha", "put a premultiply node between them"
        return "has-alpha", "take R G B alone with a pick_channels node"
    if given == "premultiplied":
        if "straight" in wanted:
            return "premultiplied-twice", "it is premultiplied already: connect it directly, without this node"
        return "has-alpha", "take R G B alone with a pick_channels node"
    if Ratio in spec.accepts:
        return (
            "no-alpha",
            'a ratio pass goes through a pick_channels node ("as": "ratio"); other passes need an A channel',
        )
    if "straight" in wanted:
        return "no-alpha", "without alpha there is nothing to multiply by: leave this node out"
    return (
        "no-alpha",
        "its file or pick_channels node must give an A channel; nothing can be laid over without coverage",
    )


def as_word(spec: Port) -> str:
    """Return the setting of a pick_channels node that gives what a port requires."""
    word = next((type.name for type in spec.accepts), "")
    return f'"as": "{word}"'


def counted(number: int, noun: str) -> str:
    """A number of things."""
    return f"{number} {noun}" + ("" if number == 1 else "s")


_HOLDS = {
    "matte": "a matte holds coverage",
    "ids": "ids are the names of objects",
    "depth": "depth holds distances",
    "motion": "motion holds distances",
    "coordinates": "coordinates are places in a picture",
}


def kind_way_out(type: PortType, spec: Port, mattes: Collection[str]) -> str:
    """Way out for a picture of a kind that a port does not accept; ``mattes`` are the node's matte ports."""
    if Colour not in spec.accepts:
        return f"take it from the file with a pick_channels node ({as_word(spec)})"
    if isinstance(type, Matte) and mattes:
        return f'feed a picture; a matte may go into the port "{next(iter(mattes))}"'
    if isinstance(type, Ratio):
        return "feed a picture; a ratio multiplies, as the shadow of a multiply_shadow node"
    return f"feed a picture; {_HOLDS.get(type.name, type.name)}, and not light"


def gives(type: PortType) -> str:
    """What a wire carries, in words."""
    return {"matte": "a matte", "ratio": "a ratio", "ids": "object ids"}.get(type.name, str(type))


def required(spec: Port) -> str:
    """What a port accepts, in words."""
    parts = []
    for type in spec.accepts:
        if type is not Colour:
            parts.append({"matte": "a matte", "ratio": "a ratio"}.get(type.name, type.name))
        elif spec.alpha is None:
            parts.append("colour")
        else:
            words = {"none": "colour without alpha"}
            parts.append(" or ".join(words.get(state, f"{state} colour") for state in spec.alpha))
    return " or ".join(parts)


def some_of(names: Collection[str]) -> str:
    """Names in a row, and how many more there are."""
    shown = list(names)[:12]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")
