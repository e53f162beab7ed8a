"""How much softer a plate is than the CG that is laid over it, by an edge in each.

The width of an edge, from 10 to 90 % of its step in scene-linear light, is measured in both. Variances of softness
add up, so the radius of the softening that makes the widths equal begins as the root of the difference of
their squares, divided by 2.563 (the width of an edge that a Gaussian of one pixel softened). Then the CG is
softened by it as a soften node does, measured again, and the radius corrected, until the widths are equal.

Choose edges that are sharp in the scene: the outline of something solid in focus, not a shadow or a round side.

Source: for the width of an edge, see `stackcomp.measure.edge`; quadrature of standard deviations follows from the
convolution of Gaussians.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import value_text
from stackcomp.data.image import Image
from stackcomp.data.port_types import Matte
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError
from stackcomp.kernels.softening import WIDTH_OF_SIGMA, margin, soften
from stackcomp.measure.area import Area, AreaError
from stackcomp.measure.edge import Edge, EdgeError, measure_edge
from stackcomp.measure.given import AreaLike, area_in
from stackcomp.measure.picture import Measured, opened
from stackcomp.measure.statistics import clipped

__all__ = ["EdgeWidths", "SharpnessMatch", "match_sharpness"]

Floats = npt.NDArray[np.float64]

#: The largest radius of a soften node.
LARGEST_RADIUS = 10.0
#: A channel whose step is less than this share of the largest one's is left out: noise and fringes rule it.
_FAINT = 0.1
#: Widths agree to this share; so many corrections are made at the most.
_EQUAL, _ROUNDS = 2e-4, 8
#: From this share on they differ.
_APART = 0.02
#: Averaging over the area of a pixel makes every edge at least that wide, in pixels: 0.8, or 0.78 aslant.
_LEAST = 0.74
#: From these on there are doubts: relative standard error, length in pixels, bend as a share of the length, share
#: of specks, misfit and overshoot in parts of the step, gap and room in widths, width in pixels.
_NOISY, _SHORT, _BENT, _SPECKLED, _MISFIT, _OVERSHOOT, _GAP, _NARROW, _WIDE = (
    0.03, 20, 0.15, 0.02, 0.04, 0.04, 0.7, 1.2, 15.0,
)  # fmt: skip


@dataclass(frozen=True)
class EdgeWidths:
    """Widths of one edge in a picture.

    Attributes:
        width: from 10 to 90 % of the step, in pixels; the mean of the channels that could be measured.
        standard_error: of that mean, if the noise of pixels is independent.
        widths: the same of each channel, by name, R G B or A; None where the edge is too faint in it.
        angle: between the edge and the nearest row or column of pixels, in degrees.
        length: of the edge within the area, in pixels.
        bend: how far its middle lies beside the line between its ends, in pixels.
        noise: standard deviation of single pixels about the profile, in parts of the step.
    """

    width: float
    standard_error: float
    widths: Mapping[str, float | None]
    angle: float
    length: float
    bend: float
    noise: float

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "width": self.width,
            "standard_error": self.standard_error,
            "width_per_channel": dict(self.widths),
            "angle": self.angle,
            "length": self.length,
            "bend": self.bend,
            "noise": self.noise,
        }


@dataclass(frozen=True)
class SharpnessMatch:
    """The softening that makes the CG's edge as wide as the plate's.

    Attributes:
        radius: standard deviation in pixels, for a soften node; 0 where the CG is as soft as the plate, or softer.
        standard_error: of the radius, from the noise of both edges.
        plate: the plate's edge.
        other: the CG's edge.
        softened: width of the CG's edge after it was softened by the radius, from 10 to 90 %, in pixels.
        doubts: sentences about what may be wrong.
    """

    radius: float
    standard_error: float
    plate: EdgeWidths
    other: EdgeWidths
    softened: float
    doubts: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "radius": self.radius,
            "standard_error": self.standard_error,
            "softened_width": self.softened,
            "plate": self.plate.as_dict(),
            "other": self.other.as_dict(),
            "doubts": list(self.doubts),
        }


def match_sharpness(
    plate: Measured,
    plate_area: AreaLike | None,
    other: Measured,
    other_area: AreaLike | None,
    *,
    alpha: bool = False,
) -> SharpnessMatch:
    """Find the softening that makes an edge of the CG as wide as one of the plate.

    Args:
        plate: the camera's picture, from `open_measured`.
        plate_area: a part of it, in pixels, that one edge crosses; the whole picture when None.
        other: the CG, opened with ``coverage=True`` where it has alpha.
        other_area: a part of it that one edge crosses. Beyond its data window CG with alpha is nothing.
        alpha: measure the edge of the CG's alpha, not of its colour.

    Returns:
        The radius for a soften node, the widths, and doubts.

    Raises:
        AreaError: an area leaves its picture.
        EdgeError: no edge in an area, or one that cannot be measured.
        ArgumentError: an argument of the wrong kind, or alpha of CG that was opened without it.
    """
    plate, other = opened(plate, "plate"), opened(other, "other")
    if not isinstance(alpha, bool):
        raise ArgumentError("alpha", f"{value_text(alpha)} is neither True nor False", "give one of them")
    if alpha and other.coverage is None:
        raise ArgumentError(
            "other", "it has no alpha, or was opened without", "open it with coverage=True, or measure its colour"
        )
    ours = _Place(plate, area_in(plate_area, plate.light, "plate_area"), "the plate's area", covered=False)
    theirs = _Place(other, area_in(other_area, other.light, "other_area"), "the CG's area", covered=True)
    planes, cg = ours.planes(plate.light), theirs.planes(_premultiplied(other, alpha))
    own, front = ours.edges(planes.plain), theirs.edges(cg.plain)
    # Where a channel is faint in one picture, the others are compared; lateral colour would spoil a mean of both.
    both = [name for name in own if name in front] if not alpha else []
    wanted = _mean(own, both or list(own))
    measured = both or list(front)
    start = _mean(front, measured)
    doubts = [*ours.doubts(own), *theirs.doubts(front), *_sizes(plate, other)]
    radius, softened = 0.0, start
    error = float(np.hypot(_error(own, both or list(own)), _error(front, measured)))
    if start < wanted:
        radius, softened = _solved(theirs, cg, front, measured, wanted)
        if radius >= LARGEST_RADIUS:
            doubts.append(
                f"the plate's edge of {wanted:.1f} px is softer than a radius of {LARGEST_RADIUS:g} px makes the "
                "CG's: choose an edge that is in focus, or a defocus node"
            )
        elif abs(softened - wanted) > _APART * wanted:
            doubts.append(
                f"softened by {radius:.2f} px, the CG's edge is {softened:.2f} px wide, not {wanted:.2f} px as "
                "the plate's: one of them is no clean edge"
            )
    elif start > wanted + error:
        doubts.append(
            f"the CG is softer than the plate already: its edge is {start:.2f} px wide, the plate's "
            f"{wanted:.2f} px; "
            "the radius is 0, and only a sharper render would match"
        )
    if radius > 0 and start > wanted - error:
        doubts.append(
            f"the widths of {start:.2f} and {wanted:.2f} px differ by less than their standard error of "
            f"{error:.2f} px"
        )
    # (2.563 radius)² is the difference of the squares of both widths: to first order, and where that is nothing to
    # second.
    uncertain = float(np.sqrt(error * wanted)) / WIDTH_OF_SIGMA
    spread = min(uncertain, uncertain**2 / radius) if radius > 0 else uncertain if start <= wanted + error else 0.0
    return SharpnessMatch(radius, spread, ours.summary(own), theirs.summary(front), softened, tuple(doubts))


@dataclass(frozen=True)
class _Planes:
    """Channels of a picture.

    Attributes:
        around: by name, over ``window``.
        window: as far as there are pixels.
        goes_on: whether the outermost ones go on beyond the left, top, right and bottom, as in a soften node.
        area: bounds of the area.
    """

    around: Mapping[str, npt.NDArray[np.float32]]
    window: Window
    goes_on: tuple[bool, bool, bool, bool]
    area: Window

    @property
    def plain(self) -> Mapping[str, npt.NDArray[np.float32]]:
        """As they are, over the area."""
        return self.softened(0.0)

    def softened(self, radius: float) -> Mapping[str, npt.NDArray[np.float32]]:
        """After a softening, over the area."""
        return {
            name: soften(plane, self.window, self.area, radius, goes_on=self.goes_on)
            for name, plane in self.around.items()
        }


class _Place:
    """An area of a picture, and the edges in it."""

    def __init__(self, picture: Measured, area: Area, what: str, *, covered: bool) -> None:
        self.picture, self.area, self.what = picture, area, what
        light = picture.light
        # Beyond its data window CG with alpha is nothing, as far as the frame goes.
        room = light.window
        if covered and picture.coverage is not None:
            room = room | light.display
        bounds = area.bounds
        if bounds.empty or not area.mask(bounds).any():
            raise AreaError(f"{what} {area.text} holds no pixel's centre", "make it larger")
        if bounds not in room:
            raise AreaError(
                f"{what} {area.text} leaves the picture, which is {room}",
                "give an area inside of it, in pixels from the frame's top-left corner",
            )
        self.bounds, self.mask = bounds, area.mask(bounds)

    def planes(self, image: Image) -> _Planes:
        """The channels of an image around the area, as far as the largest softening sees them."""
        window = self.bounds.grow(margin(LARGEST_RADIUS)) & image.window
        part = image.over(window)
        has, frame = image.window, image.display
        goes_on = (has.x0 <= frame.x0, has.y0 <= frame.y0, has.x1 >= frame.x1, has.y1 >= frame.y1)
        finite = {name: np.where(np.isfinite(plane), plane, np.float32(0)) for name, plane in part.items()}
        self.good = self.mask.copy()
        for plane in image.over(self.bounds).values():
            self.good &= np.isfinite(plane)
        return _Planes(finite, window, goes_on, self.bounds)

    def edges(self, planes: Mapping[str, npt.NDArray[np.float32]]) -> dict[str, Edge]:
        """The edge in each channel where it is not too faint.

        Raises:
            EdgeError: in no channel.
        """
        # All of them together say where it is.
        total = np.sum([plane.astype(np.float64) for plane in planes.values()], axis=0)
        try:
            whole = measure_edge(total, self.good)
        except EdgeError as error:
            raise self._named(error) from None
        found: dict[str, Edge] = {}
        failure: EdgeError | None = None
        for name, plane in planes.items():
            try:
                found[name] = measure_edge(plane, self.good, near=whole)
            except EdgeError as error:
                failure = failure or error
        most = max((edge.step for edge in found.values()), default=0.0)
        found = {name: edge for name, edge in found.items() if edge.step >= _FAINT * most}
        if not found:
            assert failure is not None
            raise self._named(failure)
        return found

    def _named(self, error: EdgeError) -> EdgeError:
        """The error with the area that it is about."""
        problem = error.problems[0]
        return EdgeError(f"{self.what} {self.area.text}: {problem.message}", problem.way_out)

    def summary(self, edges: Mapping[str, Edge]) -> EdgeWidths:
        """Of the edges of all channels."""
        names = ("R", "G", "B") if "A" not in edges else ("A",)
        first = max(edges.values(), key=lambda edge: edge.step)
        return EdgeWidths(
            _mean(edges, list(edges)),
            _error(edges, list(edges)),
            {name: edges[name].width if name in edges else None for name in names},
            first.angle,
            first.length,
            first.bend,
            max(edge.noise for edge in edges.values()),
        )

    def doubts(self, edges: Mapping[str, Edge]) -> list[str]:
        """Sentences about what may be wrong with the edge."""
        edge = max(edges.values(), key=lambda edge: edge.step)
        whose = self.what.removesuffix(" area") + " edge"
        error = _error(edges, list(edges)) / _mean(edges, list(edges))
        worst = max(edges.values(), key=lambda edge: edge.misfit)
        over = max(edge.overshoot for edge in edges.values())
        gap = max(edge.gap / edge.width for edge in edges.values())
        said: list[tuple[bool, str]] = [
            (
                self._clipped() > 0,
                f"{self._clipped()} pixels of {self.what} are clipped, which makes an edge look sharper than it "
                "is; choose one that is not",
            ),
            (
                error > _NOISY,
                f"noise gives the width of {whose} a standard error of {error:.1%}; an area along a longer edge "
                "has less",
            ),
            (
                edge.length < _SHORT,
                f"{whose} is {edge.length:.0f} px long within its area; from 30 px on it is well known",
            ),
            (
                edge.bend > _BENT * edge.length,
                f"{whose} bends by {edge.bend:.1f} px over {edge.length:.0f} px; a straighter one is measured "
                "better",
            ),
            (
                edge.left_out > _SPECKLED * edge.pixels,
                f"{edge.left_out} of the {edge.pixels} pixels about {whose} do not belong to one edge; choose an "
                "area with nothing else in it",
            ),
            (
                over > _OVERSHOOT + 2 * edge.noise,
                f"{whose} overshoots its sides by {over:.0%}: the picture was sharpened, and softening gives no "
                "such rims",
            ),
            (
                over <= _OVERSHOOT + 2 * edge.noise and worst.misfit > _MISFIT + worst.noise / 2,
                f"{whose} is no step that was softened evenly: its profile lies off by {worst.misfit:.0%} of the "
                "step (two edges, motion, a rim of light, or a side that is not even)",
            ),
            (
                edge.width < _LEAST,
                f"{whose} is {edge.width:.2f} px wide, less than the area of a pixel makes it (0.8 px): it is "
                "jagged, or lies along the pixels; choose one that is aslant",
            ),
            (
                gap > _GAP and edge.width >= _LEAST,
                f"{whose} lies along the pixels (by {edge.angle:.1f} degrees), so that its profile is known at "
                "few places; one that is aslant by 2 degrees or more is measured better",
            ),
            (
                edge.room < _NARROW,
                f"the area reaches {edge.room * edge.width:.1f} px beside {whose}, which is {edge.width:.1f} px "
                "wide; a wider one shows its sides better",
            ),
            (
                edge.width > _WIDE,
                f"{whose} is {edge.width:.0f} px wide: soft in the scene, or out of focus; choose a sharp one",
            ),
        ]
        return [sentence for applies, sentence in said if applies]

    def _clipped(self) -> int:
        """How many pixels of the area are clipped in any channel."""
        stored = self.picture.stored.window
        both = self.bounds & stored
        if both.empty:
            return 0
        found = np.zeros(both.shape, bool)
        for mask in clipped(self.picture).values():
            found |= mask[both.slices_in(stored)]
        return int((found & self.mask[both.slices_in(self.bounds)]).sum())


def _premultiplied(picture: Measured, alpha: bool) -> Image:
    """What is softened of CG: its colour times its alpha, or its alpha."""
    light, cover = picture.light, picture.coverage
    if alpha and cover is not None:
        return replace(light, planes={"A": cover}, type=Matte())
    if cover is None or picture.premultiplied:
        return light
    with np.errstate(invalid="ignore", over="ignore"):
        return replace(
            light, planes={name: np.asarray(plane * cover, np.float32) for name, plane in light.items()}
        )


def _mean(edges: Mapping[str, Edge], names: list[str]) -> float:
    return float(np.mean([edges[name].width for name in names]))


def _error(edges: Mapping[str, Edge], names: list[str]) -> float:
    return float(np.sqrt(np.sum([edges[name].standard_error ** 2 for name in names])) / len(names))


def _solved(
    place: _Place, planes: _Planes, front: Mapping[str, Edge], names: list[str], wanted: float
) -> tuple[float, float]:
    """The radius that makes the CG's edge as wide as wanted, and the width that it has then."""

    def width(radius: float) -> float:
        soft = planes.softened(radius)
        return float(np.mean([measure_edge(soft[name], place.good, near=front[name]).width for name in names]))

    return _corrected(width, _mean(front, names), wanted)


def _corrected(width: Callable[[float], float], start: float, wanted: float) -> tuple[float, float]:
    """Quadrature, corrected by what is measured."""
    square = (wanted**2 - start**2) / WIDTH_OF_SIGMA**2
    best = (0.0, start)
    for _ in range(_ROUNDS):
        radius = min(float(np.sqrt(max(square, 0))), LARGEST_RADIUS)
        got = width(radius)
        if abs(got - wanted) < abs(best[1] - wanted):
            best = (radius, got)
        if radius >= LARGEST_RADIUS or abs(got - wanted) < _EQUAL * wanted:
            break
        square += (wanted**2 - got**2) / WIDTH_OF_SIGMA**2
    return best


def _sizes(plate: Measured, other: Measured) -> list[str]:
    """A sentence where the pictures have frames of different sizes."""
    one, two = plate.light.display, other.light.display
    if (one.width, one.height) == (two.width, two.height):
        return []
    return [
        f"the plate's frame is {one.width}×{one.height} and the CG's {two.width}×{two.height}: widths "
        "are in pixels of "
        "each, and the radius is for the CG as it is"
    ]
