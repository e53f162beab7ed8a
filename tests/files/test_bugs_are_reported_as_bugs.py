"""An error in our own code comes out as itself, never as a file that cannot be read or written.

Each test plants a fault in one of our own functions, near handlers for damaged files or failing libraries.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest
import tifffile

from stackcomp.data.window import Window
from stackcomp.files import (
    atomic,
    cdl,
    colour,
    exr,
    exr_attributes,
    exr_layout,
    exr_library,
    exr_write,
    jpeg,
    mark,
    picture_file,
    png,
    still_types,
    stills,
    tiff,
)
from stackcomp.files.cdl import Correction

#: Exceptions that libraries and parsers raise for damaged files as well.
FAULTS = (TypeError, IndexError, KeyError, ValueError, RuntimeError, struct.error)


@pytest.fixture(params=FAULTS, ids=lambda fault: fault.__name__)
def plant(monkeypatch, request):
    """Replace a function of a module by one that raises, and expect that exception from a call."""

    def planted(module, name, call):
        def fail(*args, **options):
            raise request.param("planted")

        monkeypatch.setattr(module, name, fail)
        with pytest.raises(request.param, match="planted") as caught:
            call()
        assert type(caught.value) is request.param

    return planted


def pixels(channels=3):
    return np.random.default_rng(0).random((6, 8, channels)).astype(np.float32)


def write_exr(path, **options):
    planes = {name: pixels()[..., k].copy() for k, name in enumerate("RGB")}
    window = Window.of_size(8, 6)
    exr.write(path, planes, window=window, display=window, **options)
    return path


def read(path):
    """Header and planes, as a read node does."""
    header, state = picture_file.header_of(path)
    return picture_file.planes(path, header.channels, state)


@pytest.mark.parametrize(
    ("module", "name"),
    [
        (exr_layout, "_part"),
        (exr_layout, "_channels"),
        (exr_layout, "_box"),
        (exr_layout, "_check_tables"),
        (exr_layout, "oddities"),
        (exr_attributes, "_has_right_size"),
        (exr, "_full_names"),
        (exr, "exr_metadata"),
        (exr, "_plane"),
        (picture_file, "format_of"),
    ],
)
def test_reading_openexr(tmp_path, plant, module, name):
    path = write_exr(tmp_path / "a.exr")
    plant(module, name, lambda: read(path))


def test_reading_a_repaired_openexr_header(tmp_path, plant, exr_by_hand):
    """The library calls our own code to read such a file."""
    path = tmp_path / "a.exr"
    instead = {"owner": ("string", b"S\xf6hne")}
    path.write_bytes(exr_by_hand(4, 1, [("Z", 2, 1)], [np.zeros(4, np.float32).tobytes()], instead=instead))
    assert read(path)
    picture_file.header_in_state.cache_clear()
    plant(exr_library._Repaired, "_read", lambda: read(path))


@pytest.mark.parametrize("name", ["_described", "_bits", "_alpha", "_orientation", "_check_complete", "upright"])
def test_reading_tiff(tmp_path, plant, name):
    stills.write(tmp_path / "a.tif", pixels(4))
    plant(tiff, name, lambda: read(tmp_path / "a.tif"))


def test_reading_a_tiff_palette(tmp_path, plant):
    palette = np.zeros((3, 256), np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((4, 4), np.uint8), photometric="palette", colormap=palette)
    assert read(tmp_path / "a.tif")
    plant(tiff, "_sixteen_bits", lambda: stills.read(tmp_path / "a.tif"))


@pytest.mark.parametrize(
    ("module", "name"), [(png, "header"), (png, "StillHeader"), (png, "filtered_stderr"), (stills, "from_steps")]
)
def test_reading_png(tmp_path, plant, module, name):
    stills.write(tmp_path / "a.png", pixels(), 16)
    plant(module, name, lambda: read(tmp_path / "a.png"))


@pytest.mark.parametrize("name", ["_parsed", "_marker", "_segment", "_described", "upright"])
def test_reading_jpeg(tmp_path, plant, name):
    stills.write(tmp_path / "a.jpg", pixels())
    plant(jpeg, name, lambda: read(tmp_path / "a.jpg"))


def test_a_missing_exif_orientation_is_not_found_by_catching_errors(plant):
    exif = b"II*\0" + struct.pack("<IH", 8, 1) + struct.pack("<HHIH", 274, 3, 1, 6)
    assert jpeg._orientation(exif + bytes(2)) == 6
    for length in range(len(exif)):
        assert jpeg._orientation(exif[:length]) == 1, length
    plant(jpeg.struct, "unpack_from", lambda: jpeg._orientation(exif))


@pytest.mark.parametrize(
    ("module", "name"),
    [
        (exr_write, "_stored_type"),
        (exr_write, "_to_half"),
        (exr_write, "_attribute"),
        (exr_write, "_write"),
        (exr_write, "library_threads"),
        (exr_write, "seal"),
        (exr_write, "_check"),
        (exr_write, "check_chunks"),
        (exr_layout, "_part"),
    ],
)
def test_writing_openexr(tmp_path, plant, module, name):
    options = {"mark": mark.Mark("picture"), "metadata": {"owner": "bench"}}
    plant(module, name, lambda: write_exr(tmp_path / "a.exr", **options))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("suffix", "module", "name"),
    [
        (".png", stills, "_quantise"),
        (".png", stills, "_encoded"),
        (".png", stills, "in_png"),
        (".png", stills, "from_steps"),
        (".jpg", stills, "in_jpeg"),
        (".jpg", jpeg, "_described"),
        (".tif", stills, "seal"),
        (".tif", mark, "_of_tiff"),
        (".tif", tiff, "_alpha"),
        (".tif", stills, "_check"),
    ],
)
def test_writing_stills(tmp_path, plant, suffix, module, name):
    plant(module, name, lambda: stills.write(tmp_path / f"a{suffix}", pixels(), mark=mark.Mark("picture")))
    assert list(tmp_path.iterdir()) == []


def test_the_body_of_an_atomic_write(tmp_path, plant):
    def write():
        with atomic.whole_file(tmp_path / "a.txt") as unfinished:
            unfinished.write_text("half a file")
            still_types.upright(None, 1)

    plant(still_types, "upright", write)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["_Element", "_correction", "_numbers", "_description", "_check_limits"])
def test_reading_corrections(tmp_path, plant, name):
    cdl.write_corrections(tmp_path / "a.ccc", [Correction(id="dusk", description="x")])
    plant(cdl, name, lambda: cdl.read_corrections(tmp_path / "a.ccc"))


@pytest.mark.parametrize("name", ["_lines", "_check_limits", "_xml_allows", "in_xml", "whole_file"])
def test_writing_corrections(tmp_path, plant, name):
    plant(cdl, name, lambda: cdl.write_corrections(tmp_path / "a.cc", [Correction(id="dusk")]))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["processor", "_encoding", "name_of", "over_strips"])
def test_colour_conversion(plant, name):
    colour._cpu.cache_clear()
    planes = [np.zeros((2, 3), np.float32)] * 3
    plant(colour, name, lambda: colour.convert(planes, "ACEScg", "ACEScct"))


@pytest.mark.parametrize("name", ["_display_cpu", "_check_choice", "_apply"])
def test_colour_view(plant, name):
    colour._display_cpu.cache_clear()
    planes = [np.zeros((2, 3), np.float32)] * 3
    plant(colour, name, lambda: colour.display_view(planes, "ACEScg"))


@pytest.mark.parametrize("name", ["_family", "config"])
def test_colour_names(plant, name):
    colour._encoding.cache_clear()
    colour._spaces.cache_clear()
    plant(colour, name, colour.spaces)


@pytest.mark.parametrize(
    ("suffix", "name"),
    [
        (".exr", "_attribute"),
        (".png", "_texts_of_png"),
        (".jpg", "_comments_of_jpeg"),
        (".tif", "_of_tiff"),
        (".tif", "_parsed"),
        (".cc", "_located"),
    ],
)
def test_reading_a_mark(tmp_path, plant, suffix, name):
    path = tmp_path / f"a{suffix}"
    if suffix == ".exr":
        write_exr(path, mark=mark.Mark("picture"))
    elif suffix == ".cc":
        cdl.write_corrections(path, [Correction()])
    else:
        stills.write(path, pixels(), mark=mark.Mark("picture"))
    plant(mark, name, lambda: mark.read(path))
