"""Match a picture to another one, or to published data, by the colour chart in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import text
from stackcomp.files.colorimetry import luminance_weights
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.area import Area
from stackcomp.measure.chart_data import NAMES, published
from stackcomp.measure.chart_fit import ChartFit, difference_under, fit_chart
from stackcomp.measure.chart_gradient import Gradient, light_gradient
from stackcomp.measure.chart_order import check_order
from stackcomp.measure.chart_patches import Corners, Patches, corners_of, measure_chart, refuse_spoiled
from stackcomp.measure.chart_suspects import Suspects, find_suspects, place_of, worst_patches
from stackcomp.measure.given import TripleLike, instance, rgb
from stackcomp.measure.picture import Measured, opened
from stackcomp.measure.statistics import clipped, piled_up

__all__ = ["Chart", "ChartMatch", "match_chart"]

Array = npt.NDArray[np.float64]

_POOR = 3.0  # mean ΔE 2000 after the fit; common practice, no source


@dataclass(frozen=True, eq=False)
class Chart:
    """A picture with a 24-patch chart in it.

    Args:
        picture: the picture, from `open_measured`.
        corners: four points (x, y) in pixels, or ``"x,y;x,y;x,y;x,y"``: the corners of the block of patches, half
            a gap outside of it, in the chart's order: top left (beside the dark skin tone), top right, bottom
            right, bottom left (beside the white).
        black: the camera's black, R, G, B, scene-linear, which is subtracted; one number stands for all three.

    Raises:
        AreaError: not four corners, or corners that are not in order around the chart.
        ArgumentError: an argument of the wrong kind.
    """

    picture: Measured
    corners: Corners | str | Sequence[Sequence[float]]
    black: TripleLike = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        opened(self.picture, "picture")
        object.__setattr__(self, "corners", corners_of(self.corners))
        object.__setattr__(self, "black", rgb(self.black, "black"))


@dataclass(frozen=True, eq=False)
class ChartMatch:
    """The matrix from one chart to another.

    Attributes:
        fit: the matrix that multiplies the other picture, and the differences that it leaves.
        other: patches of the picture to be changed.
        plate: patches of the target picture; None where the target is the published data.
        target: R G B of the target, ``(24, 3)``, scene-linear.
        source: R G B that were fitted to it, ``(24, 3)``: the other picture's, without the gradient if evened.
        gradient: the change of light across the other chart, relative to the target.
        evened: whether the gradient was removed before the fit.
        suspects: neighbours that look swapped, or a patch that does not fit.
        doubts: sentences about what may be wrong.
    """

    fit: ChartFit
    other: Patches
    plate: Patches | None
    target: Array
    source: Array
    gradient: Gradient
    evened: bool
    suspects: Suspects
    doubts: tuple[str, ...]

    @property
    def matrix(self) -> Array:
        """3×3; multiplies the other picture's R G B, exposure included."""
        return self.fit.matrix

    @property
    def worst(self) -> list[dict[str, Any]]:
        """The three patches that fit worst: name, number, row, column and ΔE 2000 after the fit."""
        return worst_patches(self.fit.after)

    def as_dict(self) -> dict[str, Any]:
        """For ``--json`` and files of findings."""
        return {
            **self.fit.as_dict(),
            "worst_patches": self.worst,
            "look_swapped": [[place_of(place) for place in pair] for pair in self.suspects.swapped],
            "gradient": {**self.gradient.as_dict(), "evened": self.evened},
            "target": "plate" if self.plate else "published data",
            "doubts": list(self.doubts),
            "plate": self.plate.as_dict() if self.plate else None,
            "other": self.other.as_dict(),
        }


def match_chart(
    other: Chart,
    plate: Chart | None = None,
    *,
    white: str = "",
    even: bool = False,
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
) -> ChartMatch:
    """Find the matrix that multiplies ``other`` so that its chart equals the plate's.

    Args:
        other: the picture to be changed.
        plate: the target; the published data of the chart when None.
        white: name of a grey patch that maps exactly, such as ``"neutral 5"``; none when empty.
        even: whether the gradient of light is removed from the other chart before the matrix is fitted.
        working_space: scene-linear space of the pictures.
        colour_config: name or path of an OCIO config with that space.

    Returns:
        The 3×3 matrix, colour differences (CIEDE2000) before and after, and doubts.

    Raises:
        AreaError: corners that do not enclose a chart, or a chart that is turned or mirrored.
        RequestError: too few patches are usable, or no matrix follows from them.
        ArgumentError: an argument of the wrong kind.
    """
    instance(other, Chart, "other", "give Chart(picture, corners)")
    if plate is not None:
        instance(plate, Chart, "plate", "give Chart(picture, corners), or leave it out")
    text(white, "white")
    theirs = _measured(other, "the other picture")
    ours = _measured(plate, "the plate") if plate else None
    target = ours.values if ours else published(working_space, colour_config)
    used = theirs.usable & ours.usable if ours else theirs.usable
    gradient = light_gradient(theirs.values, target, used, luminance_weights(working_space, colour_config))
    source = theirs.values / gradient.field[:, None] if even else theirs.values
    fit = fit_chart(source, target, used=used, white=white, working_space=working_space, config=colour_config)
    relative = _relative(theirs) if ours is None else np.hypot(_relative(theirs), _relative(ours))
    differ = difference_under(fit.scale, working_space, colour_config)
    suspects = find_suspects(source, target, used, relative, differ)
    doubts = [*_lost(theirs, "the other picture"), *(_lost(ours, "the plate") if ours else ())]
    doubts += [*_doubts(fit, gradient, even), *_words(suspects, fit)]
    return ChartMatch(fit, theirs, ours, target, source, gradient, even, suspects, tuple(doubts))


def _relative(patches: Patches) -> Array:
    """Standard errors as shares of the values; 0 where they are not known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = np.abs(patches.errors / patches.values)
    return np.asarray(np.where(np.isfinite(shares), shares, 0.0))


def _measured(chart: Chart, which: str) -> Patches:
    light = chart.picture.light
    top = np.logical_or.reduce(list(clipped(chart.picture).values()))

    def lost(area: Area) -> npt.NDArray[np.bool_]:
        bounds = area.bounds
        at_the_top = top[bounds.slices_in(light.window)][area.mask(bounds)]
        return np.asarray(at_the_top | piled_up(chart.picture, area).any(axis=1))

    corners, black = corners_of(chart.corners), rgb(chart.black, "black")
    patches = measure_chart(light, corners, clipped=lost, black=black)
    refuse_spoiled(patches, which)
    check_order(light, patches, which, clipped=lost, black=black)
    return patches


def _lost(patches: Patches, which: str) -> list[str]:
    doubts = []
    for word, bad in (
        ("clipped", patches.too_clipped),
        ("not finite", patches.too_wild),
        ("without light", patches.dark),
    ):
        names = [name for name, one in zip(NAMES, bad, strict=True) if one]
        if names:
            doubts.append(f"left out, since {word} in {which}: {', '.join(names)}")
    return doubts


def _doubts(fit: ChartFit, gradient: Gradient, even: bool) -> list[str]:
    doubts = []
    if gradient.notable and not even:
        doubts.append(
            f"the light on the other picture's chart changes by {gradient.right:+.1%} from left to right and by "
            f"{gradient.down:+.1%} from top to bottom, relative to the target; "
            "some of that goes into the matrix, unless the light is evened first (--even)"
        )
    after = float(np.nanmean(fit.after))
    if after > _POOR:
        doubts.append(
            f"the charts do not agree well after the fit (mean ΔE {after:.1f}): look for shine, shadow, a veil of "
            "light (the camera's black), a wrong encoding, or light of uneven spectrum"
        )
    return doubts


def _words(suspects: Suspects, fit: ChartFit) -> list[str]:
    doubts = []
    for pair in suspects.swapped:
        first, second = sorted(pair)
        doubts.append(
            f"patches {first + 1} and {second + 1} look swapped ({NAMES[first]} and {NAMES[second]}): "
            f"with {'all these swaps' if len(suspects.swapped) > 1 else 'them exchanged'}, the mean ΔE falls "
            f"from {float(np.nanmean(fit.after)):.2g} to {suspects.after_swap:.2g}; look at both charts"
        )
    if suspects.stands_out is not None:
        place = place_of(suspects.stands_out)
        doubts.append(
            f"{place['patch']} (row {place['row']}, column {place['column']}) does not fit the other patches: "
            f"ΔE {suspects.alone:.1f} from a matrix fitted without it; look for shine, shadow or dirt on it"
        )
    return doubts
