"""porter_duff: every operator of the compositing algebra, by its published name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.pixel import PixelFunction, pixel

# Each is ``co = s · Fa + d · Fb`` on premultiplied colour and on alpha alike.


@pixel
def _clear(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    return 0, 0, 0, 0


@pixel
def _copy(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    return sr, sg, sb, sa


@pixel
def _destination(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    return br, bg, bb, ba


@pixel
def _source_over(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    f = 1 - sa
    return sr + br * f, sg + bg * f, sb + bb * f, sa + ba * f


@pixel
def _destination_over(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    f = 1 - ba
    return sr * f + br, sg * f + bg, sb * f + bb, sa * f + ba


@pixel
def _source_in(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    return sr * ba, sg * ba, sb * ba, sa * ba


@pixel
def _destination_in(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    return br * sa, bg * sa, bb * sa, ba * sa


@pixel
def _source_out(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    f = 1 - ba
    return sr * f, sg * f, sb * f, sa * f


@pixel
def _destination_out(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    f = 1 - sa
    return br * f, bg * f, bb * f, ba * f


@pixel
def _source_atop(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    f = 1 - sa
    return sr * ba + br * f, sg * ba + bg * f, sb * ba + bb * f, sa * ba + ba * f


@pixel
def _destination_atop(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    f = 1 - ba
    return sr * f + br * sa, sg * f + bg * sa, sb * f + bb * sa, sa * f + ba * sa


@pixel
def _xor(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    fa = 1 - ba
    fb = 1 - sa
    return sr * fa + br * fb, sg * fa + bg * fb, sb * fa + bb * fb, sa * fa + ba * fb


@pixel
def _plus(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    return sr + br, sg + bg, sb + bb, min(sa + ba, 1)


_FUNCTIONS: dict[str, PixelFunction] = {
    "clear": _clear,
    "copy": _copy,
    "destination": _destination,
    "source-over": _source_over,
    "destination-over": _destination_over,
    "source-in": _source_in,
    "destination-in": _destination_in,
    "source-out": _source_out,
    "destination-out": _destination_out,
    "source-atop": _source_atop,
    "destination-atop": _destination_atop,
    "xor": _xor,
    "plus": _plus,
}

Mode = Literal[
    "clear",
    "copy",
    "destination",
    "source-over",
    "destination-over",
    "source-in",
    "destination-in",
    "source-out",
    "destination-out",
    "source-atop",
    "destination-atop",
    "xor",
    "plus",
]


class PorterDuff(PixelNode):
    """One of the operators that combine two pictures by their coverage.

    Colour is light and goes on beyond 1; only the coverage of ``plus``, a sum, is limited to 1. A backdrop
    without alpha is covered wherever it has pixels. Outside of a picture's data window there is nothing, so
    what an operator can only find inside one of them has that window.
    """

    source_of_maths: ClassVar[str] = (
        "W3C, Compositing and Blending Level 1, section 9; Porter and Duff, Compositing Digital Images, 1984"
    )
    page_examples: ClassVar[PageExamples] = (
        {"source": "lantern", "backdrop": "old_lantern", "mode": "source-in"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "source-out"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "source-atop"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "xor"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "plus"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "source-over"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "destination-over"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "destination-in"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "destination-out"},
        {"source": "lantern", "backdrop": "old_lantern", "mode": "destination-atop"},
    )

    kind: Literal["porter_duff"] = "porter_duff"
    source: Annotated[str, Port(doc="first picture", alpha=("premultiplied",), linear=True)]
    backdrop: Annotated[
        str, Port(doc="second picture, the destination", alpha=("premultiplied", "none"), linear=True)
    ]
    mode: Annotated[Mode, Field(description="Operator, by its published name.")] = "source-over"

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _FUNCTIONS[self.mode]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return replace(colour_of(types, "source"), alpha="premultiplied")

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        source, backdrop = domains["source"], domains["backdrop"]
        match self.mode:
            case "clear":
                return Window(source.x0, source.y0, source.x0, source.y0)
            case "copy" | "source-out" | "destination-atop":
                return source
            case "destination" | "destination-out" | "source-atop":
                return backdrop
            case "source-in" | "destination-in":
                return source & backdrop
            case _:
                return source | backdrop
