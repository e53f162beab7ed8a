"""holdout: coverage removed where something stands in front."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import model_validator

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Depth, Ids, Layers, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.named_ids import NamesIds
from stackcomp.nodes.named_ids_check import look_at_names
from stackcomp.nodes.pixel import Algebra, PixelFunction, V, pixel


@pixel
def _in_front(depth, front, tolerance):  # type: ignore[no-untyped-def]
    # What is not finite is not 0 less itself. A front at infinity is never nearer, and NaN is not above 0.
    both = depth > 0 and front > 0 and depth - depth == 0
    nearer = depth - front
    soft = min(max(nearer / tolerance, 0), 1) if tolerance > 0 else (1 if nearer > 0 else 0)
    return soft if both else 0


@pixel
def _cut(r, g, b, a, keep, matte, ids, depth, front, tolerance):  # type: ignore[no-untyped-def]
    (nearer,) = _in_front(depth, front, tolerance)
    keep = keep * (1 - min(max(matte, 0), 1)) * (1 - min(max(ids, 0), 1)) * (1 - nearer)
    return r * keep, g * keep, b * keep, a * keep


@pixel
def _less(keep, matte):  # type: ignore[no-untyped-def]
    return keep * (1 - min(max(matte, 0), 1))


class _HeldOut(PixelFunction):
    """What is left of a picture: its lanes, those of matte, ids and depths, then any number of mattes."""

    def __init__(self, mattes: int) -> None:
        self.name, self.mattes = "holdout", mattes
        self.called = {}
        first, (tolerance,) = ("r", "g", "b", "a", "matte", "ids", "depth", "front"), _cut.arguments[-1:]
        self.arguments = (*first, *(f"matte_{k}" for k in range(mattes)), tolerance)
        self.source = f"{mattes} mattes\n{_less.source}\n{_cut.source}"

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return 4

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python."""
        keep = 1.0
        for matte in values[8:-1]:
            (keep,) = _less(keep, matte)
        return _cut(*values[:4], keep, *values[4:8], values[-1])

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra."""
        keep = algebra.constant(1.0)
        for matte in values[8:-1]:
            (keep,) = _less.evaluate([keep, matte], algebra)
        return _cut.evaluate([*values[:4], keep, *values[4:8], values[-1]], algebra)


class Holdout(NamesIds, PixelNode):
    """Multiplies premultiplied colour and its alpha by ``1 − matte``: what stands in front cuts it out.

    What stands in front is said by a ``matte``, by several ``mattes``, by the ``names`` of objects among
    ``ids`` (as at an id_matte node), by two depths, or by several of these at once. Their edges are taken to be
    unrelated: each leaves its share of what the others leave.

    By depth, a pixel is cut where ``front_depth`` is nearer than ``depth``, which is that of the picture. Where
    both are equally far it is not cut, so that a thing is not cut by what it stands on. It is cut wholly where
    the front is nearer by ``tolerance`` or more. Where either depth is 0 or not finite, nothing is there, and
    nothing is cut.

    A pixel has one depth. So at an antialiased silhouette it is cut as a whole or not at all: a front that
    covers half of a pixel cuts all of it, and a pixel at the rim of the picture is kept where its depth is 0.
    Depth that was filtered lies between things, and cuts wrongly. Mattes and ids have exact edges: use them
    where there are any.
    """

    source_of_maths: ClassVar[str] = (
        "Porter and Duff, Compositing Digital Images, 1984: the operator out, and coverages that are independent; "
        "depth: common practice, no source"
    )
    page_examples: ClassVar[PageExamples] = (
        {"about": "The cord in front is cut out of the lantern.", "image": "lantern", "matte": "cord"},
        {
            "about": "The guard of the lantern stands in front of the old one.",
            "image": "old_lantern",
            "ids": "cg",
            "names": ["lantern_guard", "lantern_handle"],
        },
        {
            "about": "The same cord by its depth, softly.",
            "image": "lantern",
            "depth": "lantern_depth",
            "front_depth": "depth",
            "tolerance": 0.05,
        },
    )

    kind: Literal["holdout"] = "holdout"
    image: Annotated[str, Port(doc="what is cut", alpha=("premultiplied",))]
    matte: Annotated[str | None, Port((Matte,), doc="coverage of what stands in front")] = None
    ids: Annotated[str | None, Port((Layers, Ids), doc="file with ids of what stands in front")] = None
    depth: Annotated[str | None, Port((Depth,), doc="depth of the picture that is cut")] = None
    front_depth: Annotated[str | None, Port((Depth,), doc="depth of what may stand in front")] = None
    mattes: Annotated[tuple[str, ...], Port((Matte,), doc="coverage of more that stands in front", many=True)] = ()
    tolerance: Annotated[
        float, Number("by how much the front must be nearer to cut a pixel wholly", unit="m", low=0)
    ] = 0.0

    open_lanes: ClassVar[Mapping[str, tuple[float, ...]]] = {
        "matte": (0.0,),
        "ids": (0.0,),
        "depth": (0.0,),
        "front_depth": (0.0,),
    }

    @model_validator(mode="after")
    def _something_in_front(self) -> Self:
        if (self.ids is None) != (self.names is None):
            given, missing = ("names", "ids") if self.ids is None else ("ids", "names")
            raise BadValueError(
                f'has "{given}", but no "{missing}"', '"ids" is the file, and "names" are its objects in front'
            )
        if self.ids is None and self.type is not None:
            raise BadValueError('has "type", but no "ids"', 'give "ids" and "names", or leave "type" out')
        if (self.depth is None) != (self.front_depth is None):
            given, missing = ("front_depth", "depth") if self.depth is None else ("depth", "front_depth")
            raise BadValueError(f'has "{given}", but no "{missing}"', "two depths are compared: give both")
        if self.matte is None and not self.mattes and self.ids is None and self.depth is None:
            raise BadValueError(
                "does not say what stands in front",
                'give "matte", "mattes", "ids" with "names", or "depth" with "front_depth"',
            )
        return self

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        if "ids" in types:
            yield from look_at_names(self, types["ids"], context)
        if "depth" in types and types["depth"] != types["front_depth"]:
            yield Problem(
                "wrong-kind",
                f'"depth" is {types["depth"]}, but "front_depth" is {types["front_depth"]}',
                'render both alike, or say "along" at the pick_channels node of the one that is declared wrongly',
                field="front_depth",
            )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"]

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _HeldOut(len(self.mattes))

    def numbers(self, types: Mapping[str, PortType], context: Context) -> tuple[Any, ...]:
        return (self.tolerance,)
