"""What the caller wants of a begun graph, beside its files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from stackcomp.files.colour import DEFAULT_CONFIG

__all__ = ["Wishes"]


@dataclass(frozen=True)
class Wishes:
    """Files and answers.

    Attributes:
        plate, cg, clean: paths from the current folder; of a sequence, of one of its files, or of a folder.
        mattes: coverage of what stands in front; the plate is restored there, on top of the CG.
        holdouts: coverage of what stands in front; the CG is cut out there.
        root: folder at which the paths of the graph start.
        out: folder for deliveries, from the root.
        frames: frames of the graph; those that plate and CG share when None.
        cg_shift: added to the frame number for the CG's files.
        plate_encoding, cg_encoding, clean_encoding: where the headers do not tell.
        cg_alpha: state of the CG's alpha; its format and its pixels decide when None.
        shadow: what the shadow pass is; its pixels decide when None.
        beauty_layer, shadow_layer, emission_layer: names of layers; ``"none"`` for none of that role.
        working_space: scene-linear space of the comp.
        colour_config: name or path of the OCIO config.
    """

    plate: str
    cg: str
    clean: str | None = None
    mattes: Sequence[str] = ()
    holdouts: Sequence[str] = ()
    root: Path = field(default_factory=lambda: Path("."))
    out: str = "out"
    frames: Sequence[int] | None = None
    cg_shift: int = 0
    plate_encoding: str | None = None
    cg_encoding: str | None = None
    clean_encoding: str | None = None
    cg_alpha: Literal["premultiplied", "straight"] | None = None
    shadow: Literal["ratio", "coverage", "none"] | None = None
    beauty_layer: str | None = None
    shadow_layer: str | None = None
    emission_layer: str | None = None
    working_space: str = "ACEScg"
    colour_config: str = DEFAULT_CONFIG
