"""One pixel node inside a sweep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from stackcomp.check.checked import CheckedNode
from stackcomp.nodes.pixel import PixelFunction
from stackcomp.plan.steps.base import Key

__all__ = ["LaneSource", "PixelValue"]

#: Where a lane comes from: a plane of a value, or a constant.
LaneSource = tuple[Key, str] | float


@dataclass(frozen=True)
class PixelValue:
    """One pixel node inside a sweep.

    Attributes:
        key: the value it makes.
        checked: its node, for numbers and windows.
        ports: which value arrives where.
        function: its maths.
        lanes: for each argument lane a key and plane name, or a constant.
        alpha, straight, within: as in `program.Op`, lanes by key and plane.
        amount: whether the node's amount comes as the last number.
        mixes_area: this value mixes an area node's raw result with the node's input.
    """

    key: Key
    checked: CheckedNode
    ports: Mapping[str, Key] = field(hash=False)
    function: PixelFunction
    lanes: tuple[LaneSource, ...]
    alpha: tuple[Key, str] | None = None
    straight: bool = False
    within: tuple[Key, str] | None = None
    amount: bool = False
    mixes_area: bool = False

    @cached_property
    def reads(self) -> set[Key]:
        """Values it depends on."""
        keys = {lane[0] for lane in self.lanes if isinstance(lane, tuple)}
        return keys | {lane[0] for lane in (self.alpha, self.within) if lane is not None}

    @cached_property
    def planes_read(self) -> set[tuple[Key, str]]:
        """Planes it takes, by value and name."""
        lanes = {lane for lane in self.lanes if isinstance(lane, tuple)}
        return lanes | {lane for lane in (self.alpha, self.within) if lane is not None}

    @cached_property
    def planes(self) -> dict[str, int]:
        """Result lane of each plane of its type."""
        return {plane: k for k, plane in enumerate(self.checked.type.planes)}

    def lane_of(self, plane: str) -> int | None:
        """Result lane of a plane; None where an adjustable node passes alpha through."""
        lane = self.planes[plane]
        return lane if lane < self.function.lanes_out else None
