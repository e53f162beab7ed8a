"""restore: part of the plate put back on top."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.planes import plane_over
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _restore(sr, sg, sb, sa, br, bg, bb, ba, m):  # type: ignore[no-untyped-def]
    m = min(max(m, 0), 1)
    keep = 1 - sa * m
    return sr * m + br * keep, sg * m + bg * keep, sb * m + bb * keep, sa * m + ba * keep


class Restore(AreaNode, PixelNode):
    """Puts the part of ``source`` that a matte shows back on top of ``backdrop``.

    ``source`` is the plate (or the shaded plate), whose alpha, if it has none, counts as 1.

    Where the matte is soft, a pixel of the plate holds light of what is behind. With ``edge_colour`` "as_is" that
    light comes along: right where the backdrop has the same behind the edge, and a fringe where it has not. With
    "estimate" the colour of the foreground alone is found from all of the plate, and laid on; where the matte is 1
    or 0 nothing changes. It is then an area kind, which reads the whole plate. The estimate makes no light below 0
    where the plate has none.

    Where the backdrop still shows the plate, it holds the soft edge already, and laying its own colour on would
    show it twice. ``cover``, the CG's alpha, says how far the plate is hidden: elsewhere edges stay as they are.
    ``clean`` is the plate without the foreground, in the same light: with it, less is left to estimate. It must
    lie on the plate to the pixel.
    """

    source_of_maths: ClassVar[str] = (
        "Porter and Duff, Compositing Digital Images, 1984: source in matte, over; Germer, Uelwer, Conrad, "
        "Harmeling, Fast Multi-Level Foreground Estimation, 2020 (edge_colour)"
    )
    function: ClassVar[PixelFunction] = _restore
    # What serves the estimate alone is no lane of the pixel function.
    open_lanes: ClassVar[Mapping[str, tuple[float, ...]]] = {"cover": (), "clean": ()}
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The cord of the plate is in front again.",
            "source": "plate",
            "backdrop": "comp",
            "matte": "cord",
        },
        {
            "about": "The same with the cord's own colour at its edges.",
            "source": "plate",
            "backdrop": "comp",
            "matte": "cord",
            "edge_colour": "estimate",
            "cover": "lantern_matte",
        },
    )

    kind: Literal["restore"] = "restore"
    source: Annotated[
        str, Port(doc="plate to take from", alpha=("none", "premultiplied"), linear=True, beyond="nothing")
    ]
    backdrop: Annotated[
        str, Port(doc="comp to put it on", alpha=("none", "premultiplied"), linear=True, beyond="nothing")
    ]
    matte: Annotated[str, Port((Matte,), doc="what to restore", beyond="nothing")]
    cover: Annotated[
        str | None,
        Port(
            (Matte,),
            doc="how far the backdrop hides the plate, for the estimate; wholly when open",
            beyond="nothing",
        ),
    ] = None
    clean: Annotated[
        str | None,
        Port(
            doc="what is behind the restored part in the plate, for the estimate",
            alpha=("none", "premultiplied"),
            linear=True,
            beyond="nothing",
        ),
    ] = None
    edge_colour: Annotated[
        Literal["as_is", "estimate"],
        Field(description="Whether soft edges are taken as they are, or their own colour is estimated."),
    ] = "as_is"

    @model_validator(mode="after")
    def _ports_are_used(self) -> Self:
        unused = next((port for port in ("cover", "clean") if getattr(self, port) is not None), None)
        if unused is not None and self.edge_colour != "estimate":
            raise BadValueError(
                f'"{unused}" has a use in an estimate alone, and "edge_colour" is "as_is"',
                f'set "edge_colour" to "estimate", or leave "{unused}" out',
            )
        return self

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return colour_of(types, "backdrop")

    def fuses(self, types: Mapping[str, PortType], context: Context) -> bool:
        # An estimate looks at the whole plate; without one, it is a pixel kind.
        return self.edge_colour == "as_is"

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return super().domain({port: window for port, window in domains.items() if port != "clean"}, types)

    def kernels(self) -> Sequence[str]:
        return ("foreground",) if self.edge_colour == "estimate" else ()

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        plate = domains["source"]
        whole = {port: plate & domains[port] for port in ("source", "clean") if port in domains}
        own = {port: wanted for port in ("backdrop", "cover") if port in domains}
        return {**whole, **own, "matte": plate | wanted}

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.strips import over_strips

        backdrop, window = images["backdrop"], images["source"].window
        shown = {**images["source"].planes}
        shown.setdefault("A", np.ones(window.shape, np.float32))
        own = {name: plane_over(plane, window, wanted) for name, plane in {**shown, **self._own(images)}.items()}
        shown = {name: plane_over(plane, window, wanted) for name, plane in shown.items()}
        matte = images["matte"].plane_over("A", wanted)
        cover = images["cover"]["A"] if "cover" in images else None
        planes = {name: np.empty(wanted.shape, np.float32) for name in type.planes}

        def rows(first: int, last: int) -> None:
            some = slice(first, last)
            m = np.clip(matte[some], 0, 1)
            laid = {name: own[name][some] for name in own}
            if cover is not None:
                # Where the plate is still seen, the edge is in the backdrop already: together they give the plate.
                hidden = np.clip(cover[some], 0, 1)
                laid = {name: plane * hidden + shown[name][some] * (1 - hidden) for name, plane in laid.items()}
            keep = 1 - laid["A"] * m
            for name, plane in planes.items():
                np.multiply(backdrop[name][some], keep, out=plane[some])
                plane[some] += laid[name] * m

        over_strips(rows, wanted.height)
        return replace(backdrop, planes=planes, window=wanted, type=type)

    def _own(self, images: Mapping[str, Image]) -> dict[str, Plane]:
        """The foreground's colour over the plate's window. Premultiplied, its alpha is a channel as the others."""
        from stackcomp.kernels.foreground import foreground

        source, clean = images["source"], images.get("clean")
        window, names = source.window, list(source)
        matte = images["matte"].plane_over("A", window)
        given = [source[name] for name in names]
        known = window if clean is None else clean.window
        found = given
        if clean is None or known != window:
            found = foreground(given, matte)
        if clean is not None and not known.empty:
            behind = [clean[name] if name in clean else np.ones(known.shape, np.float32) for name in names]
            inner = known.slices_in(window)
            better = foreground([plane[inner] for plane in given], matte[inner], behind)
            found = [plane.copy() if plane is whole else plane for plane, whole in zip(found, given, strict=True)]
            for plane, part in zip(found, better, strict=True):
                plane[inner] = part
        own = dict(zip(names, found, strict=True))
        if "A" in own:
            # An estimate may go past full coverage, and would take more of the backdrop than there is.
            own["A"] = np.minimum(own["A"], np.maximum(source["A"], 1))
        return own
