"""`Composition`: a graph made ready to check, render and deliver. What `stackcomp.load` returns."""

from __future__ import annotations

import contextlib
import dataclasses
import warnings
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from stackcomp.check.check_graph import check_graph
from stackcomp.check.checked import CheckedGraph
from stackcomp.check.outputs import Outputs
from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike, VariablesLike, WindowLike
from stackcomp.data.given_pictures import pictures
from stackcomp.data.image import Image
from stackcomp.data.port_types import Layers
from stackcomp.deliver.provenance import notes_for
from stackcomp.document.given_variables import files_among
from stackcomp.document.given_variables import variables as variables_given
from stackcomp.document.graph import Graph, described
from stackcomp.document.model import Document
from stackcomp.errors import (
    ArgumentError,
    BugError,
    CheckError,
    Problem,
    RequestError,
    StackcompWarning,
    WorkError,
    cut,
    did_you_mean,
    unknown_node,
)
from stackcomp.execute.executor import Executor, Result
from stackcomp.execute.plane_pool import PlanePool
from stackcomp.nodes.base import SinkNode
from stackcomp.plan.planning import make_plan

__all__ = ["Composition", "Prepared", "load"]

#: Plans that are kept, for renders of other nodes in turn.
_MOST_PLANS = 16
#: Called with a node's name and a message.
Warn = Callable[[str, str], None]


def load(path: PathLike, *, root: PathLike = ".", variables: VariablesLike | None = None) -> Composition:
    """Read a graph file.

    Args:
        path: the JSON file.
        root: folder against which relative paths in the graph resolve.
        variables: values for ``${name}``; they go before the graph's own. A mapping, the path of a JSON file
            that holds one, or a list of these, of which the later win.

    Raises:
        ArgumentError: an argument that makes no sense, or a file of variables that is not there.
        DocumentError: the file cannot be understood; it holds every problem found.
    """
    return Composition(Graph.open(path), root=root, variables=variables)


class Composition:
    """A graph with its variables filled in.

    Args:
        graph: the graph.
        root: folder against which relative paths resolve.
        variables: values for ``${name}``, as in `load`; they go before the graph's own.
        variable_files: files that these values were read from, so that nothing is written over them; those that
            stand in ``variables`` are known.

    Raises:
        ArgumentError: as in `load`; also a path where a graph is wanted.
        DocumentError: a field, a value or a variable is wrong; it holds every problem found.
    """

    def __init__(
        self,
        graph: Graph,
        *,
        root: PathLike = ".",
        variables: VariablesLike | None = None,
        variable_files: Iterable[PathLike] = (),
    ) -> None:
        if not isinstance(graph, Graph):
            raise ArgumentError(
                "graph",
                f"{cut(repr(graph), 80)} is not a Graph",
                "stackcomp.load opens a file; Graph.from_json takes JSON text",
            )
        self.graph = graph
        self.root = arguments.file_path(root, "root")
        given = variables_given(variables)
        self.given: Mapping[str, Any] = given
        files = (*files_among(variables), *variable_files)
        self.variable_files = tuple(arguments.file_path(file, "variable_files") for file in files)
        self.document: Document = graph.document(given)
        self._unused = _unused(graph, given)
        self._pool = PlanePool()
        self._executors: dict[Any, Executor] = {}

    def __repr__(self) -> str:
        sinks = f", delivers {cut(', '.join(self.sinks), 80)}" if self.sinks else ", no deliver node"
        kinds = [node.kind for node in self.document.nodes.values()]
        description = described(self.document.place, kinds, self.document.head.frames)
        return f"<Composition{description}{sinks}, root {cut(str(self.root), 80)}>"

    @property
    def frames(self) -> list[int]:
        """The frames that the graph is about."""
        return self.document.frames

    @property
    def nodes(self) -> list[str]:
        """Names of the nodes, as written."""
        return list(self.document.nodes)

    @property
    def unused_variables(self) -> tuple[Problem, ...]:
        """A warning about variables that were given values and are used nowhere."""
        return self._unused

    @property
    def sinks(self) -> list[str]:
        """Names of the deliver nodes."""
        return [name for name, node in self.document.nodes.items() if isinstance(node, SinkNode)]

    def check(self, frames: Collection[int] | None = None, *, replace_foreign: bool = False) -> list[Problem]:
        """Everything that is wrong or doubtful, from the graph and file headers alone; no pixel is read.

        Args:
            frames: frames to check files for; the graph's own when None.
            replace_foreign: as in `deliver`.
        """
        chosen = None if frames is None else arguments.frame_numbers(frames)
        outputs = self._outputs(None, replace_foreign)
        return [*self._unused, *check_graph(self.document, self.root, frames=chosen, outputs=outputs)[1]]

    def _outputs(self, nodes: tuple[str, ...] | None, replace_foreign: bool = False) -> Outputs:
        return Outputs(nodes, replace_foreign, self.variable_files)

    def render(
        self,
        node: str,
        frame: int,
        *,
        window: WindowLike | None = None,
        scale: float = 1.0,
        replace: Mapping[str, Image] | None = None,
    ) -> Image:
        """One node's picture at one frame.

        Args:
            node: name of the node; a deliver node gives the picture it would write, and writes nothing.
            frame: frame number.
            window: pixels wanted, at full size, as a `Window`, as x, y, width and height, or as
                ``"x,y,w,h"``; all when None. It shows pixels of the frame, or of overscan beyond it.
            scale: size of the result; 0.5 is half. Lengths in pixels in the graph follow by themselves.
            replace: pictures to use instead of the results of these nodes. Of any type: a matte or depth made
                with `Image.from_array` stands in for a node that gives one. They are checked like what they
                replace, and what only the replaced node depends on is neither read nor checked.

        Returns:
            The picture over its data window, or the part of it inside ``window``.

        Raises:
            CheckError: something is wrong with the nodes it depends on; it holds every problem.
            RequestError: an argument that makes no sense, such as a window outside of the frame.
            RenderError: a node failed while computing.
        """
        (result,) = self.results([arguments.node_name(node)], frame, window=window, scale=scale, replace=replace)
        return result.image

    def results(
        self,
        nodes: Collection[str],
        frame: int,
        *,
        window: WindowLike | None = None,
        scale: float = 1.0,
        replace: Mapping[str, Image] | None = None,
        fused: bool = True,
        warn: Warn | None = None,
        prepared: Prepared | None = None,
    ) -> Iterator[Result]:
        """Several nodes' pictures, each as soon as it is finished.

        Args:
            nodes: names of nodes.
            frame: frame number.
            window: as in `render`.
            scale: as in `render`.
            replace: as in `render`.
            fused: compute neighbouring pixel nodes in one loop; False computes, and times, each by itself.
            warn: called with node and message for what stops nothing; Python's warnings when None.
            prepared: from `prepare`, so that nothing is checked again; without ``replace``.

        Raises:
            CheckError, RequestError, RenderError: as in `render`.
        """
        number, scale, region = (
            arguments.frame_number(frame),
            arguments.scale_factor(scale),
            arguments.window(window),
        )
        report: Warn = arguments.callback(warn, "warn") or _python_warning
        wanted, given = arguments.names(nodes), pictures(replace)
        if prepared is not None and not given:
            executor = prepared.executor(wanted, (number,), fused=fused)
        else:
            executor = self._executor(wanted, (number,), given, fused=fused)
        outside = executor.outside(number, window=region, scale=scale)
        if outside:
            raise RequestError(outside)
        return executor.results(number, window=region, scale=scale, warn=report)

    def deliver(
        self,
        frames: Collection[int] | None = None,
        *,
        nodes: Collection[str] | None = None,
        replace: Mapping[str, Image] | None = None,
        replace_foreign: bool = False,
        warn: Warn | None = None,
        finished: Callable[[int, str], None] | None = None,
        ended: Callable[[int, WorkError | BugError | None], None] | None = None,
        prepared: Prepared | None = None,
        overlap: bool = True,
    ) -> list[Path]:
        """Write the files of the deliver nodes.

        Args:
            frames: frame numbers; the graph's own when None.
            nodes: names of deliver nodes; all when None.
            replace: pictures to use instead of the results of these nodes, at every frame.
            replace_foreign: files that this program did not write, and deliveries of other graphs or for other
                shots, may be replaced. What the graph reads never is.
            warn: called with node and message for what stops nothing; Python's warnings when None.
            finished: called with frame and node after each file is whole.
            ended: called after each frame with its number and None, or the error where it failed. A
                failure then does not stop the frames behind it; when None, the first one is raised.
            prepared: as in `results`.
            overlap: read the files of the next frame, and write those of the last one, while a frame is
                computed; False does one thing after the other, and takes less memory.

        Returns:
            The files, in the order written.

        Raises:
            CheckError: something is wrong with the graph or its files; nothing was written.
            RenderError: a frame failed and there is no ``ended``; files written before it are whole.
        """
        chosen = arguments.frame_numbers(self.frames if frames is None else frames)
        sinks = arguments.names(self.sinks if nodes is None else nodes)
        for name, function in (("warn", warn), ("finished", finished), ("ended", ended)):
            arguments.callback(function, name)
        self._deliverable(chosen, sinks)
        outputs, given = self._outputs(sinks, replace_foreign), pictures(replace)
        if prepared is not None and not given:
            executor = prepared.executor(sinks, chosen, fused=True, outputs=outputs)
        else:
            executor = self._executor(sinks, chosen, given, fused=True, outputs=outputs)
        report = warn or _python_warning
        written: list[Path] = []
        if overlap and len(chosen) > 1:
            # Closed at once where a callback raises, so that no further file is begun.
            with contextlib.closing(executor.write_all(chosen, notes=self._notes)) as outcomes:
                for outcome in outcomes:
                    for doubt in outcome.doubts:
                        report(*doubt)
                    for node, files in outcome.written:
                        written += map(Path, files)
                        if finished is not None:
                            finished(outcome.frame, node)
                    _end(outcome.frame, outcome.failure, ended)
            return written
        for frame in chosen:
            failure: WorkError | BugError | None = None
            try:
                for node, files in executor.write(frame, warn=report, notes=self._notes):
                    written += map(Path, files)
                    if finished is not None:
                        finished(frame, node)
            except (WorkError, BugError) as error:
                failure = error
            _end(frame, failure, ended)
        return written

    def _deliverable(self, frames: tuple[int, ...], sinks: tuple[str, ...]) -> None:
        place = self.document.place
        if not frames:
            raise CheckError(
                Problem(
                    "frames",
                    "no frames to deliver",
                    'give frames, or write "frames": "1001-1008" into the graph',
                    place=place,
                )
            )
        if not sinks:
            raise CheckError(
                Problem(
                    "no-deliver",
                    "the graph has no deliver node, so there is nothing to write",
                    'add {"kind": "deliver", "image": …, "path": …}',
                    place=place,
                )
            )
        for name in sinks:
            node = self.document.nodes.get(name)
            if node is not None and not isinstance(node, SinkNode):
                raise CheckError(
                    Problem(
                        "no-deliver",
                        f"is of kind {node.kind}, and writes nothing",
                        "name a deliver node, or render this one to a picture",
                        node=name,
                        place=place,
                    )
                )

    def _notes(self, node: str, frame: int) -> Mapping[str, Any]:
        return notes_for(self.document, self.root, node, frame)

    def prepare(
        self,
        nodes: Collection[str],
        frames: Collection[int],
        *,
        delivered: Collection[str] = (),
        replace_foreign: bool = False,
    ) -> Prepared:
        """Check once for many calls: `results` and `deliver` that get what this returns check nothing again.

        Args:
            nodes: names of nodes.
            frames: frames that will be rendered.
            delivered: those of the nodes that will write their files.
            replace_foreign: as in `deliver`.

        Returns:
            The checked graph; ``checked.warnings`` are what is doubtful.

        Raises:
            CheckError: something is wrong with the nodes or what they depend on; it holds every problem.
        """
        wanted, chosen = arguments.names(nodes), arguments.frame_numbers(frames)
        outputs = self._outputs(arguments.names(delivered), replace_foreign)
        checked = self._checked(wanted, chosen, {}, outputs)
        return Prepared(checked, frozenset(wanted), frozenset(chosen), outputs, self._pool)

    def executor(
        self,
        nodes: Collection[str],
        *,
        frames: Collection[int] = (1,),
        replace: Mapping[str, Image] | None = None,
        fused: bool = True,
    ) -> Executor:
        """What computes these nodes, checked and planned; for callers that render many frames themselves.

        Args:
            nodes: names of nodes.
            frames: frames whose files are checked to be there.
            replace: as in `results`.
            fused: as in `results`.

        Raises:
            CheckError: as in `render`.
        """
        wanted, chosen = arguments.names(nodes), arguments.frame_numbers(frames)
        return self._executor(wanted, chosen, pictures(replace), fused=fused)

    def _checked(
        self, nodes: tuple[str, ...], frames: tuple[int, ...], given: dict[str, Image], outputs: Outputs
    ) -> CheckedGraph:
        checked, problems = check_graph(
            self.document, self.root, frames=frames, wanted=nodes, given=given, outputs=outputs
        )
        if checked is None:
            raise CheckError(problem for problem in problems if problem.severity == "error")
        return checked

    def _executor(
        self,
        nodes: tuple[str, ...],
        frames: tuple[int, ...],
        given: dict[str, Image],
        *,
        fused: bool,
        outputs: Outputs | None = None,
    ) -> Executor:
        sinks = outputs is not None
        unknown = [name for name in given if name not in self.document.nodes]
        if unknown:
            raise CheckError(unknown_node(name, self.nodes, option="replace") for name in unknown)
        # Check and plan see of a given picture what it is and where it lies, not its pixels.
        seen = tuple((name, *_seen(image)) for name, image in given.items())
        key = (nodes, frames, fused, sinks, seen)
        executor = self._executors.get(key)
        if executor is None:
            checked = self._checked(nodes, frames, given, outputs or self._outputs(()))
            # Without the pictures, which belong to the caller.
            plan = make_plan(dataclasses.replace(checked, given={}), nodes, fused=fused, sinks=sinks, given=given)
            executor = Executor(plan, self._pool)
            while len(self._executors) >= _MOST_PLANS:
                del self._executors[next(iter(self._executors))]
            self._executors[key] = executor
        elif outputs is not None:
            # What is there may be other files by now.
            clashes = list(outputs.clashes(self.document, self.root, frames, nodes))
            if clashes:
                raise CheckError(dataclasses.replace(problem, place=self.document.place) for problem in clashes)
        return executor.with_given(given) if given else executor


class Prepared:
    """Nodes and frames that were checked together, and what computes them.

    Attributes:
        checked: the checked graph.
    """

    def __init__(
        self,
        checked: CheckedGraph,
        nodes: frozenset[str],
        frames: frozenset[int],
        outputs: Outputs,
        pool: PlanePool,
    ) -> None:
        self.checked = checked
        self._nodes, self._frames, self._outputs, self._pool = nodes, frames, outputs, pool
        self._executors: dict[Any, Executor] = {}

    def executor(
        self, nodes: tuple[str, ...], frames: tuple[int, ...], *, fused: bool, outputs: Outputs | None = None
    ) -> Executor:
        """What computes some of the nodes.

        Raises:
            RequestError: nodes, frames or ways of writing that were not checked.
        """
        sinks = outputs is not None
        for what, asked, known in (("nodes", nodes, self._nodes), ("frames", frames, self._frames)):
            others = [item for item in asked if item not in known]
            if others:
                message = f"{cut(', '.join(map(str, others)), 80)} was not prepared"
                raise RequestError(what, message, "name it in Composition.prepare")
        if sinks and outputs != self._outputs:
            raise RequestError(
                "prepared", "it was prepared for other deliveries", "prepare with the same arguments"
            )
        if (nodes, fused, sinks) not in self._executors:
            plan = make_plan(self.checked, nodes, fused=fused, sinks=sinks)
            self._executors[nodes, fused, sinks] = Executor(plan, self._pool)
        return self._executors[nodes, fused, sinks]


def _seen(image: Image) -> tuple[Any, ...]:
    """All that check and plan can see of a picture."""
    type = image.type
    texts = (frozenset(type.metadata.items()), type.header_says) if isinstance(type, Layers) else ()
    return type, image.window, image.display, *texts


def _end(
    frame: int,
    failure: WorkError | BugError | None,
    ended: Callable[[int, WorkError | BugError | None], None] | None,
) -> None:
    """Tell that a frame is over, or raise why it failed where nobody is to be told."""
    if ended is not None:
        ended(frame, failure)
    elif failure is not None:
        raise failure


def _unused(graph: Graph, variables: Mapping[str, Any]) -> tuple[Problem, ...]:
    """One warning about all variables that are given and not used; none where there are none."""
    known = graph.known_variables(variables)
    names = [str(name) for name in variables if name not in known]
    if not names:
        return ()
    listed = ", ".join(f'"{name}"' for name in names)
    plural = "s" if len(names) > 1 else ""
    message = f"variable{plural} {listed}: given a value, but not used by the graph"
    near = [hint for name in names if (hint := did_you_mean(name, sorted(known))).startswith("did")]
    return (Problem("variable-unused", message, " ".join(near), place=graph.place, severity="warning"),)


def _python_warning(node: str, message: str) -> None:
    warnings.warn(f'node "{node}": {message}', StackcompWarning, stacklevel=3)
