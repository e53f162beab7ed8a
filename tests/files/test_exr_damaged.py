"""Damaged OpenEXR files: each raises an error that names the file, in bounded time and memory.

Source: openexr-images/Damaged (files that once broke the reference library), files of OpenEXR's and
OpenImageIO's own tests, and files cut at every length.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files import exr

# Runs in another process, so that a crash or excessive memory use of the library fails this test only.
READ_ALL = """
import json, resource, sys, time
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
resource.setrlimit(resource.RLIMIT_CPU, (60, 60))
from stackcomp.errors import FileError
from stackcomp.files import exr
for path in sys.argv[1:]:
    started = time.perf_counter()
    try:
        exr.read(path)
        result = "read"
    except FileError as error:
        result = str(error)
    print(json.dumps([path, result, time.perf_counter() - started]), flush=True)
"""


def test_damaged_files_raise_errors_that_name_them(material):
    paths = sorted(str(path) for path in (material / "openexr-images/Damaged").iterdir())
    assert len(paths) >= 60
    root = Path(__file__).parents[2]
    run = subprocess.run(
        [sys.executable, "-c", READ_ALL, *paths],
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        timeout=120,
        check=False,
    )
    lines = [json.loads(line) for line in run.stdout.splitlines()]
    assert run.returncode == 0, (lines[-1:], run.stderr[-500:])
    assert [path for path, _, _ in lines] == paths
    for path, result, seconds in lines:
        assert result.startswith(f"{path}: "), (path, result)
        assert seconds < 10


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        (
            "openexr-tests/src/wrappers/python/tests/unfinished_multipart.exr",
            'it is unfinished: part 2 "Part2" has 0 of 1 chunks',
        ),
        (
            "oiio-tests/testsuite/missingcolor/src/partial.exr",
            "it is unfinished: the picture has 10 of 16 chunks",
        ),
        ("openexr-tests/src/test/OpenEXRTest/comp_early_eof_piz.exr", "it is cut short within its header"),
    ],
)
def test_unfinished_files_are_refused(material, name, reason):
    with pytest.raises(FileError) as error:
        exr.read(material / name)
    assert error.value.path == str(material / name)
    assert error.value.reason.startswith(reason)


@pytest.fixture
def picture(tmp_path):
    planes = {name: np.random.default_rng(3).random((40, 24), np.float32) for name in "RGB"}
    window = Window.of_size(24, 40)
    exr.write(tmp_path / "whole.exr", planes, window=window, display=window)
    return tmp_path / "whole.exr"


def test_a_file_cut_at_any_length_is_refused(picture, capfd):
    whole = picture.read_bytes()
    for length in [*range(0, 400, 7), *range(400, len(whole), 97), len(whole) - 1]:
        picture.write_bytes(whole[:length])
        with pytest.raises(FileError, match=r"whole\.exr"):
            exr.read(picture)
    assert capfd.readouterr().out == "", "output of the library must not get into ours"


def test_a_damaged_chunk_is_refused(picture, capfd):
    damaged = bytearray(picture.read_bytes())
    damaged[-400:-200] = bytes(200)
    picture.write_bytes(damaged)
    with pytest.raises(FileError, match="the pixels of the picture are damaged"):
        exr.read(picture)
    assert capfd.readouterr().out == ""


def test_other_formats_are_refused(tmp_path):
    for name, content in {
        "text.exr": b"hello there, hello",
        "empty.exr": b"",
        "png.exr": b"\x89PNG\r\n\x1a\n",
    }.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(FileError, match=name):
            exr.read_header(tmp_path / name)
    with pytest.raises(FileError, match="it is a folder"):
        exr.read_header(tmp_path)


def test_deep_files_are_refused(tmp_path, exr_by_hand):
    path = tmp_path / "deep.exr"
    path.write_bytes(exr_by_hand(4, 4, [("Z", 2, 1)], [], flags=0x800, type="deepscanline"))
    with pytest.raises(FileError, match=r"deep\.exr: .*holds deep samples.* — flatten it"):
        exr.read_header(path)
