"""multiply_shadow: the shadow-catcher pass laid on the backdrop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Colour, PortType, Ratio
from stackcomp.nodes.base import Adjustable, Context, PixelNode, Port
from stackcomp.nodes.pixel import PixelFunction, pixel, power


@pixel
def _by_ratio(r, g, b, qr, qg, qb, gamma, density, floor, tr, tg, tb, kr, kg, kb):  # type: ignore[no-untyped-def]
    qr = max(power(qr, gamma) * density + (1 - density), floor)
    qg = max(power(qg, gamma) * density + (1 - density), floor)
    qb = max(power(qb, gamma) * density + (1 - density), floor)
    qr = qr + (1 - min(qr, 1)) * tr
    qg = qg + (1 - min(qg, 1)) * tg
    qb = qb + (1 - min(qb, 1)) * tb
    return (r - kr) * qr + kr, (g - kg) * qg + kg, (b - kb) * qb + kb


@pixel
def _by_coverage(r, g, b, sr, sg, sb, sa, gamma, density, floor, tr, tg, tb, kr, kg, kb):  # type: ignore[no-untyped-def]
    q = max(power(1 - sa, gamma) * density + (1 - density), floor)
    shade = 1 - min(q, 1)
    return (
        (r - kr) * (q + shade * tr) + kr + sr * density,
        (g - kg) * (q + shade * tg) + kg + sg * density,
        (b - kb) * (q + shade * tb) + kb + sb * density,
    )


class MultiplyShadow(Adjustable, PixelNode):
    """Multiplies the backdrop by a shadow pass, in scene-linear light.

    The pass is either a *ratio* (what the set looks like with the CG there, divided by without; above 1 where
    the CG throws light) or *coverage-style* (premultiplied colour, usually black, whose alpha is the shadow;
    then the ratio is 1 − alpha and its own colour is added).

    In order: ``ratio ^ gamma`` (above 1 deepens the shadow's core most), ``density`` (0 none, 1 as rendered,
    above 1 stronger), not below ``floor``, then the light that is missing is given back in the colour
    ``tint``. ``black`` is the camera's black level: stray light that no shadow takes away.
    """

    source_of_maths: ClassVar[str] = (
        "differential rendering, Debevec, Rendering Synthetic Objects into Real Scenes, 1998, as a ratio; "
        "gamma, density, tint and floor: common practice, no source"
    )
    adjusts: ClassVar[str] = "backdrop"
    curve: ClassVar[bool] = True

    kind: Literal["multiply_shadow"] = "multiply_shadow"
    backdrop: Annotated[str, Port(doc="plate that receives the shadow", linear=True)]
    shadow: Annotated[
        str, Port((Ratio, Colour), doc="shadow pass: a ratio, or colour with alpha", alpha=("premultiplied",))
    ]
    gamma: Annotated[float, Number("exponent of the ratio", above=0, high=20)] = 1.0
    density: Annotated[float, Number("how much of the shadow to use", low=0, high=10)] = 1.0
    floor: Annotated[float, Number("smallest ratio", low=0, high=1)] = 0.0
    tint: Annotated[
        tuple[float, float, float],
        Number("what the shadow fades to, times the backdrop", low=0, high=1, size=3),
    ] = (
        0.0,
        0.0,
        0.0,
    )
    black: Annotated[tuple[float, float, float], Number("black level of the plate, scene-linear", size=3)] = (
        0.0,
        0.0,
        0.0,
    )

    def pixel_function(self, types: Mapping[str, PortType]) -> PixelFunction:
        return _by_ratio if isinstance(types["shadow"], Ratio) else _by_coverage

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return (self.gamma, self.density, self.floor, *self.tint, *self.black)

    def keeps_nothing(self, types: Mapping[str, PortType]) -> bool:
        # With the plate's black or a coloured shadow, something may come of a pixel that is not there.
        return False
