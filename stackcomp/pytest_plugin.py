"""The pytest plugin: renders of graphs, compared with stored pictures.

    def test_final(compare_render):
        compare_render("graphs/lantern.json", "final", 1001, variables="shots/wide.json", scale=0.5)

The reference lies in the folder ``renders`` beside the test's file. ``--update-renders`` writes it and fails the
test. What the fixture takes says `stackcomp.testing.renders.CompareRender`.

Everything but pytest is imported when the fixture is first used: a run without it must not wait for numpy.

PYTEST_DONT_REWRITE: there are no assertions here, and pytest would warn where this was imported before it.
"""

from __future__ import annotations

import functools
import os
import shutil
import tempfile
from collections.abc import Generator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from stackcomp.composition import Composition
    from stackcomp.data.image import Image
    from stackcomp.testing.claims import Claims
    from stackcomp.testing.renders import CompareRender

__all__ = [
    "compare_render",
    "pytest_addoption",
    "pytest_configure_node",
    "pytest_runtest_call",
    "pytest_sessionfinish",
    "pytest_terminal_summary",
    "pytest_unconfigure",
]

_WORKER_INPUT = "stackcomp_claims"
_claims_folder = pytest.StashKey[Path]()
_written = pytest.StashKey[list[str]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options."""
    group = parser.getgroup("stackcomp", "renders of graphs (stackcomp)")
    group.addoption(
        "--update-renders",
        action="store_true",
        help="write references of renders that are missing or differ, and fail the tests that wrote one",
    )
    group.addoption(
        "--replace-foreign-renders",
        action="store_true",
        help="with --update-renders: replace files that are no references, too",
    )
    group.addoption(
        "--renders-failed",
        metavar="DIR",
        help="folder for results and differences of failed renders (default: in pytest's cache)",
    )
    group.addoption(
        "--unused-renders",
        action="store_true",
        help="list references that no test of the run compared with; useful when all tests run",
    )


@pytest.fixture
def compare_render(request: pytest.FixtureRequest) -> Any:
    """Render a node of a graph at a frame and compare it with a stored OpenEXR file.

    compare_render(graph, node, frame, *, reference=None, root=None, variables=None, window=None, scale=1.0,
    replace=None, tolerance=None) gives the result as stackcomp.Image, or fails the test.
    """
    from stackcomp.errors import GraphError, RequestError, WorkError
    from stackcomp.testing.render_run import RenderDiffersError

    compare = _compare(request)
    request.node.stash[_written] = compare.written

    def compare_render(*args: Any, **options: Any) -> Image:
        __tracebackhide__ = True
        try:
            return compare(*args, **options)
        except RenderDiffersError as error:
            message = str(error)
        except (RequestError, GraphError, WorkError) as error:
            # What happened inside of the program does not help to find the mistake.
            raise error.with_traceback(None) from None
        pytest.fail(message, pytrace=False)

    return compare_render


def _compare(request: pytest.FixtureRequest) -> CompareRender:
    from stackcomp.testing.render_run import RunningTest, Settings
    from stackcomp.testing.renders import CompareRender

    config = request.config
    classes = [node.name for node in request.node.listchain() if isinstance(node, pytest.Class)]
    test = RunningTest(request.node.nodeid, Path(request.node.path), (*classes, request.node.name))
    settings = Settings(
        base=config.rootpath,
        failed=functools.partial(_failed_folder, config),
        claims=_folder_of_claims(config),
        update=config.getoption("--update-renders"),
        replace_foreign=config.getoption("--replace-foreign-renders"),
    )
    return CompareRender(test, settings, _page)


def _failed_folder(config: pytest.Config) -> Path:
    asked = config.getoption("--renders-failed")
    if asked is not None:
        return config.invocation_params.dir / str(asked)
    cache = getattr(config, "cache", None)
    if cache is None:  # switched off by -p no:cacheprovider
        return Path(tempfile.gettempdir()) / "failed_renders"
    folder: Path = cache.mkdir("failed_renders")
    return folder


def _page(
    path: Path,
    composition: Composition,
    node: str,
    frame: int,
    scale: float,
    replace: Mapping[str, Image],
    title: str,
) -> None:
    """Write the proof page of all nodes that a node depends on."""
    from stackcomp.review.dump import dump
    from stackcomp.review.proof_page import write_page
    from stackcomp.testing.given import with_given
    from stackcomp.testing.node_records import upstream

    names = upstream(composition.document, node, replace)
    with tempfile.TemporaryDirectory(prefix="stackcomp-") as folder:
        dump(with_given(composition, replace), frame, folder, nodes=names, scale=scale)
        write_page(path, [Path(folder)], title=title)


# -- a run ---------------------------------------------------------------------------------------------------


def _folder_of_claims(config: pytest.Config) -> Path:
    """The folder of the run, which xdist's workers share."""
    given = getattr(config, "workerinput", {}).get(_WORKER_INPUT)
    if given is not None:
        return Path(given)
    new = Path(tempfile.gettempdir()) / f"stackcomp-renders-{os.urandom(8).hex()}"
    folder: Path = config.stash.setdefault(_claims_folder, new)
    return folder


def _claims(config: pytest.Config) -> Claims | None:
    """The references of the run; None in xdist's workers, and where no test uses the fixture."""
    folder = config.stash.get(_claims_folder, None)
    if hasattr(config, "workerinput") or folder is None or not folder.is_dir():
        return None
    from stackcomp.testing.claims import Claims

    return Claims(folder)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a worker of xdist the folder of the run."""
    node.workerinput[_WORKER_INPUT] = str(_folder_of_claims(node.config))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, Any, Any]:
    """Fail a test that wrote references, once it has written all of them."""
    try:
        result = yield
    except BaseException:
        if written := item.stash.get(_written, None):
            item.add_report_section("call", "references written", "\n".join(written))
        raise
    if written := item.stash.get(_written, None):
        pytest.fail("\n".join(written), pytrace=False)
    return result


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail a run that wrote references, even where its tests are expected to fail, or pass when run again."""
    claims = _claims(session.config)
    if claims is not None and claims.written and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """List references that were written, and on request those that no test compared with."""
    claims = _claims(config)
    if claims is None:
        return
    if claims.written:
        terminalreporter.section("references written, to be looked at")
        for path in claims.written:
            terminalreporter.line(os.path.relpath(path, config.invocation_params.dir))
    if config.getoption("--unused-renders"):
        terminalreporter.section("references that no test compared with")
        for path in claims.unused:
            terminalreporter.line(os.path.relpath(path, config.invocation_params.dir))


def pytest_unconfigure(config: pytest.Config) -> None:
    """Remove the folder of the run."""
    folder = config.stash.get(_claims_folder, None)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)
