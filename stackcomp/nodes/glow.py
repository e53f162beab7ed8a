"""glow: light that spills around bright things."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.planes import plane_over
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError
from stackcomp.nodes.base import Adjustable, AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.bright import LARGEST, share_above
from stackcomp.nodes.lobes import FALLOFF, MOST, RADIUS, Falloff, Lobe

if TYPE_CHECKING:
    from stackcomp.kernels.mixture import Part

# Rows whose share is worked out at a time.
_ROWS = 8


class Glow(Adjustable, AreaNode):
    """Spreads light over its surroundings, in scene-linear light.

    What glows is the part of each pixel's light above ``threshold``, judged by its brightest channel so that
    hue stays, and within ``matte`` where there is one. It is the light of the picture, or that of an ``emission``
    pass, such as a lamp's own light. Negative light does not glow. What glows is spread, tinted, multiplied by
    ``strength``, and

    - ``"added"``: added to the picture;
    - ``"moved"``: added, and taken away where it came from, as a lens does that scatters it (with a white
      tint and strengths that sum to 1 at most no light is made or lost, but for what leaves the frame);
    - ``"alone"``: given by itself.

    ``lobes`` take the place of ``radius`` and ``falloff`` where a halo has a core and a skirt; each spills its own
    ``strength`` of the light, times that of the node. Scattering may reach farther in one colour than in another:
    ``channel_radius`` multiplies the distances of R, G and B, and every channel keeps its light.

    Exponential: half of the light lands within the radius, a tenth beyond 2.3 radii, none beyond 7. Gaussian: half
    within the radius, a tenth beyond 1.8, none beyond 3.8. Glare is what an eye in daylight sees around a lamp:
    38 % of the light stay within 0.04 degrees, half of the rest lands within 0.07, and a tenth beyond one degree,
    as a veil. How many pixels a degree has follows from ``focal_length`` and ``gate_width``; ``radius`` does not
    change it.

    Spilled light has no coverage: alpha is that of the picture, and 0 when alone. The time does not grow with the
    radius: falloffs are sums of Gaussians on coarse grids. At 3840×2160 a radius of 200 or 2000 pixels takes a
    twelfth of the time of a convolution by fast Fourier transforms. What a point spills is right to 1 % of its
    peak, less than 0.5 % of its light lands elsewhere, and the sum of all light is kept to 1e-6.
    """

    source_of_maths: ClassVar[str] = (
        "convolution with exp(-r / length) or a normal distribution; half-light radius as in astronomy; glare: "
        "Spencer, Shirley, Zimmerman and Greenberg, Physically-Based Glare Effects for Digital Images, 1995"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The flame and the highlights of the brass spill light.",
            "image": "final",
            "radius": 14,
            "threshold": 1,
            "strength": 0.6,
        },
        {
            "about": "The spilled light alone: a core and a wide skirt, and red spreads farther.",
            "image": "final",
            "lobes": [{"radius": 5, "strength": 0.4}, {"radius": 40, "strength": 0.3}],
            "channel_radius": [1.3, 1, 0.8],
            "threshold": 1,
            "output": "alone",
        },
    )

    kind: Literal["glow"] = "glow"
    image: Annotated[str, Port(doc="picture", alpha=("premultiplied", "none"), linear=True, beyond="nothing")]
    emission: Annotated[
        str | None,
        Port(
            doc="pass whose light glows, instead of the picture's",
            alpha=("premultiplied", "none"),
            linear=True,
            beyond="nothing",
        ),
    ] = None
    matte: Annotated[str | None, Port((Matte,), doc="only light within this matte glows", beyond="nothing")] = None
    radius: Annotated[float, RADIUS] = 20.0
    falloff: Annotated[Falloff, FALLOFF] = "exponential"
    lobes: Annotated[
        tuple[Lobe, ...],
        Field(
            description='Parts of the glow, instead of one alone: each {"radius": px, "strength": share of the '
            'light, "falloff": …}.'
        ),
    ] = ()
    channel_radius: Annotated[
        tuple[float, float, float],
        Number(
            "R G B that distances are multiplied by, so that one colour spreads farther", low=0, high=8, size=3
        ),
    ] = (1.0, 1.0, 1.0)
    focal_length: Annotated[
        float | None, Number("focal length of the lens, for glare", unit="mm", above=0, high=100_000)
    ] = None
    gate_width: Annotated[
        float | None,
        Number("width of the sensor's part that the frame shows, for glare", unit="mm", low=0.1, high=100_000),
    ] = None
    threshold: Annotated[float, Number("scene-linear value above which light glows", low=0)] = 0.0
    knee: Annotated[
        float,
        Number("how far below and above the threshold glowing sets in, instead of at once; as far as 0", low=0),
    ] = 0.0
    tint: Annotated[
        tuple[float, float, float],
        Number("R G B that the spilled light is multiplied by", low=0, high=MOST, size=3),
    ] = (1.0, 1.0, 1.0)
    strength: Annotated[float, Number("share of the light that spills", low=0, high=MOST)] = 1.0
    output: Annotated[
        Literal["added", "moved", "alone"],
        Field(description="Whether the spilled light is added to the picture, moved within it, or given alone."),
    ] = "added"

    _scale: float = PrivateAttr(1.0)
    _across: float = PrivateAttr(0.0)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        given = self.model_fields_set
        for name in ("radius", "falloff"):
            if self.lobes and name in given:
                raise BadValueError(
                    f'has "lobes" and "{name}"', f'give "{name}" to each lobe, or leave "lobes" out'
                )
        missing = [name for name in ("focal_length", "gate_width") if getattr(self, name) is None]
        if missing and any(lobe.falloff == "glare" for lobe in self._lobes):
            raise BadValueError(f'has glare without "{missing[0]}"', "give focal_length and gate_width in mm")
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        node = super().at(frame, scale)
        if scale == 1 and all(lobe.still for lobe in self.lobes):
            return node
        node = node.model_copy(update={"lobes": tuple(lobe.at(frame, scale) for lobe in self.lobes)})
        node._scale = scale
        return node

    def with_displays(self, displays: Mapping[str, Window], context: Context) -> Self:
        node = super().with_displays(displays, context).model_copy()
        node._across = displays["image"].width * self._scale
        return node

    @property
    def still(self) -> bool:
        return super().still and all(lobe.still for lobe in self.lobes)

    def kernels(self) -> Sequence[str]:
        return ("gaussian",)

    @property
    def _lobes(self) -> tuple[Lobe, ...]:
        """The lobes, or the one that radius and falloff describe."""
        return self.lobes or (Lobe.model_construct(radius=self.radius, strength=1.0, falloff=self.falloff),)

    def _sizes(self, lobe: Lobe) -> list[float]:
        """Size of a lobe in R, G and B: its radius; of glare, pixels to a degree in the middle of the frame."""
        size = lobe.radius
        if lobe.falloff == "glare":
            assert self.focal_length is not None
            assert self.gate_width is not None
            size = math.radians(self._across * self.focal_length / self.gate_width)
        return [size * times for times in self.channel_radius]

    def _reach(self) -> int:
        from stackcomp.kernels.convolve import falloff_margin

        lit = (lobe for lobe in self._lobes if lobe.strength > 0)
        return max((falloff_margin(max(self._sizes(lobe)), lobe.falloff) for lobe in lit), default=0)

    @property
    def _from(self) -> str:
        """Port of the light that glows."""
        return "image" if self.emission is None else "emission"

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"] | domains[self._from].grow(self._reach())

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        # Not padded with nothing: the reach of a large glow would be larger than the picture.
        around = wanted.grow(self._reach()) & domains[self._from]
        needed = {port: around for port in (self._from, "matte") if port in domains}
        if self.emission is not None:
            needed["image"] = wanted & domains["image"]
        return needed

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.mixture import Mixture
        from stackcomp.kernels.strips import over_strips

        picture, lit = images["image"], images[self._from]
        share = self._share(lit, images.get("matte"))
        planes: dict[str, Plane] = {}
        mixtures: dict[tuple[Part, ...], Mixture] = {}
        for channel, (name, tint) in enumerate(zip("RGB", self.tint, strict=True)):
            parts = self._parts(channel)
            if parts not in mixtures:
                mixtures[parts] = Mixture(parts, lit.window, wanted)
            mixture = mixtures[parts]
            source, inner, there = mixture.blank()
            at = there.slices_in(lit.window)
            shared = None if share is None else share[at]
            over_strips(functools.partial(_gather, lit[name][at], shared, inner), inner.shape[0])
            light = mixture(source)
            own = None if self.output == "alone" else _over(picture, picture[name], wanted)
            taken = plane_over(source, mixture.room, wanted) if self.output == "moved" else None
            factors = np.float32(self._spilled * tint), np.float32(self._spilled)
            over_strips(functools.partial(_finish, light, factors, own, taken), wanted.height)
            planes[name] = light
        if "A" in picture:
            alpha = picture["A"]
            planes["A"] = _over(picture, np.zeros_like(alpha) if self.output == "alone" else alpha, wanted)
        return replace(picture, planes=planes, window=wanted, type=type)

    @property
    def _spilled(self) -> float:
        """Share of the light that spills in all lobes."""
        return self.strength * sum(lobe.strength for lobe in self._lobes)

    def _parts(self, channel: int) -> tuple[Part, ...]:
        """The Gaussians of all lobes in a channel; their shares sum to 1, so that no sum of light is too large."""
        from stackcomp.kernels.mixture import parts_of

        total = sum(lobe.strength for lobe in self._lobes)
        return tuple(
            replace(part, share=part.share * (lobe.strength / total))
            for lobe in self._lobes
            if lobe.strength > 0
            for part in parts_of(self._sizes(lobe)[channel], lobe.falloff)
        )

    def _share(self, lit: Image, matte: Image | None) -> Plane | None:
        """Share of each pixel's light that glows, 0 to 1; None where it is 1 everywhere."""
        from stackcomp.kernels.strips import over_strips

        if matte is None and self.threshold == 0:
            return None
        share = np.empty(lit.window.shape, np.float32)

        def work(first: int, last: int) -> None:
            # A few rows at a time, so that what is in between stays in the cache.
            for row in range(first, last, _ROWS):
                rows = slice(row, min(row + _ROWS, last))
                share[rows] = share_above([lit[channel][rows] for channel in "RGB"], self.threshold, self.knee)
                if matte is not None:
                    share[rows] *= np.clip(matte["A"][rows], 0, 1)

        over_strips(work, share.shape[0])
        return share


def _over(picture: Image, plane: Plane, window: Window) -> Plane:
    """A plane that lies where the picture does, over another window."""
    return plane_over(plane, picture.window, window)


def _gather(light: Plane, share: Plane | None, into: Plane, first: int, last: int) -> None:
    """The light of a channel that glows, in some rows."""
    rows = into[first:last]
    # Sums of two pixels stay finite.
    np.clip(light[first:last], 0, LARGEST, out=rows)
    if share is not None:
        rows *= share[first:last]


def _finish(
    light: Plane,
    factors: tuple[np.float32, np.float32],
    own: Plane | None,
    taken: Plane | None,
    first: int,
    last: int,
) -> None:
    """Some rows of what has been spread: times the first factor, with the picture, less what was taken away."""
    rows = light[first:last]
    _times(rows, factors[0], rows)
    if taken is not None:
        rows -= _times(taken[first:last], factors[1])
    if own is not None:
        # The largest numbers may add up to more than float32 has.
        with np.errstate(over="ignore"):
            rows += own[first:last]


def _times(rows: Plane, factor: np.float32, into: Plane | None = None) -> Plane:
    """Light times a factor, as far as half of the largest float32."""
    if factor > 1:
        rows = np.minimum(rows, np.float32(LARGEST) / factor, out=into)
    return np.multiply(rows, factor, out=into)
