"""TIFF of all kinds, against OpenImageIO and Pillow as independent readers; its tags are followed.

Tags after Adobe's TIFF Revision 6.0.
"""

import logging
import os

import numpy as np
import OpenImageIO
import pytest
import tifffile
from PIL import Image as Pillow

from stackcomp import Composition, Graph
from stackcomp.errors import FileError
from stackcomp.files import stills, tiff
from stackcomp.files.file_state import FileChangedError

HEIGHT, WIDTH = 18, 20


def noise(bits, channels, kind="u", seed=0):
    random = np.random.default_rng(seed)
    shape = (HEIGHT, WIDTH, channels) if channels > 1 else (HEIGHT, WIDTH)
    if kind == "f":
        return random.normal(0, 1, shape).astype(f"f{bits // 8}")
    size = next(size for size in (8, 16, 32, 64) if size >= bits) // 8
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1)) if kind == "i" else (0, 2**bits)
    return random.integers(low, high - 1, shape, dtype="i8" if kind == "i" else "u8", endpoint=True).astype(
        f"{kind}{size}"
    )


def theirs(path):
    """As OpenImageIO reads it, alpha left as it is."""
    hint = OpenImageIO.ImageSpec()
    hint.attribute("oiio:UnassociatedAlpha", 1)
    source = OpenImageIO.ImageInput.open(str(path), hint)
    spec = source.spec()
    pixels = source.read_image(0, 0, 0, spec.nchannels, "float").reshape(spec.height, spec.width, spec.nchannels)
    source.close()
    return pixels


def write(path, array, **options):
    tifffile.imwrite(path, array, metadata=None, **options)
    return path


def check(path, tolerance=2e-7):
    still, header = stills.read(path), stills.read_header(path)
    np.testing.assert_allclose(still.pixels, theirs(path), atol=tolerance, rtol=1e-6)
    assert still.pixels.shape == (header.height, header.width, header.channels)
    assert still.has_alpha == (header.alpha != "none")
    return still


@pytest.mark.parametrize("bits", [1, 2, 4, 6, 8, 10, 12, 14, 16, 24, 32])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("order", ["<", ">"])
def test_whole_numbers_of_any_bits(tmp_path, bits, channels, order):
    array = noise(bits, channels).astype(bool) if (bits, channels) == (1, 1) else noise(bits, channels)
    path = write(
        tmp_path / "a.tif", array, photometric="rgb" if channels == 3 else "minisblack", byteorder=order,
        bitspersample=None if bits in (8, 16, 32) or array.dtype == bool else bits,
    )  # fmt: skip
    if (bits, order) == (24, ">"):
        with pytest.raises(FileError, match="whole numbers of 24 bits, largest byte first"):
            stills.read_header(path)
        return
    # OpenImageIO widens these to 8 or 16 bits first, which is not quite n / (2**bits - 1).
    still = check(path, {6: 4e-3, 10: 2e-5, 12: 2e-5, 14: 2e-5}.get(bits, 2e-7))
    if order == "<" or bits in (8, 16, 32):  # else the writer packs the bytes of each number the wrong way round
        expected = array.reshape(still.pixels.shape) / np.float64(2**bits - 1)
        np.testing.assert_allclose(still.pixels, expected, atol=1e-7)


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_signed_numbers_are_minus_1_to_1(tmp_path, bits):
    array = noise(bits, 3, "i")
    array[0, 0] = (2 ** (bits - 1) - 1, 0, -(2 ** (bits - 1) - 1))
    still = check(write(tmp_path / "a.tif", array, photometric="rgb"))
    assert still.pixels[0, 0].tolist() == [1, 0, -1]


@pytest.mark.parametrize("bits", [16, 32, 64])
def test_floats(tmp_path, bits):
    check(write(tmp_path / "a.tif", noise(bits, 3, "f"), photometric="rgb", byteorder=">", bigtiff=True))


def test_doubles_beyond_float32_become_infinite_without_a_warning(tmp_path):
    path = write(tmp_path / "a.tif", np.full((4, 4, 3), 1e300), photometric="rgb")
    assert np.isposinf(stills.read(path).pixels).all()


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "lzw", "predictor": True},
        {"compression": "zlib", "tile": (16, 16)},
        {"compression": "packbits", "rowsperstrip": 3},
        {"compression": "jpeg"},
        {"compression": "webp", "compressionargs": {"lossless": True}},
        {"photometric": "ycbcr", "compression": "jpeg", "subsampling": (2, 2)},
        {"photometric": "ycbcr", "compression": "jpeg", "subsampling": (1, 1)},
    ],
    ids=str,
)
def test_compressions(tmp_path, options):
    ramp = (np.indices((HEIGHT, WIDTH)).sum(axis=0)[..., None] * (4, 3, 5)).astype(np.uint8)
    check(write(tmp_path / "a.tif", ramp, **{"photometric": "rgb", **options}))


@pytest.mark.parametrize("compression", ["zstd", "lzma", "jpegxl", "jpeg2000", "lerc"])
def test_compressions_that_the_independent_reader_does_not_have(tmp_path, compression):
    """Lossless ones, so that the numbers themselves are the check."""
    array = noise(16, 3)
    path = write(tmp_path / "a.tif", array, photometric="rgb", compression=compression)
    np.testing.assert_array_equal(np.rint(stills.read(path).pixels * 65535.0), array)


@pytest.mark.parametrize("compression", ["tiff_ccitt", "group3", "group4", "tiff_lzw", "packbits"])
def test_bilevel_as_pillow_writes_it(tmp_path, compression):
    Pillow.fromarray(noise(8, 1)).convert("1").save(tmp_path / "a.tif", compression=compression)
    check(tmp_path / "a.tif")


@pytest.mark.parametrize("tile", [None, (16, 16)])
def test_planar_configuration(tmp_path, tile):
    planes = np.moveaxis(noise(16, 4), -1, 0)
    options = {"photometric": "rgb", "planarconfig": "separate", "extrasamples": ["assocalpha"], "tile": tile}
    check(write(tmp_path / "a.tif", planes, **options))


# -- alpha --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("colours", [1, 3])
@pytest.mark.parametrize(("extra_sample", "alpha"), [(1, "premultiplied"), (2, "straight"), (0, "straight")])
def test_alpha_follows_the_tag(tmp_path, bits, colours, extra_sample, alpha):
    options = {"photometric": "rgb" if colours == 3 else "minisblack", "planarconfig": "contig"}
    path = write(tmp_path / "a.tif", noise(bits, colours + 1), extrasamples=[extra_sample], **options)
    header = stills.read_header(path)
    assert (header.alpha, header.channels) == (alpha, colours + 1)
    assert bool(header.doubts) == (extra_sample == 0)
    check(path)


def test_alpha_after_other_samples(tmp_path):
    array = noise(8, 5)
    path = write(tmp_path / "a.tif", array, photometric="rgb", planarconfig="contig", extrasamples=[0, 1])
    still = stills.read(path)
    assert (still.has_alpha, stills.read_header(path).alpha) == (True, "premultiplied")
    np.testing.assert_array_equal(np.rint(still.pixels * 255), array[..., [0, 1, 2, 4]])


def test_white_at_0_inverts_only_the_colour(tmp_path):
    array = noise(8, 2)
    path = write(tmp_path / "a.tif", array, photometric="miniswhite", planarconfig="contig", extrasamples=[2])
    still = np.rint(stills.read(path).pixels * 255)
    np.testing.assert_array_equal(still[..., 0], 255 - array[..., 0])
    np.testing.assert_array_equal(still[..., 1], array[..., 1])


# -- orientation --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied(tmp_path, orientation):
    path = write(tmp_path / "a.tif", noise(8, 3), photometric="rgb", extratags=[(274, 3, 1, orientation, True)])
    still, header = stills.read(path).pixels, stills.read_header(path)
    expected = OpenImageIO.ImageBufAlgo.reorient(OpenImageIO.ImageBuf(str(path))).get_pixels("float")
    np.testing.assert_allclose(still, expected, atol=1e-6)
    assert (header.height, header.width) == still.shape[:2]
    assert still.shape[:2] == ((HEIGHT, WIDTH) if orientation < 5 else (WIDTH, HEIGHT))


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_invalid_orientation_is_ignored(tmp_path, orientation):
    path = write(tmp_path / "a.tif", noise(8, 1), extratags=[(274, 3, 1, orientation, True)])
    assert stills.read(path).pixels.shape == (HEIGHT, WIDTH, 1)


# -- palettes -----------------------------------------------------------------------------------------------


def packed(indices, bits):
    rows = np.unpackbits(indices.astype(np.uint8)[..., None], axis=-1)[..., 8 - bits :]
    return np.packbits(rows.reshape(len(indices), -1), axis=-1).tobytes()


@pytest.mark.parametrize("bits", range(1, 9))
def test_a_palette_keeps_its_16_bits(tmp_path, tiff_by_hand, bits):
    random = np.random.default_rng(bits)
    indices = random.integers(0, 2**bits, (5, 7))
    palette = random.integers(0, 65536, (3, 2**bits), dtype=np.uint16)
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_by_hand(7, 5, packed(indices, bits), bits, 3, t320=palette.ravel().tolist()))
    still, header = stills.read(path), stills.read_header(path)
    assert (header.bits, header.channels, header.alpha) == (16, 3, "none")
    np.testing.assert_array_equal(np.rint(still.pixels * 65535.0), palette.T[indices])
    if bits in (1, 2, 4, 8):  # others OpenImageIO does not read; it gives 8 bits
        np.testing.assert_allclose(still.pixels, theirs(path), atol=1 / 255)


def test_a_palette_of_8_bit_numbers_is_not_black(tmp_path, tiff_by_hand):
    """Some writers did so; libtiff's reader of RGBA takes them the same way."""
    palette = np.random.default_rng(0).integers(0, 256, (3, 256))
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_by_hand(16, 16, bytes(range(256)), 8, 3, t320=palette.ravel().tolist()))
    np.testing.assert_array_equal(np.rint(stills.read(path).pixels * 255).reshape(256, 3), palette.T)


def test_a_palette_with_alpha(tmp_path):
    picture = Pillow.new("PA", (8, 6))
    picture.putpalette(np.random.default_rng(0).integers(0, 256, 768).astype(np.uint8).tobytes())
    picture.putdata([(k, 5 * k) for k in range(48)])
    picture.save(tmp_path / "a.tif")
    still, header = stills.read(tmp_path / "a.tif"), stills.read_header(tmp_path / "a.tif")
    assert header.alpha == "straight"
    with Pillow.open(tmp_path / "a.tif") as again:
        # Pillow stores n * 256 where n * 257 is the same colour in 16 bits, so the two may differ by one step.
        np.testing.assert_allclose(np.rint(still.pixels * 255), np.asarray(again.convert("RGBA")), atol=1)


@pytest.mark.parametrize("palette", [None, [1, 2, 3]])
def test_a_palette_that_is_missing_or_short(tmp_path, tiff_by_hand, palette):
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_by_hand(2, 2, bytes(4), 8, 3, **({"t320": palette} if palette else {})))
    with pytest.raises(FileError, match="it is palette colour, and its palette is missing or damaged"):
        stills.read_header(path)


# -- what is refused, and how -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("array", "options", "reason"),
    [
        (noise(8, 4), {"photometric": "separated"}, "it holds inks (CMYK), not RGB"),
        (noise(8, 3), {"photometric": "cielab"}, "it holds CIE L*a*b* colour"),
        (noise(8, 3), {"photometric": "ycbcr"}, "it holds luminance and chroma (YCbCr)"),
        (noise(8, 1), {"photometric": "cfa"}, "it holds raw camera data (a colour filter array)"),
        (noise(8, 1), {"photometric": "logl"}, "it holds logarithmic luminance"),
        (noise(8, 1), {"photometric": "mask"}, "it holds a transparency mask"),
        (noise(32, 1, "f"), {"photometric": "miniswhite"}, "it holds floats with white at 0"),
        (noise(16, 1, "i"), {"photometric": "miniswhite"}, "it holds signed numbers with white at 0"),
        (noise(32, 1, "f").astype(np.complex64), {}, "it holds complex numbers"),
        (np.zeros((16, 16, 16), np.uint8), {"volumetric": True, "tile": (16, 16, 16)}, "it is a volume"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_unsupported_kinds_are_refused_by_the_header(tmp_path, array, options, reason):
    path = write(tmp_path / "a.tif", array, **{"photometric": "minisblack", **options})
    for reader in (stills.read_header, stills.read):
        with pytest.raises(FileError) as caught:
            reader(path)
        assert caught.value.reason.startswith(reason)
        assert caught.value.way_out


def test_channels_of_different_bits_are_refused(tmp_path, tiff_by_hand):
    data = tiff_by_hand(2, 2, bytes(8), 8, 2, samples=3)
    path = tmp_path / "a.tif"
    path.write_bytes(data.replace(np.uint16([8, 8, 8]).tobytes(), np.uint16([5, 6, 5]).tobytes(), 1))
    with pytest.raises(FileError, match=r"its channels have different numbers of bits \(5, 6, 5\)"):
        stills.read_header(path)


def test_a_missing_photometric_interpretation_is_an_error(tmp_path, tiff_by_hand):
    data = bytearray(tiff_by_hand(2, 2, bytes(4), 8, 1))
    at = data.index(np.uint16([262, 3]).tobytes())
    data[at : at + 2] = np.uint16([263]).tobytes()
    path = tmp_path / "a.tif"
    path.write_bytes(data)
    with pytest.raises(FileError, match="does not state what its numbers mean"):
        stills.read_header(path)


def test_a_compression_without_a_reader_is_named_by_the_header(tmp_path, tiff_by_hand):
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_by_hand(2, 2, bytes(4), 8, 1, t259=[32809]))
    with pytest.raises(FileError, match="its compression THUNDERSCAN cannot be read"):
        stills.read_header(path)


def test_a_header_of_absurd_size_is_refused(tmp_path, tiff_by_hand, monkeypatch):
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_by_hand(65535, 65535, bytes(4), 8, 1))
    with pytest.raises(FileError, match="announces 65535 × 65535 pixels; the limit is 1073741824"):
        stills.read_header(path)


def test_missing_strips_are_detected_by_the_header(tmp_path):
    path = write(tmp_path / "a.tif", noise(8, 3), photometric="rgb", rowsperstrip=6)
    path.write_bytes(path.read_bytes()[:-10])
    with pytest.raises(FileError, match="cut short or unfinished: 2 of 3 strips are in the file"):
        stills.read_header(path)


def test_the_log_of_the_library_is_captured(tmp_path, tiff_by_hand, capfd):
    """Its logger writes to the terminal if logging is not set up."""
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_by_hand(4, 4, bytes(16), 8, 3, t320=[1] * 77))
    handlers = logging.getLogger().handlers[:]
    try:
        logging.getLogger().handlers.clear()
        with pytest.raises(FileError):
            stills.read(path)
    finally:
        logging.getLogger().handlers[:] = handlers
    assert capfd.readouterr() == ("", "")


# -- files that change --------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", ["tif", "png", "jpg"])
@pytest.mark.parametrize("how", ["replaced", "cut"])
def test_a_still_that_changes_between_header_and_pixels(tmp_path, monkeypatch, ending, how):
    a, b = tmp_path / f"a.{ending}", tmp_path / f"b.{ending}"
    stills.write(a, np.zeros((4, 6, 3)))
    stills.write(b, np.ones((6, 4, 3)))
    os.utime(b, ns=(a.stat().st_mtime_ns,) * 2)
    original = stills._header

    def then_changed(path):
        still = original(path)
        if b.exists():
            os.replace(b, a) if how == "replaced" else (os.truncate(a, a.stat().st_size - 20), b.unlink())
        return still

    monkeypatch.setattr(stills, "_header", then_changed)
    with pytest.raises(FileChangedError, match="it was replaced or written to while it was used"):
        stills.read(a)


def test_pixels_are_compared_with_the_header(tmp_path, monkeypatch):
    stills.write(tmp_path / "a.png", np.zeros((4, 6, 3)))
    stills.write(tmp_path / "b.png", np.zeros((6, 4, 3)))
    other = stills._header(tmp_path / "b.png")
    monkeypatch.setattr(stills, "_header", lambda path: other)
    with pytest.raises(FileError, match="its pixels are 6×4 with 3 channels, but its header announced 4×6 with 3"):
        stills.read(tmp_path / "a.png")


# -- several pictures in a file -----------------------------------------------------------------------------


def pages(path, *arrays_and_types):
    """A TIFF with these pictures, each with its NewSubfileType (tag 254 of TIFF 6.0)."""
    with tifffile.TiffWriter(path) as file:
        for array, kind in arrays_and_types:
            file.write(array, photometric="mask" if kind & 4 else "rgb", metadata=None, subfiletype=kind)
    return path


def test_a_file_of_several_pictures_is_doubtful(tmp_path):
    first, second = noise(8, 3), noise(8, 3, seed=1)
    path = pages(tmp_path / "a.tif", (first, 0), (second, 0), (second, 2))
    assert stills.read_header(path).doubts == ("it contains 3 pictures; only the first is read",)
    graph = Graph(frames="1")
    graph.add("read", "plate", path=str(path), encoding="ACEScg")
    graph.add("exposure", "final", image="plate", stops=1)
    (problem,) = Composition(graph).check()
    assert (problem.severity, problem.rule) == ("warning", "header")
    assert problem.message.endswith("it contains 3 pictures; only the first is read")
    np.testing.assert_array_equal(np.rint(stills.read(path).pixels * 255), first)


def test_a_cycle_in_the_list_of_pictures_ends(tmp_path):
    """Each directory of tags ends with the offset of the next one (TIFF 6.0, section 2); here, of the first."""
    path = pages(tmp_path / "a.tif", (noise(8, 3), 0), (noise(8, 3), 0))
    with tifffile.TiffFile(path) as file:
        first, second = (page.offset for page in file.pages)
    data = bytearray(path.read_bytes())
    tags = int.from_bytes(data[second : second + 2], "little")
    end = second + 2 + 12 * tags
    assert data[end : end + 4] == bytes(4)
    for offset in (first, second):
        data[end : end + 4] = offset.to_bytes(4, "little")
        path.write_bytes(data)
        assert stills.read_header(path).doubts == ("its list of pictures is damaged",)


def test_many_pictures_in_a_file_are_not_all_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(tiff, "_COUNTED", 3)
    path = pages(tmp_path / "a.tif", *[(noise(8, 3), 0)] * 5)
    assert stills.read_header(path).doubts == ("it contains at least 3 pictures; only the first is read",)


def test_smaller_versions_of_a_picture_and_masks_are_not_doubtful(tmp_path):
    path = pages(tmp_path / "a.tif", (noise(8, 3), 0), (noise(8, 3)[::2, ::2], 1), (noise(8, 1) > 9, 4))
    assert stills.read_header(path).doubts == ()


def test_a_damaged_second_picture_does_not_affect_the_first(tmp_path):
    path = pages(tmp_path / "a.tif", (noise(8, 3), 0), (noise(8, 3), 0))
    with tifffile.TiffFile(path) as file:
        at = file.pages[1].offset
    data = bytearray(path.read_bytes())
    data[at : at + 2] = b"\xff\xff"
    path.write_bytes(data)
    assert check(path).pixels.shape == (HEIGHT, WIDTH, 3)
    assert len(stills.read_header(path).doubts) == 1
