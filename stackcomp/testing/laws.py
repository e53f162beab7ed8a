"""Laws that every kind of node obeys, whatever it does.

Each law is a function of an `Example`. It returns whether it applies to the example, and raises AssertionError
where the kind breaks it. The message names the law, the example, the window, the plane, the pixel and the values.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Matte
from stackcomp.data.window import Window
from stackcomp.document.graph import Graph
from stackcomp.kernels.strips import set_threads
from stackcomp.nodes.base import Adjustable, AreaNode, PixelNode, SinkNode, ViewNode
from stackcomp.plan.planning import make_plan
from stackcomp.plan.steps.sweep import SweepStep
from stackcomp.testing.example import Example
from stackcomp.testing.law_findings import Law, finite, law, require, same, same_plane
from stackcomp.testing.law_pictures import FRAME
from stackcomp.testing.law_values import (
    colour_follows_coverage,
    coverage_is_a_share,
    empty_border_is_unseen,
    finite_stays_finite,
    nothing_is_remembered,
)

__all__ = [
    "LAWS",
    "beyond_is_empty",
    "changes_something",
    "colour_follows_coverage",
    "coverage_is_a_share",
    "declared_comes_out",
    "empty_border_is_unseen",
    "finite_stays_finite",
    "function_fits",
    "fused_is_alone",
    "half_size",
    "inputs_are_unchanged",
    "made_up_beyond_is_empty",
    "needs_are_all",
    "nothing_is_remembered",
    "outside_is_unseen",
    "reach_follows_scale",
    "same_bytes_again",
    "tiles_make_the_whole",
]

_TILE = Window(17, 14, 25, 21)
_SAFE = Window(12, 9, 31, 27)
_FAR = (500, 400, 20, 10)
#: Pixels that a kind may look at around each whatever the scale, such as those of 3×3 or 5×5 filters.
_FIXED_REACH = 3


@law
def function_fits(example: Example) -> bool:
    """A pixel function takes the lanes of its ports and its numbers, and returns the lanes of the result."""
    node = example.checked.node
    if not isinstance(node, PixelNode):
        return False
    plan = make_plan(example.checked_graph, ["it"])
    sweeps = [step for step in plan.steps if isinstance(step, SweepStep)]
    values = [value for step in sweeps for value in step.values if value.key.node == "it"]
    if not values or values[0].mixes_area:
        return False
    value = values[0]
    function, lanes = value.function, len(value.lanes)
    numbers = len(example.ready().numbers(example.checked.types, example.checked_graph.context))
    require(
        len(function.arguments) == lanes + numbers,
        f"its pixel function {function.name} takes {len(function.arguments)} values, but its ports give {lanes} "
        f"and `numbers` gives {numbers}",
    )
    out = 3 if isinstance(node, Adjustable) else _lanes_out(example)
    require(
        function.lanes_out == out,
        f"its pixel function {function.name} returns {function.lanes_out} values, not {out}",
    )
    return True


@law
def declared_comes_out(example: Example) -> bool:
    """The type, the frame and the planes that the check announces come out, finite, and not all of them 0."""
    got, node = example.whole, example.checked
    require(got.type == node.type, f"the check announces {node.type}, but {got.type} comes out")
    require(got.display == node.display, f"its frame is {got.display}, announced was {node.display}")
    require(got.channels == node.type.planes, f"its planes are {got.channels}, announced were {node.type.planes}")
    for name, plane in got.planes.items():
        require(
            plane.dtype == np.float32 and plane.flags.c_contiguous, f"plane {name} is {plane.dtype}, or strided"
        )
        require(plane.shape == got.window.shape, f"plane {name} is {plane.shape}, its window {got.window.shape}")
        finite(plane, got.window, f"plane {name}")
        require(bool(plane.any()), f"plane {name} is 0 everywhere; choose an example that shows something")
    if example.given and not isinstance(node.node, ViewNode | SinkNode) and node.wires.keys() - {"like"}:
        windows = {port: example.picture(example.ports[port]).window for port in node.wires}
        domain = example.ready().domain(windows, node.types)
        if isinstance(node.node, Adjustable):
            domain = domain | windows[node.node.adjusts]
        if node.node.fills_frame:
            domain = domain | node.display
        require(got.window in domain, f"it has pixels in {got.window}, but its domain is {domain}")
    return True


@law
def changes_something(example: Example) -> bool:
    """The picture differs from every input of the same channels: an example that does nothing proves nothing."""
    if not example.given or isinstance(example.checked.node, ViewNode | SinkNode):
        return False
    got = example.whole
    for name, given in example.given.items():
        if given.channels == got.channels:
            unchanged = all(np.array_equal(got.over(FRAME)[c], given.over(FRAME)[c]) for c in given)
            require(not unchanged, f'its result is its input "{name}"')
    return True


@law
def tiles_make_the_whole(example: Example) -> bool:
    """Tiles that are computed by themselves are parts of the whole picture."""
    expected = example.whole
    window = expected.window
    require(not window.empty, "its picture is empty")
    columns = np.linspace(window.x0, window.x1, 4).astype(int).tolist()
    rows = np.linspace(window.y0, window.y1, 3).astype(int).tolist()
    for x0, x1 in pairwise(columns):
        for y0, y1 in pairwise(rows):
            tile = Window(x0, y0, x1, y1)
            got = example.render(window=tile)
            require(got.window == tile, f"the tile {tile} has pixels in {got.window}")
            same(got, expected, tile, f"the tile {tile}", areas=example.computes_areas)
    return True


@law
def beyond_is_empty(example: Example) -> bool:
    """A window far beyond the picture gives a picture without pixels, with all planes."""
    got = example.render(window=_FAR)
    require(got.window.empty, f"far beyond the frame it has pixels in {got.window}")
    require(got.type == example.checked.type, f"without pixels its type is {got.type}, not {example.checked.type}")
    require(got.channels == got.type.planes, f"without pixels it has the planes {got.channels}")
    return True


@law
def needs_are_all(example: Example) -> bool:
    """NaN outside of what a node says that it needs does not reach its result."""
    node = example.checked
    if not node.wires or node.wires.keys() == {"like"}:
        return False
    needs = dict.fromkeys(node.wires, _TILE)
    if isinstance(node.node, AreaNode) and example.computes_areas:
        windows = {port: example.picture(example.ports[port]).window for port in node.wires}
        said_needs = example.ready().needs(_TILE, windows, 1)
        odd = sorted(set(said_needs) - set(windows))
        require(not odd, f"it needs {', '.join(odd)}, but its connected ports are {', '.join(windows)}")
        needs |= {port: window | _TILE for port, window in said_needs.items()}
    safe: dict[str, Window] = {}
    for port, window in needs.items():
        name = example.ports[port]
        safe[name] = safe.get(name, window) | window
    given = {name: _poisoned(example.picture(name), window) for name, window in safe.items()}
    if not any(np.isnan(plane).any() for image in given.values() for plane in image.values()):
        # It needs all of its pictures, so nothing is left that it must not look at.
        return False
    got, expected = example.render(given, window=_TILE), example.render(window=_TILE)
    said = ", ".join(f"{port} {window}" for port, window in needs.items())
    same(got, expected, _TILE, f"the window {_TILE} with NaN beyond its needs ({said})")
    return True


@law
def inputs_are_unchanged(example: Example) -> bool:
    """No plane of an input is written to."""
    before, given = example.given, example.given
    for scale in (1.0, 0.5):
        example.render(given, scale=scale)
        for name, image in before.items():
            for channel, plane in image.items():
                what = f'its input "{name}", plane {channel}'
                same_plane(given[name][channel], plane, image.window, what, bits=True)
    return bool(before)


@law
def same_bytes_again(example: Example) -> bool:
    """The same bytes come out again, with any number of threads."""
    expected = example.whole
    try:
        for threads in (None, 1, 3):
            set_threads(threads)
            got = example.render()
            require(got.window == expected.window, f"with {threads or 'all'} threads its window is {got.window}")
            for name in expected:
                what = f"again, with {threads or 'all'} threads, plane {name}"
                same_plane(got[name], expected[name], got.window, what, bits=True)
    finally:
        set_threads(None)
    return True


@law
def half_size(example: Example) -> bool:
    """At half size the frame, the type and the window are those of the whole, halved, and values are finite."""
    got, full = example.render(scale=0.5), example.whole
    require(got.display == FRAME.scaled(0.5), f"its frame is {got.display}")
    require(got.type == full.type, f"its type is {got.type}, at full size {full.type}")
    # One pixel of slack: a window that starts at an odd pixel reaches into one more.
    require(
        got.window in full.window.scaled(0.5).grow(3), f"its window is {got.window}, at full size {full.window}"
    )
    for name, plane in got.planes.items():
        finite(plane, got.window, f"at half size plane {name}")
    return True


@law
def reach_follows_scale(example: Example) -> bool:
    """A reach of several pixels becomes less in a picture of a quarter of the size: lengths have the unit px."""
    checked = example.checked
    node = checked.node
    # What carries pixels elsewhere, or takes a picture of any size, reaches as far as its fields say.
    if not isinstance(node, AreaNode) or not example.computes_areas or not node.spreads:
        return False
    ports = [port for port in checked.wires if not node.wired_ports()[port].any_size]
    full, quarter = (_reaches(example.ready(scale), list(checked.wires)) for scale in (1.0, 0.25))
    for port in ports:
        before, after = full.get(port, 0), quarter.get(port, 0)
        require(
            before <= _FIXED_REACH or after < before,
            f"port {port} reaches {before} pixels, and {after} in a picture of a quarter of the size; "
            'a length in pixels is a Number with unit="px"',
        )
    return True


@law
def fused_is_alone(example: Example) -> bool:
    """In one loop with its neighbours it gives the same bytes as alone."""
    if not _has_pictures(example):
        return False
    graph = _chain(example, "exposure", {"stops": 0.3}, {"mode": "intersection"})
    type = example.checked.type
    last = "it"
    if isinstance(type, Matte):
        last = graph.add("join_mattes", "after", first="it", second="it")
    elif isinstance(type, Colour) and type.encoding.linear:
        last = graph.add("exposure", "after", image="it", stops=-0.4)
    return _fused_equals_alone(example, graph, last, example.given, bits=True)


@law
def outside_is_unseen(example: Example) -> bool:
    """Pixels that a loop computes outside of a window are never seen, whatever stands there."""
    if not _has_pictures(example):
        return False
    names = dict.fromkeys([*example.given, "cg", "plate", "matte", "other_matte"])
    graph = _chain(
        example,
        "exposure",
        {"stops": 0.3, "within": "other_matte"},
        {"second": "matte", "mode": "intersection", "edges": "shared"},
        names=[*names],
    )
    type = example.checked.type
    last = "it"
    if isinstance(type, Matte):
        last = graph.add("join_mattes", "after", first=last, second="other_matte", edges="shared")
    elif isinstance(type, Colour) and type.encoding.name == "ACEScg" and type.alpha == "premultiplied":
        last = graph.add("over", "after", source=last, backdrop="plate")
    elif isinstance(type, Colour) and type.encoding.name == "ACEScg" and type.alpha == "none":
        last = graph.add("restore", "after", source=last, backdrop="plate", matte="other_matte")
    given = {name: _hostile(example.picture(name), name) for name in names}
    return _fused_equals_alone(example, graph, last, given)


@law
def made_up_beyond_is_empty(example: Example) -> bool:
    """As `beyond_is_empty`, with inputs that are made up and must be told how little of them is needed."""
    if not isinstance(example.checked.node, AreaNode):
        return False
    graph = Graph(frames="1")
    for name, given in example.given.items():
        words = {Matte: "matte", Colour: "colour"}
        if type(given.type) not in words or getattr(given.type, "alpha", "") == "straight":
            return False
        graph.add("flat", name, size=list(FRAME.shape[::-1]), as_=words[type(given.type)])
    graph.add(example.kind, "it", **example.fields)
    executor = Composition(graph, root=example.folder).executor(["it"])
    window = Window(_FAR[0], _FAR[1], _FAR[0] + _FAR[2], _FAR[1] + _FAR[3])
    got = next(iter(executor.results(1, window=window))).image
    require(got.window.empty, f"far beyond the frame it has pixels in {got.window}")
    return True


#: All laws.
LAWS: tuple[Law, ...] = (
    function_fits,
    declared_comes_out,
    changes_something,
    tiles_make_the_whole,
    beyond_is_empty,
    needs_are_all,
    inputs_are_unchanged,
    same_bytes_again,
    half_size,
    reach_follows_scale,
    fused_is_alone,
    outside_is_unseen,
    made_up_beyond_is_empty,
    finite_stays_finite,
    coverage_is_a_share,
    colour_follows_coverage,
    empty_border_is_unseen,
    nothing_is_remembered,
)


# -- parts -----------------------------------------------------------------------------------------------------


def _lanes_out(example: Example) -> int:
    """Results of a function that is not adjusted: colour always has four."""
    type = example.checked.type
    return 4 if isinstance(type, Colour) else len(type.planes)


def _reaches(node: AreaNode, ports: list[str]) -> dict[str, int]:
    """How many pixels a node reads around a window inside large pictures; the largest of the sides.

    A place that it reads wherever the window is, such as a point in focus, lies to one side only: so there are two
    windows, and the smaller number of each side counts.
    """
    whole = Window(-4000, -4000, 4000, 4000)
    sides: dict[str, list[list[int]]] = {}
    for start in (400, -420):
        wanted = Window(start, start, start + 20, start + 20)
        for port, area in node.needs(wanted, dict.fromkeys(ports, whole), 1).items():
            if area != whole:
                far = [wanted.x0 - area.x0, wanted.y0 - area.y0, area.x1 - wanted.x1, area.y1 - wanted.y1]
                sides.setdefault(port, []).append(far)
    return {port: max(map(min, *windows)) for port, windows in sides.items() if len(windows) == 2}


def _poisoned(image: Image, safe: Window) -> Image:
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


def _hostile(image: Image, name: str) -> Image:
    """The picture with negative numbers, infinities and NaN wherever some other picture may have ended."""
    values = np.array([-3, -0.5, np.inf, -np.inf, np.nan, 7], np.float32)
    draw = np.random.default_rng(sum(name.encode()))
    planes = {}
    for channel, plane in image.planes.items():
        wild = values[draw.integers(0, len(values), plane.shape)]
        at = (_SAFE & image.window).slices_in(image.window)
        wild[at] = plane[at]
        planes[channel] = wild
    return Image(planes, image.window, image.display, image.type)


def _has_pictures(example: Example) -> bool:
    """Whether something may be fused with the node."""
    node = example.checked
    return bool(node.wires.keys() - {"like"}) and not isinstance(node.node, ViewNode | SinkNode)


def _chain(
    example: Example, kind: str, fields: Mapping[str, Any], join: Mapping[str, Any], names: list[str] | None = None
) -> Graph:
    """The node behind nodes that fuse with it: a grading of each light, a join of each matte."""
    graph = Graph(frames="1")
    renamed = dict(example.fields)
    for name in names or example.given:
        graph.add("flat", name, size=list(FRAME.shape[::-1]))
    for name, given in example.given.items():
        if isinstance(given.type, Colour) and given.type.encoding.linear:
            graph.add(kind, f"{name}_before", image=name, **fields)
        elif isinstance(given.type, Matte):
            graph.add("join_mattes", f"{name}_before", **{"first": name, "second": name, **join})
        else:
            continue
        for port in (port for port, value in example.ports.items() if value == name):
            field, _, place = port.partition(".")
            if place:
                fed = list(renamed[field])
                fed[int(place)] = f"{name}_before"
                renamed[field] = fed
            else:
                renamed[field] = f"{name}_before"
    graph.add(example.kind, "it", **renamed)
    return graph


def _fused_equals_alone(
    example: Example, graph: Graph, last: str, given: Mapping[str, Image], *, bits: bool = False
) -> bool:
    composition = Composition(graph, root=example.folder)

    def result(fused: bool) -> Image:
        results = composition.results([last], 1, replace=given, fused=fused, warn=lambda *_: None)
        return next(iter(results)).image

    one_loop, alone = result(True), result(False)
    require(one_loop.window == alone.window, f"in one loop its window is {one_loop.window}, alone {alone.window}")
    for name in alone:
        what = f"in one loop instead of alone, plane {name}"
        same_plane(one_loop[name], alone[name], alone.window, what, bits=bits)
    return True
