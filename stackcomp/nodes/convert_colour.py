"""convert_colour: from one encoding to another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Encoding, PortType
from stackcomp.data.window import Window
from stackcomp.errors import Problem
from stackcomp.files.colour_steps import ColourStep, steps
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.colour_maths import conversion, numbers_of
from stackcomp.nodes.pixel import PixelFunction


class ConvertColour(AreaNode, PixelNode):
    """Converts colour to another colour space through the graph's OCIO config.

    Between two scene-linear spaces this is a matrix, which takes premultiplied colour as it is. With a curve,
    premultiplied colour is divided by alpha before and multiplied after. Matrices, logarithms and exponents are
    part of a fused loop; conversions with tables run through OpenColorIO. Light under alpha 0 keeps what it has
    beyond black, also in straight colour that was made by division.
    """

    source_of_maths: ClassVar[str] = "OpenColorIO; the pinned config's own transforms"
    page_examples: ClassVar[PageExamples] = (
        {"about": "From a camera's log encoding to scene-linear light.", "image": "plate_log"},
        {"about": "From light to a log encoding, shown by its own numbers.", "image": "plate", "to": "ACEScct"},
    )

    kind: Literal["convert_colour"] = "convert_colour"
    image: Annotated[str, Port(doc="picture to convert")]
    to: Annotated[
        str | None, Field(description="Colour space of the result; the working space when left out.")
    ] = None

    def _target(self, context: Context) -> Encoding:
        from stackcomp.files import colour

        return context.working_space if self.to is None else colour.encoding(self.to, context.colour_config)

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        from stackcomp.files import colour

        source = colour_of(types, "image").encoding
        try:
            target = self._target(context)
            matrix = colour.is_matrix(source, target, context.colour_config)
        except colour.UnknownEncoding as error:
            yield Problem("encoding-unknown", str(error), field="to")
            return
        # By name: the stand-in for an encoding with an error is equal to every other.
        if source.name == target.name:
            yield Problem(
                "converts-nothing",
                f"changes nothing: it converts to {target}, and its input is declared to be in that already",
                "declare the encoding that the file is really in, or leave this node out",
                field="to" if self.to is not None else "image",
                severity="warning",
            )
        elif matrix is not None and np.array_equal(matrix.matrix, np.eye(3)) and not matrix.offset.any():
            yield Problem(
                "converts-nothing",
                f"changes nothing: {source} and {target} are the same in {context.colour_config}",
                "leave this node out",
                field="to" if self.to is not None else "image",
                severity="warning",
            )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return replace(colour_of(types, "image"), encoding=self._target(context))

    def _steps(self, types: Mapping[str, PortType], context: Context) -> tuple[ColourStep, ...] | None:
        return steps(colour_of(types, "image").encoding, self._target(context), context.colour_config)

    def fuses(self, types: Mapping[str, PortType], context: Context) -> bool:
        return self._steps(types, context) is not None

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        made_of = self._steps(types, context)
        assert made_of is not None
        return conversion(tuple(step.kind for step in made_of), by_alpha=self._by_alpha(types, made_of))

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        from stackcomp.files import colour

        made_of = self._steps(types, context)
        assert made_of is not None
        if not self._by_alpha(types, made_of):
            return numbers_of(made_of)
        source = colour_of(types, "image")
        nothing = [np.zeros((1, 1), np.float32)] * 3
        black = colour.convert(nothing, context.working_space, source.encoding, context.colour_config)
        return [*(float(plane[0, 0]) for plane in black), float(source.alpha == "straight"), *numbers_of(made_of)]

    @staticmethod
    def _by_alpha(types: Mapping[str, PortType], made_of: Sequence[ColourStep]) -> bool:
        """Whether coverage counts: it does where the conversion is more than a matrix."""
        source = colour_of(types, "image")
        curved = any(step.kind != "matrix" for step in made_of)
        return curved and (source.alpha == "premultiplied" or source.bare_light)

    def keeps_nothing(self, types: Mapping[str, PortType], context: Context) -> bool:
        # Where nothing says what is covered, a curve makes something of the pixels that are not there.
        made_of = self._steps(types, context) or ()
        return self._by_alpha(types, made_of) or all(step.kind == "matrix" for step in made_of)

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        return {"image": wanted}

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.files import colour

        image = images["image"]
        source, target = image.type, type
        assert isinstance(source, Colour)
        assert isinstance(target, Colour)
        config = job.context.colour_config
        rgb = [image[name] for name in "RGB"]
        alpha = image.planes.get("A")
        divided = source.alpha == "straight" and source.bare_light
        if alpha is None or not (divided or source.alpha == "premultiplied"):
            converted = colour.convert(rgb, source.encoding, target.encoding, config)
        else:
            covered = alpha != 0
            by = np.float32(1) if divided else np.where(covered, alpha, np.float32(1))
            # Light without coverage stands on black, whose number is not 0 in a log encoding: it is converted
            # on the black of the source, and keeps what it has beyond the black of the target.
            nothing = [np.zeros((1, 1), np.float32)] * 3
            from_black = colour.convert(nothing, job.context.working_space, source.encoding, config)
            to_black = colour.convert(from_black, source.encoding, target.encoding, config)
            straight = [
                plane / by + np.where(covered, np.float32(0), dark[0, 0])
                for plane, dark in zip(rgb, from_black, strict=True)
            ]
            converted = colour.convert(straight, source.encoding, target.encoding, config)
            converted = tuple(
                plane * by - np.where(covered, np.float32(0), dark[0, 0])
                for plane, dark in zip(converted, to_black, strict=True)
            )  # type: ignore[assignment]
        planes = dict(zip("RGB", converted, strict=True))
        if alpha is not None:
            planes["A"] = alpha
        return Image(planes, wanted, image.display, type, image.metadata)
