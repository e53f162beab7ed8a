"""How the engine adjusts: alpha passes through, and ``within`` and ``amount`` mix a result with its input.

One formula holds for all adjustable kinds, fused or not. A pixel kind's loop mixes where the result is made. Of an
area kind the raw result is a value of its own, and a pixel value behind it mixes.
"""

from __future__ import annotations

from collections.abc import Mapping

from stackcomp.check.checked import CheckedNode
from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import Adjustable
from stackcomp.nodes.pixel import PixelFunction, pixel
from stackcomp.plan.pixel_value import LaneSource, PixelValue
from stackcomp.plan.steps.base import COVERED, Key, keeps_bare_light

__all__ = ["adjustable_value", "area_mix", "lanes_of", "mixed", "weight"]


@pixel
def weight(amount, matte):  # type: ignore[no-untyped-def]
    """How much of the result to use. An amount of 0 is 0 whatever the matte holds, NaN included."""
    return 0 if amount == 0 else amount * min(max(matte, 0), 1)


@pixel
def mixed(result, original, weight):  # type: ignore[no-untyped-def]
    """Weight 0 gives the input and weight 1 the result exactly, whatever the other one is."""
    rest = 1 - weight
    return original if weight == 0 else (result if rest == 0 else result * weight + original * rest)


@pixel
def _raw_colour(r, g, b, a, R, G, B, A):  # type: ignore[no-untyped-def]
    return R, G, B, A


@pixel
def _raw_ratio(r, g, b, R, G, B):  # type: ignore[no-untyped-def]
    return R, G, B


@pixel
def _raw_matte(a, A):  # type: ignore[no-untyped-def]
    return A


#: The second of two pictures, by the number of lanes of both.
_RAW = {8: _raw_colour, 6: _raw_ratio, 2: _raw_matte}


def lanes_of(key: Key, type: PortType) -> list[LaneSource]:
    """The lanes of a value: its planes, and of colour without alpha its coverage."""
    if type.planes == ("R", "G", "B") and type.name == "colour":
        return [(key, "R"), (key, "G"), (key, "B"), (key, COVERED)]
    return [(key, plane) for plane in type.planes]


def adjustable_value(
    key: Key, checked: CheckedNode, node: Adjustable, function: PixelFunction, ports: Mapping[str, Key]
) -> PixelValue:
    """An adjustable pixel node: R, G and B in, R, G and B out; its alpha is that of its input."""
    image = ports[node.adjusts]
    type = checked.types[node.adjusts]
    premultiplied, light_kept = getattr(type, "alpha", "none") == "premultiplied", keeps_bare_light(type)
    lanes: list[LaneSource] = [(image, plane) for plane in "RGB"]
    if node.sees_coverage:
        lanes.append((image, "A" if premultiplied else COVERED))
    for port in node.wired_ports():
        if port in ports and port not in (node.adjusts, "within"):
            lanes += lanes_of(ports[port], checked.wires[port].type)
    return PixelValue(
        key,
        checked,
        ports,
        function,
        tuple(lanes),
        alpha=(image, "A") if node.curve and (premultiplied or light_kept) else None,
        straight=light_kept,
        within=(ports["within"], "A") if "within" in ports else None,
        amount=node.amount != 1.0,
    )


def area_mix(
    key: Key, checked: CheckedNode, base: tuple[Key, PortType], raw: tuple[Key, PortType], within: Key | None
) -> PixelValue:
    """The mix of an adjustable area node's raw result with its input."""
    lanes = (*lanes_of(*base), *lanes_of(*raw))
    return PixelValue(
        key,
        checked,
        {"image": base[0], "raw": raw[0]},
        _RAW[len(lanes)],
        lanes,
        within=(within, "A") if within else None,
        amount=True,
        mixes_area=True,
    )
