"""What tests of several folders share."""

from __future__ import annotations

import functools
import gc
import os
import shutil
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer.testing
from hypothesis import settings
from one_node import render_node

from stackcomp import Image
from stackcomp.kernels import ahead
from stackcomp.nodes import outside_kinds

# What is tested is the program, not the kinds of other packages that happen to be installed beside it.
outside_kinds._entry_points = lambda: ()

# Compiled modules are kept, whatever the surroundings say: tests start the program a few hundred times, and each
# start without them takes a third longer.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# The tree of commands is built once: that takes 40 ms, and a thousand tests run a command here. The name
# is private to the library; without it the tests only take longer.
if hasattr(typer.testing, "_get_command"):
    typer.testing._get_command = functools.cache(typer.testing._get_command)

# Tests never assert timings; on a busy machine the first call of a compiled function takes a second.
# With --hypothesis-profile=thorough, laws are tried on many more examples: continuous integration does so.
settings.register_profile("fast", deadline=None, max_examples=40)
settings.register_profile("thorough", deadline=None, max_examples=200)
settings.load_profile("fast")


def pytest_sessionstart(session):
    """Before tests are run by several processes, kernels are compiled once for all of them."""
    if getattr(session.config.option, "numprocesses", None) and not hasattr(session.config, "workerinput"):
        ahead.compile_ahead(list(ahead.KERNELS), lambda name: None)


def pytest_collection_finish():
    """What is loaded now stays: the garbage collector need not look at it a thousand times."""
    gc.collect()
    gc.freeze()


def pytest_unconfigure():
    """Libraries look at the end whether all of theirs was collected."""
    gc.unfreeze()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Run the fast tests of one file in one process: compiled loops and fixtures cost more than most tests.

    Slow tests are spread one by one, since a few files hold most of them.
    """
    if config.option.dist != "load" or not config.option.markexpr.startswith("not slow"):
        return None
    from xdist.scheduler import LoadFileScheduling

    return LoadFileScheduling(config, log)


@pytest.fixture(scope="session")
def material() -> Path:
    """Material from outside that lies beside the repository: open test pictures, too many to keep inside."""
    folder = Path(__file__).parents[2] / "shared" / "material"
    if not folder.is_dir():
        pytest.skip("the open test pictures are not beside the repository (../shared/material)")
    return folder


#: Without asking anything of the network on its own.
_BROWSER = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)


@pytest.fixture(scope="session")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("there is no chromium")
    with sync_api.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=chromium, args=_BROWSER.split())
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def render():
    return render_node


@pytest.fixture(scope="session")
def one_pixel():
    """The result of a node for single pixels, given as tuples by name."""

    def compute(kind: str, pixels: Mapping[str, Any], types: Mapping[str, Any] | None = None, **fields: Any):
        given = {
            name: Image.from_array([[np.atleast_1d(np.float32(value))]], type=(types or {}).get(name))
            for name, value in pixels.items()
        }
        return render_node(kind, given, **fields).to_array()[0, 0].tolist()

    return compute


@pytest.fixture(scope="session")
def candle(material):
    """A part of an open picture of the OpenEXR project: a flame whose light lies under alpha 0, and glass."""
    from stackcomp.files import exr

    found = exr.read(material / "openexr-images" / "ScanLines" / "CandleGlass.exr", list("RGBA"))
    pixels = np.stack([found.planes[name] for name in "RGBA"], axis=-1)[300:460, 300:460]
    assert pixels[..., 0].max() == 413.25  # the brightest of the whole picture
    assert 0 < np.count_nonzero(pixels[..., 3]) < pixels[..., 3].size
    return Image.from_array(pixels)
