"""PNG, JPEG and TIFF, against OpenCV and OpenImageIO as independent readers and writers."""

import cv2
import numpy as np
import OpenImageIO
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image as Pillow

from stackcomp.errors import FileError
from stackcomp.files import stills

OPENCV_ORDER = {1: [0], 3: [2, 1, 0], 4: [2, 1, 0, 3]}
STEPS = {8: 255, 16: 65535}


def noise(channels, bits, seed=0):
    return np.random.default_rng(seed).integers(0, STEPS[bits] + 1, (9, 14, channels)).astype(f"u{bits // 8}")


def by_oiio(path):
    hint = OpenImageIO.ImageSpec()
    hint.attribute("oiio:UnassociatedAlpha", 1)  # else it multiplies by alpha
    source = OpenImageIO.ImageInput.open(str(path), hint)
    spec = source.spec()
    pixels = source.read_image(0, 0, 0, spec.nchannels, str(spec.format))
    source.close()
    return spec, pixels


@pytest.mark.parametrize("suffix", [".png", ".tif"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_every_step_survives_and_independent_readers_agree(tmp_path, suffix, bits, channels):
    steps = noise(channels, bits)
    path = tmp_path / f"a{suffix}"
    report = stills.write(path, steps / STEPS[bits], bits)
    assert (report.clipped, report.not_finite) == (0, 0)
    still = stills.read(path)
    assert (still.bits, still.has_alpha) == (bits, channels == 4)
    np.testing.assert_array_equal(still.pixels, (steps / np.float64(STEPS[bits])).astype(np.float32))
    spec, pixels = by_oiio(path)
    assert str(spec.format) == f"uint{bits}", "16 bits must really be 16 bits"
    np.testing.assert_array_equal(pixels.reshape(steps.shape), steps)
    if suffix == ".png":  # OpenCV multiplies 8-bit TIFF by alpha
        by_opencv = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        assert by_opencv.dtype == steps.dtype
        np.testing.assert_array_equal(by_opencv.reshape(steps.shape)[..., OPENCV_ORDER[channels]], steps)


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_16_bit_png_of_another_writer(tmp_path, channels):
    steps = noise(channels, 16)
    cv2.imwrite(str(tmp_path / "a.png"), steps[..., OPENCV_ORDER[channels]])
    still = stills.read(tmp_path / "a.png")
    np.testing.assert_array_equal(np.rint(still.pixels * 65535.0), steps)
    header = stills.read_header(tmp_path / "a.png")
    assert (header.width, header.height, header.channels, header.bits) == (14, 9, channels, 16)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA"])
def test_kinds_of_png(tmp_path, mode):
    """Palettes, bits and grey with alpha come out as Pillow shows them."""
    picture = Pillow.fromarray(noise(4, 8), "RGBA") if mode == "RGBA" else Pillow.fromarray(noise(3, 8))
    picture = picture.convert(mode)
    picture.save(tmp_path / "a.png")
    still = stills.read(tmp_path / "a.png")
    shown = np.asarray(picture.convert({"1": "L", "P": "RGB"}.get(mode, mode)))
    np.testing.assert_array_equal(np.rint(still.pixels * 255), shown.reshape(still.pixels.shape))
    header = stills.read_header(tmp_path / "a.png")
    assert header.channels == still.pixels.shape[2]
    assert (header.alpha == "straight") == still.has_alpha == (mode in ("LA", "RGBA"))


def test_float_tiff_is_unchanged(tmp_path):
    values = np.random.default_rng(1).normal(0, 100, (5, 6, 3)).astype(np.float32)
    values[0, 0] = (np.inf, -1e30, np.nan)
    stills.write(tmp_path / "a.tif", values, 32)
    still = stills.read(tmp_path / "a.tif")
    np.testing.assert_array_equal(still.pixels, values)
    assert still.bits == 32
    np.testing.assert_array_equal(by_oiio(tmp_path / "a.tif")[1], values)


@pytest.mark.parametrize("alpha", ["straight", "premultiplied"])
def test_tiff_stores_the_state_of_alpha(tmp_path, alpha):
    stills.write(tmp_path / "a.tif", noise(4, 8) / 255, alpha=alpha)
    assert stills.read_header(tmp_path / "a.tif").alpha == alpha
    with tifffile.TiffFile(tmp_path / "a.tif") as file:  # 1 associated, 2 unassociated: TIFF 6.0, ExtraSamples
        assert int(file.pages[0].extrasamples[0]) == {"premultiplied": 1, "straight": 2}[alpha]


def test_kinds_of_tiff(tmp_path):
    steps = noise(3, 16)
    tifffile.imwrite(
        tmp_path / "planar.tif", np.moveaxis(steps, -1, 0), photometric="rgb", planarconfig="separate"
    )
    np.testing.assert_array_equal(np.rint(stills.read(tmp_path / "planar.tif").pixels * 65535.0), steps)
    tifffile.imwrite(tmp_path / "white.tif", steps[..., 0], photometric="miniswhite")
    np.testing.assert_array_equal(
        np.rint(stills.read(tmp_path / "white.tif").pixels[..., 0] * 65535.0), 65535 - steps[..., 0]
    )
    tifffile.imwrite(tmp_path / "lzw.tif", steps, photometric="rgb", compression="lzw", tile=(16, 16))
    np.testing.assert_array_equal(np.rint(stills.read(tmp_path / "lzw.tif").pixels * 65535.0), steps)
    tifffile.imwrite(tmp_path / "ink.tif", noise(4, 8), photometric="separated")
    with pytest.raises(FileError, match="save it as RGB or grey"):
        stills.read(tmp_path / "ink.tif")


def test_jpeg(tmp_path):
    ramp = np.linspace(0, 1, 64 * 48 * 3, dtype=np.float32).reshape(48, 64, 3)
    stills.write(tmp_path / "a.jpg", ramp, quality=98)
    still = stills.read(tmp_path / "a.jpg")
    assert (still.bits, still.has_alpha) == (8, False)
    assert np.abs(still.pixels - ramp).max() < 0.02
    with Pillow.open(tmp_path / "a.jpg") as file:
        assert file.size == (64, 48)
    stills.write(tmp_path / "grey.jpg", ramp[..., :1])
    assert stills.read(tmp_path / "grey.jpg").pixels.shape == (48, 64, 1)
    assert stills.read_header(tmp_path / "grey.jpg").channels == 1


def test_jpeg_is_upright(tmp_path):
    picture = Pillow.fromarray(np.zeros((10, 20, 3), np.uint8))
    exif = picture.getexif()
    exif[0x0112] = 6  # EXIF orientation: turn by a quarter
    picture.save(tmp_path / "a.jpg", exif=exif)
    assert stills.read(tmp_path / "a.jpg").pixels.shape == (20, 10, 3)
    header = stills.read_header(tmp_path / "a.jpg")
    assert (header.width, header.height) == (10, 20)


def test_clipped_and_non_finite_values_are_counted(tmp_path):
    values = np.float32([[-0.1, 0.5, 1.0], [2.0, np.nan, np.inf]])
    report = stills.write(tmp_path / "a.png", values)
    assert (report.clipped, report.not_finite) == (2, 2)
    assert (report.nan, report.above, report.below) == (1, 1, 0)
    assert np.rint(stills.read(tmp_path / "a.png").pixels[..., 0] * 255).tolist() == [
        [0, 128, 255],
        [255, 0, 255],
    ]


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.floats(0, 1, width=32), min_size=1, max_size=30), st.sampled_from([8, 16]))
def test_rounding_is_to_the_nearest_step(tmp_path, values, bits):
    stills.write(tmp_path / "a.png", np.float32([values]), bits)
    still = stills.read(tmp_path / "a.png").pixels[0, :, 0].astype(np.float64)
    assert np.abs(still - values).max() <= 0.5 / STEPS[bits] + 1e-7


@pytest.mark.parametrize(
    ("name", "channels", "options", "reason"),
    [
        ("a.gif", 3, {}, 'unknown ending ".gif" — choose from .png'),
        ("a.jpg", 4, {}, "JPEG does not support alpha"),
        ("a.jpg", 3, {"bits": 16}, "JPEG does not support 16 bits per channel — choose from 8"),
        ("a.png", 3, {"bits": 32}, "PNG does not support 32 bits"),
        ("a.png", 4, {"alpha": "premultiplied"}, "PNG supports straight alpha only"),
        ("a.png", 5, {}, "is not a picture"),
    ],
)
def test_pixels_that_a_format_does_not_support_are_refused(tmp_path, name, channels, options, reason):
    with pytest.raises(FileError, match=reason):
        stills.write(tmp_path / name, np.zeros((2, 2, channels)), **options)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
def test_damaged_stills_are_refused(tmp_path, name):
    path = tmp_path / name
    stills.write(path, noise(3, 8) / 255)
    whole = path.read_bytes()
    for length in range(0, len(whole) - 12, 23):
        path.write_bytes(whole[:length])
        with pytest.raises(FileError, match=name):
            stills.read(path)
    path.write_bytes(b"some text that is not a picture")
    with pytest.raises(FileError, match="it is not an OpenEXR, PNG, JPEG or TIFF file"):
        stills.read(path)
    with pytest.raises(FileError, match="there is no such file"):
        stills.read(tmp_path / "b.png")


def test_a_failure_leaves_the_old_still_unchanged(tmp_path, monkeypatch):
    path = tmp_path / "a.png"
    stills.write(path, noise(3, 8, 1) / 255)
    before = path.read_bytes()
    encoded = stills._encoded
    monkeypatch.setattr(stills, "_encoded", lambda kind, steps, *rest: encoded(kind, steps ^ 1, *rest))
    with pytest.raises(FileError, match=r"a\.png: its pixels read back differ from those written"):
        stills.write(path, noise(3, 8, 2) / 255)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
