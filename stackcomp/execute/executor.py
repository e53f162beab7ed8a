"""Fourth stage: computes one frame of a plan.

Windows first: what each value covers at this frame (forward through the steps), then what of it is needed
(backward). Then the steps, each as soon as its inputs are there; a value is dropped after its last reader.
Layers of a file stay at full size between steps; views on them, and what is handed out of them, are brought to the
scale of the render.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import reduce
from operator import or_
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data.image import Image, Plane, all_finite, times
from stackcomp.data.port_types import Depth, Ids, Layers
from stackcomp.data.reach import reachable
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RenderError, StackcompError
from stackcomp.execute.fuse import compiled
from stackcomp.execute.plane_pool import PlanePool
from stackcomp.execute.surroundings import beyond_frame, scaled
from stackcomp.files.file_state import FileState, require_state
from stackcomp.kernels.strips import over_strips
from stackcomp.nodes.base import AreaNode, Job, Node, PixelNode, Port, SinkNode, SourceNode
from stackcomp.nodes.read import Read, settle
from stackcomp.plan.planning import (
    COVERED,
    AreaStep,
    GivenStep,
    Key,
    PixelValue,
    Plan,
    SinkStep,
    SourceStep,
    Step,
    SweepStep,
    ViewStep,
)
from stackcomp.plan.program import Program
from stackcomp.plan.wiring import plane_source, program_of

__all__ = ["Executor", "Result"]


@dataclass(frozen=True)
class Result:
    """One finished node.

    Attributes:
        node: its name.
        image: its picture.
        seconds: time spent on making it (shared by all nodes of a sweep).
        files: files written, for deliver nodes.
    """

    node: str
    image: Image
    seconds: float
    files: tuple[str, ...] = ()


class Executor:
    """Computes frames of one plan. Keeps compiled loops and memory between frames."""

    def __init__(self, plan: Plan, pool: PlanePool | None = None) -> None:
        self.plan = plan
        self.pool = pool or PlanePool()
        self.programs: dict[Any, tuple[Program, list[tuple[Key, list[str]]]]] = {}

    def results(
        self,
        frame: int,
        *,
        scale: float = 1.0,
        window: Window | None = None,
        warn: Callable[[str, str], None] | None = None,
        notes: Callable[[str, int], Mapping[str, Any]] | None = None,
    ) -> Iterator[Result]:
        """Wanted nodes in the order in which they are finished.

        Args:
            frame: frame number.
            scale: 1 for full size, 0.5 for half.
            window: pixels wanted, at full size; everything when None. Where it shows nothing, pictures are empty.
            warn: called with node and message for what is worth knowing but stops nothing.
            notes: gives what a deliver node records in its files.

        Raises:
            RenderError: a node failed; its cause says why.
        """
        return _Frame(self, frame, scale, window, warn, notes).run()

    def outside(self, frame: int, *, window: Window | None, scale: float = 1.0) -> list[Problem]:
        """One finding for each wanted node of which a window shows nothing; no pixel is read.

        Overscan counts: a window may lie beyond the frame where there are pixels.
        """
        return _Frame(self, frame, scale, window, None, None).outside()


class _Frame:
    def __init__(
        self,
        executor: Executor,
        frame: int,
        scale: float,
        window: Window | None,
        warn: Callable[[str, str], None] | None,
        notes: Callable[[str, int], Mapping[str, Any]] | None,
    ) -> None:
        self.executor, self.plan, self.pool = executor, executor.plan, executor.pool
        self.frame, self.scale = frame, scale
        self.window = window
        self.warn_all = warn or (lambda node, message: None)
        self.notes = notes or (lambda node, frame: {})
        self.context = self.plan.checked.context
        self.domains: dict[Key, Window] = {}
        # Frames and all pixels that came in, as far as each value is made of them.
        self.seen: dict[Key, Window] = {}
        self.needs: dict[Key, Window] = {}
        self.values: dict[Key, Image] = {}
        self._nodes: dict[str, Node] = {}
        self.opened: dict[Path, FileState] = {}
        # Time spent on what a node needs before its result, such as what is then mixed with its input.
        self.before: dict[str, float] = {}
        # What no step reads after the one that runs.
        self.spent: list[Key] = []

    # -- small things --------------------------------------------------------------------------------------

    def node(self, name: str) -> Any:
        if name not in self._nodes:
            self._nodes[name] = self.plan.checked.nodes[name].node.at(self.frame, self.scale)
        return self._nodes[name]

    def job(self, name: str) -> Job:
        warn = lambda message: self.warn_all(name, message)  # noqa: E731
        return Job(self.frame, self.scale, self.context, warn, opened=self.opened)

    def display(self, name: str) -> Window:
        return self.plan.checked.nodes[name].display.scaled(self.scale)

    def run(self) -> Iterator[Result]:
        step: Step | None = None
        try:
            for step in self.plan.steps:
                self._domain(step)
                self._see(step)
            self._spread_needs()
            last = self.plan.last_reads()
            for k, step in enumerate(self.plan.steps):
                started = time.perf_counter()
                self.spent = [key for key in step.reads if last.get(key, -1) <= k]
                files = self._step(step)
                seconds = time.perf_counter() - started
                for key in step.makes:
                    if key.tag:
                        self.before[key.node] = self.before.get(key.node, 0.0) + seconds
                yield from self._finished(step, seconds, files)
                for key in {*step.reads, *step.makes}:
                    if last.get(key, -1) <= k:
                        self._drop(key)
        except RenderError:
            raise
        except (
            StackcompError,
            OSError,
            ValueError,
            ArithmeticError,
            LookupError,
            TypeError,
            MemoryError,
        ) as error:
            name = self._blame(step)
            raise RenderError(name, self.frame, str(error) or type(error).__name__) from error

    def outside(self) -> list[Problem]:
        """Said of a window that shows nothing of a picture's frame, nor of pixels beyond it."""
        if self.window is None:
            return []
        try:
            for step in self.plan.steps:
                self._domain(step)
        except (StackcompError, OSError, ValueError):
            return []  # What is wrong with a file is said when the frame is computed.
        problems = []
        for key, name in zip(self.plan.wanted, self.plan.names, strict=True):
            frame = self.plan.checked.nodes[key.node].display
            scale = 1.0 if isinstance(self.plan.types[key], Layers) else self.scale
            if (self.window & frame).empty and (self.window.scaled(scale) & self.domains[key]).empty:
                seen = f"the window {self.window} lies outside of the frame, {frame}"
                problems.append(Problem("window", seen, "choose one that covers pixels of the frame", node=name))
        return problems

    def _blame(self, step: Step | None) -> str:
        if isinstance(step, SweepStep):
            return step.values[-1].key.node
        return step.makes[0].node if step is not None and step.makes else ""

    def _finished(self, step: Step, seconds: float, files: tuple[str, ...]) -> Iterator[Result]:
        for key in step.makes:
            for wanted, name in zip(self.plan.wanted, self.plan.names, strict=True):
                if wanted == key:
                    image = self.values[key]
                    if isinstance(image.type, Layers):
                        image = scaled(image, image.type, self.scale)
                    # What is there may be more than was asked for: all of a file, or what another node needs.
                    image = image.over(self._asked(self._shown(key)))
                    yield Result(name, image, seconds + self.before.get(name, 0.0), files)
                    del image

    def _asked(self, window: Window) -> Window:
        """The part of a window, at the scale of the render, that the caller asked for."""
        return window if self.window is None else window & self.window.scaled(self.scale)

    def _drop(self, key: Key) -> None:
        image = self.values.pop(key, None)
        if image is not None and isinstance(image.planes, dict):
            planes = image.planes
            image = None
            # A picture that somebody else holds keeps its planes: their reference count says so.
            held = [planes[name] for name in planes]
            del planes
            self.pool.give_back(map(held.pop, [-1] * len(held)))

    # -- windows -------------------------------------------------------------------------------------------

    def _domain(self, step: Step) -> None:
        domains = self.domains
        if isinstance(step, GivenStep):
            domains[step.makes[0]] = self._given(step).window
        elif isinstance(step, SourceStep):
            name = step.checked.name
            node: SourceNode = self.node(name)
            full = isinstance(step.checked.type, Layers)
            display = step.checked.display if full else self.display(name)
            domains[step.makes[0]] = node.source_domain(self.job(name), display)
        elif isinstance(step, ViewStep):
            layers = isinstance(self.plan.types[step.reads[0]], Layers)
            source = domains[step.reads[0]]
            domains[step.makes[0]] = source.scaled(self.scale) if layers else source
        elif isinstance(step, SinkStep):
            domains[step.makes[0]] = domains[step.reads[0]]
        elif isinstance(step, AreaStep):
            ports = {port: domains[key] for port, key in step.ports.items()}
            types = {port: self.plan.types[key] for port, key in step.ports.items()}
            area: AreaNode = self.node(step.checked.name)
            found = area.domain(ports, types)
            if area.spreads:
                # What spreads past the frame and past all overscan would only cost time and never be seen.
                found = found & reduce(or_, ports.values(), self.display(step.checked.name))
            domains[step.makes[0]] = found
        elif isinstance(step, SweepStep):
            for value in step.values:
                ports = {port: domains[key] for port, key in value.ports.items()}
                types = {port: self.plan.types[key] for port, key in value.ports.items()}
                if value.mixes_area:
                    domains[value.key] = ports["image"] | ports["raw"]
                else:
                    node = self.node(value.key.node)
                    domains[value.key] = node.domain(ports, types)
                    if node.fills_frame:
                        domains[value.key] |= self.display(value.key.node)

    def _see(self, step: Step) -> None:
        """Note what part of each value may be seen in the end: a picture placed far outside is kept, not shown."""
        if isinstance(step, SweepStep):
            made = {value.key: tuple(value.ports.values()) for value in step.values}
        else:
            made = dict.fromkeys(step.makes, step.reads)
        for key, reads in made.items():
            self.seen[key] = self._scaled_domain(key) if not reads else self.display(key.node)
            for read in reads:
                layers = isinstance(self.plan.types[read], Layers)
                self.seen[key] |= self._scaled_domain(read) if layers else self.seen[read]

    def _scaled_domain(self, key: Key) -> Window:
        """What a value covers, at the scale of the render also where it is held at full size."""
        layers = isinstance(self.plan.types[key], Layers)
        return self.domains[key].scaled(self.scale) if layers else self.domains[key]

    def _shown(self, key: Key) -> Window:
        """The window of a result, at the scale of the render: the same whoever else is computed."""
        return self._scaled_domain(key) & self.seen[key]

    def _need(self, key: Key, window: Window) -> None:
        self.needs[key] = self.needs.get(key, Window(0, 0, 0, 0)) | (window & self.domains[key])

    def _spread_needs(self) -> None:
        for key in self.plan.wanted:
            whole = isinstance(self.plan.types[key], Layers) and self.scale != 1
            self._need(key, self.domains[key] if whole else self._asked(self._shown(key)))
        for step in reversed(self.plan.steps):
            if isinstance(step, SinkStep):
                self._need(step.reads[0], self._shown(step.reads[0]))
                self.needs[step.makes[0]] = self._shown(step.makes[0])
            elif isinstance(step, ViewStep):
                layers = isinstance(self.plan.types[step.reads[0]], Layers)
                whole = layers and self.scale != 1
                self._need(step.reads[0], self.domains[step.reads[0]] if whole else self.needs[step.makes[0]])
            elif isinstance(step, SweepStep):
                window = self._sweep_window(step)
                for key in step.reads:
                    self._need(key, window)
            elif isinstance(step, AreaStep):
                for key in step.reads:
                    self._need(key, Window(0, 0, 0, 0))  # where nothing is wanted, nothing is needed
                for port, window in self._area_needs(step).items():
                    key = step.ports[port]
                    self._need(key, reachable(window, self.domains[key]))

    def _sweep_window(self, step: SweepStep) -> Window:
        window = Window(0, 0, 0, 0)
        for key in step.makes:
            window = window | self.needs.get(key, Window(0, 0, 0, 0))
        return window

    def _area_needs(self, step: AreaStep) -> Mapping[str, Window]:
        node: AreaNode = self.node(step.checked.name)
        wanted = self.needs[step.makes[0]]
        if wanted.empty:
            return {}
        return node.needs(wanted, {port: self.domains[key] for port, key in step.ports.items()})

    # -- steps ---------------------------------------------------------------------------------------------

    def _step(self, step: Step) -> tuple[str, ...]:
        if isinstance(step, GivenStep):
            self.values[step.makes[0]] = self._given(step)
        elif isinstance(step, SourceStep):
            self._source(step)
        elif isinstance(step, ViewStep):
            self._view(step)
        elif isinstance(step, AreaStep):
            self._area(step)
        elif isinstance(step, SweepStep):
            self._sweep(step)
        elif isinstance(step, SinkStep):
            return self._sink(step)
        return ()

    def _given(self, step: GivenStep) -> Image:
        image = self.plan.checked.given[step.makes[0].node]
        return image if isinstance(image.type, Layers) else scaled(image, image.type, self.scale)

    def _source(self, step: SourceStep) -> None:
        key, name = step.makes[0], step.checked.name
        full = isinstance(step.checked.type, Layers)
        display = step.checked.display if full else self.display(name)
        node: SourceNode = self.node(name)
        job = replace(self.job(name), channels=step.channels)
        self.values[key] = node.produce(self.needs[key], display, step.checked.type, job)

    def _view(self, step: ViewStep) -> None:
        source, key = self.values[step.reads[0]], step.makes[0]
        planes: dict[str, Plane] = {}
        for pick in step.picks:
            if pick.channel is not None:
                planes[pick.plane] = times(source[pick.channel], pick.factor)
            else:
                dtype = np.uint32 if isinstance(step.type, Ids) and pick.plane.startswith("id") else np.float32
                planes[pick.plane] = times(np.full(source.window.shape, pick.constant, dtype), pick.factor)
        if isinstance(step.type, Ids):
            planes = {
                name: plane.view(np.uint32) if name.startswith("id") else plane for name, plane in planes.items()
            }
        image = replace(source, planes=planes, type=step.type)
        reader = self.node(step.reads[0].node)
        if isinstance(reader, Read) and not isinstance(step.type, Ids | Depth):
            name = step.reads[0].node
            image = settle(image, reader.non_finite, self.job(name), reader.file(self.frame, self.context.root))
        if isinstance(source.type, Layers):
            image = scaled(image, step.type, self.scale)
        self.values[key] = image

    def _area(self, step: AreaStep) -> None:
        key, name = step.makes[0], step.checked.name
        node: AreaNode = self.node(name)
        wanted = self.needs[key]
        if wanted.empty:
            self.values[key] = self._blank(key, wanted)
            return
        specs = node.ports()
        images = {
            port: self._fetch(self.values[step.ports[port]], window, specs[port], step.ports[port], name)
            for port, window in self._area_needs(step).items()
        }
        # Area kinds work in memory of their own, so whatever is held besides comes on top: let go of it.
        for read in self.spent:
            self._drop(read)
        self.pool.clear()
        job = replace(self.job(name), domains={port: self.domains[read] for port, read in step.ports.items()})
        self.values[key] = node.compute(wanted, images, job, step.checked.type)

    def _fetch(self, image: Image, window: Window, spec: Port, key: Key, name: str) -> Image:
        """An input over exactly ``window``, free of NaN and infinity."""
        if spec.beyond == "frame":
            image = beyond_frame(image, window, self.domains[key])
        image = image.over(window)
        planes, bad = {}, 0
        for channel, plane in image.planes.items():
            planes[channel] = plane
            if plane.dtype == np.float32 and not all_finite(plane):
                finite = np.isfinite(plane)
                bad += int(plane.size - np.count_nonzero(finite))
                planes[channel] = np.where(finite, plane, np.float32(0))
        if bad:
            self.warn_all(name, f'{bad} values of "{key.node}" that are not finite were taken as 0')
        return replace(image, planes=planes)

    def _blank(self, key: Key, window: Window) -> Image:
        type = self.plan.types[key]
        planes = {name: np.zeros(window.shape, np.float32) for name in type.planes}
        return Image(planes, window, self.display(key.node), type)

    def _sink(self, step: SinkStep) -> tuple[str, ...]:
        name = step.checked.name
        node: SinkNode = self.node(name)
        image = self.values[step.reads[0]].over(self._shown(step.reads[0]))
        notes = self.notes(name, self.frame)
        for path, state in self.opened.items():
            # What the notes say of the inputs must be true of those that the picture was made from.
            require_state(path, state)
        files = node.write(image, self.job(name), notes)
        self.values[step.makes[0]] = image
        return tuple(str(path) for path in files)

    # -- sweeps --------------------------------------------------------------------------------------------

    def _masked(self, value: PixelValue, window: Window) -> bool:
        """Whether the loop must give nothing outside the value's own window, as the value alone would."""
        own = self.domains[value.key]
        if window in own:
            return False
        # Where every input ends with it, they all hold nothing out there, and what comes of that is known.
        if any((self.domains[key] & window) not in own for key in value.reads):
            return True
        node: PixelNode = self.node(value.key.node)
        return not value.mixes_area and not node.keeps_nothing(value.checked.types)

    def _bounded(self, step: SweepStep, window: Window) -> tuple[Key, ...]:
        """Values read for their coverage though they have no alpha, where they end inside the window."""
        read = (lane for value in step.values for lane in value.lanes)
        ends = {lane[0]: None for lane in read if isinstance(lane, tuple) and lane[1] == COVERED}
        return tuple(key for key in ends if window not in self.domains[key])

    def _sweep(self, step: SweepStep) -> None:
        window = self._sweep_window(step)
        if window.empty:
            for key in step.makes:
                self.values[key] = self._blank(key, window)
            return
        masked = tuple(self._masked(value, window) for value in step.values)
        bounded = self._bounded(step, window)
        known = (id(step), masked, bounded)
        if known not in self.executor.programs:
            self.executor.programs[known] = program_of(step, masked, bounded, self.plan.types)
        program, inputs = self.executor.programs[known]
        run = compiled(program)
        numbers = np.array([n for value in step.values for n in self._numbers(value)], np.float32)
        images = [(self.values[key], [self.values[key][name] for name in names]) for key, names in inputs]
        integers = np.zeros(program.integers, np.int64)
        ends = [value.key for value, mask in zip(step.values, masked, strict=True) if mask] + list(bounded)
        for k, end in enumerate(ends):
            inner = self.domains[end].shift(-window.x0, -window.y0)
            at = 2 * len(images) + 4 * k
            integers[at : at + 4] = inner.x0, inner.y0, inner.x1, inner.y1
        outputs = [self.pool.take(window.shape) for _ in program.outputs]

        def strip(first: int, last: int) -> None:
            mine = integers.copy()
            planes: list[Plane] = []
            for g, (image, wanted) in enumerate(images):
                if window in image.window:
                    mine[2 * g : 2 * g + 2] = window.y0 - image.window.y0, window.x0 - image.window.x0
                    planes += wanted
                else:
                    rows = Window(window.x0, window.y0 + first, window.x1, window.y0 + last)
                    names = inputs[g][1]
                    part = replace(image, planes={name: image[name] for name in names}).over(rows)
                    mine[2 * g : 2 * g + 2] = -first, 0
                    planes += [part[name] for name in names]
            run(first, last, window.width, numbers, mine, *planes, *outputs)

        over_strips(strip, window.height)
        self._store(step, program, window, outputs)

    def _numbers(self, value: PixelValue) -> list[float]:
        node = self.node(value.key.node)
        if value.mixes_area:
            return [float(node.amount)]
        own = [float(n) for n in node.numbers(value.checked.types, self.context)]
        return [*own, float(node.amount)] if value.amount else own

    def _store(self, step: SweepStep, program: Program, window: Window, outputs: list[Plane]) -> None:
        by_key = {value.key: value for value in step.values}
        index = {value.key: k for k, value in enumerate(step.values)}
        made = dict(zip(program.outputs, outputs, strict=True))
        for key in step.makes:
            planes: dict[str, Plane] = {}
            need = self.needs.get(key, window)
            for name in self.plan.types[key].planes:
                at = plane_source((key, name), by_key)
                if at[0] in index:
                    lane = by_key[at[0]].lane_of(at[1])
                    assert lane is not None
                    plane = made[index[at[0]], lane]
                    planes[name] = plane if need == window else np.ascontiguousarray(plane[need.slices_in(window)])
                else:
                    source = self.values[at[0]]
                    planes[name] = replace(source, planes={at[1]: source[at[1]]}).over(need)[at[1]]
            first = next((self.values[k] for k in step.reads if k in self.values), None)
            notes = first.metadata if first is not None else {}
            self.values[key] = Image(planes, need, self.display(key.node), self.plan.types[key], notes)
