"""pick_channels: planes chosen by name, and what they are."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Gt
from pydantic import BeforeValidator, Field

from stackcomp.data.port_types import (
    METRES,
    Alpha,
    Colour,
    Coordinates,
    Depth,
    Encoding,
    Ids,
    Layers,
    Matte,
    Motion,
    PortType,
    Ratio,
)
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem, did_you_mean, kind_of, shown
from stackcomp.nodes.base import Context, PageExamples, Pick, Port, ViewNode

_FIXED: dict[str, tuple[str, ...]] = {
    "matte": ("A",),
    "ratio": ("R", "G", "B"),
    "depth": ("Z",),
    "motion": ("dx", "dy"),
    "coordinates": ("s", "t"),
}


_UNITS = ", ".join(f'"{unit}"' for unit in METRES)


def _unit(raw: Any) -> Any:
    if raw is None or (isinstance(raw, str) and raw in METRES):
        return raw
    choices = f"choose from {_UNITS}, or give the number of metres in the unit"
    if isinstance(raw, str):
        raise BadValueError(f"is {shown(raw)}, which is not one of its choices", choices)
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise BadValueError(f"is {shown(raw)}, which is {kind_of(raw)}", choices)
    if not 0 < raw < math.inf:
        raise BadValueError(f"is {shown(raw)}, not a number above 0", choices)
    return raw


class PickChannels(ViewNode):
    """Chooses channels by their names and says what they are.

    It costs nothing: planes are shared, not copied, except for depth in another unit than metres.

    ``channels`` maps each plane of the result to a channel of the input, or to a number that fills it. Left
    out, planes are looked for under their own names, behind ``layer`` and a dot where that is given. The
    planes are: colour R G B and perhaps A; matte A; ratio R G B; depth Z; motion dx dy; coordinates s t; ids
    id0 cover0 id1 cover1 and so on.

    A shadow pass of a render with layers is ``"as": "ratio", "layer": "shadow"``; a matte in its third
    channel is ``"as": "matte", "channels": {"A": "mattes.B"}``; light without coverage is ``"as": "colour",
    "channels": {"R": "emission.R", "G": "emission.G", "B": "emission.B", "A": 0}``.

    Depth is in metres on every wire. ``unit`` says what it is in the file, as a word or as metres per unit:
    ``"as": "depth", "layer": "depth", "unit": "cm"``. Its values are multiplied here, once; a number in
    ``channels`` counts in that unit too. What is 0, NaN or infinite, where there is nothing, stays so.
    """

    source_of_maths: ClassVar[str] = (
        "nothing is computed, but for depth in another unit; 1 ft = 0.3048 m exactly (international foot, NIST)"
    )
    page_examples: ClassVar[PageExamples] = (
        {"about": "The shadow pass; 1 is shown as mid grey.", "layers": "cg", "as": "ratio", "layer": "shadow"},
        {"about": "Depth of the lantern; near is bright.", "layers": "cg", "as": "depth", "layer": "depth"},
        {
            "about": "The lamp as light without coverage.",
            "layers": "cg",
            "channels": {"R": "emission.R", "G": "emission.G", "B": "emission.B", "A": 0},
        },
    )

    kind: Literal["pick_channels"] = "pick_channels"
    layers: Annotated[str, Port((Layers, Colour, Ratio, Matte), doc="where the channels are taken from")]
    as_: Annotated[
        Literal["colour", "matte", "ratio", "depth", "ids", "motion", "coordinates"],
        Field(alias="as", description="What the result is."),
    ] = "colour"
    layer: Annotated[str, Field(description="Layer in which channels are looked for, such as shadow.")] = ""
    channels: Annotated[
        dict[str, str | float] | None,
        Field(description="Plane of the result → channel of the input, or a number."),
    ] = None
    alpha: Annotated[
        Literal["premultiplied", "straight", "none"] | None,
        Field(description="For colour: state of A. Left out, as the input says; with none A is not used."),
    ] = None
    encoding: Annotated[
        str | None, Field(description="For colour: its colour space. Left out, as the input says.")
    ] = None
    along: Annotated[
        Literal["axis", "ray"],
        Field(description="For depth: measured along the optical axis or along the ray."),
    ] = "axis"
    unit: Annotated[
        Literal["mm", "cm", "m", "ft"] | Annotated[float, Gt(0)] | None,
        BeforeValidator(_unit),
        Field(description="For depth: unit of the file, or metres per unit. Left out, m."),
    ] = None

    def _wishes(self, type: PortType) -> dict[str, str | float]:
        if self.channels is not None:
            return self.channels
        prefix = f"{self.layer}." if self.layer else ""
        if self.as_ == "colour":
            wanted: tuple[str, ...] = ("R", "G", "B")
            unused = self.alpha == "none" or (self.alpha is None and _unused(type))
            if prefix + "A" in type.planes and not unused:
                wanted = (*wanted, "A")
        else:
            wanted = _FIXED.get(self.as_, ())
        return {plane: prefix + plane for plane in wanted}

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        type = types["layers"]
        wishes = self._wishes(type)
        yield from self._plane_names(wishes)
        missing = {k: wish for k, wish in wishes.items() if isinstance(wish, str) and wish not in type.planes}
        if missing:
            yield from (
                self._not_there(missing, type)
                if self.channels is not None
                else self._none_in_layer(list(missing), type)
            )
        if self.channels is not None and self.layer:
            yield Problem(
                "layer-unused",
                f'"layer" is {self.layer}, but "channels" names every channel in full, so it is not used',
                "remove one of the two",
                field="layer",
                severity="warning",
            )
        if self.unit is not None and self.as_ != "depth":
            yield Problem(
                "unit",
                f'"unit" is for depth, but "as" is "{self.as_}"',
                'leave "unit" out, or set "as" to "depth"',
                field="unit",
            )
        if self.as_ == "colour":
            yield from self._colour_says(types, context)
        if self.as_ == "ids" and isinstance(type, Layers):
            yield from self._ids_whole(wishes, type)
        if self.as_ == "coordinates" and isinstance(type, Layers):
            yield from self._fine_enough(wishes, type)

    def _ids_whole(self, wishes: Mapping[str, str | float], type: Layers) -> Iterator[Problem]:
        """A channel that is chosen as ids, but has lost bits."""
        for plane, wish in wishes.items():
            if plane.startswith("id") and isinstance(wish, str) and wish in type.lossy:
                yield Problem(
                    "ids-bits",
                    f"channel {wish} is {type.lossy[wish]}: which objects its ids were cannot be known any more",
                    "render ids as 32-bit floats with lossless compression, such as zip",
                    field=f"channels.{plane}",
                )

    def _fine_enough(self, wishes: Mapping[str, str | float], type: Layers) -> Iterator[Problem]:
        """Channels that are chosen as coordinates, but have lost bits."""
        coarse = [wish for wish in wishes.values() if isinstance(wish, str) and wish in type.lossy]
        if coarse:
            yield Problem(
                "coordinates-bits",
                f"channel {coarse[0]} is {type.lossy[coarse[0]]}: places in a picture would be known to pixels "
                "only, and what is looked up there would show steps",
                "render coordinates as 32-bit floats with lossless compression, such as zip",
                field="channels.s" if self.channels is not None else "layer",
                severity="warning",
            )

    def _not_there(self, missing: Mapping[str, str], type: PortType) -> Iterator[Problem]:
        """Channels named one by one that are not there; one finding for those of a layer that is not there."""
        layers = _layers(type)
        reported: set[str] = set()
        for plane, wish in missing.items():
            layer = wish.rpartition(".")[0]
            others = [other for other in missing.values() if other.rpartition(".")[0] == layer]
            if layer and layer not in layers and len(others) > 1:
                if layer not in reported:
                    near = did_you_mean(layer, list(layers)) or _its(type)
                    message = f'"{self.layers}" has no layer "{layer}", but {", ".join(others)} are required'
                    yield Problem("layer-missing", message, near, field=f"channels.{plane}")
                reported.add(layer)
                continue
            near = did_you_mean(wish, type.planes) or _its(type)
            message = f'"{self.layers}" has no channel "{wish}"'
            yield Problem("channel-missing", message, near, field=f"channels.{plane}")

    def _none_in_layer(self, missing: list[str], type: PortType) -> Iterator[Problem]:
        """A layer, or the file's own channels, without what is looked for by its name."""
        layers = _layers(type)
        names = [name.rpartition(".")[2] for name in missing]
        having = [layer for layer, planes in layers.items() if set(names) <= planes]
        if self.layer and self.layer not in layers:
            near = did_you_mean(self.layer, having or list(layers)) or _its(type)
            yield Problem("layer-missing", f'"{self.layers}" has no layer "{self.layer}"', near, field="layer")
            return
        whose = f'layer "{self.layer}" of "{self.layers}"' if self.layer else f'"{self.layers}"'
        there = sorted(layers[self.layer]) if self.layer else type.planes
        message = f"{whose} has no {' '.join(names)}; it has {', '.join(there[:12])}"
        few = having and len(having) <= 12
        choices = " or ".join(f'"{layer}"' for layer in having)
        near = f'set "layer" to {choices}, or name them with "channels"' if few else 'name them with "channels"'
        yield Problem("channel-missing", message, near, field="layer")

    def _plane_names(self, wishes: Mapping[str, object]) -> Iterator[Problem]:
        if self.as_ == "ids":
            good = len(wishes) > 0 and list(wishes) == list(Ids(len(wishes) // 2).planes)
            if not good:
                yield Problem(
                    "planes",
                    f'"channels" of ids are id0 cover0 id1 cover1 …, not {" ".join(wishes) or "left out"}',
                    "name them in pairs, in order",
                    field="channels",
                )
            return
        wanted = ("R", "G", "B") if self.as_ == "colour" else _FIXED[self.as_]
        for plane in wanted:
            if plane not in wishes:
                yield Problem(
                    "planes",
                    f'{self.as_} needs a plane {plane}, which "channels" leaves out',
                    f'add "{plane}": a channel name or a number',
                    field="channels",
                )
        allowed = (*wanted, "A") if self.as_ == "colour" else wanted
        for plane in wishes:
            if plane not in allowed:
                yield Problem(
                    "planes",
                    f"{self.as_} has no plane {plane}",
                    f"its planes are {' '.join(allowed)}",
                    field=f"channels.{plane}",
                )

    def _colour_says(self, types: Mapping[str, PortType], context: Context) -> Iterator[Problem]:
        from stackcomp.files import colour

        try:
            source = types["layers"]
            if self._space(source, context) is None:
                header = source.header_says if isinstance(source, Layers) else ""
                yield Problem(
                    "encoding-unknown",
                    "the colour space of its colours is not declared" + (f": {header}" if header else ""),
                    'give "encoding" here or at the read node; `stackcomp encodings` lists them',
                    field="encoding",
                )
        except colour.UnknownEncoding as error:
            yield Problem("encoding-unknown", str(error), field="encoding")
        if self.alpha in ("premultiplied", "straight") and "A" not in self._wishes(types["layers"]):
            yield Problem(
                "planes",
                f'"alpha" is {self.alpha}, but no plane A is chosen',
                'add "A" to "channels", or set "alpha" to "none"',
                field="alpha",
            )
        chosen = (self.channels or {}).get("A")
        if self.alpha is None and _unused(source) and isinstance(chosen, str) and chosen.split(".")[-1] == "A":
            yield Problem(
                "alpha-unknown",
                f'"A" is {chosen} of "{self.layers}", where "alpha" is none: its state is not declared',
                'set "alpha" here to "premultiplied" or "straight"',
                field="alpha",
            )

    def _space(self, type: PortType, context: Context) -> Encoding | None:
        if self.encoding is not None:
            from stackcomp.files import colour

            return colour.encoding(self.encoding, context.colour_config)
        if isinstance(type, Ratio):
            return context.working_space
        return getattr(type, "encoding", None)

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        source = types["layers"]
        match self.as_:
            case "colour":
                state: Alpha = "none"
                if "A" in self._wishes(source):
                    inherited: Alpha = getattr(source, "alpha", "none")
                    if inherited == "none":
                        inherited = getattr(source, "layer_alpha", "none")
                    state = self.alpha or ("premultiplied" if inherited == "none" else inherited)
                # Light that division left under alpha 0 is still there.
                bare = state == "straight" and isinstance(source, Colour) and source.bare_light
                return Colour(state, self._space(source, context) or context.working_space, bare)
            case "matte":
                return Matte()
            case "ratio":
                return Ratio()
            case "depth":
                return Depth(self.along)
            case "motion":
                return Motion()
            case "coordinates":
                return Coordinates()
            case _:
                return Ids(len(self._wishes(source)) // 2)

    def picks(self, types: Mapping[str, PortType], context: Context) -> Sequence[Pick]:
        wishes = self._wishes(types["layers"])
        planes = self.result(types, context).planes
        unit = (self.unit or "m") if self.as_ == "depth" else "m"
        factor = METRES[unit] if isinstance(unit, str) else float(unit)
        return [
            Pick(plane, wish, 0.0, factor) if isinstance(wish, str) else Pick(plane, None, float(wish), factor)
            for plane, wish in ((plane, wishes[plane]) for plane in planes)
        ]


def _unused(type: PortType) -> bool:
    """Whether the node that reads the file says that its A is not used."""
    return isinstance(type, Layers) and type.unused_alpha


def _layers(type: PortType) -> dict[str, set[str]]:
    """Names of a file's layers, each with its planes; the file's own channels are in none."""
    layers: dict[str, set[str]] = {}
    for channel in type.planes:
        layer, dot, plane = channel.rpartition(".")
        if dot:
            layers.setdefault(layer, set()).add(plane)
    return layers


def _its(type: PortType) -> str:
    return f"it has {', '.join(type.planes[:12])}" + (" …" if len(type.planes) > 12 else "")
