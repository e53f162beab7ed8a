"""match_grain: the plate's noise on CG."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem
from stackcomp.files.file_state import FileState
from stackcomp.files.grain_file import GrainFile, read_grain
from stackcomp.nodes.base import Adjustable, AreaNode, Context, Job, PageExamples, Port, colour_of

if TYPE_CHECKING:
    from stackcomp.kernels.grain_field import GrainLaw, GrainShape

_Triple = tuple[float, float, float]
_INLINE = ("grain_slope", "grain_size", "black")


class MatchGrain(Adjustable, AreaNode):
    """Lays the noise of the plate on CG, which has none of its own.

    How much there is at each level, how coarse it is, and how alike it is in R, G and B comes from a ``file`` that
    `stackcomp match grain --plate PLATE --to grain.json` has measured; or from numbers: the variance is
    ``grain_floor² + grain_slope · max(level − black, 0)``, and ``grain_size`` softens it.

    Two ways to use it:

    - on the CG layer, before ``over``. The level is that of the colour divided by alpha, and alpha stays as it is;
    - on the finished comp, with the CG's coverage as ``matte``. The level is that of the comp. Hold the matte out
      where something of the plate stands in front, or put that back afterwards.

    Where CG covers a share a of a pixel, (1 − a) of the plate's own noise is left there, so (1 − a)² of its
    variance. The node adds the rest, a · (2 − a) of the variance at the pixel's level, so that a soft edge is as
    noisy as what lies to both sides of it. (A standard deviation of a alone would leave half of the variance where
    a is ½.) This takes both sides of the edge to be about equally bright. Light under alpha 0 (a flame, a glow)
    gets none, since the plate's own noise is seen there.

    Noise may take black below 0, as it does in a plate. It is another one at each frame and for each ``seed``, and
    depends on nothing else but the pixel's place: tiles, windows and renders on other machines have the same. Give
    layers of one comp seeds of their own. At a scale below 1 it is what remains when pixels are averaged: weaker
    and finer. CG with noise of its renderer has more than the plate afterwards: lower ``strength``, or render it
    with more samples. What is not finite in the picture counts as 0.
    """

    source_of_maths: ClassVar[str] = (
        "noise of a sensor: Foi, Trimeche, Katkovnik and Egiazarian, Practical Poissonian-Gaussian Noise Modeling "
        "and Fitting for Single-Image Raw-Data, 2008; random numbers: Salmon, Moraes, Dror and Shaw, Parallel "
        "Random Numbers: As Easy as 1, 2, 3, 2011, and Wallace, Fast Pseudorandom Generators for Normal and "
        "Exponential Variates, 1996; the share at edges follows from sums of variances"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Noise on the lantern alone, more in the light. A camera has less.",
            "image": "lantern",
            "grain_floor": [0.01, 0.01, 0.014],
            "grain_slope": [0.004, 0.003, 0.005],
        },
        {
            "about": "Coarser noise on the finished comp, where the matte says that CG is.",
            "image": "comp",
            "matte": "lantern_matte",
            "grain_floor": [0.01, 0.01, 0.014],
            "grain_slope": [0.004, 0.003, 0.005],
            "grain_size": [0.8, 0.7, 1.2],
        },
    )

    kind: Literal["match_grain"] = "match_grain"
    image: Annotated[
        str, Port(doc="CG, or the finished comp", alpha=("premultiplied", "none"), linear=True, beyond="nothing")
    ]
    matte: Annotated[
        str | None, Port((Matte,), doc="how much of each pixel is CG; all when left out", beyond="nothing")
    ] = None
    file: Annotated[str | None, Field(description="A grain file: what was measured in the plate.")] = None
    grain_floor: Annotated[
        _Triple | None,
        Number("standard deviation of the grain in black, of R G B, scene-linear", low=0, high=100, size=3),
    ] = None
    grain_slope: Annotated[
        _Triple,
        Number("by how much the variance grows with each unit of light, of R G B", low=0, high=1000, size=3),
    ] = (0.0, 0.0, 0.0)
    grain_size: Annotated[
        _Triple,
        Number(
            "standard deviation of the Gaussian that softens the noise of R G B; 0 is independent from pixel to "
            "pixel",
            unit="px",
            low=0,
            high=2,
            size=3,
        ),
    ] = (0.0, 0.0, 0.0)
    black: Annotated[_Triple, Number("level of the plate where no light is, of R G B", size=3)] = (0.0, 0.0, 0.0)
    strength: Annotated[float, Number("times the standard deviation", low=0, high=100)] = 1.0
    seed: Annotated[
        int, Field(ge=0, le=2**32 - 1, description="A whole number; each gives other noise of the same sort.")
    ] = 0

    _grain: GrainFile | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _one_grain(self) -> Self:
        if (self.file is None) == (self.grain_floor is None):
            given = "neither" if self.file is None else "both"
            raise BadValueError(
                f'has {given} of "file" and "grain_floor"',
                "give one: a grain file, or numbers; stackcomp match grain --plate PLATE --to grain.json "
                "measures it",
            )
        if self.file is not None:
            if not self.file.strip():
                raise BadValueError('has a "file" without a name', "give the path of a grain file")
            for name in _INLINE:
                if name in self.model_fields_set:
                    raise BadValueError(f'has "{name}" beside a "file"', "leave it out: the file says it")
        return self

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        node = super().with_files(frame, scale, context, opened)
        if self.file is not None:
            node = node.model_copy()
            node._grain = read_grain(Path(context.root, self.file), opened)
        return node

    def files(self, frame: int, root: Path) -> list[Path]:
        return [*super().files(frame, root), *([] if self.file is None else [Path(root, self.file)])]

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        if self.file is None:
            return
        path = Path(context.root, self.file)
        try:
            grain = read_grain(path)
        except FileError as error:
            yield Problem("grain-file", f"{error.path}: {error.reason}", error.way_out, field="file")
            return
        space = colour_of(types, "image").encoding.name
        if grain.space != space:
            yield Problem(
                "grain-space",
                f"the grain in {path} was measured in {grain.space}, and the picture is in {space}",
                f'convert the picture, or measure the grain with --working-space "{space}"',
                field="file",
            )

    def kernels(self) -> Sequence[str]:
        return ("grain",)

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        return {port: wanted for port in ("image", "matte") if port in domains}

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.grain_field import add_grain

        picture = images["image"]
        law, shape = self._grain_at(job.scale)
        light = add_grain(
            (picture["R"], picture["G"], picture["B"]),
            wanted,
            law,
            shape,
            frame=job.frame,
            seed=self.seed,
            alpha=picture.get("A"),
            matte=images["matte"]["A"] if "matte" in images else None,
        )
        planes: dict[str, Plane] = {
            **dict(zip("RGB", light, strict=True)),
            **({"A": picture["A"]} if "A" in picture else {}),
        }
        return replace(picture, planes=planes, window=wanted, type=type)

    def _grain_at(self, scale: float) -> tuple[GrainLaw, GrainShape]:
        """How much grain there is at each level, and how it is shaped, in a picture of this scale."""
        from stackcomp.kernels.grain_law import law_of
        from stackcomp.kernels.grain_shape import gaussian_autocorrelation, shape_at

        grain = self._grain
        if grain is None:
            assert self.grain_floor is not None, "grain comes from a file or from numbers"
            # Sizes fit the scale; the full size of a pixel counts here.
            halves = [gaussian_autocorrelation(size / scale) for size in self.grain_size]
            shape, deviations = shape_at(halves, None, scale)
            floor, slope, black, levels = self.grain_floor, self.grain_slope, self.black, None
        else:
            shape, deviations = shape_at([grain.half(name) for name in "RGB"], grain.correlation, scale)
            floor, slope, black, levels = grain.floor, grain.slope, grain.black, grain.levels
        factors = [self.strength * deviation for deviation in deviations]
        return law_of(floor, slope, black, levels or {}, factors), shape
