"""The README's Python is run, block by block, in a copy of what it names."""

from __future__ import annotations

import ast
import re
import shutil
import textwrap
from pathlib import Path

import numpy as np
import OpenImageIO
import pytest

import stackcomp

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text()


def blocks(text):
    """Indented blocks that parse as Python of more than names: other blocks are JSON, commands and messages."""
    for found in re.findall(r"(?:^(?: {4}.*)?\n)+", text, re.MULTILINE):
        code = textwrap.dedent(found).strip("\n")
        try:
            parsed = ast.parse(code)
        except SyntaxError:
            continue
        if any(isinstance(part, ast.Import | ast.ImportFrom | ast.Call) for part in ast.walk(parsed)):
            yield code


PYTHON = list(blocks(TEXT))


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """What the names stand for once all blocks have run one after the other, and the folder they ran in."""
    folder = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "graphs", folder / "graphs")
    unneeded = shutil.ignore_patterns("truth_*", "*.100[345].exr")
    shutil.copytree(ROOT / "demo_shot" / "wide", folder / "demo_shot" / "wide", ignore=unneeded)
    names = {"folder": folder}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for code in PYTHON:
            exec(compile(code, "<README>", "exec"), names)
    return names


def test_no_block_is_left_out():
    assert len(PYTHON) == 7
    section = TEXT[TEXT.index("## From Python") : TEXT.index("## Match light")]
    assert len(re.findall(r"(?<=\n\n)    \S", section)) >= len(PYTHON)
    for word in ("load(", "Graph(", "replace=", "ended=", "open_measured(", "with_planes("):
        assert sum(word in code for code in PYTHON) >= 1, word


@pytest.mark.slow
def test_what_they_write(ran):
    out = ran["folder"] / "out"
    still = OpenImageIO.ImageBuf(str(out / "final.png")).spec()
    assert (still.width, still.height, still.nchannels) == (512, 288, 3)
    delivered = sorted(str(path.relative_to(out)) for path in out.rglob("*.exr"))
    assert delivered == [
        "demo_shot/wide/lantern.1001.exr",
        "demo_shot/wide/lantern.1002.exr",
        "soft.1001.exr",
        "soft.1002.exr",
    ]
    assert stackcomp.Graph.open(out / "soft.json").nodes == ran["graph"].nodes


def test_what_they_compute(ran):
    assert ran["failed"] == {}
    assert ran["image"]["R"].dtype == np.float32
    assert ran["warmer"]["R"].mean() > ran["red"]
    assert ran["lamp"].shape == (288, 101)
    assert ran["wall"]["Z"].max() == np.float32(2.5)
    np.testing.assert_allclose(ran["grey"]["R"], np.float32(128 / 255), rtol=1e-6)
