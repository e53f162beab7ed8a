"""Laws that every kind of node obeys, whatever it does.

Each law is a function of an `Example`. It returns whether it applies to the example, and raises AssertionError
where the kind breaks it, with the place and the values.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Matte
from stackcomp.data.window import Window
from stackcomp.document.graph import Graph
from stackcomp.kernels.strips import set_threads
from stackcomp.nodes.base import Adjustable, AreaNode, SinkNode, ViewNode
from stackcomp.testing.example import Example
from stackcomp.testing.law_pictures import FRAME

__all__ = [
    "LAWS",
    "beyond_is_empty",
    "changes_something",
    "declared_comes_out",
    "fused_is_alone",
    "half_size",
    "inputs_are_unchanged",
    "made_up_beyond_is_empty",
    "needs_are_all",
    "outside_is_unseen",
    "same_bytes_again",
    "tiles_make_the_whole",
]

Law = Callable[[Example], bool]

_TILE = Window(17, 14, 25, 21)
_SAFE = Window(12, 9, 31, 27)
_FAR = (500, 400, 20, 10)
#: Tiles of area kinds may differ by this part of the brightest value, since sums begin elsewhere.
_AREA_ROUNDING = 1e-5


def declared_comes_out(example: Example) -> bool:
    """The type, the frame and the planes that the check announces come out, finite, and not all of them 0."""
    got, node = example.whole, example.checked
    _require(got.type == node.type, f"the check announces {node.type}, but {got.type} comes out")
    _require(got.display == node.display, f"its frame is {got.display}, announced was {node.display}")
    for name, plane in got.planes.items():
        _require(
            plane.dtype == np.float32 and plane.flags.c_contiguous, f"plane {name} is {plane.dtype}, or strided"
        )
        _require(plane.shape == got.window.shape, f"plane {name} is {plane.shape}, its window {got.window.shape}")
        _require(bool(np.isfinite(plane).all()), f"plane {name} holds values that are not finite")
        _require(bool(plane.any()), f"plane {name} is 0 everywhere; choose an example that shows something")
    if example.given and not isinstance(node.node, ViewNode | SinkNode) and node.wires.keys() - {"like"}:
        windows = {port: example.picture(example.ports[port]).window for port in node.wires}
        domain = node.node.at(1).domain(windows, node.types)
        if isinstance(node.node, Adjustable):
            domain = domain | windows[node.node.adjusts]
        if node.node.fills_frame:
            domain = domain | node.display
        _require(got.window in domain, f"it has pixels in {got.window}, but its domain is {domain}")
    return True


def changes_something(example: Example) -> bool:
    """The picture differs from every input of the same channels: an example that does nothing proves nothing."""
    if not example.given or isinstance(example.checked.node, ViewNode | SinkNode):
        return False
    got = example.whole
    for name, given in example.given.items():
        if given.channels == got.channels:
            same = all(np.array_equal(got.over(FRAME)[c], given.over(FRAME)[c]) for c in given)
            _require(not same, f'its result is its input "{name}"')
    return True


def tiles_make_the_whole(example: Example) -> bool:
    """Tiles that are computed by themselves are parts of the whole picture."""
    expected = example.whole
    window = expected.window
    _require(not window.empty, "its picture is empty")
    columns = np.linspace(window.x0, window.x1, 4).astype(int).tolist()
    rows = np.linspace(window.y0, window.y1, 3).astype(int).tolist()
    for x0, x1 in pairwise(columns):
        for y0, y1 in pairwise(rows):
            tile = Window(x0, y0, x1, y1)
            got = example.render(window=tile)
            _require(got.window == tile, f"the tile {tile} has pixels in {got.window}")
            _same(got, expected, tile, f"the tile {tile}", areas=example.computes_areas)
    return True


def beyond_is_empty(example: Example) -> bool:
    """A window far beyond the picture gives a picture without pixels, with all planes."""
    got = example.render(window=_FAR)
    _require(got.window.empty, f"far beyond the frame it has pixels in {got.window}")
    _require(got.channels == got.type.planes, f"without pixels it has the planes {got.channels}")
    return True


def needs_are_all(example: Example) -> bool:
    """NaN outside of what a node says that it needs does not reach its result."""
    node = example.checked
    if not node.wires or node.wires.keys() == {"like"}:
        return False
    needs = dict.fromkeys(node.wires, _TILE)
    if isinstance(node.node, AreaNode) and example.computes_areas:
        windows = {port: example.picture(example.ports[port]).window for port in node.wires}
        needs |= {port: window | _TILE for port, window in node.node.at(1).needs(_TILE, windows, 1).items()}
    safe: dict[str, Window] = {}
    for port, window in needs.items():
        name = example.ports[port]
        safe[name] = safe.get(name, window) | window
    given = {name: _poisoned(example.picture(name), window) for name, window in safe.items()}
    got, expected = example.render(given, window=_TILE), example.render(window=_TILE)
    for name in expected:
        _require(
            bool(np.isfinite(got[name]).all()), f"plane {name} of {_TILE} sees pixels beyond its needs {needs}"
        )
    _same(got, expected, _TILE, f"{_TILE} with NaN beyond its needs {needs}")
    return True


def inputs_are_unchanged(example: Example) -> bool:
    """No plane of an input is written to."""
    before = {
        (name, channel): plane.copy() for name, image in example.given.items() for channel, plane in image.items()
    }
    example.render()
    example.render(scale=0.5)
    for (name, channel), plane in before.items():
        _same_plane(
            example.given[name][channel], plane, example.given[name].window, f'its input "{name}.{channel}"'
        )
    return bool(before)


def same_bytes_again(example: Example) -> bool:
    """The same bytes come out again, with any number of threads."""
    expected = example.whole
    try:
        for threads in (None, 1, 3):
            set_threads(threads)
            got = example.render()
            _require(got.window == expected.window, f"with {threads or 'all'} threads its window is {got.window}")
            for name in expected:
                same = got[name].tobytes() == expected[name].tobytes()
                _require(same, f"with {threads or 'all'} threads plane {name} has other bytes")
    finally:
        set_threads(None)
    return True


def half_size(example: Example) -> bool:
    """At half size the frame, the type and the window are those of the whole, halved, and values are finite."""
    got, full = example.render(scale=0.5), example.whole
    _require(got.display == FRAME.scaled(0.5), f"its frame is {got.display}")
    _require(got.type == full.type, f"its type is {got.type}, at full size {full.type}")
    # One pixel of slack: a window that starts at an odd pixel reaches into one more.
    _require(
        got.window in full.window.scaled(0.5).grow(3), f"its window is {got.window}, at full size {full.window}"
    )
    for name, plane in got.planes.items():
        _require(bool(np.isfinite(plane).all()), f"plane {name} holds values that are not finite")
    return True


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
    return _fused_equals_alone(example, graph, last, example.given, bytes=True)


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
    _require(got.window.empty, f"far beyond the frame it has pixels in {got.window}")
    return True


#: All laws.
LAWS: tuple[Law, ...] = (
    declared_comes_out,
    changes_something,
    tiles_make_the_whole,
    beyond_is_empty,
    needs_are_all,
    inputs_are_unchanged,
    same_bytes_again,
    half_size,
    fused_is_alone,
    outside_is_unseen,
    made_up_beyond_is_empty,
)


# -- parts -----------------------------------------------------------------------------------------------------


def _require(holds: bool, message: str) -> None:
    if not holds:
        raise AssertionError(message)


def _same(got: Image, expected: Image, window: Window, what: str, *, areas: bool = False) -> None:
    _require(got.channels == expected.channels, f"{what} has the planes {got.channels}, not {expected.channels}")
    for name in expected:
        a, b = got.over(window)[name], expected.over(window)[name]
        peak = float(np.abs(expected[name]).max(initial=0)) if areas else 0.0
        _same_plane(a, b, window, f"{what}, plane {name}", _AREA_ROUNDING * peak)


def _same_plane(got: Any, expected: Any, window: Window, what: str, most: float = 0.0) -> None:
    if np.array_equal(got, expected, equal_nan=True):
        return
    with np.errstate(invalid="ignore"):
        odd = ~((np.abs(got - expected) <= most) | (np.isnan(got) & np.isnan(expected)) | (got == expected))
    if not odd.any():
        return
    y, x = (int(k) for k in np.argwhere(odd)[0])
    count = int(np.count_nonzero(odd))
    raise AssertionError(
        f"{what}: {count} pixel{'s' if count > 1 else ''} differ, first {window.x0 + x},{window.y0 + y}: "
        f"{got[y, x]!r} instead of {expected[y, x]!r}"
    )


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
        renamed |= {port: f"{name}_before" for port, value in example.ports.items() if value == name}
    graph.add(example.kind, "it", **renamed)
    return graph


def _fused_equals_alone(
    example: Example, graph: Graph, last: str, given: Mapping[str, Image], *, bytes: bool = False
) -> bool:
    composition = Composition(graph, root=example.folder)

    def result(fused: bool) -> Image:
        results = composition.results([last], 1, replace=given, fused=fused, warn=lambda *_: None)
        return next(iter(results)).image

    one_loop, alone = result(True), result(False)
    _require(one_loop.window == alone.window, f"in one loop its window is {one_loop.window}, alone {alone.window}")
    for name in alone:
        what = f"in one loop instead of alone, plane {name}"
        _same_plane(one_loop[name], alone[name], alone.window, what)
        if bytes:
            _require(one_loop[name].tobytes() == alone[name].tobytes(), f"{what}: other bits, as the sign of a 0")
    return True
