"""The mark of the program: visible to independent readers, bound to its file, and read without errors."""

from __future__ import annotations

import io
import json
import os
import struct

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from stackcomp.data.window import Window
from stackcomp.document.schema import graph_schema
from stackcomp.files import exr, mark, stills
from stackcomp.files.mark import Mark, Source
from stackcomp.version import __version__

oiio = pytest.importorskip("OpenImageIO")

MARK = Mark(
    "delivery", "8c1f0a52b7d94e36", frozenset((Source("5a0c1e77", "91b3c0d2", True), Source("07", "1f", False)))
)
LINE = f"stackcomp {__version__}; delivery; graph 8c1f0a52b7d94e36; reads 07.1f 5a0c1e77*91b3c0d2; bytes "
PIXELS = np.random.default_rng(4).random((12, 20, 3), np.float32)
NAMES = ("a.exr", "a.png", "a16.png", "a.jpg", "a.tif", "a16.tif", "a32.tif")


def write(folder, name, given=MARK):
    path = folder / name
    if path.suffix == ".exr":
        window = Window.of_size(20, 12)
        planes = {c: PIXELS[..., k].copy() for k, c in enumerate("RGB")}
        exr.write(path, planes, window=window, display=window, mark=given)
    else:
        bits = next((bits for bits in (16, 32) if str(bits) in name), 8)
        stills.write(path, PIXELS, bits, mark=given)
    return path


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("marked")
    return {name: write(folder, name) for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_the_mark_is_read_back(written, name):
    assert mark.read(written[name]) == MARK


@pytest.mark.parametrize("name", NAMES)
def test_independent_readers_read_the_mark(written, name):
    path = written[name]
    expected = f"{LINE}{path.stat().st_size:015d}"
    if path.suffix == ".jpg":
        with Image.open(path) as picture:
            assert picture.info["comment"].decode() == expected
    else:
        spec = oiio.ImageBuf(str(path)).spec()
        assert spec.get_string_attribute("stackcomp/mark" if path.suffix == ".exr" else "Software") == expected
    if path.suffix == ".png":
        with Image.open(path) as picture:
            picture.load()  # which checks the sum of every chunk
            assert picture.text == {"Software": expected}
    if path.suffix == ".tif":
        with tifffile.TiffFile(path) as file:
            assert file.pages[0].software == expected


@pytest.mark.parametrize("name", NAMES)
def test_the_mark_does_not_change_pixels(written, tmp_path, name):
    plain = oiio.ImageBuf(str(write(tmp_path, name, None))).get_pixels("float")
    np.testing.assert_array_equal(oiio.ImageBuf(str(written[name])).get_pixels("float"), plain)
    assert mark.read(tmp_path / name) is None


@pytest.mark.parametrize("name", NAMES)
def test_the_same_picture_gives_the_same_bytes(written, tmp_path, name):
    assert write(tmp_path, name).read_bytes() == written[name].read_bytes()


def test_grey_and_alpha(tmp_path):
    for name in ("a.png", "a.tif"):
        stills.write(tmp_path / name, np.full((3, 4, 4), 0.5), 16, mark=MARK, alpha="straight")
        assert mark.read(tmp_path / name) == MARK
    stills.write(tmp_path / "a.jpg", np.full((3, 4), 0.5), mark=MARK)
    assert mark.read(tmp_path / "a.jpg") == MARK


@pytest.mark.parametrize("name", [name for name in NAMES if name != "a.jpg"])
def test_a_file_saved_by_another_program_has_no_mark(written, tmp_path, name):
    """Such a program copies header texts into the file that it saves."""
    picture = oiio.ImageBuf(str(written[name]))
    picture.read(force=True)
    changed = oiio.ImageBufAlgo.mul(picture, 0.5)
    changed.specmod().attribute("Software", picture.spec().get_string_attribute("Software"))
    assert changed.write(str(tmp_path / name))
    assert b"stackcomp" in (tmp_path / name).read_bytes()
    assert mark.read(tmp_path / name) is None


def test_a_jpeg_saved_by_another_program_has_no_mark(written, tmp_path):
    with Image.open(written["a.jpg"]) as picture:
        picture.transpose(Image.Transpose.ROTATE_90).save(tmp_path / "b.jpg", comment=picture.info["comment"])
    assert b"stackcomp" in (tmp_path / "b.jpg").read_bytes()
    assert mark.read(tmp_path / "b.jpg") is None


@pytest.mark.parametrize("name", NAMES)
def test_a_file_cut_short_has_no_mark(written, tmp_path, name):
    whole = written[name].read_bytes()
    cut = tmp_path / name
    for length in {*range(0, len(whole), 37), *range(64), len(whole) - 1}:
        cut.write_bytes(whole[:length])
        assert mark.read(cut) is None
    cut.write_bytes(whole + b"\0")
    assert mark.read(cut) is None


@given(st.sampled_from(NAMES), st.integers(0, 400), st.binary(min_size=1, max_size=12))
def test_damage_never_raises(written, tmp_path_factory, name, at, put):
    whole = written[name].read_bytes()
    path = tmp_path_factory.getbasetemp() / f"damaged-{name}"
    path.write_bytes(whole[:at] + put + whole[at + len(put) :])
    assert mark.read(path) in (None, MARK) or mark.read(path).kind == "delivery"


@given(
    st.sampled_from(
        [
            b"\x76\x2f\x31\x01",
            b"\x89PNG\r\n\x1a\n",
            b"\xff\xd8\xff",
            b"II*\0",
            b"MM\0+",
            b"{",
            b"<?xml ?>\n<!-- stackcomp ",
            b"",
        ]
    ),
    st.binary(max_size=200),
)
def test_random_bytes_have_no_mark(tmp_path_factory, start, rest):
    path = tmp_path_factory.getbasetemp() / "anything"
    path.write_bytes(start + rest)
    assert mark.read(path) is None


def test_paths_without_a_regular_file_have_no_mark(tmp_path):
    assert mark.read(tmp_path) is None
    assert mark.read(tmp_path / "gone.exr") is None
    assert mark.read("a\0b") is None
    assert mark.read("\ud800.exr") is None
    assert mark.read("a" * 5000) is None
    (tmp_path / "link.exr").symlink_to("link.exr")
    assert mark.read(tmp_path / "link.exr") is None
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.exr")  # opening it would wait for ever
        assert mark.read(tmp_path / "pipe.exr") is None


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("big", [False, True])
def test_each_form_of_tiff(tmp_path, order, big):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.zeros((4, 4), np.uint8), byteorder=order, bigtiff=big, software=MARK.line())
    assert mark.read(path) is None  # not sealed yet
    mark.seal(path)
    assert mark.read(path) == MARK
    assert tifffile.imread(path).shape == (4, 4)


def test_a_header_with_thousands_of_channels(tmp_path):
    window = Window.of_size(1, 1)
    planes = {f"a_long_name_of_a_pass_{k:05d}.R": np.zeros((1, 1), np.float32) for k in range(4000)}
    exr.write(tmp_path / "a.exr", planes, window=window, display=window, mark=MARK)
    assert mark.read(tmp_path / "a.exr") == MARK


def test_many_sources_are_cut_to_the_size_of_a_comment(tmp_path):
    many = Mark("delivery", "ab", frozenset(Source(f"{k:08x}", f"{k:08x}", True) for k in range(5000)))
    stills.write(tmp_path / "a.jpg", PIXELS, mark=many)
    stored = mark.read(tmp_path / "a.jpg")
    assert stored is not None
    assert stored.reads < many.reads


def test_metadata_cannot_set_the_mark(tmp_path):
    window = Window.of_size(20, 12)
    planes = {"Y": PIXELS[..., 0].copy()}
    metadata = {"stackcomp/mark": MARK.line(), "note": "kept"}
    exr.write(tmp_path / "a.exr", planes, window=window, display=window, metadata=metadata)
    header = exr.read_header(tmp_path / "a.exr")
    assert header.text == {"note": "kept"}


def test_png_chunks_are_those_of_the_standard():
    """Worked by hand from the W3C Recommendation: length, type, keyword, NUL, text, CRC-32 of type and data."""
    data = io.BytesIO()
    Image.new("L", (1, 1)).save(data, "PNG")
    marked = mark.in_png(data.getvalue(), Mark("dump"))
    (length,) = struct.unpack(">I", marked[33:37])
    text = f"stackcomp {__version__}; dump; graph -; reads -; bytes {len(marked):015d}".encode()
    assert marked[37:41] == b"tEXt"
    assert marked[41 : 41 + length] == b"Software\0" + text


JSON = {
    "report": {"dump": 1, "program": f"stackcomp {__version__}", "nodes": []},
    "findings": {"gain": [1, 1, 1], "found": {"written by": "stackcomp 0.0.1", "gain": {}}},
    "schema": graph_schema(),
    None: {"program": "stackcomp 1"},
}


@pytest.mark.parametrize("kind", JSON)
def test_json(tmp_path, kind):
    path = tmp_path / "a.json"
    path.write_text(json.dumps(JSON[kind], indent=2))
    assert mark.read(path) == (None if kind is None else Mark(kind))
    path.write_text("\n  " + json.dumps(JSON[kind]))
    assert mark.read(path) == (None if kind is None else Mark(kind))


@pytest.mark.parametrize("text", ["", "[1]", "{", '{"found": 1}', '{"found": {"written by": 1}}', "{" * 10**5,
                                  '{"stackcomp": 1, "nodes": {}}', '{"program": "stackcomp 1\xff"}'])  # fmt: skip
def test_other_json_has_no_mark(tmp_path, text):
    path = tmp_path / "a.json"
    path.write_bytes(text.encode("latin-1"))
    assert mark.read(path) is None
