"""Each law fails for a kind that breaks it, and says where; the laws hold for a kind that is right."""

from __future__ import annotations

import itertools
from typing import Annotated, ClassVar, Literal

import numpy as np
import pytest

from stackcomp import Image, Matte, RequestError, Window
from stackcomp.nodes import AreaNode, ColourNode, Number, PixelFunction, Port, pixel
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


TOYS = [
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


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
@pytest.mark.parametrize("kind", ["toy.twice", "toy.area"])
def test_kinds_that_are_right(law, kind):
    law(Example(kind, {"image": "cg"}))


@pytest.mark.parametrize(
    ("law", "kind", "message"),
    [
        (laws.declared_comes_out, "toy.infinite", "not finite"),
        (laws.changes_something, "toy.idle", 'its result is its input "plate"'),
        (laws.tiles_make_the_whole, "toy.from_corner", r"the tile .*, plane R: \d+ pixels differ, first "),
        (laws.needs_are_all, "toy.greedy", "beyond its needs"),
        (laws.inputs_are_unchanged, "toy.writes", r'its input "plate\.R": \d+ pixels differ'),
        (laws.same_bytes_again, "toy.dice", "has other bytes"),
        (laws.half_size, "toy.full_size_only", "not finite"),
        (laws.fused_is_alone, "toy.other_each_time", "in one loop instead of alone, plane R"),
    ],
)
def test_a_law_that_is_broken(law, kind, message):
    with np.errstate(invalid="ignore"), pytest.raises(AssertionError, match=message):
        law(Example(kind, {"image": "plate"}))


#: Laws that the engine upholds for any kind. A fault is planted in its results.
OF_THE_ENGINE = {
    laws.beyond_is_empty: "far beyond the frame it has pixels",
    laws.made_up_beyond_is_empty: "far beyond the frame it has pixels",
    laws.outside_is_unseen: "in one loop",
}


@pytest.mark.parametrize("law", OF_THE_ENGINE, ids=lambda law: law.__name__)
def test_a_law_that_the_engine_breaks(law, monkeypatch):
    from stackcomp.composition import Executor
    from stackcomp.execute.frame import Result

    results = Executor.results

    def other(self, *arguments, **named):
        for result in results(self, *arguments, **named):
            image = result.image
            window = image.window if not image.window.empty else Window(500, 400, 510, 410)
            planes = {name: np.full(window.shape, next(COUNT), np.float32) for name in image}
            yield Result(result.node, Image(planes, window, image.display, image.type), result.seconds)

    example = Example("toy.area", {"image": "plate"})
    assert law(example)
    monkeypatch.setattr(Executor, "results", other)
    with pytest.raises(AssertionError, match=OF_THE_ENGINE[law]):
        law(Example("toy.area", {"image": "plate"}))


def test_every_law_has_a_case():
    cases = test_a_law_that_is_broken.pytestmark[0].args[1]
    assert {law for law, _, _ in cases} | OF_THE_ENGINE.keys() == set(LAWS)


def test_examples_take_pictures_of_ones_own():
    grey = Image.from_array(np.full((*FRAME.shape, 3), 0.5))
    example = Example("toy.twice", {"image": "mine"}, {"mine": grey})
    assert example.whole["R"][3, 3] == 1.0
    with pytest.raises(RequestError, match='no picture "mien"'):
        print(Example("toy.twice", {"image": "mien"}).given)
    with pytest.raises(RequestError, match="none that is installed has it"):
        print(Example("toy.gone", {"image": "cg"}).checked)
    assert isinstance(law_picture("matte").type, Matte)
