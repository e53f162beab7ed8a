"""OpenEXR headers that do not conform to the standard but can be read; and files that change during reading."""

import os
import struct

import numpy as np
import OpenEXR
import pytest

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files import exr, exr_layout
from stackcomp.files.file_state import FileChangedError, file_state

ROW = np.arange(4, dtype=np.float32)


@pytest.fixture
def odd(tmp_path, exr_by_hand):
    """A file of one row with attributes as given."""

    def write(channels=(("Z", 2, 1),), flags=0, **instead):
        path = tmp_path / "odd.exr"
        path.write_bytes(exr_by_hand(4, 1, channels, [ROW.tobytes() * len(channels)], flags, instead))
        return path

    return write


def floats(*numbers):
    return struct.pack(f"<{len(numbers)}f", *numbers)


@pytest.mark.parametrize(
    ("name", "kind", "data", "doubt"),
    [
        ("type", "string", b"beauty", 'attribute "type" is "beauty", but the file is marked as scanlineimage'),
        ("type", "string", b"tiledimage", 'is "tiledimage", but the file is marked as scanlineimage'),
        ("type", "string", b"deepscanline", 'is "deepscanline", but the file is marked as scanlineimage'),
        ("type", "int", b"\1\0\0\0", 'attribute "type" is of type int, not string'),
        (
            "chromaticities",
            "string",
            b"Rec709",
            'attribute "chromaticities" is of type string, not chromaticities',
        ),
        ("chromaticities", "chromaticities", floats(1, 2), '"chromaticities" has 8 bytes, which is not the size'),
        ("pixelAspectRatio", "int", b"\1\0\0\0", 'attribute "pixelAspectRatio" is of type int, not float'),
        ("pixelAspectRatio", "float", floats(np.nan), 'attribute "pixelAspectRatio" is nan'),
        ("pixelAspectRatio", "float", floats(0), 'attribute "pixelAspectRatio" is 0'),
        ("screenWindowWidth", "float", floats(-1), 'attribute "screenWindowWidth" is -1'),
        ("framesPerSecond", "float", floats(24), 'attribute "framesPerSecond" is of type float, not rational'),
        ("framesPerSecond", "rational", struct.pack("<iI", 24, 0), 'attribute "framesPerSecond" is 24/0'),
        ("framesPerSecond", "rational", struct.pack("<iI", 0, 1), 'attribute "framesPerSecond" is 0/1'),
        ("framesPerSecond", "rational", struct.pack("<iI", -24, 1), 'attribute "framesPerSecond" is -24/1'),
        ("captureRate", "rational", struct.pack("<iI", 1, 0), 'attribute "captureRate" is 1/0'),
        ("timeCode", "string", b"01:00:00:00", 'attribute "timeCode" is of type string, not timecode'),
        ("multiView", "string", b"left", 'attribute "multiView" is of type string, not stringvector'),
        ("preview", "preview", struct.pack("<II", 9, 9), 'attribute "preview" has 8 bytes'),
        ("lens", "float", b"\1\0", 'attribute "lens" has 2 bytes, which is not the size of a float'),
        ("chunkCount", "string", b"many", 'attribute "chunkCount" is of type string, not int'),
    ],
)
def test_a_wrong_attribute_is_named_and_ignored(odd, name, kind, data, doubt):
    picture = exr.read(odd(**{name: (kind, data)}))
    assert picture.planes["Z"].tolist() == [ROW.tolist()]
    assert len(picture.header.doubts) == 1
    assert doubt in picture.header.doubts[0]
    assert picture.header.doubts[0].endswith("; it is ignored")
    assert name not in picture.header.metadata


def test_an_attribute_of_a_wrong_size_does_not_affect_later_ones(odd):
    path = odd(lens=("float", b"\1\0"), owner=("string", b"Joe"), comments=("string", b"as it was"))
    metadata = exr.read_header(path).metadata
    assert (metadata["owner"], metadata["comments"]) == ("Joe", "as it was")
    # The library alone misreads everything after the two missing bytes.
    assert "owner" not in OpenEXR.File(str(path), header_only=True).header()


@pytest.mark.parametrize(("kind", "data"), [("string", b"S\xf6hne"), ("stringvector", b"\2\0\0\0S\xf6")])
def test_text_that_is_not_utf8_is_kept_as_bytes(odd, kind, data):
    path = odd(owner_=(kind, data), comments=("string", "Söhne".encode()))
    before = path.read_bytes()
    picture = exr.read(path)
    assert picture.planes["Z"].tolist() == [ROW.tolist()]
    assert picture.header.metadata["owner_"] == data
    assert picture.header.metadata["comments"] == "Söhne"
    assert picture.header.doubts == ('the text of attribute "owner_" is not UTF-8; it is kept as bytes',)
    assert path.read_bytes() == before


def test_names_that_are_not_utf8(odd):
    path = odd((("A", 2, 1), ("S\xf6hne", 2, 1)), besönders=("string", b"x"))
    picture = exr.read(path)
    assert set(picture.planes) == {"A", "S?hne"}
    assert picture.planes["S?hne"].tolist() == [ROW.tolist()]
    assert set(picture.header.doubts) == {
        'the name of channel "S?hne" is not UTF-8',
        'the name "bes?nders" in its header is not UTF-8',
    }


def test_names_that_would_change_their_order_are_refused(odd):
    # With question marks for the foreign bytes, the second name would come first.
    with pytest.raises(FileError, match="names of its channels are not UTF-8 — render it with ASCII names"):
        exr.read_header(odd((("AB", 2, 1), ("A\xf6", 2, 1))))


@pytest.mark.parametrize(
    ("name", "kind", "data", "reason"),
    [
        ("displayWindow", "box2f", floats(0, 0, 3, 0), 'attribute "displayWindow" is of type box2f, not box2i'),
        ("dataWindow", "box2i", bytes(8), 'attribute "dataWindow" has 8 bytes'),
        ("compression", "string", b"zip", 'attribute "compression" is of type string, not compression'),
    ],
)
def test_wrong_attributes_of_the_storage_are_refused(odd, name, kind, data, reason):
    with pytest.raises(FileError, match=f"its header is damaged: {reason}"):
        exr.read_header(odd(**{name: (kind, data)}))


def test_a_frame_of_absurd_size_is_refused(odd, monkeypatch):
    path = odd(displayWindow=("box2i", struct.pack("<4i", 0, 0, 127, 268_435_455)))
    with pytest.raises(FileError, match=r"display window\) of 128 × 268435456 pixels; the limit is 1073741824"):
        exr.read_header(path)
    monkeypatch.setattr(exr, "LARGEST_FRAME", 1 << 40)
    assert exr.read_header(path).display_window.height == 268_435_456


def test_a_png_named_exr_is_called_a_png(tmp_path):
    (tmp_path / "a.exr").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    with pytest.raises(FileError, match="it is a PNG, not OpenEXR"):
        exr.read_header(tmp_path / "a.exr")


# -- files that change while they are read ------------------------------------------------------------------


def write(path, value, window=None, channels="RG"):
    window = window or Window.of_size(6, 4)
    planes = {name: np.full(window.shape, value, np.float32) for name in channels}
    exr.write(path, planes, window=window, display=Window.of_size(6, 4), pixel_type="float", compression="none")


@pytest.fixture
def pair(tmp_path):
    """Two files of the same size and time, with windows of the same area: only their contents differ."""
    write(tmp_path / "a.exr", 1, Window(0, 0, 4, 4))
    write(tmp_path / "b.exr", 2, Window(2, 0, 6, 4))
    a, b = tmp_path / "a.exr", tmp_path / "b.exr"
    assert a.stat().st_size == b.stat().st_size
    os.utime(b, ns=(a.stat().st_mtime_ns,) * 2)
    return a, b


def meanwhile(monkeypatch, what):
    """Do something between header and pixels, once."""
    original = exr.check_chunks
    waiting = [what]

    def check(path, layout, **more):
        original(path, layout, **more)
        if waiting:
            waiting.pop()()

    monkeypatch.setattr(exr, "check_chunks", check)


def test_a_file_replaced_between_header_and_pixels(pair, monkeypatch):
    a, b = pair
    meanwhile(monkeypatch, lambda: os.replace(b, a))
    with pytest.raises(FileChangedError, match=r"a\.exr: it was replaced or written to while it was used"):
        exr.read(a)
    again = exr.read(a)
    assert (again.window, again.planes["R"].max()) == (Window(2, 0, 6, 4), 2)


def test_a_file_overwritten_between_header_and_pixels(pair, monkeypatch):
    a, b = pair
    content = b.read_bytes()
    meanwhile(monkeypatch, lambda: a.write_bytes(content))
    with pytest.raises(FileChangedError):
        exr.read(a)


def test_pixels_of_another_header_are_detected_if_the_state_does_not_change(pair, monkeypatch):
    """A file system with coarse times, or one that caches them, does not show the change."""
    a, b = pair
    content = b.read_bytes()
    state = file_state(a)
    monkeypatch.setattr("stackcomp.files.file_state.file_state", lambda path: state)
    meanwhile(monkeypatch, lambda: a.write_bytes(content))
    with pytest.raises(FileError, match=r"its pixels cover .*, but its header announced"):
        exr.read(a)


def test_a_file_cut_short_between_header_and_pixels(pair, monkeypatch, capfd):
    a, _ = pair
    meanwhile(monkeypatch, lambda: os.truncate(a, a.stat().st_size - 40))
    with pytest.raises(FileChangedError):
        exr.read(a)
    assert capfd.readouterr() == ("", "")


def test_a_file_in_another_state_is_not_read(pair):
    a, b = pair
    state = file_state(a)
    assert exr.read(a, state=state).planes["R"].max() == 1
    os.replace(b, a)
    for reader in (exr.read, exr.read_header):
        with pytest.raises(FileChangedError):
            reader(a, state=state)


def test_a_tiled_part_without_its_tiles_is_named(odd):
    with pytest.raises(FileError, match='there is no attribute "tiles"'):
        exr_layout.read_layout(odd(flags=0x200))
