"""One frame of a plan.

Windows first: what each value covers at this frame (forward through the steps), then what of it is needed
(backward). Then the steps, each as soon as its inputs are there; a value is dropped after its last reader.
Layers of a file stay at full size between steps; views on them, and what is handed out of them, are brought to the
scale of the render.
"""

from __future__ import annotations

import contextlib
import functools
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from stackcomp.data.beyond import beyond_frame
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Layers, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BugError, Problem, RenderError, StackcompError
from stackcomp.execute.constants import Constants
from stackcomp.execute.fuse import Loop, compiled
from stackcomp.execute.half_planes import is_finite, widened_image
from stackcomp.execute.plane_pool import PlaneLedger, PlanePool
from stackcomp.execute.surroundings import scaled
from stackcomp.files.file_state import FileState, require_state
from stackcomp.nodes.base import Job, Node, SinkNode
from stackcomp.nodes.kinds import KINDS
from stackcomp.plan.planning import Plan
from stackcomp.plan.program import Program
from stackcomp.plan.steps.area import AreaStep
from stackcomp.plan.steps.base import EMPTY, Key, Step, Unsettled
from stackcomp.plan.steps.sink import SinkStep
from stackcomp.plan.steps.source import SourceStep

__all__ = ["FrameRun", "LoopCache", "Request", "Result", "Submit"]

_Made = TypeVar("_Made")

#: Runs a function in another thread.
Submit = Callable[[Callable[[], tuple[str, ...]]], "Future[tuple[str, ...]]"]
#: Loops of a plan by step and windows: how to run them, their program, and what they read.
LoopCache = dict[object, tuple[Loop, Program, Any]]


@dataclass(frozen=True)
class Result:
    """One finished node.

    Attributes:
        node: its name.
        image: its picture; its planes are read-only.
        seconds: time spent on making it (shared by all nodes of a sweep).
        files: files written, for deliver nodes.
    """

    node: str
    image: Image
    seconds: float
    files: tuple[str, ...] = ()


@dataclass(frozen=True)
class Request:
    """What is asked of one frame.

    Attributes:
        frame: frame number.
        scale: 1 for full size, 0.5 for half.
        window: pixels wanted, at full size; everything when None.
        warn: called with node and message for what stops nothing.
        notes: gives what a deliver node records in its files, for a node and a frame.
    """

    frame: int
    scale: float = 1.0
    window: Window | None = None
    warn: Callable[[str, str], None] | None = None
    notes: Callable[[str, int], Mapping[str, Any]] | None = None


@dataclass(frozen=True)
class Finished:
    """A wanted node whose step is done; its picture is not yet handed out."""

    node: str
    key: Key
    seconds: float
    files: tuple[str, ...]


@dataclass(frozen=True)
class _WatchedJob(Job):
    """A job that tells when the number of the frame is looked at: what a node then makes may differ by frame."""

    asked: Callable[[], None] = lambda: None

    def __getattribute__(self, name: str) -> Any:
        if name == "frame":
            object.__getattribute__(self, "asked")()
        return object.__getattribute__(self, name)


class FrameRun:
    """Computes one frame; this is the `stackcomp.plan.steps.base.Frame` that steps work in."""

    def __init__(
        self,
        plan: Plan,
        request: Request,
        pool: PlanePool,
        loops: LoopCache,
        kept: dict[Any, Any],
        constants: Constants | None = None,
    ) -> None:
        self.plan, self.request, self._kept = plan, request, kept
        self.frame, self.scale = request.frame, request.scale
        self.checked, self.types = plan.checked, plan.types
        self.domains: dict[Key, Window] = {}
        self.needs: dict[Key, Window] = {}
        self.values: dict[Key, Image] = {}
        self.unsettled: dict[Key, Unsettled] = {}
        self.clamped: dict[Key, int] = {}
        # Planes that the ledger counts as held by a value.
        self._held: dict[Key, tuple[Plane, ...]] = {}
        # Frames and all pixels that came in, as far as each value is made of them.
        self._seen: dict[Key, Window] = {}
        self._nodes: dict[str, Node] = {}
        self._opened: dict[Path, FileState] = {}
        self._ledger = PlaneLedger(pool)
        self._loops = loops
        # Values that no step reads after the one that runs.
        self._spent: list[Key] = []
        # Files that are being written by another thread, which `submit` has begun.
        self.writing: list[tuple[str, Future[tuple[str, ...]]]] = []
        self._submit: Submit | None = None
        # Whether windows are known, which values were read ahead, and the step at work.
        self._begun = False
        self._read: set[Key] = set()
        self._current: Step | None = None
        # What all frames have in common, and steps that need not run because of it.
        self._constants = constants
        self._idle: frozenset[int] = frozenset()
        self._said: list[tuple[str, str]] = []
        self._frame_asked = False
        # Time spent on what a node needs before its result, such as what is then mixed with its input.
        self._before: dict[str, float] = {}

    # -- running -------------------------------------------------------------------------------------------

    def results(self) -> Iterator[Result]:
        """Wanted nodes with their pictures, in the order in which they are finished."""
        for finished in self.finished():
            image = self._handed_out(finished.key)
            yield Result(finished.node, image, finished.seconds, finished.files)
            del image

    def finished(self) -> Iterator[Finished]:
        """Wanted nodes in the order in which they are finished. No picture is handed out.

        Raises:
            RenderError: a node failed; its cause says why.
            BugError: a node failed by an exception that no input should cause.
        """
        with self._blamed():
            self._begin()
            last = self.plan.last_reads
            for k, step in enumerate(self.plan.steps):
                if k in self._idle:
                    continue
                self._current = step
                started = time.perf_counter()
                self._spent = [key for key in step.reads if last.get(key, -1) <= k]
                files = self._run(step)
                for key in step.makes:
                    self._hold(key)
                yield from self._wanted(step, time.perf_counter() - started, files)
                # The picture of a file that is still being written stays until the frame is gone.
                waits = self._submit is not None and isinstance(step, SinkStep)
                for key in {*step.reads, *(() if waits else step.makes)}:
                    if last.get(key, -1) <= k:
                        self._drop(key)

    def computed(self, submit: Submit) -> list[tuple[str, Future[tuple[str, ...]]]]:
        """Compute everything and have the files written elsewhere.

        Args:
            submit: runs a function in another thread.

        Returns:
            Deliver nodes, each with what will be its files or the error.

        Raises:
            RenderError, BugError: as in `finished`; ``writing`` holds what was begun before.
        """
        self._submit = submit
        for _ in self.finished():
            pass
        return self.writing

    def read_files(self) -> None:
        """Read all files that the frame is made from. Errors are raised when the frame is computed."""
        with contextlib.suppress(Exception):
            self._begin()
            for k, step in enumerate(self.plan.steps):
                if k in self._idle or not isinstance(step, SourceStep):
                    continue
                if self.node(step.node).files(self.frame, self.checked.context.root):
                    self._run(step)
                    self._read.add(step.makes[0])

    def give_back(self) -> None:
        """Let go of all pictures, so that their memory is used again."""
        for key in list(self.values):
            self._drop(key)

    @property
    def has_area_nodes(self) -> bool:
        """Whether a step needs memory of its own."""
        return any(isinstance(step, AreaStep) for step in self.plan.steps)

    @property
    def input_bytes(self) -> int:
        """Size of the files' planes that were read ahead."""
        return sum(plane.nbytes for key in self._read for plane in self.values[key].planes.values())

    @property
    def picture_bytes(self) -> int:
        """Size of the largest frame with four planes of float32."""
        areas = (node.display.scaled(self.scale).shape for node in self.checked.nodes.values())
        return 16 * max((height * width for height, width in areas), default=0)

    def _begin(self) -> None:
        """Find out what every value covers and what of it is needed, once."""
        if self._begun:
            return
        domains, seen, needs = self.remembered("windows", self._windows)
        self.domains, self._seen, self.needs = dict(domains), dict(seen), dict(needs)
        if self._constants is not None:
            self._take_constants(self._constants)
        self._begun = True

    def _take_constants(self, constants: Constants) -> None:
        known = constants.known(self.needs, self._opened)
        self._idle = constants.idle(known)
        for key, (image, unsettled, clamped) in known.items():
            self.values[key] = image
            self.clamped[key] = clamped
            if unsettled is not None:
                self.unsettled[key] = unsettled
        for node, message in constants.warnings(known):
            self.warn(node, message)

    def _windows(self) -> tuple[dict[Key, Window], dict[Key, Window], dict[Key, Window]]:
        for step in self.plan.steps:
            self._current = step
            step.domain(self)
            self._see(step)
        self._spread_needs()
        return self.domains, self._seen, self.needs

    def remembered(self, key: object, make: Callable[[], _Made]) -> _Made:
        """What was made for a key, kept for further frames where all of them are alike."""
        if not self.plan.steady:
            return make()
        full = (self.scale, self.request.window, key)
        if full not in self._kept:
            self._kept[full] = make()
        made: _Made = self._kept[full]
        return made

    def _run(self, step: Step) -> tuple[str, ...]:
        if step.makes and step.makes[0] in self._read:
            return ()
        constants = self._constants
        if constants is None or not constants.watches(step):
            return step.run(self)
        said, self._frame_asked = len(self._said), False
        files = step.run(self)
        if self._frame_asked:
            constants.asked_for_frame(step)
        constants.keep(
            step,
            self.values,
            self.unsettled,
            self.clamped,
            self._opened,
            self._said[said:],
            lambda image: self._ledger.disown(image.planes.values()),
            self.picture_bytes,
        )
        return files

    @contextlib.contextmanager
    def _blamed(self, name: str | None = None) -> Iterator[None]:
        """Exceptions as errors of a node: of that name, or whose step is the current one."""
        try:
            yield
        except (RenderError, BugError):
            raise
        except (StackcompError, OSError, MemoryError) as error:
            node = self._current_node if name is None else name
            raise RenderError(node, self.frame, str(error) or type(error).__name__) from error
        except (Exception, SystemExit) as error:
            # A kind of another package that exits must not end the program without a word.
            node = self._current_node if name is None else name
            raise BugError("", error, node=node, frame=self.frame, package=self._package(node)) from error

    def _package(self, name: str) -> str:
        """The package of a node's kind; empty for a built-in one."""
        checked = self.plan.checked.nodes.get(name)
        return "" if checked is None else str(KINDS.origin(checked.node.kind) or "")

    @property
    def _current_node(self) -> str:
        return "" if self._current is None else self._current.node

    def outside(self) -> list[Problem]:
        """One finding for each wanted node of which the window shows neither frame nor pixels beyond it."""
        window = self.request.window
        if window is None:
            return []
        try:
            for step in self.plan.steps:
                step.domain(self)
        except (StackcompError, OSError):
            return []  # What is wrong with a file is reported when the frame is computed.
        problems = []
        for key, name in zip(self.plan.wanted, self.plan.names, strict=True):
            display = self.checked.nodes[key.node].display
            scale = 1.0 if isinstance(self.types[key], Layers) else self.scale
            if (window & display).empty and (window.scaled(scale) & self.domains[key]).empty:
                message = f"the window {window} lies outside of the frame, {display}"
                problems.append(
                    Problem("window", message, "choose one that covers pixels of the frame", node=name)
                )
        return problems

    def _wanted(self, step: Step, seconds: float, files: tuple[str, ...]) -> Iterator[Finished]:
        for key in step.makes:
            if key.tag:
                self._before[key.node] = self._before.get(key.node, 0.0) + seconds
        for key in step.makes:
            for wanted, name in zip(self.plan.wanted, self.plan.names, strict=True):
                if wanted == key:
                    yield Finished(name, key, seconds + self._before.get(name, 0.0), files)

    def _handed_out(self, key: Key) -> Image:
        image = self.wide(key)
        if isinstance(image.type, Layers):
            image = self.scaled(image, image.type)
        # What is there may be more than was asked for: all of a file, or what another node needs.
        image = image.over(self._asked(self.shown(key)))
        return replace(image, planes={name: self._ledger.hand_out(plane) for name, plane in image.planes.items()})

    def _drop(self, key: Key, *, reuse: bool = True) -> None:
        self.values.pop(key, None)
        self.unsettled.pop(key, None)
        self._ledger.release(self._held.pop(key, ()), reuse=reuse)

    # -- windows -------------------------------------------------------------------------------------------

    def _see(self, step: Step) -> None:
        """Note what part of each value may be seen in the end: a picture placed far outside is kept, not shown."""
        for key, reads in step.made_of().items():
            self._seen[key] = self._scaled_domain(key) if not reads else self.display(key.node)
            for read in reads:
                layers = isinstance(self.types[read], Layers)
                self._seen[key] |= self._scaled_domain(read) if layers else self._seen[read]

    def _spread_needs(self) -> None:
        for key in self.plan.wanted:
            whole = isinstance(self.types[key], Layers) and self.scale != 1
            self.need(key, self.domains[key] if whole else self._asked(self.shown(key)))
        for step in reversed(self.plan.steps):
            self._current = step
            step.needs(self)

    def _asked(self, window: Window) -> Window:
        """The part of a window, at the scale of the render, that the caller asked for."""
        asked = self.request.window
        return window if asked is None else window & asked.scaled(self.scale)

    def _scaled_domain(self, key: Key) -> Window:
        """What a value covers, at the scale of the render also where it is held at full size."""
        layers = isinstance(self.types[key], Layers)
        return self.domains[key].scaled(self.scale) if layers else self.domains[key]

    # -- what steps ask for; see `stackcomp.plan.steps.base.Frame` -------------------------------------------

    def node(self, name: str) -> Any:
        """A node with its numbers at this frame and scale."""
        if name not in self._nodes:
            with self._blamed(name):
                self._nodes[name] = self.checked.ready(name, self.frame, self.scale, self._opened)
        return self._nodes[name]

    def job(self, name: str, **more: Any) -> Job:
        """What a node may need to know; ``more`` are fields of `Job`."""
        context = self.checked.context
        return _WatchedJob(
            self.frame,
            self.scale,
            context,
            lambda text: self.warn(name, text),
            opened=self._opened,
            asked=self._ask_for_frame,
            **more,
        )

    def _ask_for_frame(self) -> None:
        self._frame_asked = True

    def display(self, name: str) -> Window:
        """A node's frame."""
        return self.checked.nodes[name].display.scaled(self.scale)

    def warn(self, name: str, message: str) -> None:
        """Report what stops nothing."""
        if self._constants is not None:
            self._said.append((name, message))
        if self.request.warn is not None:
            self.request.warn(name, message)

    def shown(self, key: Key) -> Window:
        """The window of a result: the same whatever else is computed."""
        return self._scaled_domain(key) & self._seen[key]

    def need(self, key: Key, window: Window) -> None:
        """Add to what is read of a value."""
        self.needs[key] = self.needs.get(key, EMPTY) | (window & self.domains[key])

    def scaled(self, image: Image, type: PortType) -> Image:
        """A full-size picture at the scale of the render."""
        return scaled(image, type, self.scale)

    def beyond_frame(self, image: Image, window: Window, domain: Window) -> Image:
        """The picture with its outermost pixels repeated beyond those edges of the frame that it reaches."""
        return beyond_frame(image, window, domain)

    def take_plane(self, shape: tuple[int, int], *, half: bool = False) -> Plane:
        """Memory for a plane of floats that the value of this step will hold."""
        return self._ledger.take(shape, half=half)

    def settled(self, key: Key, *, whole: bool = False) -> Image:
        """A value, after its node has dealt with pixels that are not finite.

        Only pixels that somebody reads are looked at, so that the rest of a file changes nothing.
        """
        image = self.values[key]
        unsettled = self.unsettled.pop(key, None)
        window = image.window if whole else self.needs.get(key, EMPTY) & image.window
        if unsettled is not None and not window.empty:
            seen = window.slices_in(image.window)
            if not all(is_finite(image[name][seen]) for name in unsettled.planes):
                node = unsettled.node
                self._put(key, self.node(node).settle(image, window, self.job(node)))
        return self.values[key]

    def wide(self, key: Key, *, whole: bool = False) -> Image:
        """A value, settled, with all numbers as float32; the ``whole`` of it, or what is read of it."""
        return widened_image(self.settled(key, whole=whole))

    def _put(self, key: Key, image: Image) -> None:
        """Hold another picture in place of a value."""
        held = self._held.pop(key, None)
        self.values[key] = image
        if held is not None:
            self._hold(key)
            self._ledger.release(held)

    def _hold(self, key: Key) -> None:
        self._held[key] = tuple(self.values[key].planes.values())
        self._ledger.hold(self._held[key])

    def make_room(self) -> None:
        """Drop values that no later step reads, and free memory that waits to be used again."""
        for key in self._spent:
            self._drop(key, reuse=False)  # the step that runs reads them still
        self._ledger.free_memory()

    def loop(self, key: object, make: Callable[[], tuple[Program, Any]]) -> tuple[Loop, Program, Any]:
        """A compiled loop, its program and what was made with it."""
        if key not in self._loops:
            program, more = make()
            self._loops[key] = (compiled(program), program, more)
        return self._loops[key]

    def write(self, name: str, image: Image, clamped: int) -> tuple[str, ...]:
        """Write the files of a deliver node and return their paths; none yet where another thread writes them."""
        write = functools.partial(self._write, name, image, clamped)
        if self._submit is None:
            return write()
        self.writing.append((name, self._submit(write)))
        return ()

    def _write(self, name: str, image: Image, clamped: int) -> tuple[str, ...]:
        with self._blamed(name):
            node: SinkNode = self.node(name)
            notes = {} if self.request.notes is None else self.request.notes(name, self.frame)
            for path, state in list(self._opened.items()):
                # What the notes say of the inputs must be true of those that the picture was made from.
                require_state(path, state)
            return tuple(str(path) for path in node.write(image, self.job(name, clamped=clamped), notes))
