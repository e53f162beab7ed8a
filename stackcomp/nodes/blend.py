"""blend: the separable blend modes of the W3C, by their published names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.blend_modes import MODES
from stackcomp.nodes.pixel import PixelFunction

Mode = Literal[
    "normal",
    "multiply",
    "screen",
    "overlay",
    "darken",
    "lighten",
    "color-dodge",
    "color-burn",
    "hard-light",
    "soft-light",
    "difference",
    "exclusion",
]


class Blend(PixelNode):
    """Lays the source over the backdrop; where both cover a pixel, their colours are mixed by a mode.

    On premultiplied colour, with C for colour divided by alpha where alpha is not 0:
    ``s · (1 − αb) + αs · αb · B(Cb, Cs) + b · (1 − αs)``. A source's light without coverage (alpha 0) is
    added to the backdrop in every mode. A backdrop without alpha is covered wherever it has pixels.

    The modes were made for values from 0 to 1. Scene-linear light goes beyond, and there

    - *normal, multiply, darken, lighten, difference* hold for any value;
    - *screen* (and with it the brighter half of *hard-light* and *overlay*) gives the brighter of its two
      values where one is above 1, since its formula would turn dark;
    - *exclusion* gives the difference where one is above 1, since its formula would turn negative;
    - *color-dodge, color-burn, soft-light* leave a backdrop outside 0 to 1 as it is, and limit the source to
      0 to 1.

    Each of these joins its formula at 1 without a step.
    """

    source_of_maths: ClassVar[str] = (
        "W3C, Compositing and Blending Level 1, sections 5.8 and 10.1; beyond 1: common practice, no source"
    )
    page_examples: ClassVar[PageExamples] = (
        {"source": "gel", "backdrop": "comp", "mode": "multiply"},
        {"source": "gel", "backdrop": "comp", "mode": "screen"},
        {"source": "gel", "backdrop": "comp", "mode": "overlay"},
        {"source": "gel", "backdrop": "comp", "mode": "soft-light"},
        {"source": "gel", "backdrop": "comp", "mode": "normal"},
        {"source": "gel", "backdrop": "comp", "mode": "darken"},
        {"source": "gel", "backdrop": "comp", "mode": "lighten"},
        {"source": "gel", "backdrop": "comp", "mode": "color-dodge"},
        {"source": "gel", "backdrop": "comp", "mode": "color-burn"},
        {"source": "gel", "backdrop": "comp", "mode": "hard-light"},
        {"source": "gel", "backdrop": "comp", "mode": "difference"},
        {"source": "gel", "backdrop": "comp", "mode": "exclusion"},
    )

    kind: Literal["blend"] = "blend"
    source: Annotated[str, Port(doc="what goes on top", alpha=("premultiplied",), linear=True)]
    backdrop: Annotated[str, Port(doc="what it is mixed with", alpha=("premultiplied", "none"), linear=True)]
    mode: Annotated[Mode, Field(description="Blend mode, by its published name.")] = "normal"

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return MODES[self.mode]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return replace(colour_of(types, "source"), alpha="premultiplied")
