"""Match a picture to another, or to published data, by the colour chart in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.area import Area
from stackcomp.measure.chart_data import NAMES, published
from stackcomp.measure.chart_fit import ChartFit, difference_under, fit_chart
from stackcomp.measure.chart_gradient import Gradient, light_gradient
from stackcomp.measure.chart_order import check_order
from stackcomp.measure.chart_patches import Corners, Patches, measure_chart, refuse_spoiled
from stackcomp.measure.chart_suspects import Suspects, find_suspects, place_of, worst_patches
from stackcomp.measure.colorimetry import luminance_weights
from stackcomp.measure.picture import Measured
from stackcomp.measure.statistics import clipped, piled_up

__all__ = ["Chart", "ChartMatch", "match_chart"]

Array = npt.NDArray[np.float64]

_POOR = 3.0  # mean ΔE 2000 after the fit; common practice, no source


@dataclass(frozen=True, eq=False)
class Chart:
    """A picture with a chart in it: the picture, the chart's corners, and the camera's black to take off."""

    picture: Measured
    corners: Corners
    black: Sequence[float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, eq=False)
class ChartMatch:
    """What makes one chart look like another.

    Attributes:
        fit: the matrix that multiplies the other picture, and how well it does.
        other: patches of the picture that is to be changed.
        plate: patches of the one to be met; None where that is the published data.
        target: R G B to be met, ``(24, 3)``.
        source: R G B that were fitted to it: the other picture's, evened where that was asked for.
        gradient: how the light on the other chart changes relative to the target.
        evened: whether it was taken out before the fit.
        suspects: neighbours that look swapped, or a patch that stands out.
        warnings: sentences about what makes the result doubtful.
    """

    fit: ChartFit
    other: Patches
    plate: Patches | None
    target: Array
    source: Array
    gradient: Gradient
    evened: bool
    suspects: Suspects
    warnings: tuple[str, ...]

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
            "warnings": list(self.warnings),
            "other": self.other.as_dict(),
            "plate": self.plate.as_dict() if self.plate else "published data",
        }


def match_chart(
    other: Chart,
    plate: Chart | None = None,
    *,
    white: str = "",
    even: bool = False,
    working_space: str = "ACEScg",
    config: str = DEFAULT_CONFIG,
) -> ChartMatch:
    """Find the matrix that multiplies ``other`` so that its chart becomes the plate's.

    Args:
        other: the picture to be changed.
        plate: the picture to be met; the published data of the chart when None.
        white: name of a grey patch that is to map exactly; none when empty.
        even: take the gradient of light out of the other chart before the matrix is fitted.
        working_space: scene-linear space of the pictures.
        config: colour config that knows it.

    Raises:
        AreaError: corners that enclose no chart, or one that is turned or mirrored.
        RequestError: too few patches are usable, or nothing follows from them.
    """
    theirs = _measured(other, "the other picture")
    ours = _measured(plate, "the plate") if plate else None
    target = ours.values if ours else published(working_space, config)
    used = theirs.usable & ours.usable if ours else theirs.usable
    gradient = light_gradient(theirs.values, target, used, luminance_weights(working_space, config))
    source = theirs.values / gradient.field[:, None] if even else theirs.values
    fit = fit_chart(source, target, used=used, white=white, working_space=working_space, config=config)
    relative = _relative(theirs) if ours is None else np.hypot(_relative(theirs), _relative(ours))
    differ = difference_under(fit.scale, working_space, config)
    suspects = find_suspects(source, target, used, relative, differ)
    warnings = [*_lost(theirs, "the other picture"), *(_lost(ours, "the plate") if ours else ())]
    warnings += [*_doubts(fit, gradient, even), *_words(suspects, fit)]
    return ChartMatch(fit, theirs, ours, target, source, gradient, even, suspects, tuple(warnings))


def _relative(patches: Patches) -> Array:
    """Standard errors as shares of the values; 0 where there are none."""
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

    patches = measure_chart(light, chart.corners, clipped=lost, black=chart.black)
    refuse_spoiled(patches, which)
    check_order(light, patches, which, clipped=lost, black=chart.black)
    return patches


def _lost(patches: Patches, which: str) -> list[str]:
    said = []
    for word, bad in (
        ("clipped", patches.too_clipped),
        ("not finite", patches.too_wild),
        ("without light", patches.dark),
    ):
        names = [name for name, one in zip(NAMES, bad, strict=True) if one]
        if names:
            said.append(f"left out, since {word} in {which}: {', '.join(names)}")
    return said


def _doubts(fit: ChartFit, gradient: Gradient, even: bool) -> list[str]:
    said = []
    if gradient.notable and not even:
        said.append(
            f"the light on the other picture's chart changes by {gradient.right:+.1%} from left to right and by "
            f"{gradient.down:+.1%} from top to bottom, relative to what it is matched to; "
            "the matrix takes some of that for colour, unless the light is evened first (--even)"
        )
    after = float(np.nanmean(fit.after))
    if after > _POOR:
        said.append(
            f"the charts do not agree well after the fit (mean ΔE {after:.1f}): look for shine, shadow, a veil of "
            "light (the camera's black), a wrong encoding, or light of uneven spectrum"
        )
    return said


def _words(suspects: Suspects, fit: ChartFit) -> list[str]:
    said = []
    for pair in suspects.swapped:
        first, second = sorted(pair)
        said.append(
            f"patches {first + 1} and {second + 1} look swapped ({NAMES[first]} and {NAMES[second]}): "
            f"with {'all these swaps' if len(suspects.swapped) > 1 else 'them exchanged'}, the mean ΔE falls "
            f"from {float(np.nanmean(fit.after)):.2g} to {suspects.after_swap:.2g}; look at both charts"
        )
    if suspects.stands_out is not None:
        place = place_of(suspects.stands_out)
        said.append(
            f"{place['patch']} (row {place['row']}, column {place['column']}) does not fit the other patches: "
            f"ΔE {suspects.alone:.1f} from a matrix fitted without it; look for shine, shadow or dirt on it"
        )
    return said
