"""The frames of a begun graph: those that plate and CG share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stackcomp.begin.material import Material
from stackcomp.begin.samples import listed
from stackcomp.data.frames import format_frames
from stackcomp.errors import Problem

__all__ = ["for_frames", "shared_frames", "shifted"]

#: The option that names the CG.
CG = "--cg"


def shared_frames(
    plate: Material, cg: Material, asked: Sequence[int] | None
) -> tuple[list[int], Material, Material, list[str], list[Problem]]:
    """Frames of the graph, plate and CG as they are read at these, notes, and what is wrong.

    Args:
        plate: the plate.
        cg: the CG; its shift is applied.
        asked: frames that the caller wants; all that both have when None.
    """
    notes: list[str] = []
    plate, cg = _one_for_all(plate, cg, notes), _one_for_all(cg, plate, notes)
    own, other = plate.shot_frames, cg.shot_frames
    if own is None and other is None:
        return list(asked or [1]), plate, cg, notes, []
    if own is None or other is None:
        common = list(own or other or ())
        still, of = ("plate", plate) if own is None else ("CG", cg)
        if len(common) > 1 and not any(of.path in note for note in notes):
            notes.append(f"the {still} {of.path} is a still: the same picture at all frames")
    else:
        common = sorted(set(own) & set(other))
        if not common:
            return [], plate, cg, notes, [_apart(plate, cg, own, other)]
        if asked is None:
            notes += _differences(own, other, common)
    if asked is None:
        if gaps := sorted(set(range(common[0], common[-1] + 1)) - set(common)):
            notes.append(f"the graph leaves out {listed(gaps)}, which plate and CG do not both have")
        return common, plate, cg, notes, []
    problems = []
    for material, frames in ((plate, own), (cg, other)):
        if frames is not None and (missing := [frame for frame in asked if frame not in frames]):
            problems.append(_missing(material, missing, asked))
    return sorted(asked), plate, cg, notes, problems


def _one_for_all(material: Material, other: Material, notes: list[str]) -> Material:
    """The material as a still where one file was named that is no sequence beside the other's frames."""
    frames, others = material.shot_frames, other.shot_frames
    if not frames or not material.still or not others or len(others) < 2:
        return material
    if set(frames) & set(others) and (len(frames) > 1 or material.option == CG):
        return material
    if len(frames) > 1 and (material.option == CG or material.header.format == "OpenEXR"):
        return material  # These are numbered by frames, photographs are not.
    reason = "the only frame of its name" if len(frames) == 1 else "numbered otherwise than the other frames"
    notes.append(f"{material.still} is {reason}: it is read as a still, at all frames")
    return material.as_still()


def for_frames(material: Material, frames: Sequence[int], notes: list[str]) -> tuple[Material, list[Problem]]:
    """A matte or a clean plate as it is read at the frames of the graph, and what is wrong."""
    own = material.shot_frames
    if own is None:
        return material, []
    missing = [frame for frame in frames if frame not in set(own)]
    if not missing:
        return material, []
    if material.still and (len(missing) == len(frames) or len(own) == 1):
        still = material.as_still()
        if len(frames) > 1:
            notes.append(f"{still.path} is read as a still, at all frames")
        return still, []
    return material, [_missing(material, missing, frames)]


def _missing(material: Material, missing: Sequence[int], frames: Sequence[int]) -> Problem:
    have = sorted(set(frames) - set(missing))
    supply = f"supply {'it' if len(missing) == 1 else 'them'}"
    return Problem(
        "frame-missing",
        f"{material.option}: {material.path} has no {listed(missing)} of {listed(frames)}",
        f"{supply}, or begin with --frames {format_frames(have)}" if have else supply,
    )


def _differences(own: Sequence[int], other: Sequence[int], common: Sequence[int]) -> list[str]:
    notes = []
    for here, there, what, lacking in ((own, other, "plate", "CG"), (other, own, "CG", "plate")):
        left = sorted(set(here) - set(there))
        if left:
            notes.append(f"{listed(left)} of the {what}: no {lacking}, so not in the graph")
    return notes


def _apart(plate: Material, cg: Material, own: Sequence[int], other: Sequence[int]) -> Problem:
    shift = other[0] + cg.shift - own[0]
    return Problem(
        "frames-apart",
        f"the plate has {listed(own)}, the CG {listed(other)}: no frame is in both",
        f"where the first frames belong together, give --cg-shift {shift}; else name files of one shot",
    )


def shifted(material: Material, shift: int) -> Material:
    """A sequence whose files are numbered otherwise."""
    return replace(material, shift=shift) if material.frames is not None else material
