"""Renders of graphs, compared with stored pictures: the fixture ``compare_render`` of the pytest plugin.

A reference is written only where the run asks for it, and a test that writes its reference fails, so that nobody
approves a picture by accident. Nothing here knows pytest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any

from stackcomp.compare import Tolerance, Tolerances
from stackcomp.composition import Composition, load
from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike, VariablesLike, WindowLike
from stackcomp.data.image import Image
from stackcomp.document.graph import Graph
from stackcomp.errors import ArgumentError, RequestError
from stackcomp.testing.claims import Claims
from stackcomp.testing.failure_folder import Page
from stackcomp.testing.reference_file import Request
from stackcomp.testing.reference_names import reference_path
from stackcomp.testing.render_check import RenderCheck
from stackcomp.testing.render_run import RunningTest, Settings

__all__ = ["CompareRender"]


@dataclass
class CompareRender:
    """Renders a node and compares it with its reference; one for each test.

    Args:
        test: the test.
        settings: of the run.
        page: writes proof pages; none are written when None.

    Attributes:
        written: messages about references that were written.
    """

    test: RunningTest
    settings: Settings
    page: Page | None = None
    written: list[str] = field(default_factory=list)
    _used: set[Path] = field(default_factory=set)

    def __call__(
        self,
        graph: PathLike | Graph | Composition,
        node: str,
        frame: int,
        *,
        reference: str | PurePath | None = None,
        root: PathLike | None = None,
        variables: VariablesLike | None = None,
        window: WindowLike | None = None,
        scale: float = 1.0,
        replace: Mapping[str, Image] | None = None,
        tolerance: Tolerances | None = None,
    ) -> Image:
        """Render a node at a frame and compare it with its reference.

        Relative paths of graph, root and variables are taken from pytest's root folder.

        Args:
            graph: a graph file, a `Graph`, or a `Composition`.
            node: name of the node.
            frame: frame number.
            reference: a name in the folder ``renders`` beside the test's file, or an absolute path; the name of
                the test when None.
            root: folder against which the graph's paths resolve; pytest's root folder when None.
            variables: as in `stackcomp.load`.
            window: as in `Composition.render`.
            scale: likewise.
            replace: likewise.
            tolerance: a `stackcomp.compare.Tolerance`, or one for each layer; its defaults when None. With
                ``small`` from 0.001 on, colour is stored as half, which is smaller.

        Returns:
            The result, for further checks.

        Raises:
            RenderDiffersError: it differs, or there is no reference.
            RequestError: an argument that makes no sense, or a reference that another test has.
            CheckError, RenderError: it cannot be rendered.
        """
        path = self._claimed(reference)
        _check_tolerance(tolerance)
        region = arguments.window(window)
        corner = None if region is None else (region.x0, region.y0, region.width, region.height)
        composition = self._composition(graph, root, variables)
        image = composition.render(node, frame, window=region, scale=scale, replace=replace)
        request = Request(arguments.node_name(node), arguments.frame_number(frame), float(scale), corner)
        check = RenderCheck(
            self.test, self.settings, self.page, composition, request, path, image, replace or {}, tolerance
        )
        if not self.settings.update:
            check.compare()
        elif message := check.update():
            self.written.append(message)
        return image

    def _claimed(self, given: str | PurePath | None) -> Path:
        path = reference_path(given, self.test.file, self.test.file.stem, self.test.parts)
        Claims(self.settings.claims).claim(path, self.test.id)
        if path in self._used:
            message = f"{self.test.id} compares with {self.settings.shown(path)} twice"
            raise RequestError("reference", message, "give each comparison a name of its own by reference=")
        self._used.add(path)
        return path

    def _composition(
        self, graph: PathLike | Graph | Composition, root: PathLike | None, variables: VariablesLike | None
    ) -> Composition:
        if isinstance(graph, Composition):
            for name, value in (("root", root), ("variables", variables)):
                if value is not None:
                    raise ArgumentError(name, "the composition has its own", "leave it out, or give the graph")
            return graph
        folder = self.settings.base if root is None else self.settings.base / arguments.file_path(root, "root")
        filled = self._variables(variables)
        if isinstance(graph, Graph):
            return Composition(graph, root=folder, variables=filled)
        return load(self.settings.base / arguments.file_path(graph, "graph"), root=folder, variables=filled)

    def _variables(self, given: VariablesLike | None) -> Any:
        if isinstance(given, str | PurePath):
            return self.settings.base / given
        if isinstance(given, list | tuple):
            return [self._variables(one) for one in given]
        return given


def _check_tolerance(tolerance: Any) -> None:
    right = tolerance is None or isinstance(tolerance, Tolerance)
    if isinstance(tolerance, Mapping):
        right = all(isinstance(name, str) and isinstance(one, Tolerance) for name, one in tolerance.items())
    if not right:
        way_out = "give stackcomp.compare.Tolerance(small=…, share=…, hard=…), or one for each layer"
        raise ArgumentError("tolerance", f"{tolerance!r} is no tolerance", way_out)
