"""Every public function with every wrong kind of value: it takes it, or says in words what it takes instead."""

from __future__ import annotations

import pathlib
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import stackcomp
from stackcomp import (
    Colour,
    Composition,
    Correction,
    Depth,
    Encoding,
    FileError,
    Graph,
    GraphError,
    Ids,
    Image,
    Keyed,
    Layers,
    Matte,
    RequestError,
    StackcompError,
    Window,
)

ACESCG = Encoding("ACEScg", "scene-linear")


class Odd:
    """Neither a number nor a text, and its representation is long and has many lines."""

    def __repr__(self) -> str:
        return "odd\n" * 1000


WRONG: dict[str, Any] = {
    "None": None,
    "str": "lantern",
    "empty str": "",
    "NUL": "a\0b",
    "bytes": b"lantern",
    "int": 7,
    "beyond floats": 10**400,
    "negative": -3,
    "huge": 10**40,
    "float": 1.5,
    "nan": float("nan"),
    "inf": float("inf"),
    "complex": 1j,
    "bool": True,
    "list": [],
    "list of text": ["a", "b", "c", "d"],
    "list of numbers": [1, 2, 3, 4],
    "list of lists": [[1], [2, 3]],
    "tuple": (1, 2),
    "set": {1, 2, 3, 4},
    "dict": {},
    "dict of text": {"a": 1},
    "dict of numbers": {1: 2},
    "numpy float": np.float32(0.5),
    "numpy int": np.int64(2),
    "numpy nan": np.float64("nan"),
    "numpy text": np.str_("lantern"),
    "array": np.zeros((2, 2)),
    "array of objects": np.array([None, "a"], dtype=object),
    "array without axes": np.array(1.0),
    "masked": np.ma.masked_array([[1.0, 2.0]], mask=[[True, False]]),
    "path": pathlib.Path("lantern"),
    "class": Matte,
    "type": Matte(),
    "function": lambda: None,
    "object": Odd(),
    "image": Image.from_array(np.zeros((2, 2, 3))),
    "window": Window(0, 0, 2, 2),
    "graph": Graph(),
    "encoding": ACESCG,
}

Call = Callable[[SimpleNamespace, Any], Any]
CALLS: dict[str, Call] = {
    "load path": lambda it, x: stackcomp.load(x),
    "load root": lambda it, x: stackcomp.load(it.folder / "g.json", root=x),
    "load variables": lambda it, x: stackcomp.load(it.folder / "g.json", variables=x),
    "load variables in a list": lambda it, x: stackcomp.load(it.folder / "g.json", variables=[x]),
    "load a variable": lambda it, x: stackcomp.load(it.folder / "g.json", variables={"grey": x}),
    "Composition": lambda it, x: Composition(x),
    "Composition root": lambda it, x: Composition(it.graph, root=x),
    "Composition variables": lambda it, x: Composition(it.graph, variables=x),
    "check": lambda it, x: it.comp.check(x),
    "check frames": lambda it, x: it.comp.check([x]),
    "render node": lambda it, x: it.comp.render(x, 1),
    "render frame": lambda it, x: it.comp.render("plate", x),
    "render window": lambda it, x: it.comp.render("plate", 1, window=x),
    "render scale": lambda it, x: it.comp.render("plate", 1, scale=x),
    "render replace": lambda it, x: it.comp.render("plate", 1, replace=x),
    "render replace by": lambda it, x: it.comp.render("plate", 1, replace={"plate": x}),
    "render replace what": lambda it, x: it.comp.render("plate", 1, replace=_by(x)),
    "results nodes": lambda it, x: list(it.comp.results(x, 1)),
    "results node": lambda it, x: list(it.comp.results([x], 1)),
    "results warn": lambda it, x: it.comp.results(["plate"], 1, warn=x),
    "deliver frames": lambda it, x: it.comp.deliver(x),
    "deliver frame": lambda it, x: it.comp.deliver([x]),
    "deliver nodes": lambda it, x: it.comp.deliver([1], nodes=x),
    "deliver replace": lambda it, x: it.comp.deliver([1], replace=x),
    "deliver warn": lambda it, x: it.comp.deliver([1], warn=_unless_callable(x)),
    "deliver finished": lambda it, x: it.comp.deliver([1], finished=_unless_callable(x)),
    "deliver ended": lambda it, x: it.comp.deliver([1], ended=_unless_callable(x)),
    "executor nodes": lambda it, x: it.comp.executor(x),
    "executor frames": lambda it, x: it.comp.executor(["plate"], frames=x),
    "Graph working_space": lambda it, x: _whole(Graph(working_space=x)),
    "Graph about": lambda it, x: _whole(Graph(about=x)),
    "Graph frames": lambda it, x: _whole(Graph(frames=x)),
    "Graph variables": lambda it, x: _whole(Graph(variables=x)),
    "Graph colour_config": lambda it, x: _whole(Graph(colour_config=x)),
    "Graph.from_json": lambda it, x: Graph.from_json(x),
    "Graph.from_json place": lambda it, x: Graph.from_json('{"stackcomp": 1}', x),
    "Graph.open": lambda it, x: Graph.open(x),
    "Graph.save": lambda it, x: it.graph.save(x),
    "Graph.add kind": lambda it, x: it.graph.add(x),
    "Graph.add kind and name": lambda it, x: it.graph.add(x, "name"),
    "Graph.add name": lambda it, x: it.graph.add("flat", x, size=[2, 2]),
    "Graph.add number": lambda it, x: it.graph.add("exposure", image="plate", stops=x),
    "Graph.add port": lambda it, x: it.graph.add("exposure", image=x),
    "Graph.add path": lambda it, x: it.graph.add("read", path=x),
    "Graph.set node": lambda it, x: it.graph.set(x, colour=0.5),
    "Graph.set field": lambda it, x: it.graph.set("plate", colour=x),
    "Graph.document": lambda it, x: it.graph.document(x),
    "Image planes": lambda it, x: Image(x, it.frame, it.frame, Matte()),
    "Image plane": lambda it, x: Image({"A": x}, it.frame, it.frame, Matte()),
    "Image plane name": lambda it, x: Image(_by(x, it.plane), it.frame, it.frame, Matte()),
    "Image window": lambda it, x: Image({"A": it.plane}, x, it.frame, Matte()),
    "Image display": lambda it, x: Image({"A": it.plane}, it.frame, x, Matte()),
    "Image type": lambda it, x: Image({"A": it.plane}, it.frame, it.frame, x),
    "Image metadata": lambda it, x: Image({"A": it.plane}, it.frame, it.frame, Matte(), x),
    "Image metadata name": lambda it, x: Image({"A": it.plane}, it.frame, it.frame, Matte(), _by(x, 1)),
    "Image metadata value saved": lambda it, x: Image(
        {"A": it.plane}, it.frame, it.frame, Layers(("A",)), {"owner": x}
    ).save(it.folder / "o.exr"),
    "from_array": lambda it, x: Image.from_array(x),
    "from_array matte": lambda it, x: Image.from_array(x, type=Matte()),
    "from_array encoding": lambda it, x: Image.from_array(it.rgb, encoding=x),
    "from_array alpha": lambda it, x: Image.from_array(it.rgb, alpha=x),
    "from_array display": lambda it, x: Image.from_array(it.rgb, display=x),
    "from_array type": lambda it, x: Image.from_array(it.rgb, type=x),
    "from_array origin": lambda it, x: Image.from_array(it.rgb, origin=x),
    "from_array integers": lambda it, x: Image.from_array(it.rgb, integers=x),
    "image[]": lambda it, x: it.image[x],
    "in image": lambda it, x: x in it.image,
    "to_array": lambda it, x: it.image.to_array(x),
    "over": lambda it, x: it.image.over(x),
    "save": lambda it, x: it.image.save(x),
    "save pixel_type": lambda it, x: it.image.save(it.folder / "o.exr", pixel_type=x),
    "save bits": lambda it, x: it.image.save(it.folder / "o.png", bits=x),
    "save quality": lambda it, x: it.image.save(it.folder / "o.jpg", quality=x),
    "save display": lambda it, x: it.image.save(it.folder / "o.png", display=x),
    "save view": lambda it, x: it.image.save(it.folder / "o.png", view=x),
    "save viewing_stops": lambda it, x: it.image.save(it.folder / "o.png", viewing_stops=x),
    "save colour_config": lambda it, x: it.image.save(it.folder / "o.png", colour_config=x),
    "Window": lambda it, x: Window(0, x, 3, 4),
    "Window.of_size": lambda it, x: Window.of_size(x, 2),
    "Window.from_exr": lambda it, x: Window.from_exr(x, (1, 1)),
    "Window.grow": lambda it, x: it.frame.grow(x),
    "Window.shift": lambda it, x: it.frame.shift(x, 0),
    "Window.scaled": lambda it, x: it.frame.scaled(x),
    "Window.slices_in": lambda it, x: it.frame.slices_in(x),
    "in window": lambda it, x: x in it.frame,
    "Encoding name": lambda it, x: Encoding(x, "log"),
    "Encoding family": lambda it, x: Encoding("ACEScg", x),
    "Colour alpha": lambda it, x: Colour(x, ACESCG),
    "Colour encoding": lambda it, x: Colour("none", x),
    "Depth": lambda it, x: Depth(x),
    "Ids": lambda it, x: Ids(x),
    "Layers": lambda it, x: Layers(x),
    "Layers alpha": lambda it, x: Layers(("A",), x),
    "Layers encoding": lambda it, x: Layers(("A",), "none", x),
    "Keyed frames": lambda it, x: Keyed(x, (1.0, 2.0)),
    "Keyed values": lambda it, x: Keyed((1.0, 2.0), x),
    "Keyed between": lambda it, x: Keyed((1.0, 2.0), (1.0, 2.0), x),
    "Keyed.at": lambda it, x: Keyed((1.0, 2.0), (1.0, 2.0)).at(x),
    "Correction slope": lambda it, x: Correction(slope=x),
    "Correction saturation": lambda it, x: Correction(saturation=x),
    "Correction id": lambda it, x: Correction(id=x),
    "read_corrections": lambda it, x: stackcomp.read_corrections(x),
    "write_corrections path": lambda it, x: stackcomp.write_corrections(x, [Correction()]),
    "write_corrections": lambda it, x: stackcomp.write_corrections(it.folder / "o.ccc", x),
    "write_corrections item": lambda it, x: stackcomp.write_corrections(it.folder / "o.ccc", [x]),
    "set_threads": lambda it, x: stackcomp.set_threads(x),
}


def _by(name: Any, value: Any = None) -> Any:
    """A mapping with that key, where it can be one."""
    try:
        return {name: Image.from_array(np.zeros((2, 2, 3))) if value is None else value}
    except TypeError:
        return name


def _unless_callable(value: Any) -> Any:
    return None if callable(value) else value


def _whole(graph: Graph) -> object:
    """Everything that is done with a graph once it is made."""
    graph.to_json()
    repr(graph)
    return Composition(graph)


@pytest.fixture
def it(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    graph = Graph(variables={"grey": 0.5})
    graph.add("flat", "plate", size=[2, 2], colour="${grey}")
    graph.add("deliver", "out", image="plate", path="out.exr")
    graph.save("g.json")
    rgb = np.full((2, 2, 3), 0.25)
    yield SimpleNamespace(
        folder=tmp_path,
        graph=graph,
        comp=Composition(graph),
        frame=Window(0, 0, 2, 2),
        plane=np.zeros((2, 2), np.float32),
        rgb=rgb,
        image=Image.from_array(rgb),
    )
    stackcomp.set_threads(None)


#: Anything may be asked for, and what a header cannot hold is left out of it.
_TAKE_ALL = ("in image", "Image metadata value saved")


@pytest.mark.parametrize("call", list(CALLS))
def test_a_wrong_value_is_taken_or_answered_in_words(it, call):
    refused = 0
    for name, value in WRONG.items():
        try:
            CALLS[call](it, value)
        except StackcompError as error:
            refused += 1
            said = str(error)
            assert len(said.splitlines()) <= 12, f"{name}: {said[:200]}"
            ways = (
                [p.way_out for p in error.problems]
                if isinstance(error, GraphError | RequestError)
                else [_way_out(error)]
            )
            assert ways, name
            # Some messages end in the choices themselves; what a path cannot hold needs no more words.
            assert all(ways) or " — " in said or "a path cannot" in said, f"{name}: no way out in {said!r}"
        except Exception as error:
            pytest.fail(f"{name}: {type(error).__name__}: {error}")
    assert refused >= (0 if call in _TAKE_ALL else 5), f"only {refused} of {len(WRONG)} are refused"


def _way_out(error: StackcompError) -> str:
    return error.way_out if isinstance(error, FileError) else ""
