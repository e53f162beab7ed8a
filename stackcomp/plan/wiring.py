"""Wires the pixel nodes of a sweep into a program for `fuse`."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType

from stackcomp.data.port_types import PortType
from stackcomp.plan.pixel_value import PixelValue
from stackcomp.plan.program import Lane, Op, Program
from stackcomp.plan.steps.base import COVERED, Key, keeps_bare_light

__all__ = ["plane_source", "program_of"]


def plane_source(at: tuple[Key, str], values: Mapping[Key, PixelValue]) -> tuple[Key, str]:
    """Where a plane really comes from: adjustable nodes pass alpha through."""
    while at[0] in values and values[at[0]].lane_of(at[1]) is None:
        first = values[at[0]].lanes[0]
        assert isinstance(first, tuple)
        at = (first[0], at[1])
    return at


def program_of(
    stored: Sequence[Key],
    values: Sequence[PixelValue],
    masked: Sequence[bool],
    bounded: Sequence[Key],
    decided: Sequence[tuple[bool, ...]],
    types: Mapping[Key, PortType],
    *,
    half_planes: Mapping[Key, Collection[str]] = MappingProxyType({}),
    halved: Collection[Key] = (),
    counted: bool = False,
    watched: Mapping[Key, Collection[str]] = MappingProxyType({}),
) -> tuple[Program, list[tuple[Key, list[str]]]]:
    """The program of a sweep, and for each of its input pictures which planes it reads.

    Args:
        stored: the values whose planes are stored.
        values: pixel nodes, each behind those that it reads.
        masked: for each value, whether it is set to 0 outside its own window.
        bounded: values without alpha whose window is smaller than what is computed, so that their coverage
            ends there.
        decided: for each value, what its numbers decide, as in `Op`.
        types: of all values.
        half_planes: names of planes that arrive as 16-bit floats, by value.
        halved: stored values whose planes are written as 16-bit floats.
        counted: as in `Program`.
        watched: names of planes that must be watched for pixels that are not finite, by value.
    """
    by_key = {value.key: value for value in values}
    index = {value.key: k for k, value in enumerate(values)}
    planes: dict[Key, list[str]] = {}

    def wish(at: tuple[Key, str] | float | None) -> None:
        if isinstance(at, tuple) and at[1] == COVERED and keeps_bare_light(types[at[0]]):
            at = (at[0], "A")
        if isinstance(at, tuple) and at[1] != COVERED:
            key, name = plane_source(at, by_key)
            if key not in index and name not in planes.setdefault(key, []):
                planes[key].append(name)

    for value in values:
        for lane in (*value.lanes, value.alpha, value.within):
            wish(lane)
    for key, names in watched.items():
        for name in sorted(names):
            wish((key, name))
    inputs = list(planes.items())
    number = {(key, name): k for k, (key, name) in enumerate((key, n) for key, names in inputs for n in names)}

    def lane_for(at: tuple[Key, str] | float) -> Lane:
        if not isinstance(at, tuple):
            return Lane("constant", value=at)
        if at[1] == COVERED and keeps_bare_light(types[at[0]]):
            return Lane("nonzero", of=lane_for((at[0], "A")))
        if at[1] == COVERED:
            return Lane("inside", bounded.index(at[0])) if at[0] in bounded else Lane("constant", value=1.0)
        key, name = plane_source(at, by_key)
        if key in index:
            lane = by_key[key].lane_of(name)
            assert lane is not None
            return Lane("op", index[key], lane)
        return Lane("plane", number[key, name])

    ops = []
    for value, mask, outcomes in zip(values, masked, decided, strict=True):
        count = len(value.function.arguments) - len(value.lanes)
        ops.append(
            Op(
                value.function,
                tuple(lane_for(lane) for lane in value.lanes),
                numbers=count,
                alpha=lane_for(value.alpha) if value.alpha else None,
                straight=value.straight,
                within=lane_for(value.within) if value.within else None,
                amount=value.amount,
                masked=mask,
                outside=types[value.key].outside if mask else 0.0,
                decided=outcomes,
            )
        )
    outputs: dict[tuple[int, int, bool], None] = {}
    for key in stored:
        for name in types[key].planes:
            source, plane = plane_source((key, name), by_key)
            if source in index:
                lane = by_key[source].lane_of(plane)
                assert lane is not None
                outputs[index[source], lane, key in halved] = None
    program = Program(
        tuple(len(names) for _, names in inputs),
        tuple(ops),
        tuple((op, lane) for op, lane, _ in outputs),
        len(bounded),
        half_inputs=tuple(name in half_planes.get(key, ()) for key, name in number),
        half_outputs=tuple(half for _, _, half in outputs),
        counted=counted,
        watched=tuple(k for (key, name), k in number.items() if name in watched.get(key, ())),
    )
    return program, inputs
