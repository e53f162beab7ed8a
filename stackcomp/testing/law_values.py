"""Laws about values: what is finite stays so, coverage is a share, and no picture leaves a trace in the next."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Colour, Depth, Matte, Ratio
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, PixelNode, SinkNode, ViewNode
from stackcomp.testing.example import Example
from stackcomp.testing.law_findings import AREA_ROUNDING, finite, law, require, same, same_plane
from stackcomp.testing.law_pictures import FRAME

__all__ = [
    "colour_follows_coverage",
    "coverage_is_a_share",
    "empty_border_is_unseen",
    "finite_stays_finite",
    "nothing_is_remembered",
]

#: Values of light: below 0 as filters leave them, nothing, grey, white, and nearly the largest of half floats.
_LIGHT = np.array([-3, -0.5, 0, 1e-30, 0.18, 1, 60000], np.float32)
#: Values of curves for the screen or for storage, which are near 0 to 1.
_CODES = np.array([-0.2, 0, 0.18, 1, 1.2], np.float32)
_RATIOS = np.array([0, 1e-30, 1, 50], np.float32)
#: Metres; where nothing is, depth is 0 or not finite.
_METRES = np.array([0, np.inf, np.nan, 0.5, 3, 10000], np.float32)

# Both keep away from the edges of the frame, where pictures go on.
_SMALL, _LARGE = Window(12, 9, 31, 27), Window(3, 3, 41, 33)


@law
def finite_stays_finite(example: Example) -> bool:
    """Light below 0 and far above 1, ratios of 0, and depth where nothing is give values that are finite."""
    if not example.given:
        return False
    given = {name: _odd(image) for name, image in example.given.items()}
    got = example.render(given)
    for name, plane in got.planes.items():
        finite(plane, got.window, f"with inputs below 0 and far above 1, plane {name}")
    return True


@law
def coverage_is_a_share(example: Example) -> bool:
    """Alpha and mattes are between 0 and 1 where those of the inputs are."""
    got, given = example.whole, example.given
    if isinstance(example.checked.node, ViewNode) or not _covers(got):
        return False
    if any(_covers(image) and _beyond_share(image["A"]).any() for image in given.values()):
        return False
    odd = _beyond_share(got["A"])
    if odd.any():
        values = got["A"][odd]
        y, x = np.argwhere(odd)[0]
        require(
            False,
            f"coverage is 0 to 1, but plane A has {len(values)} other pixel{'s' if len(values) > 1 else ''}, "
            f"first {got.window.x0 + x},{got.window.y0 + y}: {float(values[0])!r}",
        )
    return True


@law
def colour_follows_coverage(example: Example) -> bool:
    """A pixel kind that changes colour gives half of everything where half is covered by the same colour.

    Premultiplied colour is light times coverage. A function of it that is no plain multiply needs ``curve``, or
    ``sees_coverage``.
    """
    node = example.checked.node
    if not isinstance(node, Adjustable) or not isinstance(node, PixelNode):
        return False
    name = example.ports[node.adjusts]
    image = example.picture(name)
    if getattr(image.type, "alpha", "") != "premultiplied" or list(example.ports.values()).count(name) > 1:
        return False
    full = example.whole
    half = example.render({**example.given, name: _changed(image, lambda plane: plane * np.float32(0.5))})
    # Light without coverage is not divided, and so it need not follow.
    bare = ~(image.over(full.window)["A"] > 0)
    for channel in full:
        expected, got = full[channel] * np.float32(0.5), half.over(full.window)[channel]
        most = AREA_ROUNDING * float(np.abs(expected).max(initial=0))
        what = f"with half of the coverage and light, plane {channel}"
        same_plane(np.where(bare, expected, got), expected, full.window, what, most=most)
    return True


@law
def empty_border_is_unseen(example: Example) -> bool:
    """A border of nothing around a picture changes no pixel: the domain has all that the picture reaches."""
    if not example.given or isinstance(example.checked.node, SinkNode):
        return False
    small = {name: _changed(image.over(_SMALL), np.copy) for name, image in example.given.items()}
    large = {name: image.over(_LARGE) if _has_outside(image) else image for name, image in small.items()}
    if all(large[name] is small[name] for name in small):
        return False
    got, expected = example.render(large), example.render(small)
    # Whatever lies beyond the window of the smaller counts as nothing there.
    same(got, expected, FRAME, "with a border of nothing around its inputs", areas=example.computes_areas)
    return True


@law
def nothing_is_remembered(example: Example) -> bool:
    """Other pictures give another result, and the first ones give theirs again afterwards."""
    if not isinstance(example.checked.node, AreaNode) or not example.given:
        return False
    expected = example.render()
    other = {name: _changed(image, _dimmed_and_turned) for name, image in example.given.items()}
    changed = example.render(other)
    repeats = changed.channels == expected.channels and all(
        np.array_equal(changed.over(FRAME)[name], expected.over(FRAME)[name]) for name in expected
    )
    require(not repeats, "other pictures give the result of the first: it is kept from one render to the next")
    again = example.render()
    require(again.window == expected.window, f"after other pictures its window is {again.window}")
    for name in expected:
        what = f"after a render of other pictures, plane {name}"
        same_plane(again[name], expected[name], expected.window, what, bits=True)
    return True


# -- parts -----------------------------------------------------------------------------------------------------


def _changed(image: Image, change: Callable[[Plane], npt.ArrayLike]) -> Image:
    planes = {name: np.ascontiguousarray(change(plane), np.float32) for name, plane in image.planes.items()}
    return Image(planes, image.window, image.display, image.type)


def _dimmed_and_turned(plane: Plane) -> Plane:
    return plane[::-1, ::-1] * np.float32(0.5)


def _odd(image: Image) -> Image:
    """The picture with the values that its type may hold at worst; coverage stays as it is."""
    type = image.type
    if isinstance(type, Depth):
        values = _METRES
    elif isinstance(type, Ratio):
        values = _RATIOS
    elif isinstance(type, Colour) and not type.encoding.linear:
        values = _CODES
    else:
        values = _LIGHT
    draw = np.random.default_rng(11)
    planes = {
        name: plane if name == "A" else values[draw.integers(0, len(values), plane.shape)]
        for name, plane in image.planes.items()
    }
    return Image(planes, image.window, image.display, type)


def _covers(image: Image) -> bool:
    return isinstance(image.type, Colour | Matte) and "A" in image


def _beyond_share(coverage: Plane) -> npt.NDArray[np.bool_]:
    beyond: npt.NDArray[np.bool_] = (coverage < -AREA_ROUNDING) | (coverage > 1 + AREA_ROUNDING)
    return beyond


def _has_outside(image: Image) -> bool:
    """Whether pixels can say that nothing is there, as those outside of the window do."""
    return isinstance(image.type, Matte | Ratio) or getattr(image.type, "alpha", "none") != "none"
