"""colour_matte: a matte of how near the colours of a picture are to a picked one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Annotated, ClassVar, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.keying import rising, seen, seen_numbers, steepness
from stackcomp.nodes.over_frames import frames_that_differ, value_at
from stackcomp.nodes.pixel import PixelFunction, pixel, power, root

# Both matrices are those of Ottosson's publication: X Y Z under D65 to the responses of cones, and the cube roots
# of these to lightness and two opponent axes.
_TO_CONES = (
    (0.8189330101, 0.3618667424, -0.1288597137),
    (0.0329845436, 0.9293118715, 0.0361456387),
    (0.0482003018, 0.2643662691, 0.6338517070),
)


@pixel
def _cube_root(x):  # type: ignore[no-untyped-def]
    y = power(abs(x), 0.3333333333)
    return -y if x < 0 else y


@pixel
def _oklab(r, g, b, l0, l1, l2, m0, m1, m2, s0, s1, s2):  # type: ignore[no-untyped-def]
    (cone_l,) = _cube_root(l0 * r + l1 * g + l2 * b)
    (cone_m,) = _cube_root(m0 * r + m1 * g + m2 * b)
    (cone_s,) = _cube_root(s0 * r + s1 * g + s2 * b)
    return (
        0.2104542553 * cone_l + 0.7936177850 * cone_m - 0.0040720468 * cone_s,
        1.9779984951 * cone_l - 2.4285922050 * cone_m + 0.4505937099 * cone_s,
        0.0259040371 * cone_l + 0.7827717662 * cone_m - 0.8086757660 * cone_s,
    )


@pixel
def _colour(r, g, b, a, divide, bare, l0, l1, l2, m0, m1, m2, s0, s1, s2, any_light, pl, pa, pb, start, per):  # type: ignore[no-untyped-def]
    (r, g, b, there) = seen(r, g, b, a, divide, bare)
    (light, across, along) = _oklab(r, g, b, l0, l1, l2, m0, m1, m2, s0, s1, s2)
    # With any light, the colour is brought to the lightness of the picked one. Light that is not above 0 has no
    # colour to compare.
    lit = 1 if light > 1e-6 else (0 if any_light == 1 else 1)
    scale = (pl / (light if light > 1e-6 else 1)) if any_light == 1 else 1
    d = light * scale - pl
    e = across * scale - pa
    f = along * scale - pb
    (m,) = rising(root(d * d + e * e + f * f), start, per)
    return (1 - m) * lit if there != 0 else 0


class ColourMatte(PixelNode):
    """Covers what is like a picked colour: all of it up to ``tolerance``, less and less within ``softness``.

    The distance of two colours is the Euclidean one in Oklab. The space is that of light: 0 is black, 1 is the
    white of the scene, and brighter light goes on above. Two colours side by side can just be told apart at about
    0.02 (CSS Color Module Level 4). All coordinates grow with the cube root of light, so that one tolerance fits
    shadows and highlights.

    With ``brightness`` "ignored" every colour is first brought to the lightness of the picked one, as if there
    were more or less light on it: the same paint is found in light and in shade. What is nearly black then has no
    colour that could be compared, and grain counts for more the darker it is.

    Premultiplied colour is divided by alpha first; light under alpha 0 counts as it is, and where nothing is, the
    matte is 0.
    """

    source_of_maths: ClassVar[str] = (
        "Ottosson, A perceptual color space for image processing, 2020; white adapted by Bradford's matrix "
        "(ICC.1, annex E); steps: cubic Hermite polynomial"
    )
    function: ClassVar[PixelFunction] = _colour
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "What has the colour of the sheet's amber side.",
            "image": "gel",
            "colour": [0.55, 0.28, 0.05],
            "tolerance": 0.05,
            "softness": 0.15,
        },
        {
            "about": "The same, however bright.",
            "image": "gel",
            "colour": [0.55, 0.28, 0.05],
            "tolerance": 0.05,
            "softness": 0.15,
            "brightness": "ignored",
        },
    )

    kind: Literal["colour_matte"] = "colour_matte"
    image: Annotated[str, Port(doc="picture whose colours count", linear=True)]
    colour: Annotated[
        tuple[float, float, float], Number("the picked colour, R G B as in the picture, scene-linear", size=3)
    ]
    tolerance: Annotated[float, Number("distance up to which a colour is covered fully", low=0)] = 0.05
    softness: Annotated[float, Number("further distance over which coverage ends", low=0)] = 0.1
    brightness: Annotated[
        Literal["counts", "ignored"],
        Field(description="Whether the same colour in more or less light is another colour."),
    ] = "counts"

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        try:
            matrix = _cones(colour_of(types, "image").encoding.name, context.colour_config)
        except RequestError as error:
            yield from error.problems
            return
        if self.brightness == "counts":
            return
        for frame in frames_that_differ(context, self.colour):
            picked = value_at(self.colour, frame)
            lightness = float(_lab(np.asarray(picked, np.float64), matrix)[0])
            if not lightness > _DARKEST:
                at = f"frame {frame}: " if isinstance(self.colour, Keyed) else ""
                yield Problem(
                    "colour-black",
                    f'{at}the picked colour has a lightness of {lightness:.2g}, and "brightness" is ignored: '
                    "black has no colour",
                    'pick a brighter pixel of it, or let "brightness" count',
                    field="colour",
                )
                return

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        image = colour_of(types, "image")
        matrix = _cones(image.encoding.name, context.colour_config)
        picked = _lab(np.asarray(self.colour, np.float64), matrix)
        return [
            *seen_numbers(image),
            *map(float, matrix.ravel()),
            float(self.brightness == "ignored"),
            *map(float, picked),
            self.tolerance,
            steepness(self.softness),
        ]


#: Lightness below which a picked colour counts as black; the light of 1e-6.
_DARKEST = 0.01


@lru_cache(maxsize=64)
def _cones(space: str, config: str) -> npt.NDArray[np.float64]:
    """3×3 from R G B of a space to the responses of cones."""
    from stackcomp.files.colorimetry import D65, xyz_matrix

    return np.asarray(np.array(_TO_CONES) @ xyz_matrix(space, D65, config), np.float64)


def _lab(colour: npt.NDArray[np.float64], matrix: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Lightness and the two opponent axes of a colour."""
    return np.array(_oklab(*map(float, colour), *map(float, matrix.ravel())))
