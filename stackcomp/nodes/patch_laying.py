"""What `clean_patch` does to pixels: cuts the patch out, fits its light to the plate, and lays it on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.strips import over_strips

__all__ = ["Cut", "laid_over", "matched"]


class Cut:
    """A part of a patch, cut out by an outline and a matte.

    Args:
        patch: the picture.
        matte: over the same window, or None.
        part: the part of its window that is of use.
        outline: corners, or None for the whole frame.
        feather: width of the soft edge inside of the outline, in pixels.
    """

    def __init__(
        self,
        patch: Image,
        matte: Image | None,
        part: Window,
        outline: Sequence[tuple[float, float]] | None,
        feather: float,
    ) -> None:
        self.part, self.feather = part, feather
        there = part.slices_in(patch.window)
        self._light = [patch[name][there] for name in "RGB"]
        self._alpha: Plane = patch["A"][there] if "A" in patch else np.ones(part.shape, np.float32)
        self._matte: Plane | None = None if matte is None else np.clip(matte["A"][there], 0, 1)
        self._frame = frame = patch.display
        self._surrounded = outline is not None or matte is not None
        self._corners = outline or (
            (frame.x0, frame.y0),
            (frame.x1, frame.y0),
            (frame.x1, frame.y1),
            (frame.x0, frame.y1),
        )

    def used(self) -> list[Plane]:
        """R G B A of the patch, premultiplied by what is used of it."""
        if self.whole:
            return [*self._light, self._alpha]
        return self._weighed(self._covered(self.feather))

    @property
    def whole(self) -> bool:
        """Whether nothing is cut away."""
        return not self._surrounded and self.feather == 0 and self.part in self._frame

    def ring(self, width: float) -> list[Plane]:
        """R G B A of the patch in a ring around what is used; at its inside where nothing is around it."""
        from stackcomp.kernels import disc_morphology

        margin = disc_morphology.margin(width)
        covered = self._covered(0.0)
        if self._surrounded:
            weights = disc_morphology.grow(np.pad(covered, margin), width) - covered
        else:
            weights = covered - disc_morphology.shrink(np.pad(covered, margin), width)
        return self._weighed(weights)

    def _weighed(self, weights: Plane) -> list[Plane]:
        results = [np.empty(self.part.shape, np.float32) for _ in range(4)]

        def weigh(first: int, last: int) -> None:
            for plane, result in zip((*self._light, self._alpha), results, strict=True):
                np.multiply(plane[first:last], weights[first:last], out=result[first:last])

        over_strips(weigh, self.part.height)
        return results

    def _covered(self, feather: float) -> Plane:
        """Coverage by the outline, feathered inward, and by the matte."""
        from stackcomp.kernels import disc_morphology, gaussian
        from stackcomp.kernels.polygon import polygon_coverage

        # Half of the feather inward, then softened so that the outline lies 2.5 standard deviations away.
        inward, sigma = feather / 2, feather / 5
        softened = self.part.grow(gaussian.margin(sigma))
        around = softened.grow(disc_morphology.margin(inward))
        whole = polygon_coverage(self._corners, around)
        shrunk = disc_morphology.shrink(whole, inward)
        soft = gaussian.gaussian(shrunk, sigma, sigma, (softened.x0, softened.y0))
        held: Plane = np.minimum(soft, whole[self.part.slices_in(around)])
        return held if self._matte is None else held * self._matte


def matched(
    smoothly: bool,
    light: Sequence[Plane],
    alpha: Plane,
    plate: Sequence[Plane],
    ring: Sequence[Plane],
    window: Window,
    width: float,
) -> list[Plane]:
    """Return the light of a patch, multiplied so that it fits the plate.

    Args:
        smoothly: by a membrane; else by one gain for each channel.
        light: R G B of what is laid on, in its place.
        alpha: its coverage.
        plate: R G B and perhaps A, over the same window.
        ring: R G B A of the patch in the ring, in its place.
        window: of all planes.
        width: of the ring, in pixels; the softening along it has this standard deviation.
    """
    from stackcomp.kernels.light_ratio import one_ratio, ratios_along
    from stackcomp.kernels.membrane import membrane

    *patch, weights = ring
    # Compared where both have pixels: each is multiplied by the coverage of the other. Pixels of the plate that
    # were not finite have come as black, and black tells nothing of the light.
    weights = np.where(np.logical_or.reduce([plane != 0 for plane in plate[:3]]), weights, np.float32(0))
    patch = [np.where(weights > 0, plane, np.float32(0)) for plane in patch]
    plate_light = [plane * weights for plane in plate[:3]]
    patch_light = [plane * plate[3] for plane in patch] if len(plate) > 3 else list(patch)
    pairs = list(zip(plate_light, patch_light, strict=True))
    if not smoothly:
        gains = [np.float32(one_ratio(*pair, window)) for pair in pairs]
        return [plane * gain for plane, gain in zip(light, gains, strict=True)]
    # The ratios are softened, so that they hold at the faint rim of the ring too.
    some = weights > 1e-3
    logs, lit = zip(*(ratios_along(*pair, width, (window.x0, window.y0)) for pair in pairs), strict=True)
    known = np.logical_and.reduce([some, *lit])
    surfaces = membrane(logs, known, alpha > 0)
    return [plane * np.exp(surface) for plane, surface in zip(light, surfaces, strict=True)]


def laid_over(
    backdrop: Image, wanted: Window, region: Window, laid: Sequence[Array], window: Window, type: PortType
) -> Image:
    """Return the backdrop with premultiplied planes over it.

    Args:
        backdrop: over ``wanted`` or more.
        wanted: pixels of the result.
        region: the part of it that the planes reach.
        laid: R G B A.
        window: of the planes; it holds the region.
        type: of the result.
    """
    there, here = region.slices_in(wanted), region.slices_in(window)
    below = backdrop.over(wanted)
    cut = dict(zip("RGBA", (plane[here] for plane in laid), strict=True))
    planes = {name: np.empty(wanted.shape, np.float32) for name in below}

    def copy(first: int, last: int) -> None:
        for name, plane in below.planes.items():
            planes[name][first:last] = plane[first:last]

    def lay(first: int, last: int) -> None:
        keep = 1 - cut["A"][first:last]
        for name, plane in planes.items():
            part = plane[there][first:last]
            np.multiply(below[name][there][first:last], keep, out=part)
            part += cut[name][first:last]

    if region != wanted:
        over_strips(copy, wanted.height)
    over_strips(lay, region.height)
    return replace(below, planes=planes, type=type)
