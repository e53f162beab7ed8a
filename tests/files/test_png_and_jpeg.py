"""PNG and JPEG of all kinds, against OpenImageIO and Pillow as independent readers."""

import io
import struct
import zlib

import imagecodecs
import numpy as np
import OpenImageIO
import pytest
from PIL import Image as Pillow
from PIL import ImageOps

from stackcomp.errors import FileError
from stackcomp.files import stills

RANDOM = np.random.default_rng(5)


def theirs(path):
    hint = OpenImageIO.ImageSpec()
    hint.attribute("oiio:UnassociatedAlpha", 1)
    source = OpenImageIO.ImageInput.open(str(path), hint)
    spec = source.spec()
    pixels = source.read_image(0, 0, 0, spec.nchannels, "float").reshape(spec.height, spec.width, spec.nchannels)
    source.close()
    return pixels


def check(path):
    still, header = stills.read(path), stills.read_header(path)
    np.testing.assert_allclose(still.pixels, theirs(path), atol=1e-6)
    assert still.pixels.shape == (header.height, header.width, header.channels)
    assert still.has_alpha == (header.alpha != "none")
    return still


def chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(width, height, bits, colour, rows, *more):
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0))
    data = chunk(b"IDAT", zlib.compress(b"".join(b"\0" + row for row in rows)))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + data + chunk(b"IEND", b"")


CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}


@pytest.mark.parametrize("transparent", [False, True])
@pytest.mark.parametrize(
    ("colour", "bits"),
    [*((0, bits) for bits in (1, 2, 4, 8, 16)), *((3, bits) for bits in (1, 2, 4, 8)),
     *((colour, bits) for colour in (2, 4, 6) for bits in (8, 16))],
)  # fmt: skip
def test_every_kind_of_png(tmp_path, colour, bits, transparent):
    """All colour types and bit depths of the standard, with and without a transparent colour."""
    if transparent and colour in (4, 6):
        pytest.skip("these have alpha anyway")
    rows = [RANDOM.integers(0, 256, bits * CHANNELS[colour], dtype=np.uint8).tobytes() for _ in range(6)]
    palette = (
        chunk(b"PLTE", RANDOM.integers(0, 256, 3 * 2**bits, dtype=np.uint8).tobytes()) if colour == 3 else b""
    )
    sample = {0: b"\0\1", 2: rows[0][: 3 * bits // 8].rjust(6, b"\0"), 3: b"\0\x80"}.get(colour, b"")
    if colour == 2 and bits == 8:
        sample = b"".join(bytes((0, value)) for value in rows[0][:3])
    more = [palette] + ([chunk(b"tRNS", sample)] if transparent else [])
    path = tmp_path / "a.png"
    path.write_bytes(png(8, 6, bits, colour, rows, *more))
    still = check(path)
    assert still.has_alpha == (transparent or colour in (4, 6))


def ramp():
    return Pillow.fromarray(
        (np.indices((24, 32)).sum(axis=0)[..., None] * (4, 3, 4)).clip(0, 255).astype(np.uint8)
    )


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"progressive": True},
        {"subsampling": 2},
        {"optimize": True},
        {"keep_rgb": True},
        {"restart_marker_rows": 1},
    ],
    ids=str,
)
def test_kinds_of_jpeg(tmp_path, options):
    ramp().save(tmp_path / "a.jpg", **options)
    check(tmp_path / "a.jpg")


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_orientation_of_a_jpeg_is_applied(tmp_path, orientation):
    exif = Pillow.Exif()
    exif[0x0112] = orientation
    ramp().save(tmp_path / "a.jpg", exif=exif)
    still, header = stills.read(tmp_path / "a.jpg").pixels, stills.read_header(tmp_path / "a.jpg")
    with Pillow.open(tmp_path / "a.jpg") as file:
        np.testing.assert_array_equal(np.rint(still * 255), np.asarray(ImageOps.exif_transpose(file)))
    assert (header.height, header.width) == still.shape[:2]


def inks():
    stored = io.BytesIO()
    ramp().convert("CMYK").save(stored, "jpeg")
    return stored.getvalue()


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda: imagecodecs.ljpeg_encode(np.zeros((8, 8), np.uint16)), "it is a lossless or hierarchical JPEG"),
        (lambda: imagecodecs.jpegls_encode(np.zeros((8, 8), np.uint8)), "it is JPEG-LS"),
        (lambda: imagecodecs.jpeg8_encode(np.zeros((8, 8), np.uint16), bitspersample=12), "it is a JPEG of 12"),
        (inks, "it holds inks (CMYK)"),
    ],
    ids=["lossless", "ls", "12 bits", "inks"],
)
def test_unsupported_kinds_are_refused_by_the_header(tmp_path, make, reason):
    (tmp_path / "a.jpg").write_bytes(make())
    for reader in (stills.read_header, stills.read):
        with pytest.raises(FileError) as caught:
            reader(tmp_path / "a.jpg")
        assert caught.value.reason.startswith(reason)
        assert caught.value.way_out


def test_damaged_camera_data_is_ignored(tmp_path, capfd):
    exif = Pillow.Exif()
    exif[0x0112] = 6
    ramp().save(tmp_path / "a.jpg", exif=exif)
    data = (tmp_path / "a.jpg").read_bytes()
    at = data.index(b"Exif\0\0") + 14
    (tmp_path / "a.jpg").write_bytes(data[:at] + b"\xff\xff" + data[at + 2 :])
    assert stills.read(tmp_path / "a.jpg").pixels.shape[2] == 3
    assert capfd.readouterr() == ("", "")


def test_a_large_jpeg_is_read_without_a_warning(tmp_path, monkeypatch):
    """Pillow's usual way in warns from 89 million pixels on, and refuses from 179; lat-longs may be larger."""
    ramp().save(tmp_path / "a.jpg")
    monkeypatch.setattr(Pillow, "MAX_IMAGE_PIXELS", 100)
    with pytest.raises(Pillow.DecompressionBombError):
        Pillow.open(tmp_path / "a.jpg")
    assert stills.read(tmp_path / "a.jpg").pixels.shape == (24, 32, 3)
