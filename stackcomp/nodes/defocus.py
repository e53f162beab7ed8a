"""defocus: depth of field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import model_validator

from stackcomp.document.values import Keyed, Number
from stackcomp.image import Image, Plane
from stackcomp.nodes.base import Adjustable, AreaNode, Job, Port
from stackcomp.port_types import Depth, PortType
from stackcomp.window import Window

_LENS = ("focal_length", "f_number", "focus_distance", "gate_width")


class Defocus(Adjustable, AreaNode):
    """Spreads every pixel's light over the disc that a lens makes of it.

    Either by ``depth`` and the four numbers of a thin lens, or all alike by ``radius``. Nearer discs cover
    farther ones; what is in focus is untouched. Where depth is 0 or not finite there is nothing, and what
    light there is counts as infinitely far; partly covered pixels without depth take it from beside them.

    Where discs are large it is slow: time grows with the number of pixels and with the square of the radius.
    With 3840×2160 pixels all out of focus, two cores took 6 seconds at 5 pixels, 21 at 10, 63 at 20 and 288 at
    40 (measured on a hundredth of such a picture). What is in focus takes next to none.
    """

    source_of_maths: ClassVar[str] = (
        "thin lens: |S2 − S1| / S2 · f² / (N (S1 − f)); gathered scatter after Potmesil and Chakravarty, "
        "A Lens and Aperture Camera Model for Synthetic Image Generation, 1981"
    )

    kind: Literal["defocus"] = "defocus"
    image: Annotated[str, Port(doc="picture", alpha=("premultiplied", "none"), linear=True)]
    depth: Annotated[str | None, Port((Depth,), doc="distance from the camera")] = None
    focal_length: Annotated[float | None, Number("focal length of the lens", unit="mm", above=0)] = None
    f_number: Annotated[float | None, Number("focal length over the aperture's diameter", unit="f", above=0)] = (
        None
    )
    focus_distance: Annotated[float | None, Number("distance that is in focus", unit="m", above=0)] = None
    gate_width: Annotated[
        float | None, Number("width of the sensor's part that the frame shows", unit="mm", above=0)
    ] = None
    radius: Annotated[
        float | None, Number("radius of every disc, instead of a lens", unit="px", low=0, high=500)
    ] = None
    largest_radius: Annotated[float, Number("discs are held to this radius", unit="px", low=0, high=500)] = 40.0

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in _LENS if getattr(self, name) is not None]
        if self.radius is not None and (given or self.depth is not None):
            other = given[0] if given else "depth"
            raise ValueError(f'"radius" makes all discs alike and "{other}" does not: give one or the other')
        if self.radius is None:
            missing = [name for name in ("depth", *_LENS) if getattr(self, name) is None]
            if missing:
                raise ValueError(
                    f"a lens needs {', '.join(('depth', *_LENS))}, and {', '.join(missing)} "
                    f'{"is" if len(missing) == 1 else "are"} missing; or give "radius" alone'
                )
        focal, focus = self.focal_length, self.focus_distance
        plain = not isinstance(focal, Keyed) and not isinstance(focus, Keyed)
        if plain and focal is not None and focus is not None and focus * 1000 <= focal:
            raise ValueError(f"a lens of {focal:g} mm cannot focus at {focus:g} m, within its focal length")
        return self

    def _reach(self) -> int:
        from stackcomp.kernels.defocus import margin

        return margin(self.largest_radius if self.radius is None else self.radius)

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"].grow(self._reach())

    def needs(self, wanted: Window, domains: Mapping[str, Window]) -> Mapping[str, Window]:
        around = wanted.grow(self._reach())
        # Of depth one pixel more, from which partly covered pixels take theirs.
        return {"image": around, **({"depth": around.grow(1)} if "depth" in domains else {})}

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.defocus import defocus

        picture = images["image"]
        alpha = picture["A"] if "A" in picture else np.ones(picture.window.shape, np.float32)
        if self.radius is None:
            largest = self.largest_radius
            spread, beyond = self._spread(images["depth"], alpha)
            if beyond > largest + 0.5:
                job.warn(f"discs of up to {beyond:.0f} px radius are held to {largest:g} px (largest_radius)")
        else:
            largest = self.radius
            spread = np.full(picture.window.shape, self.radius, np.float32)
        found = defocus([*(picture[name] for name in "RGB"), alpha], spread, largest)
        named: dict[str, Plane] = dict(zip("RGBA", found, strict=True))
        return replace(picture, planes={name: named[name] for name in type.planes}, window=wanted, type=type)

    def _spread(self, depth: Image, alpha: Plane) -> tuple[Plane, float]:
        """Radius of each pixel's disc, and the largest where something is."""
        from stackcomp.kernels.lens import axial_depth, edge_depth, spread_radius
        from stackcomp.kernels.strips import over_strips

        assert isinstance(depth.type, Depth)
        along_rays = depth.type.along == "ray"
        lens: dict[str, Any] = {
            "focus_m": self.focus_distance,
            "focal_mm": self.focal_length,
            "f_number": self.f_number,
            "gate_mm": self.gate_width,
            "frame_px": depth.display.width,
        }
        inner = depth.window.grow(-1)
        result = np.empty(alpha.shape, np.float32)
        largest: list[float] = []

        def rows(first: int, last: int) -> None:
            covered = alpha[first:last]
            # Only the depth of neighbours is looked at, so what covers them does not matter.
            distance = edge_depth(depth["Z"][first : last + 2], np.pad(covered, 1))[1:-1, 1:-1]
            if along_rays:
                window = Window(inner.x0, inner.y0 + first, inner.x1, inner.y0 + last)
                distance = axial_depth(distance, window, depth.display, lens["focal_mm"], lens["gate_mm"])
            result[first:last] = spread_radius(distance, **lens)
            largest.append(float(np.abs(result[first:last]).max(initial=0, where=covered > 0)))

        over_strips(rows, alpha.shape[0])
        found = max(largest, default=0.0)
        np.clip(result, -self.largest_radius, self.largest_radius, out=result)
        return result, found
