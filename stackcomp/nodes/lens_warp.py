"""lens_warp: the distortion of a lens, put into a picture or taken out of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem
from stackcomp.files.file_state import FileState
from stackcomp.files.lens_file import COEFFICIENTS, LARGEST, LensFile, read_lens
from stackcomp.kernels.lens_map import LensMap
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.over_frames import frames_that_differ
from stackcomp.nodes.warping import WARPED, is_picked, warped

#: Pixels beyond what comes in that are kept at most; towards a fold a picture would have no end.
OVERSCAN = 4096
_ALL = COEFFICIENTS["rational"]
_OF_LENS = ("model", "focal", "centre", "size", *_ALL)
#: By how many pixels the frame may be higher or lower than the calibrated picture, brought to its width.
_ROUNDED = 1.0
#: The most by which colours may differ in size; a colour of size 0 would have no place.
_WIDEST = 0.5


def _coefficient(doc: str) -> Any:
    return Annotated[float, Number(doc, low=-LARGEST, high=LARGEST)]


class LensWarp(AreaNode):
    """Distorts a straight picture as a lens does, or straightens a picture that a lens has distorted.

    ``direction`` says what happens to the picture: `distort` makes CG, which a renderer's pinhole draws straight,
    fit the plate; `straighten` makes the plate fit straight CG. One is the exact inverse of the other.

    The lens comes from a ``lens`` file, which ``stackcomp match lens`` makes of pictures of a checkerboard, or
    from coefficients here. With x and y in focal lengths from the centre, x to the right and y down, and r² = x² +
    y², a point (x, y) of the straight picture lies in the distorted one at

        x' = x R + 2 p1 x y + p2 (r² + 2 x²) + s1 r² + s2 r⁴
        y' = y R + p1 (r² + 2 y²) + 2 p2 x y + s3 r² + s4 r⁴
        R = (1 + k1 r² + k2 r⁴ + k3 r⁶) / (1 + k4 r² + k5 r⁴ + k6 r⁶)

    The model `brown` (Brown and Conrady) has k1, k2, k3, p1 and p2, `rational` all of them, as OpenCV does.
    Coefficients of programs in which the formula leads from the distorted picture to the straight one do not fit.
    ``focal`` and ``centre`` are pixels of a picture of ``size``, whose frame may have another resolution, but not
    another shape. Pixel centres lie at half pixels; OpenCV counts from the centre of the first pixel, so its
    centre is half a pixel less.

    **Overscan.** The plate of a lens with barrel distortion shows more than a pinhole of its frame sees. CG that
    will be distorted is rendered with more pixels on each side, in a data window larger than its frame. `check`
    says how many where there are too few, and ``stackcomp match lens`` prints it. What lands beyond the frame is
    kept, as far as the frame is wide and 4096 pixels at most, so that a straightened picture can be distorted
    again without losing its edges.

    **Lateral chromatic aberration.** ``lateral`` says how many pixels farther from the centre than green red and
    blue lie in the distorted picture, at half the diagonal of the frame; less in proportion to the distance. Alpha
    goes with green. It takes three times as long.

    **Folds.** Far from the centre the formula may map two places onto one: it says nothing of the lens there.
    Pixels beyond that radius show nothing, and `check` says where it lies if the frame reaches it.

    Colour, mattes and ratios are sampled as by `place`. Depth and ids cannot be averaged: each pixel takes the one
    in which its place lies, so edges of ids have steps; for a smooth edge, warp the matte that id_matte makes.
    """

    source_of_maths: ClassVar[str] = (
        "Brown, Decentering Distortion of Lenses, 1966, and Close-Range Camera Calibration, 1971; OpenCV, Camera "
        "Calibration and 3D Reconstruction (rational model, thin prism); sampled as place"
    )
    spreads: ClassVar[bool] = False
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The straight picture as a wide lens shows it.",
            "image": "plate",
            "direction": "distort",
            "focal": [240, 240],
            "k1": -0.28,
            "k2": 0.06,
        },
        {
            "about": "A lens that draws red larger than blue.",
            "image": "lantern",
            "direction": "distort",
            "focal": [240, 240],
            "k1": -0.1,
            "lateral": [6, -6],
        },
    )

    kind: Literal["lens_warp"] = "lens_warp"
    image: Annotated[
        str,
        Port(
            WARPED,
            doc="what to distort or to straighten",
            alpha=("premultiplied", "none"),
            linear=True,
            beyond="nothing",
        ),
    ]
    direction: Annotated[
        Literal["distort", "straighten"],
        Field(description="Put the distortion into a straight picture, or take it out of a distorted one."),
    ]
    lens: Annotated[
        str | None, Field(description="A lens file; all that follows but `lateral` is then left out.")
    ] = None
    model: Annotated[Literal["brown", "rational"], Field(description="Which coefficients there are.")] = "brown"
    focal: Annotated[
        tuple[float, float] | None,
        Number("focal length across and down", unit="pixels of size", size=2, above=0, high=1e7),
    ] = None
    centre: Annotated[
        tuple[float, float] | None,
        Number(
            "where the optical axis lies; left out, the middle", unit="pixels of size", size=2, low=-1e6, high=1e6
        ),
    ] = None
    size: Annotated[
        tuple[int, int] | None,
        Field(description="Width and height of the calibrated picture; left out, those of the frame."),
    ] = None
    k1: _coefficient("radial, of r²") = 0.0  # type: ignore[valid-type]
    k2: _coefficient("radial, of r⁴") = 0.0  # type: ignore[valid-type]
    k3: _coefficient("radial, of r⁶") = 0.0  # type: ignore[valid-type]
    p1: _coefficient("tangential, of an axis aslant upward or downward") = 0.0  # type: ignore[valid-type]
    p2: _coefficient("tangential, of an axis aslant to a side") = 0.0  # type: ignore[valid-type]
    k4: _coefficient("below the line, of r²; rational alone") = 0.0  # type: ignore[valid-type]
    k5: _coefficient("below the line, of r⁴; rational alone") = 0.0  # type: ignore[valid-type]
    k6: _coefficient("below the line, of r⁶; rational alone") = 0.0  # type: ignore[valid-type]
    s1: _coefficient("thin prism, of r² across; rational alone") = 0.0  # type: ignore[valid-type]
    s2: _coefficient("thin prism, of r⁴ across; rational alone") = 0.0  # type: ignore[valid-type]
    s3: _coefficient("thin prism, of r² down; rational alone") = 0.0  # type: ignore[valid-type]
    s4: _coefficient("thin prism, of r⁴ down; rational alone") = 0.0  # type: ignore[valid-type]
    lateral: Annotated[
        tuple[float, float] | None,
        Number(
            "how much farther than green red and blue lie at the corner; left out, as the lens file says",
            unit="px",
            size=2,
            low=-1000,
            high=1000,
        ),
    ] = None

    _scale: float = PrivateAttr(1.0)
    _frame: Window = PrivateAttr(Window(0, 0, 0, 0))
    _file: LensFile | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _one_lens(self) -> Self:
        if self.lens is not None:
            if not self.lens.strip():
                raise BadValueError('has a "lens" without a name', "give the path of a lens file")
            given = next((name for name in _OF_LENS if name in self.model_fields_set), "")
            if given:
                raise BadValueError(f'has a "lens" file and "{given}"', "use one or the other")
            return self
        if self.focal is None:
            raise BadValueError(
                'has neither a "lens" file nor "focal"',
                'name a file in "lens", or give "focal": [across, down] in pixels, and coefficients',
            )
        if self.size is not None and not all(1 <= side <= 65536 for side in self.size):
            raise BadValueError(
                f"has a size of {self.size[0]}×{self.size[1]}", "give 1 to 65536 pixels for each side"
            )
        odd = next(
            (name for name in _ALL if name in self.model_fields_set and name not in COEFFICIENTS[self.model]), ""
        )
        if odd:
            raise BadValueError(
                f'has "{odd}", which the model "{self.model}" lacks', 'set "model" to "rational", or leave it out'
            )
        return self

    # -- the lens at a frame ---------------------------------------------------------------------------------

    def at(self, frame: float, scale: float = 1.0) -> Self:
        node = super().at(frame, scale).model_copy()
        node._scale = scale
        return node

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        if self.lens is None:
            return self
        node = self.model_copy()
        node._file = read_lens(Path(context.root, self.lens), opened)
        return node

    def with_displays(self, displays: Mapping[str, Window], context: Context) -> Self:
        node = self.model_copy()
        node._frame = displays["image"]
        return node

    def files(self, frame: int, root: Path) -> list[Path]:
        return [] if self.lens is None else [Path(root, self.lens)]

    def _map(self, magnification: float = 1.0) -> LensMap:
        """Pixels of the result → pixels of the picture."""
        from stackcomp.kernels.distortion import Distortion

        frame, file = self._frame, self._file
        if file is not None:
            distortion, size, focal, centre = file.distortion, file.size, file.focal, file.centre
        else:
            assert self.focal is not None
            distortion = Distortion(**{name: getattr(self, name) for name in _ALL})
            size, focal = self.size or (frame.width, frame.height), self.focal
            centre = self.centre or (size[0] / 2, size[1] / 2)
        return LensMap.in_frame(
            distortion,
            size,
            focal,
            centre,
            frame,
            self._scale,
            distorts=self.direction == "distort",
            magnification=magnification,
        )

    def _fringes(self) -> tuple[float, float]:
        """Magnifications of red and blue in the distorted picture."""
        half = math.hypot(self._frame.width, self._frame.height) / 2 * self._scale
        if self.lateral is not None:
            red, blue = self.lateral
        elif self._file is not None:
            factor = self._frame.width / self._file.size[0] * self._scale
            red, blue = (fringe * factor for fringe in self._file.lateral)
        else:
            red = blue = 0.0
        return 1 + red / half, 1 + blue / half

    def _maps(self, type: PortType) -> dict[LensMap, tuple[str, ...]]:
        """The maps and their planes: one for all, unless colours are drawn in different sizes."""
        red, blue = self._fringes() if "R" in type.planes else (1.0, 1.0)
        found: dict[LensMap, tuple[str, ...]] = {}
        for plane in type.planes:
            map = self._map({"R": red, "B": blue}.get(plane, 1.0))
            found[map] = (*found.get(map, ()), plane)
        return found

    # -- check -----------------------------------------------------------------------------------------------

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        file, frame = None, windows["image"]
        if self.lens is not None:
            try:
                file = read_lens(Path(context.root, self.lens))
            except FileError as error:
                yield Problem("lens-file", f"{error.path}: {error.reason}", error.way_out, field="lens")
                return
        size = file.size if file is not None else self.size or (frame.width, frame.height)
        if abs(frame.height - size[1] * frame.width / size[0]) > _ROUNDED:
            yield Problem(
                "lens-size",
                f"the lens was calibrated for a picture of {size[0]}×{size[1]}, and the frame of "
                f"{frame.width}×{frame.height} has another shape",
                "use the lens with pictures of that shape, or calibrate it with pictures of this one; where the "
                "frame was cropped, bring it back to the whole first",
                field="lens" if self.lens is not None else "size",
            )
            return
        if self.lateral is not None and "R" not in types["image"].planes:
            yield Problem(
                "lens-lateral",
                f'"lateral" is for R, G and B, but "{self.image}" is {types["image"]}',
                'leave "lateral" out',
                field="lateral",
                severity="warning",
            )
        numbers = [getattr(self, name) for name in self.numbers_declared()]
        for number in frames_that_differ(context, *numbers):
            node = self.at(number).with_displays(windows, context)
            node._file = file
            map, when = node._map(), f"frame {number}: " if any(isinstance(n, Keyed) for n in numbers) else ""
            problems = [
                *node._fringes_wide(types["image"], when),
                *node._folds(map, frame, when),
                *node._lacks(map, frame, context, when),
            ]
            yield from problems
            if problems:
                return

    def _fringes_wide(self, type: PortType, when: str) -> Iterator[Problem]:
        if "R" not in type.planes or all(abs(size - 1) <= _WIDEST for size in self._fringes()):
            return
        half = math.hypot(self._frame.width, self._frame.height) / 2
        widest = max((size - 1 for size in self._fringes()), key=abs) * half
        yield Problem(
            "lens-lateral",
            f"{when}a colour lies {widest:.4g} px from green at the corner, which is more than half of the way to "
            f"the centre ({half:.4g} px)",
            "give pixels of the frame; lenses have a few, red and blue on opposite sides of 0",
            field="lateral" if self.lateral is not None else "lens",
        )

    def _folds(self, map: LensMap, frame: Window, when: str) -> Iterator[Problem]:
        if not map.folds(frame):
            return
        straight, (fx, fy) = map.distortion.limit, map.focal
        distorted = float(map.distortion.radial(np.array(straight))[0]) if math.isfinite(straight) else math.inf
        where = "where its tangential and prism terms outweigh the others"
        if math.isfinite(straight):
            where = f"{straight * (fx + fy) / 2:.0f} px from its centre in the straight picture"
        # Where the lower line of the formula is 0, the distorted picture has no end.
        if 0 < distorted * max(fx, fy) < 1e7:
            where += f", {distorted * (fx + fy) / 2:.0f} px in the distorted one"
        yield Problem(
            "lens-folds",
            f"{when}the formula of the lens folds back {where}, and the frame reaches farther: what lies beyond "
            "is left empty",
            "calibrate with charts that reach the corners, with fewer coefficients, or crop the picture",
            field="lens" if self.lens is not None else "k1",
            severity="warning",
        )

    def _lacks(self, map: LensMap, frame: Window, context: Context, when: str) -> Iterator[Problem]:
        data = context.data_windows.get("image")
        if self.direction != "distort" or data is None or data.empty:
            return
        needed = map.overscan(frame)
        # A picture that ends within the frame was cropped to what is in it.
        has = (frame.x0 - data.x0, frame.y0 - data.y0, data.x1 - frame.x1, data.y1 - frame.y1)
        lacking = [0 <= there < side for side, there in zip(needed, has, strict=True)]
        if not any(lacking):
            return
        names = ("left", "top", "right", "bottom")
        sides = ", ".join(f"{side} px {name}" for name, side in zip(names, needed, strict=True))
        short = ", ".join(name for name, lacks in zip(names, lacking, strict=True) if lacks)
        yield Problem(
            "overscan-missing",
            f'{when}"{self.image}" has too few pixels beyond the frame for this lens ({short}): the distorted '
            f"picture would be empty along the edges; it needs {sides}",
            "render it with that overscan: the frame as display window, the larger picture as data window",
            field="image",
            severity="warning",
        )

    # -- computing -------------------------------------------------------------------------------------------

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        source = domains["image"]
        window = Window(source.x0, source.y0, source.x0, source.y0)
        for map in self._maps(types["image"]):
            window = window | map.reached(source)
        frame = self._frame.scaled(self._scale)
        # Beside a fold the formula leads anywhere, and each pixel there would be solved by itself.
        return window & (source | frame).grow(min(OVERSCAN, max(frame.width, frame.height)))

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        source = domains["image"]
        part = Window(source.x0, source.y0, source.x0, source.y0)
        for magnification in {1.0, *self._fringes()}:
            part = part | self._map(magnification).needed(wanted, source)
        return {"image": part}

    def kernels(self) -> Sequence[str]:
        return ("warp", "lens")

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.warp_lens import warp_by_lens

        image = images["image"]
        nearest = is_picked(type)

        def warp(planes: list[Plane]) -> list[Plane]:
            named = dict(zip(image.planes, planes, strict=True))
            made: dict[str, Plane] = {}
            for map, names in self._maps(type).items():
                some = [named[name] for name in names]
                some = warp_by_lens(some, image.window, map, wanted, nearest=nearest)
                made.update(zip(names, some, strict=True))
            return [made[name] for name in image.planes]

        planes = warped(image, warp)
        return replace(image, planes=planes, window=wanted, type=type)
