"""multiply_shadow: the shadow-catcher pass laid on the backdrop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Colour, PortType, Ratio
from stackcomp.nodes.base import Adjustable, Context, PageExamples, PixelNode, Port
from stackcomp.nodes.pixel import PixelFunction, pixel, power


@pixel
def _strengthened(ratio, gamma, density, floor):  # type: ignore[no-untyped-def]
    q = max(ratio, 0) if gamma == 1 else power(ratio, gamma)
    q = q if density == 1 else q * density + (1 - density)
    # Up to a density of 1, no ratio gets below 0.
    return max(q, floor) if floor > 0 or density > 1 else q


@pixel
def _tinted(q, shade, tint):  # type: ignore[no-untyped-def]
    return q if tint == 0 else q + shade * tint


@pixel
def _multiplied(light, covered, black, q):  # type: ignore[no-untyped-def]
    # Black is there as far as the pixel is covered, so premultiplied colour need not be divided by alpha.
    return light * q if black == 0 else (light - covered * black) * q + covered * black


@pixel
def _by_ratio(r, g, b, covered, qr, qg, qb, gamma, density, floor, tr, tg, tb, kr, kg, kb):  # type: ignore[no-untyped-def]
    (qr,) = _strengthened(qr, gamma, density, floor)
    (qg,) = _strengthened(qg, gamma, density, floor)
    (qb,) = _strengthened(qb, gamma, density, floor)
    (qr,) = _tinted(qr, 1 - min(qr, 1), tr)
    (qg,) = _tinted(qg, 1 - min(qg, 1), tg)
    (qb,) = _tinted(qb, 1 - min(qb, 1), tb)
    (r,) = _multiplied(r, covered, kr, qr)
    (g,) = _multiplied(g, covered, kg, qg)
    (b,) = _multiplied(b, covered, kb, qb)
    return r, g, b


@pixel
def _by_coverage(  # type: ignore[no-untyped-def]
    r, g, b, covered, sr, sg, sb, sa, gamma, density, floor, tr, tg, tb, kr, kg, kb
):
    (q,) = _strengthened(1 - sa, gamma, density, floor)
    shade = 1 - min(q, 1)
    (qr,) = _tinted(q, shade, tr)
    (qg,) = _tinted(q, shade, tg)
    (qb,) = _tinted(q, shade, tb)
    (r,) = _multiplied(r, covered, kr, qr)
    (g,) = _multiplied(g, covered, kg, qg)
    (b,) = _multiplied(b, covered, kb, qb)
    added = covered if density == 1 else covered * density
    return r + sr * added, g + sg * added, b + sb * added


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
    sees_coverage: ClassVar[bool] = True
    page_examples: ClassVar[PageExamples] = (
        {"about": "The shadow as it was rendered.", "backdrop": "plate", "shadow": "shadow"},
        {"about": "Deeper.", "backdrop": "plate", "shadow": "shadow", "gamma": 2.5},
        {"about": "Half as strong.", "backdrop": "plate", "shadow": "shadow", "density": 0.5},
        {"about": "It fades to blue.", "backdrop": "plate", "shadow": "shadow", "tint": [0, 0.1, 0.6]},
    )

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

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _by_ratio if isinstance(types["shadow"], Ratio) else _by_coverage

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return (self.gamma, self.density, self.floor, *self.tint, *self.black)
