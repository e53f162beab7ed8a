"""Each law fails for a kind that breaks it, and says where; the laws hold for a kind that is right."""

from __future__ import annotations

import itertools
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
import pytest

from stackcomp import ArgumentError, Colour, Encoding, Image, Matte, RequestError, Window
from stackcomp.nodes import AreaNode, ColourNode, Number, PixelFunction, PixelNode, Port, SourceNode, pixel
from stackcomp.nodes.kinds import KINDS
from stackcomp.testing import FRAME, LAWS, Example, law_picture, laws

COUNT = itertools.count()


@pixel
def _twice(r, g, b, factor):
    return r * factor, g * factor, b * factor


class Twice(ColourNode):
    """Twice the light."""

    function: ClassVar[PixelFunction] = _twice
    kind: Literal["toy.twice"] = "toy.twice"
    factor: Annotated[float, Number("factor")] = 2.0

    def numbers(self, types, context):
        return (self.factor,)


class OtherEachTime(Twice):
    """Another factor at each call."""

    kind: Literal["toy.other_each_time"] = "toy.other_each_time"

    def numbers(self, types, context):
        return (float(next(COUNT)),)


class Area(AreaNode):
    """Each pixel beside itself."""

    kind: Literal["toy.area"] = "toy.area"
    image: Annotated[str, Port(doc="picture")]

    def result(self, types, context):
        return types["image"]

    def domain(self, domains, types):
        return domains["image"].grow(1)

    def needs(self, wanted, domains, frame):
        return {"image": wanted.grow(1)}

    def compute(self, wanted, images, job, type):
        image = images["image"]
        planes = {name: self.made(plane, job)[1:-1, 1:-1] for name, plane in image.items()}
        return Image({name: np.ascontiguousarray(p) for name, p in planes.items()}, wanted, image.display, type)

    def made(self, plane, job):
        return (plane + np.roll(plane, 1, axis=1)) * np.float32(0.5)


class Infinite(Area):
    """Holds infinities."""

    kind: Literal["toy.infinite"] = "toy.infinite"

    def made(self, plane, job):
        return plane + np.float32(np.inf)


class Idle(Area):
    """Does nothing."""

    kind: Literal["toy.idle"] = "toy.idle"

    def made(self, plane, job):
        return plane


class FromCorner(Area):
    """Counts from the corner of what it is asked for."""

    kind: Literal["toy.from_corner"] = "toy.from_corner"

    def made(self, plane, job):
        return plane + np.arange(plane.shape[1], dtype=np.float32)


class Greedy(Area):
    """Says once that it needs little, and takes more."""

    kind: Literal["toy.greedy"] = "toy.greedy"
    calls: ClassVar[list[int]] = []

    def needs(self, wanted, domains, frame):
        self.calls.append(1)
        return {"image": wanted.grow(0 if len(self.calls) == 1 else 3)}

    def compute(self, wanted, images, job, type):
        image = images["image"]
        planes = {name: np.ascontiguousarray(plane[:-6, :-6]) for name, plane in image.items()}
        return Image(planes, wanted, image.display, type)


class Writes(Area):
    """Writes to its input."""

    kind: Literal["toy.writes"] = "toy.writes"

    def needs(self, wanted, domains, frame):
        return {"image": wanted}

    def compute(self, wanted, images, job, type):
        image = images["image"]
        for plane in image.values():
            plane.setflags(write=True)
            plane *= 2
        return Image({name: plane.copy() for name, plane in image.items()}, wanted, image.display, type)


class Dice(Area):
    """Never the same."""

    kind: Literal["toy.dice"] = "toy.dice"

    def made(self, plane, job):
        return plane + np.float32(np.random.default_rng().random())


class FullSizeOnly(Area):
    """Holds infinities at half size."""

    kind: Literal["toy.full_size_only"] = "toy.full_size_only"

    def made(self, plane, job):
        return plane * np.float32(0.5 if job.scale == 1 else np.inf)


class Black(Area):
    """Nothing to see."""

    kind: Literal["toy.black"] = "toy.black"

    def made(self, plane, job):
        return plane * 0


class Signs(Area):
    """The sign of a 0 comes and goes."""

    kind: Literal["toy.signs"] = "toy.signs"

    def made(self, plane, job):
        return np.where(plane > 0.5, plane, np.float32(0.0 if next(COUNT) % 2 else -0.0))


class Made(SourceNode):
    """Grey."""

    kind: Literal["toy.made"] = "toy.made"

    def result(self, types, context):
        return Colour("none", context.working_space)

    def frame_window(self, displays, context):
        return FRAME

    def produce(self, wanted, display, type, job):
        return Image({name: np.full(wanted.shape, 0.5, np.float32) for name in type.planes}, wanted, display, type)


class OtherType(Made):
    """Announces the working space, and gives another one."""

    kind: Literal["toy.other_type"] = "toy.other_type"

    def produce(self, wanted, display, type, job):
        other = Colour("none", Encoding("ACES2065-1", "scene-linear"))
        return super().produce(wanted, display, other, job)


class EmptyIsOther(Made):
    """Grey; of another type where nothing is wanted."""

    kind: Literal["toy.empty_is_other"] = "toy.empty_is_other"

    def produce(self, wanted, display, type, job):
        return super().produce(wanted, display, Matte() if wanted.empty else type, job)


@pixel
def _lift(r, g, b, a):
    return r + 0.1, g + 0.1, b + 0.1, a


class Lifts(PixelNode):
    """Lifts black, also where nothing is, and does not say so."""

    function: ClassVar[PixelFunction] = _lift
    kind: Literal["toy.lifts"] = "toy.lifts"
    image: Annotated[str, Port(doc="picture")]

    def result(self, types, context):
        return types["image"]


class FewNumbers(Twice):
    """Forgets its number."""

    kind: Literal["toy.few_numbers"] = "toy.few_numbers"

    def numbers(self, types, context):
        return ()


class FourForOne(Lifts):
    """Announces a matte, and returns four values."""

    kind: Literal["toy.four_for_one"] = "toy.four_for_one"

    def result(self, types, context):
        return Matte()


class RootOfLight(Area):
    """NaN below 0."""

    kind: Literal["toy.root_of_light"] = "toy.root_of_light"

    def made(self, plane, job):
        return np.sqrt(super().made(plane, job))


@pixel
def _more_coverage(r, g, b, a):
    return r, g, b, a * 2


class MoreCoverage(Lifts):
    """Twice the alpha."""

    function: ClassVar[PixelFunction] = _more_coverage
    kind: Literal["toy.more_coverage"] = "toy.more_coverage"


@pixel
def _square(r, g, b):
    return r * r, g * g, b * b


class Square(ColourNode):
    """Squares premultiplied colour, without the division by alpha."""

    function: ClassVar[PixelFunction] = _square
    kind: Literal["toy.square"] = "toy.square"


class DividedSquare(Square):
    """Squares colour."""

    kind: Literal["toy.divided_square"] = "toy.divided_square"
    curve: ClassVar[bool] = True


class Cut(Area):
    """Says that it has nothing beyond its input, where half of the outermost pixel is."""

    kind: Literal["toy.cut"] = "toy.cut"

    def domain(self, domains, types):
        return domains["image"]


class Keeps(Area):
    """Keeps its first result for every window."""

    kind: Literal["toy.keeps"] = "toy.keeps"
    kept: ClassVar[dict[Any, Image]] = {}

    def compute(self, wanted, images, job, type):
        return self.kept.setdefault((wanted, job.scale), super().compute(wanted, images, job, type))


class LastPeak(Area):
    """Divides by the brightest value of the picture before."""

    kind: Literal["toy.last_peak"] = "toy.last_peak"
    peaks: ClassVar[list[float]] = []

    def compute(self, wanted, images, job, type):
        self.peaks.append(max(float(plane.max(initial=0.1)) for plane in images["image"].values()))
        made = super().compute(wanted, images, job, type)
        factor = np.float32(1 / self.peaks[-2 if len(self.peaks) > 1 else -1])
        return made.with_planes({name: plane * factor for name, plane in made.items()})


class ClipsItsInput(Area):
    """Writes to its input what is the same when written again."""

    kind: Literal["toy.clips_its_input"] = "toy.clips_its_input"

    def needs(self, wanted, domains, frame):
        return {"image": wanted}

    def compute(self, wanted, images, job, type):
        for plane in images["image"].values():
            plane.setflags(write=True)
            np.minimum(plane, np.float32(0.5), out=plane)
        planes = {name: plane * np.float32(0.5) for name, plane in images["image"].items()}
        return Image(planes, wanted, images["image"].display, type)


class NeedsAnother(Area):
    """Needs a picture at a port that it does not have."""

    kind: Literal["toy.needs_another"] = "toy.needs_another"

    def needs(self, wanted, domains, frame):
        return {"image": wanted.grow(1), "depth": wanted}


class OneSize(Area):
    """Reaches as far at any scale."""

    kind: Literal["toy.one_size"] = "toy.one_size"
    radius: Annotated[float, Number("length in pixels, without its unit")] = 5.0

    def needs(self, wanted, domains, frame):
        return {"image": wanted.grow(int(self.radius))}


class InPixels(OneSize):
    """Reaches less in a smaller picture."""

    kind: Literal["toy.in_pixels"] = "toy.in_pixels"
    radius: Annotated[float, Number("length", unit="px")] = 5.0


TOYS = [
    OneSize,
    InPixels,
    RootOfLight,
    MoreCoverage,
    Square,
    DividedSquare,
    Cut,
    Keeps,
    LastPeak,
    ClipsItsInput,
    NeedsAnother,
    OtherType,
    Black,
    Signs,
    EmptyIsOther,
    Lifts,
    FewNumbers,
    FourForOne,
    Twice,
    OtherEachTime,
    Area,
    Infinite,
    Idle,
    FromCorner,
    Greedy,
    Writes,
    Dice,
    FullSizeOnly,
]


@pytest.fixture(autouse=True)
def toys(monkeypatch):
    for toy in TOYS:
        monkeypatch.setitem(KINDS.built_in, toy.kind_name(), toy)
    Greedy.calls.clear()
    Keeps.kept.clear()
    LastPeak.peaks.clear()


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
@pytest.mark.parametrize("kind", ["toy.twice", "toy.area", "toy.divided_square"])
def test_kinds_that_are_right(law, kind):
    law(Example(kind, {"image": "cg"}))


NUMBER = r"-?\d+\.\d+(e-?\d+)?"
PIXELS = rf"\d+ pixels?, first -?\d+,-?\d+: ({NUMBER}|inf|nan)"
#: A law, a kind that breaks it, and what is said of that.
CASES = [
    (laws.function_fits, "toy.few_numbers", "_twice takes 4 values, but its ports give 3 and `numbers` gives 0"),
    (laws.function_fits, "toy.four_for_one", "_lift returns 4 values, not 1"),
    (laws.declared_comes_out, "toy.infinite", rf"plane R: {PIXELS}, which is not finite"),
    (laws.declared_comes_out, "toy.other_type", r"announces .* in ACEScg .* but .* in ACES2065-1 .* comes out"),
    (laws.declared_comes_out, "toy.black", "plane R is 0 everywhere"),
    (laws.changes_something, "toy.idle", 'its result is its input "plate"'),
    (laws.tiles_make_the_whole, "toy.from_corner", rf"the tile .*, plane R: {PIXELS} instead of {NUMBER}"),
    (laws.beyond_is_empty, "toy.empty_is_other", "without pixels its type is matte, not colour"),
    (laws.needs_are_all, "toy.greedy", rf"window .*beyond its needs \(image .*\), plane R: {PIXELS} instead"),
    (laws.inputs_are_unchanged, "toy.writes", rf'its input "plate", plane R: {PIXELS} instead of {NUMBER}'),
    (laws.same_bytes_again, "toy.dice", rf"again, with all threads, plane R: {PIXELS} instead of {NUMBER}"),
    (laws.same_bytes_again, "toy.signs", r"plane R: \d+ pixels, first .*: -?0\.0 instead of -?0\.0"),
    (laws.half_size, "toy.full_size_only", rf"at half size plane R: {PIXELS}, which is not finite"),
    (laws.fused_is_alone, "toy.other_each_time", rf"in one loop instead of alone, plane R: {PIXELS} instead"),
    (laws.reach_follows_scale, "toy.one_size", r"port image reaches 5 pixels, and 5 in a picture of a quarter"),
    (laws.needs_are_all, "toy.needs_another", "it needs depth, but its connected ports are image"),
    (
        laws.inputs_are_unchanged,
        "toy.clips_its_input",
        rf'its input "plate", plane R: {PIXELS} instead of {NUMBER}',
    ),
    (
        laws.finite_stays_finite,
        "toy.root_of_light",
        rf"below 0 and far above 1, plane R: {PIXELS}, which is not fini",
    ),
    (laws.coverage_is_a_share, "toy.more_coverage", rf"plane A has \d+ other pixels, first \d+,\d+: {NUMBER}"),
    (laws.colour_follows_coverage, "toy.square", rf"half of the coverage and light, plane R: {PIXELS} instead"),
    (
        laws.empty_border_is_unseen,
        "toy.cut",
        rf"a border of nothing around its inputs, plane R: {PIXELS} instead of 0",
    ),
    (laws.nothing_is_remembered, "toy.keeps", "other pictures give the result of the first"),
    (laws.nothing_is_remembered, "toy.last_peak", rf"after a render of other pictures, plane R: {PIXELS} instead"),
    (laws.outside_is_unseen, "toy.lifts", rf"in one loop instead of alone, plane R: {PIXELS} instead"),
]


# What is wrong outside of a window shows with a picture that is smaller than the frame.
PICTURES = {
    laws.outside_is_unseen: "cropped",
    laws.coverage_is_a_share: "cg",
    laws.colour_follows_coverage: "cg",
    laws.empty_border_is_unseen: "cg",
}


@pytest.mark.parametrize(
    ("law", "kind", "message"), CASES, ids=[f"{law.__name__}-{kind[4:]}" for law, kind, _ in CASES]
)
def test_a_law_that_is_broken(law, kind, message):
    picture = PICTURES.get(law, "plate")
    example = Example(kind, {} if issubclass(KINDS[kind], SourceNode) else {"image": picture})
    with np.errstate(invalid="ignore"), pytest.raises(AssertionError, match=message) as caught:
        law(example)
    assert str(caught.value).startswith(f"{law.__name__}, {kind}: ")


def test_a_kind_breaks_no_more_laws_than_it_should():
    """Each law is about one thing: `Lifts` is wrong outside of its window alone."""
    broken = []
    for law in LAWS:
        try:
            law(Example("toy.lifts", {"image": "cropped"}))
        except AssertionError:
            broken.append(law)
    assert broken == [laws.outside_is_unseen]


def test_a_kind_that_spoils_its_input_spoils_no_other_test():
    before = {name: plane.copy() for name, plane in law_picture("plate").items()}
    example = Example("toy.clips_its_input", {"image": "plate"})
    example.render()
    for name, plane in law_picture("plate").items():
        np.testing.assert_array_equal(plane, before[name])
    # It is found too where another law has rendered the same example before.
    with pytest.raises(AssertionError, match=r"instead of 0\.\d+"):
        laws.inputs_are_unchanged(example)


def test_a_length_in_pixels_and_a_filter_of_three_by_three_are_right():
    assert laws.reach_follows_scale(Example("toy.in_pixels", {"image": "plate"}))
    assert laws.reach_follows_scale(Example("toy.area", {"image": "plate"}))


def test_coverage_that_was_no_share_before_is_no_fault():
    cg = law_picture("cg")
    more = cg.with_planes(A=cg["A"] * 3)
    assert not laws.coverage_is_a_share(Example("toy.more_coverage", {"image": "more"}, {"more": more}))


def test_a_kind_that_needs_all_of_its_pictures(monkeypatch):
    """Nothing is left then that it must not look at, and the law says nothing about it."""
    monkeypatch.setattr(Area, "needs", lambda self, wanted, domains, frame: {"image": domains["image"] | wanted})
    assert not laws.needs_are_all(Example("toy.area", {"image": "plate"}))


def test_a_law_that_the_engine_breaks(monkeypatch):
    """No kind can break this one, since nothing asks the kind: a fault is planted in the engine's results."""
    from stackcomp.composition import Executor
    from stackcomp.execute.frame import Result

    results = Executor.results

    def other(self, *arguments, **named):
        for result in results(self, *arguments, **named):
            image, window = result.image, Window(500, 400, 510, 410)
            planes = {name: np.ones(window.shape, np.float32) for name in image}
            yield Result(result.node, Image(planes, window, image.display, image.type), result.seconds)

    example = Example("toy.area", {"image": "plate"})
    assert laws.made_up_beyond_is_empty(example)
    monkeypatch.setattr(Executor, "results", other)
    with pytest.raises(AssertionError, match="far beyond the frame it has pixels in 10×10 at"):
        laws.made_up_beyond_is_empty(example)


def test_every_law_has_a_case():
    assert {law for law, _, _ in CASES} | {laws.made_up_beyond_is_empty} == set(LAWS)
    assert {law.__name__ for law in LAWS} | {"LAWS"} == set(laws.__all__)


def test_examples_take_pictures_of_ones_own():
    grey = Image.from_array(np.full((*FRAME.shape, 3), 0.5))
    example = Example("toy.twice", {"image": "mine"}, {"mine": grey})
    assert example.whole["R"][3, 3] == 1.0
    with pytest.raises(ArgumentError, match='the picture "mine" has the frame 8×4'):
        print(Example("toy.twice", {"image": "mine"}, {"mine": Image.from_array(np.ones((4, 8, 3)))}).given)
    with pytest.raises(RequestError, match='no picture "mien"'):
        print(Example("toy.twice", {"image": "mien"}).given)
    with pytest.raises(RequestError, match="none that is installed has it"):
        print(Example("toy.gone", {"image": "cg"}).checked)
    assert isinstance(law_picture("matte").type, Matte)
