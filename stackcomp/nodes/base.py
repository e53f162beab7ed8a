"""What every kind of node is made of.

A kind is one class in one file of this folder. The class is at once the model of its JSON (pydantic; unknown
fields are forbidden), its documentation (class docstring, ``doc`` of ports and numbers, ``source``), its type
rule and its maths. Five families:

    SourceNode   makes or reads a picture           read, flat, ramp
    ViewNode     picks planes, computes nothing     pick_channels
    PixelNode    one pixel at a time, fused         over, cdl, …
    AreaNode     looks at neighbours                glow, defocus, …
    SinkNode     takes a picture out of the graph   deliver

**Fields.** An input is ``Annotated[str, Port(...)]`` (``str | None`` with default None when it may be left
open) and holds another node's name; with ``many`` it is a tuple of names. A number is
``Annotated[float, Number(...)]`` and may be keyed over frames in the document. Choices are ``Literal``. Methods
that compute are always called on ``node.at(frame, scale)``, in which every number is plain and every length in
pixels fits the scale.

**Types.** `Port` states what a port accepts, and the check stage enforces it; ``result`` then gives the type
of the output and need only look at what is particular to the kind.

**Adjustable.** A kind that changes colour derives from `Adjustable` too (`ColourNode` for the usual pixel
kind): the engine then mixes its result with its input by ``within`` and ``amount``. Nothing in the kind itself
deals with that.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from stackcomp.data.image import Image
from stackcomp.data.numbers import Keyed, Number, number_of
from stackcomp.data.port_types import Alpha, Colour, Encoding, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.files.file_state import FileState
from stackcomp.nodes.pixel import PixelFunction

__all__ = [
    "Adjustable",
    "AreaNode",
    "ColourNode",
    "Context",
    "Job",
    "Node",
    "PageExamples",
    "Pick",
    "PixelNode",
    "Port",
    "SinkNode",
    "Sized",
    "SourceNode",
    "ViewNode",
    "colour_of",
]


#: Examples of a kind, see `Node.page_examples`.
PageExamples = tuple[Mapping[str, Any], ...]


@dataclass(frozen=True)
class Port:
    """Declares an input.

    Args:
        accepts: types that may arrive.
        doc: what the port is for.
        alpha: alpha states that may arrive when it is colour; None accepts all.
        linear: colour must be scene-linear.
        any_size: its display window may differ from that of the other inputs.
        beyond: what an area node sees outside the data window. ``"nothing"``: the type's outside value.
            ``"frame"``: where the picture reaches the edge of the frame its outermost pixels go on, since
            the world does not end there; elsewhere nothing.
        many: the field is a tuple of names, ``Annotated[tuple[str, ...], Port(…)]``; each is an input of its own,
            called ``field.0``, ``field.1``, ….
        keeps_non_finite: an area node gets NaN and infinity as they are, since they tell it something.
    """

    accepts: tuple[type[PortType], ...] = (Colour,)
    doc: str = ""
    alpha: tuple[Alpha, ...] | None = None
    linear: bool = False
    any_size: bool = False
    beyond: Literal["nothing", "frame"] = "frame"
    many: bool = False
    keeps_non_finite: bool = False


@dataclass(frozen=True)
class Context:
    """What check knows beside the graph.

    Attributes:
        working_space: the space the comp is done in.
        colour_config: name or path of the OCIO config.
        root: folder against which relative paths resolve.
        frames: frames the graph is about; the first one's headers give the types.
        data_windows: in `Node.look` alone, where pixels are that arrive at its ports, at full size: of those ports
            for which headers tell it.
    """

    working_space: Encoding
    colour_config: str
    root: Path
    frames: tuple[int, ...]
    data_windows: Mapping[str, Window] = field(default_factory=dict, repr=False, compare=False)

    @property
    def frame(self) -> int:
        """The frame whose headers stand for all."""
        return self.frames[0] if self.frames else 1


@dataclass(frozen=True)
class Job:
    """What a node may need to know while it computes one frame.

    ``channels`` are those of a file that somebody uses; None stands for all. ``opened`` are the files that this
    frame is made from, each with the state in which it was first seen: all of a frame comes from those states.
    ``domains`` are the data windows of an area node's inputs by port, however little of them it gets.
    ``clamped`` is how many values were beyond the range of half when a deliver node's picture was made 16-bit.
    """

    frame: int
    scale: float
    context: Context
    warn: Callable[[str], None] = field(default=lambda message: None)
    channels: frozenset[str] | None = None
    opened: dict[Path, FileState] = field(default_factory=dict)
    domains: Mapping[str, Window] = field(default_factory=dict)
    clamped: int = 0

    @property
    def root(self) -> Path:
        """Folder against which relative paths resolve."""
        return self.context.root


class Node(BaseModel):
    """Base of all kinds. See the module's text."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    #: Where the maths comes from: a standard, a paper, or "common practice, no source".
    source_of_maths: ClassVar[str] = ""
    #: Whether the result has pixels in the whole frame, whatever part of it the inputs cover.
    fills_frame: ClassVar[bool] = False
    #: Examples for the reference page: fields of a node, whose ports name pictures of the drawn scene, which
    #: `stackcomp.reference.scene` lists; ``about`` says what to see.
    page_examples: ClassVar[PageExamples] = ()

    kind: str
    about: Annotated[str, Field(description="A note for people; changes nothing.")] = ""

    @classmethod
    def kind_name(cls) -> str:
        """The word for this kind in a graph."""
        return str(get_args(cls.model_fields["kind"].annotation)[0])

    @classmethod
    def ports(cls) -> dict[str, Port]:
        """Declared inputs by field name, in order."""
        ports = {}
        for name, info in cls.model_fields.items():
            port = next((item for item in info.metadata if isinstance(item, Port)), None)
            if port is not None:
                ports[name] = port
        # Required ports come first, wherever their class stands in the family.
        return dict(sorted(ports.items(), key=lambda item: not cls.model_fields[item[0]].is_required()))

    @classmethod
    def numbers_declared(cls) -> Mapping[str, Number]:
        """Numeric parameters by field name, in order."""
        return _numbers_of(cls)

    def inputs(self) -> dict[str, str]:
        """Connected inputs: port → name of the node it is fed by."""
        wired: dict[str, str] = {}
        for port, spec in self.ports().items():
            fed = getattr(self, port)
            if spec.many:
                wired.update({f"{port}.{k}": name for k, name in enumerate(fed or ())})
            elif fed is not None:
                wired[port] = fed
        return wired

    def wired_ports(self) -> dict[str, Port]:
        """Inputs of this very node, in order: as `ports`, but each of many by its own name; open ones too."""
        ports: dict[str, Port] = {}
        for port, spec in self.ports().items():
            fed = getattr(self, port)
            ports.update({f"{port}.{k}": spec for k in range(len(fed or ()))} if spec.many else {port: spec})
        return ports

    def at(self, frame: float, scale: float = 1.0) -> Self:
        """Return this node with every keyed number at its value for ``frame``, and pixel lengths scaled."""
        changes: dict[str, Any] = {}
        for name, number in self.numbers_declared().items():
            value = raw = getattr(self, name)
            if isinstance(value, Keyed):
                value = value.at(frame)
            if number.unit == "px" and scale != 1 and value is not None:
                value = tuple(v * scale for v in value) if isinstance(value, tuple) else value * scale
            if value is not raw:
                changes[name] = value
        return self.model_copy(update=changes) if changes else self

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        """Return this node with what small files of its own say of the frame: a track, a camera, shapes.

        It is called on ``self.at(frame, scale)`` before ``domain``, ``needs`` and whatever computes. A kind keeps
        what it finds in a private attribute of pydantic's, and reads with `stackcomp.files.side_file`.

        Args:
            frame: frame number.
            scale: of the render.
            context: with the root of relative paths.
            opened: files of this frame and their states; the file's own is added.

        Raises:
            FileError: a file cannot be used at this frame.
        """
        return self

    def with_displays(self, displays: Mapping[str, Window], context: Context) -> Self:
        """Return this node with what the frames of its inputs say, such as which pixels a camera sees.

        It is called on what `with_files` returned.

        Args:
            displays: display windows of the pictures at the connected ports, at full size whatever the scale is.
            context: with the root of relative paths.
        """
        return self

    def kernels(self) -> Sequence[str]:
        """Which of `stackcomp.kernels.ahead.KERNELS` it will run, so that these can be compiled side by side."""
        return ()

    @property
    def still(self) -> bool:
        """Whether the node's own numbers, and what its small files say, are the same at every frame."""
        return not any(isinstance(getattr(self, name), Keyed) for name in self.numbers_declared())

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        """Type of the output, given the types at the connected ports (all acceptable to their `Port`)."""
        raise NotImplementedError

    def fuses(self, types: Mapping[str, PortType], context: Context) -> bool:
        """Whether it can be part of a fused loop."""
        return isinstance(self, PixelNode)

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        """Findings beyond what ports state, for all frames that will be rendered. The caller fills in the node.

        Args:
            types: types at the connected ports.
            windows: display windows of the pictures there, at full size.
            context: with the frames, for numbers that change over time and files that are read.
        """
        yield from ()

    def settles(self, type: PortType) -> bool:
        """Whether `settle` deals with pixels that are not finite, in planes taken as this type."""
        return False

    def settle(self, image: Image, window: Window, job: Job) -> Image:
        """The planes that somebody takes from this node's picture, with a part of them made as it should be.

        It is called where ``settles`` says so and pixels that are not finite may be in that part.

        Args:
            image: the planes that are taken; 16-bit floats stay such.
            window: the part of them that is read.
            job: of the frame.
        """
        return image

    def files(self, frame: int, root: Path) -> list[Path]:
        """Files that it reads for a frame: their contents are inputs, and nothing is written over them."""
        return []

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        """Display window of the output: that of the first connected port, unless a kind says otherwise."""
        return next(iter(displays.values()))

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        """Data window of the output: all pixels of colour inputs, unless a kind says otherwise."""
        window = Window(0, 0, 0, 0)
        for port, domain in domains.items():
            if port != "within" and isinstance(types[port], Colour):
                window = window | domain
        return window if not window.empty else next(iter(domains.values()))


@functools.cache
def _numbers_of(kind: type[Node]) -> Mapping[str, Number]:
    pairs = ((name, number_of(info.metadata)) for name, info in kind.model_fields.items())
    return MappingProxyType({name: number for name, number in pairs if number is not None})


class SourceNode(Node):
    """Makes a picture from nothing or from a file."""

    def look_at_frames(self, used: Collection[str], context: Context) -> Iterator[Problem]:
        """Frames whose files do not go with the others, as far as ``used`` channels are concerned."""
        yield from ()

    def source_domain(self, job: Job, display: Window) -> Window:
        """Data window at this frame, at the job's scale."""
        return display

    def produce(self, wanted: Window, display: Window, type: PortType, job: Job) -> Image:
        """The picture, over ``wanted`` or more."""
        raise NotImplementedError


@dataclass(frozen=True)
class Pick:
    """How a view makes one plane: from a plane of its input, or from a constant; times ``factor``."""

    plane: str
    channel: str | None = None
    constant: float = 0.0
    factor: float = 1.0


class ViewNode(Node):
    """Renames and chooses planes; free, but where a plane is brought to another unit."""

    def picks(self, types: Mapping[str, PortType], context: Context) -> Sequence[Pick]:
        """What each plane of the result is."""
        raise NotImplementedError


class PixelNode(Node):
    """One pixel of each input gives one pixel of output; fused with its neighbours.

    The function's arguments are the lanes of each connected or unconnected port in order of declaration
    (colour always four; the alpha of colour without alpha is 1 where it has pixels and 0 outside), then
    ``numbers``. Its results are the lanes of the output type (colour always four; alpha is dropped when the
    type has none).
    """

    #: Default pixel function.
    function: ClassVar[PixelFunction | None] = None
    #: Lanes of a port that is not connected, such as coverage 1 for an open matte.
    open_lanes: ClassVar[Mapping[str, tuple[float, ...]]] = {}

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        """The function for these parameters; may depend on choices, never on numbers over time."""
        assert self.function is not None
        return self.function

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        """The function's trailing arguments at this frame."""
        return ()

    def keeps_nothing(self, types: Mapping[str, PortType], context: Context) -> bool:
        """Whether pixels where all inputs hold nothing come out as nothing. If not, the engine masks them."""
        return True


class Adjustable(Node):
    """A kind that changes colour: limited by a matte ``within`` and an ``amount``, both done by the engine.

    A pixel kind that derives from this has a function of R G B of the port ``adjusts``, then the lanes of its
    other ports, then its numbers, that returns R G B; alpha passes through. ``curve`` tells that the function
    is not a plain multiply, so that premultiplied colour is divided by alpha before it and multiplied after.
    Light without coverage (alpha 0) cannot be divided: the function then acts on the light as it is, less
    what it would make of black, so that nothing comes from nothing and light stays light. Straight colour that
    keeps such light is treated alike, so that the way round through straight colour equals the direct way.

    With ``sees_coverage`` the function takes a fourth lane behind R G B, how much of the pixel is covered: alpha
    where colour is premultiplied, 1 where alpha is not 0 in straight colour made by division, else 1 where there
    are pixels and 0 outside. A kind whose maths can be said in premultiplied terms needs no division then,
    and none of the division's rounding.
    """

    adjusts: ClassVar[str] = "image"
    curve: ClassVar[bool] = False
    sees_coverage: ClassVar[bool] = False

    within: Annotated[str | None, Port((Matte,), doc="limits the change to this matte")] = None
    amount: Annotated[float, Number("how much of the change to use", low=0, high=1)] = 1.0

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types[self.adjusts]

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains[self.adjusts]

    def keeps_nothing(self, types: Mapping[str, PortType], context: Context) -> bool:
        """As for pixel nodes: a curve may lift black where there is no alpha to say that nothing is there."""
        adjusted = types[self.adjusts]
        masks_itself = isinstance(adjusted, Colour) and (adjusted.alpha == "premultiplied" or adjusted.bare_light)
        return not self.curve or masks_itself

    @property
    def mixes(self) -> bool:
        """Whether the result has to be mixed with the input at all."""
        return self.within is not None or self.amount != 1.0


class ColourNode(Adjustable, PixelNode):
    """An `Adjustable` pixel kind with one picture, ``image``."""

    image: Annotated[str, Port(doc="picture to change")]


class AreaNode(Node):
    """Looks at a neighbourhood of each pixel."""

    #: Whether its result grows beyond its inputs only by spreading light. What lands past the frame and past
    #: all overscan is then cut, since it would never be seen. A kind that carries pixels elsewhere says no.
    spreads: ClassVar[bool] = True

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        """Windows of each connected input that ``compute`` must have for ``wanted``.

        Args:
            wanted: window of the result, at the scale of the render.
            domains: data windows of the inputs, by port.
            frame: frame number.
        """
        raise NotImplementedError

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        """The picture over exactly ``wanted``; each image covers exactly its window from ``needs``.

        Pixels that are not finite have been set to 0 before, so none can spread. ``display`` of every
        image is the full frame at the job's scale.
        """
        raise NotImplementedError


class SinkNode(Node):
    """Takes a picture out of the graph. Its own result is the picture itself."""

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return next(iter(types.values()))

    @property
    def replaces_foreign(self) -> bool:
        """Whether its files may take the place of files that others wrote."""
        return False

    def outputs(self, frame: int, root: Path) -> list[Path]:
        """Files written for a frame."""
        raise NotImplementedError

    def takes_half(self, type: PortType) -> bool:
        """Whether its file holds 16-bit floats: then planes may arrive as such, in a `Held`."""
        return False

    def write(self, image: Image, job: Job, notes: Mapping[str, Any]) -> list[Path]:
        """Write the files of a frame; each is whole or absent.

        ``notes`` are header attributes; under `stackcomp.files.mark.ATTRIBUTE` stands the mark that every file
        carries.
        """
        raise NotImplementedError


def colour_of(types: Mapping[str, PortType], port: str) -> Colour:
    """The type at a port that accepts colour only."""
    type = types[port]
    assert isinstance(type, Colour)
    return type


class Sized(BaseModel):
    """Mixin for made-up pictures: a size of their own, or that of another node."""

    size: Annotated[
        tuple[int, int] | None, Field(description="width and height in pixels; left out when `like` gives it")
    ] = None
    like: Annotated[str | None, Port((PortType,), doc="picture whose frame gives the size")] = None

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if (self.size is None) == (self.like is None):
            given = "neither" if self.size is None else "both"
            raise BadValueError(
                f'has {given} of "size" and "like"', 'give one: "size": [width, height] or "like": a node'
            )
        if self.size is not None and not all(1 <= side <= 65536 for side in self.size):
            raise BadValueError(
                f"has a size of {self.size[0]}×{self.size[1]}", "give 1 to 65536 pixels for each side"
            )
        return self

    def sized_window(self, displays: Mapping[str, Window]) -> Window:
        """The frame: of that size, or the other node's."""
        return displays["like"] if self.size is None else Window.of_size(*self.size)
