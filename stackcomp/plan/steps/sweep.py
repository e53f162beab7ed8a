"""Pixel nodes computed in one loop."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Held, Image, Plane
from stackcomp.data.window import Window
from stackcomp.kernels.strips import over_strips
from stackcomp.nodes.base import PixelNode
from stackcomp.plan.adjusting import weight
from stackcomp.plan.decisions import decisions_of, outcomes
from stackcomp.plan.pixel_value import PixelValue
from stackcomp.plan.program import Program
from stackcomp.plan.steps.base import COVERED, EMPTY, AnyLoop, Frame, Key, Step, keeps_bare_light
from stackcomp.plan.steps.blank import blank
from stackcomp.plan.wiring import plane_source, program_of

__all__ = ["SweepStep"]

_LEAST_PIXELS = 1 << 13
"""Pixels of a strip, at least."""


@dataclass(frozen=True)
class SweepStep(Step):
    """Runs one compiled loop over the window that its results are wanted in; ``makes`` are those stored.

    Those in ``halved`` are read by nothing but files of 16-bit floats, and are made as such.
    """

    values: tuple[PixelValue, ...]
    halved: frozenset[Key] = frozenset()

    @property
    def node(self) -> str:
        return self.values[-1].key.node

    def made_of(self) -> Mapping[Key, Collection[Key]]:
        return {value.key: tuple(value.ports.values()) for value in self.values}

    def domain(self, frame: Frame) -> None:
        for value in self.values:
            ports = {port: frame.domains[key] for port, key in value.ports.items()}
            types = {port: frame.types[key] for port, key in value.ports.items()}
            if value.mixes_area:
                frame.domains[value.key] = ports["image"] | ports["raw"]
                continue
            node: PixelNode = frame.node(value.key.node)
            window = node.domain(ports, types)
            frame.domains[value.key] = window | frame.display(value.key.node) if node.fills_frame else window

    def needs(self, frame: Frame) -> None:
        window = self._window(frame)
        for key in self.reads:
            frame.need(key, window)

    def run(self, frame: Frame) -> tuple[str, ...]:
        window = self._window(frame)
        if window.empty:
            for key in self.makes:
                frame.values[key] = blank(frame, key, window)
            return ()
        masked, bounded, decided, numbers, ends = frame.remembered(id(self), lambda: self._settings(window, frame))
        halved = frozenset(key for key in self.halved if frame.needs.get(key) == window)
        outputs: list[Plane] = []
        watched, counted = self._watched(window, frame), False
        while True:
            half_planes = {key: _half_planes(frame.values[key]) for key in self.reads}
            loop, program, inputs = frame.loop(
                (id(self), masked, bounded, decided, *half_planes.items(), halved, counted, *watched.items()),
                functools.partial(
                    program_of,
                    self.makes,
                    self.values,
                    masked,
                    bounded,
                    decided,
                    frame.types,
                    half_planes=half_planes,
                    halved=halved,
                    counted=counted,
                    watched=watched,
                ),
            )
            integers = self._integers(program, len(inputs), ends, window, frame)
            outputs = outputs or [frame.take_plane(window.shape, half=half) for half in program.half_outputs]
            images = [(frame.values[key], names) for key, names in inputs]
            counts = _counts(loop, window, images, numbers, integers, outputs)
            if counts[-1]:
                # Their node deals with pixels that are not finite, and the loop runs again on what that gives.
                for key in watched:
                    frame.settled(key)
                watched = {}
            elif any(counts) and not counted:
                # Few pictures hold values beyond the range of half; for these the loop runs again, and counts.
                counted = True
            else:
                break
        for key, names in watched.items():
            frame.unsettled[key].planes -= names
        self._store(frame, program, window, outputs, counts)
        return ()

    def _settings(
        self, window: Window, frame: Frame
    ) -> tuple[
        tuple[bool, ...], tuple[Key, ...], tuple[tuple[bool, ...], ...], npt.NDArray[np.float32], list[Key]
    ]:
        """What is masked, bounded and decided, as in `program_of`; all numbers; whose corners the loop gets."""
        masked = tuple(self._masked(value, window, frame) for value in self.values)
        bounded = self._bounded(window, frame)
        numbers_of = [self._numbers(value, frame) for value in self.values]
        decided = tuple(map(_decided, self.values, numbers_of))
        with np.errstate(over="ignore"):
            numbers = np.array([number for own in numbers_of for number in own], np.float32)
        ends = [value.key for value, mask in zip(self.values, masked, strict=True) if mask] + list(bounded)
        return masked, bounded, decided, numbers, ends

    def _watched(self, window: Window, frame: Frame) -> dict[Key, frozenset[str]]:
        """Planes to look at in the loop, where it reads all of them that anybody reads; others are settled now."""
        if not any(key in frame.unsettled for key in self.reads):
            return {}
        by_key = {value.key: value for value in self.values}
        read = {
            (key, "A" if plane == COVERED else plane)
            for value in self.values
            for key, plane in value.planes_read
            if plane != COVERED or keeps_bare_light(frame.types[key])
        }
        # What passes through to the result is not computed with, but must be as it should be all the same.
        read |= {(key, name) for key in self.makes for name in frame.types[key].planes}
        used = {plane_source(plane, by_key) for plane in read}
        found: dict[Key, frozenset[str]] = {}
        for key in self.reads:
            names = frozenset(name for other, name in used if other == key)
            names &= frame.unsettled[key].planes if key in frame.unsettled else frozenset()
            if names and frame.needs[key] in window:
                found[key] = names
            elif names:
                frame.settled(key)
        return found

    def _window(self, frame: Frame) -> Window:
        window = EMPTY
        for key in self.makes:
            window = window | frame.needs.get(key, EMPTY)
        return window

    def _masked(self, value: PixelValue, window: Window, frame: Frame) -> bool:
        """Whether the loop must give nothing outside the value's own window, as the value alone would."""
        own = frame.domains[value.key]
        if window in own:
            return False
        # Where every input ends with it, they all hold nothing out there, and what comes of that is known.
        if any((frame.domains[key] & window) not in own for key in value.reads):
            return True
        node: PixelNode = frame.node(value.key.node)
        return not value.mixes_area and not node.keeps_nothing(value.checked.types, frame.checked.context)

    def _bounded(self, window: Window, frame: Frame) -> tuple[Key, ...]:
        """Values read for their coverage though they have no alpha, where they end inside the window."""
        lanes = (lane for value in self.values for lane in value.lanes)
        ends = {lane[0]: None for lane in lanes if isinstance(lane, tuple) and lane[1] == COVERED}
        return tuple(key for key in ends if window not in frame.domains[key])

    def _numbers(self, value: PixelValue, frame: Frame) -> list[float]:
        node = frame.node(value.key.node)
        own = [] if value.mixes_area else node.numbers(value.checked.types, frame.checked.context)
        # The loop reads as many numbers as the function takes: others would come from memory that is not its own.
        function, wanted = value.function, len(value.function.arguments) - len(value.lanes)
        if len(own) != wanted:
            raise TypeError(f"{function.name} takes {wanted} numbers behind its lanes, but gets {len(own)}")
        return [float(n) for n in own] + ([float(node.amount)] if value.amount else [])

    def _integers(
        self, program: Program, groups: int, ends: Collection[Key], window: Window, frame: Frame
    ) -> npt.NDArray[np.int64]:
        """The loop's integer argument; the offsets of its inputs are filled in for each strip."""
        integers = np.zeros(program.integers, np.int64)
        for k, key in enumerate(ends):
            inner = frame.domains[key].shift(-window.x0, -window.y0)
            at = 2 * groups + 4 * k
            integers[at : at + 4] = inner.x0, inner.y0, inner.x1, inner.y1
        return integers

    def _store(
        self,
        frame: Frame,
        program: Program,
        window: Window,
        outputs: Collection[Plane],
        counts: Sequence[int],
    ) -> None:
        made = {
            (*output, half): (plane, count)
            for output, half, plane, count in zip(
                program.outputs, program.half_outputs, outputs, counts, strict=False
            )
        }
        first = next((frame.values[key] for key in self.reads if key in frame.values), None)
        metadata = first.metadata if first is not None else {}
        for key, sources in self._sources.items():
            planes: dict[str, Plane] = {}
            need, clamped = frame.needs.get(key, window), 0
            for name, source in sources.items():
                if isinstance(source[0], Key):
                    origin, plane_name = source
                    planes[name] = frame.values[origin].plane_over(plane_name, need)
                    continue
                half = key in self.halved and (*source, True) in made
                plane, count = made[*source, half]
                clamped += count
                planes[name] = plane if need == window else np.ascontiguousarray(plane[need.slices_in(window)])
            frame.clamped[key] = clamped
            frame.values[key] = Held.of_made(planes, need, frame.display(key.node), frame.types[key], metadata)

    @functools.cached_property
    def _sources(self) -> dict[Key, dict[str, tuple[int, int] | tuple[Key, str]]]:
        """What each plane of a stored value is: an op with its result lane, or a plane that passes through."""
        by_key = {value.key: value for value in self.values}
        index = {value.key: k for k, value in enumerate(self.values)}
        found: dict[Key, dict[str, tuple[int, int] | tuple[Key, str]]] = {}
        for key in self.makes:
            found[key] = {}
            for name in by_key[key].planes:
                origin, plane_name = plane_source((key, name), by_key)
                lane = by_key[origin].lane_of(plane_name) if origin in index else None
                found[key][name] = (origin, plane_name) if lane is None else (index[origin], lane)
        return found


def _decided(value: PixelValue, numbers: Sequence[float]) -> tuple[bool, ...]:
    """What the numbers of a value decide, as in `program.Op`."""
    lanes = len(value.lanes)
    decided = outcomes(decisions_of(value.function, lanes), numbers, lanes)
    return decided + (outcomes(decisions_of(weight, 0), numbers[-1:], 0) if value.amount else ())


def _half_planes(image: Image) -> frozenset[str]:
    """Names of the planes that hold 16-bit floats."""
    return frozenset(name for name, plane in image.planes.items() if plane.dtype == np.float16)


def _counts(
    loop: AnyLoop,
    window: Window,
    images: Collection[tuple[Image, list[str]]],
    numbers: npt.NDArray[np.float32],
    integers: npt.NDArray[np.int64],
    outputs: Collection[Plane],
) -> list[int]:
    """Fill the outputs, in strips on all threads, and return what the loop counted."""
    counted: list[list[int]] = []
    bound: Callable[..., list[int]] | None = None
    if all(window in image.window for image, _ in images):
        for group, (image, _) in enumerate(images):
            integers[2 * group : 2 * group + 2] = window.y0 - image.window.y0, window.x0 - image.window.x0
        planes_in = [image.planes[name] for image, names in images for name in names]
        bound = loop.on([*planes_in, *outputs], numbers)

    def strip(first: int, last: int) -> None:
        if bound is not None:
            counted.append(bound(first, last, window.width, integers))
            return
        own_integers = integers.copy()
        planes: list[Plane] = []
        for group, (image, names) in enumerate(images):
            if window in image.window:
                offset = window.y0 - image.window.y0, window.x0 - image.window.x0
                planes += [image[name] for name in names]
            else:
                rows = Window(window.x0, window.y0 + first, window.x1, window.y0 + last)
                planes += [image.plane_over(name, rows) for name in names]
                offset = -first, 0
            own_integers[2 * group : 2 * group + 2] = offset
        counted.append(loop(first, last, window.width, numbers, own_integers, *planes, *outputs))

    # Small windows go in few strips, since each one costs some time of its own.
    over_strips(strip, window.height, least=max(16, _LEAST_PIXELS // window.width))
    return list(map(sum, zip(*counted, strict=True)))
