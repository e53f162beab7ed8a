"""cdl: slope, offset, power and saturation of the ASC Color Decision List."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.document.values import Number
from stackcomp.nodes.base import ColourNode, Context
from stackcomp.pixel import PixelFunction, pixel, power
from stackcomp.port_types import PortType

# The weights of luma are those of ITU-R BT.709, whatever the working space: the standard says so.


@pixel
def _cdl(r, g, b, sr, sg, sb, dr, dg, db, pr, pg, pb, saturation):  # type: ignore[no-untyped-def]
    r = r * sr + dr
    g = g * sg + dg
    b = b * sb + db
    r = power(r, pr) if r > 0 else r
    g = power(g, pg) if g > 0 else g
    b = power(b, pb) if b > 0 else b
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    return luma + saturation * (r - luma), luma + saturation * (g - luma), luma + saturation * (b - luma)


@pixel
def _cdl_clamped(r, g, b, sr, sg, sb, dr, dg, db, pr, pg, pb, saturation):  # type: ignore[no-untyped-def]
    r = power(min(max(r * sr + dr, 0), 1), pr)
    g = power(min(max(g * sg + dg, 0), 1), pg)
    b = power(min(max(b * sb + db, 0), 1), pb)
    luma = 0.2126 * r + 0.7152 * g + 0.0722 * b
    r = min(max(luma + saturation * (r - luma), 0), 1)
    g = min(max(luma + saturation * (g - luma), 0), 1)
    b = min(max(luma + saturation * (b - luma), 0), 1)
    return r, g, b


class Cdl(ColourNode):
    """Slope, offset, power, then saturation: ``(colour · slope + offset) ^ power``.

    With ``clamp`` the standard's limits of 0 and 1 apply after offset and after saturation; without, values
    go on beyond 1, and negative ones pass the power unchanged. Premultiplied colour is divided by alpha first.
    """

    source_of_maths: ClassVar[str] = "ASC Color Decision List, version 1.2"
    curve: ClassVar[bool] = True

    kind: Literal["cdl"] = "cdl"
    slope: Annotated[tuple[float, float, float], Number("factor of R, G and B", low=0, size=3)] = (
        1.0,
        1.0,
        1.0,
    )
    offset: Annotated[tuple[float, float, float], Number("added to R, G and B", size=3)] = (0.0, 0.0, 0.0)
    power: Annotated[tuple[float, float, float], Number("exponent of R, G and B", above=0, high=100, size=3)] = (
        1.0,
        1.0,
        1.0,
    )
    saturation: Annotated[float, Number("0 is grey, 1 changes nothing", low=0)] = 1.0
    clamp: Annotated[bool, Field(description="Limit to 0–1, as the standard says; off keeps highlights.")] = False

    def pixel_function(self, types: Mapping[str, PortType]) -> PixelFunction:
        return _cdl_clamped if self.clamp else _cdl

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return (*self.slope, *self.offset, *self.power, self.saturation)
