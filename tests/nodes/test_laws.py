"""Laws that every kind of node obeys, whatever it does. A new kind needs an entry in `ENTRIES`.

Every entry is an example of a node that does something, with pictures whose windows differ: one smaller than
the frame, one with overscan, one without alpha.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stackcomp import (
    KINDS,
    Composition,
    Depth,
    Graph,
    Image,
    Layers,
    Matte,
    Ratio,
    Window,
    set_threads,
)
from stackcomp.check.check_graph import check_graph
from stackcomp.data.arguments import window as window_of
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.files import exr
from stackcomp.nodes.base import Adjustable, AreaNode

FRAME = Window.of_size(44, 36)
CROP = Window(3, 2, 40, 35)
HIGHER = Window(5, 0, 44, 31)
OVERSCAN = Window(-2, -1, 46, 38)
TILE = Window(17, 14, 25, 21)
LOG = Encoding("ACEScct", "log")


def noise(seed: int, window: Window, channels: int) -> np.ndarray:
    return np.random.default_rng(seed).random((*window.shape, channels)).astype(np.float32)


def image(pixels: np.ndarray, window: Window, **more: Any) -> Image:
    return Image.from_array(pixels, origin=(window.x0, window.y0), display=FRAME, **more)


@cache
def picture(name: str) -> Image:
    """Pictures by name: fresh noise, highlights above 1, light under alpha 0, hard and soft edges."""
    match name:
        case "cg" | "straight":
            pixels = noise(1, CROP, 4) * [3, 3, 3, 1]
            pixels[..., 3] = np.clip(pixels[..., 3] * 3 - 1, 0, 1)
            pixels[..., :3] *= np.where(pixels[..., 3:] > 0, pixels[..., 3:], 0.25)
            return image(pixels, CROP, alpha="premultiplied" if name == "cg" else "straight")
        case "plate":
            return image(noise(2, OVERSCAN, 3) * 2, OVERSCAN)
        case "cropped":
            return image(noise(3, HIGHER, 3), HIGHER)
        case "log":
            return image(noise(4, CROP, 3), CROP, type=Colour("none", LOG))
        case "matte":
            return image(np.clip(noise(5, CROP, 1) * 3 - 1, 0, 1), CROP, type=Matte())
        case "other_matte":
            return image(noise(6, FRAME, 1), FRAME, type=Matte())
        case "ratio":
            return image(noise(7, CROP, 3) * 1.2, CROP, type=Ratio())
        case "depth":
            return image(1 + 4 * noise(8, FRAME, 1), FRAME, type=Depth())
        case _:
            names = ("R", "G", "B", "A", "mask")
            planes = {plane: noise(9, CROP, 1)[..., 0] + k for k, plane in enumerate(names)}
            type = Layers(names, "premultiplied", Encoding("ACEScg", "scene-linear"))
            return Image(planes, CROP, FRAME, type)


@dataclass(frozen=True, eq=False)
class Example:
    """A kind with fields that make it do something; fields that name pictures are its inputs."""

    kind: str
    fields: dict[str, Any] = field(default_factory=dict)

    @property
    def given(self) -> dict[str, Image]:
        ports = KINDS[self.kind].ports()
        return {name: picture(name) for port, name in self.fields.items() if port in ports}

    @property
    def label(self) -> str:
        choice = [str(v) for k, v in self.fields.items() if k in ("mode", "to", "falloff", "edges")]
        return " ".join([self.kind, *choice])

    def graph(self) -> Graph:
        graph = Graph(frames="1")
        for name in self.given:
            graph.add("flat", name, size=list(FRAME.shape[::-1]))
        graph.add(self.kind, "it", **self.fields)
        return graph


GRADE = {"slope": [1.2, 0.8, 1.1], "offset": [0.05, 0, -0.1], "power": [0.8, 1.5, 1], "saturation": 1.3}
LENS = {"focal_length": 100, "f_number": 0.7, "focus_distance": 2, "gate_width": 36, "largest_radius": 4}
TILT = [1.05, 0.1, 2, -0.05, 0.95, 1, 0.001, 0.0005, 1]
#: Kinds with their examples. Operators and modes have tests of their own; here some of each shape.
ENTRIES: dict[str, list[dict[str, Any]]] = {
    "read": [{"path": "a.exr", "encoding": "ACEScg"}],
    "deliver": [{"image": "cg", "path": "o.exr"}],
    "flat": [{"size": [44, 36], "colour": [0.5, 1, 2], "coverage": 0.5}],
    "ramp": [{"like": "plate", "direction": "down", "last": [3, 2, 1]}],
    "pick_channels": [
        {"layers": "file", "as_": "matte", "channels": {"A": "mask"}},
        {"layers": "file", "as_": "depth", "channels": {"Z": "mask"}, "unit": "ft"},
    ],
    "premultiply": [{"image": "straight"}],
    "unpremultiply": [{"image": "cg"}],
    "convert_colour": [{"image": "cg", "to": "ACES2065-1"}, {"image": "cg", "to": "ACEScct"}, {"image": "log"}],
    "exposure": [{"image": "cg", "stops": 0.7, "within": "other_matte", "amount": 0.5}],
    "channel_gain": [{"image": "plate", "gain": [2, 0.5, 1.5], "within": "matte"}],
    "colour_matrix": [{"image": "cg", "matrix": [1.2, -0.1, 0, 0.1, 0.8, 0, 0.3, 0, 1]}],
    "cdl": [{"image": "cg", "amount": 0.75, **GRADE}, {"image": "cropped", "clamp": True, **GRADE}],
    "match_black": [{"image": "cg", "black": [0.1, 0.05, 0.02], "within": "matte"}],
    "over": [{"source": "cg", "backdrop": "plate"}],
    "porter_duff": [
        {"source": "cg", "backdrop": "cropped", "mode": operator}
        for operator in ("source-in", "destination-over", "xor")
    ],
    "blend": [{"source": "cg", "backdrop": "cropped", "mode": mode} for mode in ("soft-light", "color-burn")],
    "multiply_shadow": [
        {"backdrop": "plate", "shadow": "ratio", "gamma": 1.4, "tint": [0.1, 0.2, 0.3], "black": 0.01},
        {"backdrop": "cg", "shadow": "cg", "density": 0.8, "floor": 0.1, "within": "other_matte"},
    ],
    "holdout": [{"image": "cg", "matte": "other_matte"}],
    "restore": [{"source": "cropped", "backdrop": "plate", "matte": "other_matte"}],
    "join_mattes": [
        {"first": "matte", "second": "other_matte", "edges": edges} for edges in ("crossing", "shared")
    ],
    "invert_matte": [{"matte": "matte"}],
    "soft_matte": [{"matte": "matte", "grow": 1.5, "feather": 0.7, "curve": 1.2}],
    "glow": [
        {"image": "cg", "radius": 0.8, "falloff": "gaussian", "matte": "matte", "threshold": 0.3},
        {"image": "plate", "radius": 1, "falloff": "gaussian", "output": "moved", "within": "other_matte"},
    ],
    "defocus": [{"image": "cg", "depth": "depth", **LENS}, {"image": "plate", "radius": 2.5, "amount": 0.5}],
    "place": [{"image": "cg", "turn": 20, "pivot": [20, 15], "scale": 0.9, "move": [2.3, -1]}],
    "clean_patch": [{"backdrop": "plate", "patch": "cropped", "homography": TILT, "feather": 2}],
}
EXAMPLES = [Example(kind, fields) for kind, some in ENTRIES.items() for fields in some]


every = pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.label)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("laws")
    planes = {name: noise(k, CROP, 1)[..., 0] for k, name in enumerate("RGBA")}
    exr.write(folder / "a.exr", planes, window=CROP, display=FRAME, pixel_type="float")
    return folder


@pytest.fixture(scope="module")
def make(folder):
    def make(example: Example, given: dict[str, Image] | None = None, fused: bool = True, **options: Any) -> Image:
        comp = Composition(example.graph(), root=folder)
        given = example.given if given is None else given
        if "window" in options:
            # The engine computes any tile; only people are told when theirs lies outside of the frame.
            options["window"] = window_of(options["window"])
        executor = comp.executor(["it"], replace=given, fused=fused)
        results = executor.results(1, warn=lambda *_: None, **options)
        return next(iter(results)).image

    return make


@pytest.fixture(scope="module")
def whole(make):
    return cache(make)


def checked(example: Example, folder: Path) -> Any:
    graph, problems = check_graph(example.graph().document(), folder, wanted=["it"], given=example.given)
    assert graph is not None, problems
    return graph


def computes_areas(example: Example, folder: Path) -> bool:
    graph = checked(example, folder)
    node = graph.nodes["it"]
    return isinstance(node.node, AreaNode) and not node.node.fuses(node.types, graph.context)


def same(got: Image, expected: Image, window: Window, areas: bool) -> None:
    assert got.channels == expected.channels
    for name in expected:
        a, b = got.over(window)[name], expected.over(window)[name]
        if areas:
            peak = float(np.abs(expected[name]).max(initial=0))
            np.testing.assert_allclose(a, b, rtol=0, atol=1e-5 * peak, err_msg=name)
        else:
            np.testing.assert_array_equal(a, b, err_msg=name)


def test_every_kind_has_an_entry():
    assert set(ENTRIES) == set(KINDS), "add the new kind to ENTRIES, with fields that make it do something"


@every
def test_what_was_declared_comes_out(example, whole, folder):
    got, node = whole(example), checked(example, folder).nodes["it"]
    assert got.type == node.type
    assert got.display == node.display
    assert tuple(got.planes) == node.type.planes
    for plane in got.planes.values():
        assert plane.dtype == np.float32
        assert plane.shape == got.window.shape
        assert plane.flags.c_contiguous
        assert np.isfinite(plane).all()
        assert plane.any()
    if example.given and example.kind not in ("ramp", "deliver", "pick_channels"):
        windows = {port: picture(example.fields[port]).window for port in node.wires}
        domain = node.node.at(1).domain(windows, node.types)
        if isinstance(node.node, Adjustable):
            domain = domain | windows[node.node.adjusts]
        if node.node.fills_frame:
            domain = domain | node.display
        assert got.window in domain


@every
def test_it_does_something(example, whole):
    """An entry that changes nothing would prove nothing."""
    got = whole(example)
    if example.kind in ("read", "deliver", "flat", "ramp", "pick_channels"):
        return
    for given in example.given.values():
        if given.channels == got.channels:
            # A kind that only passes a picture on would be found equal to it.
            assert any(not np.array_equal(got.over(FRAME)[name], given.over(FRAME)[name]) for name in given)


@every
def test_tiles_make_the_whole(example, make, whole, folder):
    expected, areas = whole(example), computes_areas(example, folder)
    window = expected.window
    assert not window.empty
    columns = np.linspace(window.x0, window.x1, 4).astype(int).tolist()
    rows = np.linspace(window.y0, window.y1, 3).astype(int).tolist()
    for x0, x1 in pairwise(columns):
        for y0, y1 in pairwise(rows):
            tile = Window(x0, y0, x1, y1)
            got = make(example, window=tile)
            assert got.window == tile
            same(got, expected, tile, areas)


@every
def test_a_window_beyond_the_picture_is_empty(example, make):
    got = make(example, window=(500, 400, 20, 10))
    assert got.window.empty
    assert got.channels == got.type.planes


def poisoned(image: Image, safe: Window) -> Image:
    """The picture with NaN in every pixel outside a window."""
    planes = {}
    for name, plane in image.planes.items():
        bad = np.full_like(plane, np.nan)
        inner = safe & image.window
        if not inner.empty:
            at = inner.slices_in(image.window)
            bad[at] = plane[at]
        planes[name] = bad
    return Image(planes, image.window, image.display, image.type)


@every
def test_nothing_outside_what_it_needs_is_looked_at(example, make, folder):
    if not example.given or example.kind == "ramp":
        pytest.skip("it looks at no picture")
    node = checked(example, folder).nodes["it"]
    needs = dict.fromkeys(node.wires, TILE)
    if isinstance(node.node, AreaNode) and node.node.ports():
        windows = {port: picture(example.fields[port]).window for port in node.wires}
        areas = computes_areas(example, folder)
        needs |= {port: w | TILE for port, w in node.node.at(1).needs(TILE, windows, 1).items()} if areas else {}
    safe: dict[str, Window] = {}
    for port, window in needs.items():
        name = example.fields[port]
        safe[name] = safe.get(name, window) | window
    given = {name: poisoned(picture(name), window) for name, window in safe.items()}
    assert any(np.isnan(plane).any() for image in given.values() for plane in image.planes.values())
    got, expected = make(example, given, window=TILE), make(example, window=TILE)
    for name in expected:
        assert np.isfinite(got[name]).all()
        np.testing.assert_array_equal(got[name], expected[name], err_msg=name)


@every
def test_inputs_are_left_alone(example, make):
    given = example.given
    before = {
        name: {channel: plane.copy() for channel, plane in image.planes.items()} for name, image in given.items()
    }
    make(example)
    make(example, scale=0.5)
    for name, planes in before.items():
        for channel, plane in planes.items():
            np.testing.assert_array_equal(given[name][channel], plane, err_msg=f"{name}.{channel}")


@every
def test_again_and_with_any_number_of_threads_the_same_bytes(example, make, whole):
    expected = whole(example)
    try:
        for threads in (None, 1, 3):
            set_threads(threads)
            got = make(example)
            assert got.window == expected.window
            for name in expected:
                assert got[name].tobytes() == expected[name].tobytes()
    finally:
        set_threads(None)


@every
def test_half_size(example, make, whole):
    got, full = make(example, scale=0.5), whole(example)
    assert got.display == FRAME.scaled(0.5)
    assert got.type == full.type
    # One pixel of slack: a window that starts at an odd pixel reaches into one more.
    assert got.window in full.window.scaled(0.5).grow(3)
    for plane in got.planes.values():
        assert np.isfinite(plane).all()


def chained(example: Example) -> Graph | None:
    """The node between other nodes that fuse with it, so that there is something to fuse."""
    graph = Graph(frames="1")
    renamed = dict(example.fields)
    ports = KINDS[example.kind].ports()
    for name, given in example.given.items():
        graph.add("flat", name, size=list(FRAME.shape[::-1]))
        if isinstance(given.type, Colour) and given.type.encoding.linear:
            graph.add("exposure", f"{name}_before", image=name, stops=0.3)
        elif isinstance(given.type, Matte):
            graph.add("join_mattes", f"{name}_before", first=name, second=name, mode="intersection")
        else:
            continue
        renamed |= {
            port: f"{name}_before" for port, value in example.fields.items() if port in ports and value == name
        }
    graph.add(example.kind, "it", **renamed)
    return graph


@every
def test_fused_is_the_same_as_one_by_one(example, folder):
    kind = KINDS[example.kind]
    if not example.given or example.kind in ("deliver", "pick_channels", "ramp"):
        pytest.skip("nothing fuses with it")
    graph = chained(example)
    assert graph is not None
    type = checked(example, folder).nodes["it"].type
    last = "it"
    if isinstance(type, Matte):
        last = graph.add("join_mattes", "after", first="it", second="it")
    elif isinstance(type, Colour) and type.encoding.linear:
        last = graph.add("exposure", "after", image="it", stops=-0.4)
    comp = Composition(graph, root=folder)

    def result(fused: bool) -> Image:
        results = comp.results([last], 1, replace=example.given, fused=fused, warn=lambda *_: None)
        return next(iter(results)).image

    one_loop, one_by_one = result(True), result(False)
    assert one_loop.window == one_by_one.window, kind
    for name in one_loop:
        assert one_loop[name].tobytes() == one_by_one[name].tobytes(), name


SAFE = Window(12, 9, 31, 27)


def hostile(name: str) -> Image:
    """The picture with negative numbers, infinities and NaN wherever some other picture may have ended."""
    image = picture(name)
    values = np.array([-3, -0.5, np.inf, -np.inf, np.nan, 7], np.float32)
    draw = np.random.default_rng(sum(name.encode()))
    planes = {}
    for channel, plane in image.planes.items():
        wild = values[draw.integers(0, len(values), plane.shape)]
        wild[SAFE.slices_in(image.window)] = plane[SAFE.slices_in(image.window)]
        planes[channel] = wild
    return Image(planes, image.window, image.display, image.type)


def hostile_chain(example: Example) -> tuple[Graph, str]:
    """The node behind nodes that end inside the frame and before one that sees all of it."""
    graph = Graph(frames="1")
    renamed = dict(example.fields)
    ports = KINDS[example.kind].ports()
    for name in {*example.given, "cg", "plate", "matte", "other_matte"}:
        graph.add("flat", name, size=list(FRAME.shape[::-1]))
    for name, given in example.given.items():
        if isinstance(given.type, Colour) and given.type.encoding.linear:
            graph.add("exposure", f"{name}_before", image=name, stops=0.3, within="other_matte")
        elif isinstance(given.type, Matte):
            graph.add(
                "join_mattes", f"{name}_before", first=name, second="matte", mode="intersection", edges="shared"
            )
        else:
            continue
        renamed |= {
            port: f"{name}_before" for port, value in example.fields.items() if port in ports and value == name
        }
    graph.add(example.kind, "it", **renamed)
    return graph, "it"


PIXEL_EXAMPLES = [e for e in EXAMPLES if e.given and e.kind not in ("deliver", "pick_channels", "ramp")]


@pytest.mark.parametrize("example", PIXEL_EXAMPLES, ids=lambda example: example.label)
def test_what_lies_outside_a_window_is_never_seen(example, folder):
    graph, last = hostile_chain(example)
    type = checked(example, folder).nodes["it"].type
    if isinstance(type, Matte):
        last = graph.add("join_mattes", "after", first=last, second="other_matte", edges="shared")
    elif isinstance(type, Colour) and type.encoding.name == "ACEScg" and type.alpha == "premultiplied":
        last = graph.add("over", "after", source=last, backdrop="plate")
    elif isinstance(type, Colour) and type.encoding.name == "ACEScg" and type.alpha == "none":
        last = graph.add("restore", "after", source=last, backdrop="plate", matte="other_matte")
    given = {name: hostile(name) for name in graph.nodes if name in {*example.given, "cg", "plate", "matte"}}
    given["other_matte"] = hostile("other_matte")
    comp = Composition(graph, root=folder)

    def result(fused: bool) -> Image:
        results = comp.results([last], 1, replace=given, fused=fused, warn=lambda *_: None)
        return next(iter(results)).image

    one_loop, one_by_one = result(True), result(False)
    assert one_loop.window == one_by_one.window
    for name in one_loop:
        np.testing.assert_array_equal(one_loop[name], one_by_one[name], err_msg=name)


@pytest.mark.parametrize("kind", [kind for kind in ENTRIES if issubclass(KINDS[kind], AreaNode)])
def test_a_window_beyond_made_up_pictures_is_empty(kind, folder):
    """As above, with sources that must be told how little of them is needed."""
    example = Example(kind, ENTRIES[kind][0])
    graph = Graph(frames="1")
    for name, given in example.given.items():
        words = {Matte: "matte", Colour: "colour"}
        if type(given.type) not in words or getattr(given.type, "alpha", "") == "straight":
            pytest.skip("no node makes such a picture")
        graph.add("flat", name, size=[44, 36], as_=words[type(given.type)])
    graph.add(kind, "it", **example.fields)
    executor = Composition(graph, root=folder).executor(["it"])
    got = next(executor.results(1, window=window_of((500, 400, 20, 10)))).image
    assert got.window.empty
