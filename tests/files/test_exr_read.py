"""Reading OpenEXR files that others made: openexr-images, OpenImageIO's and the Cryptomatte samples.

The independent reader is OpenImageIO.
"""

import numpy as np
import OpenImageIO
import pytest

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files import exr

GOOD = [
    "openexr-images/Beachball/multipart.0001.exr",
    "openexr-images/Beachball/singlepart.0001.exr",
    "openexr-images/Chromaticities/Rec709.exr",
    *(f"openexr-images/DisplayWindow/t0{number}.exr" for number in range(1, 9)),
    "openexr-images/ScanLines/CandleGlass.exr",
    "openexr-images/TestImages/BrightRings.exr",
    "openexr-images/TestImages/BrightRingsNanInf.exr",
    "openexr-tests/src/test/OpenEXRTest/comp_zip.exr",
    "oiio-tests/testsuite/oiiotool-composite/src/a.exr",
    "oiio-tests/testsuite/oiiotool-composite/src/b.exr",
    "oiio-tests/testsuite/oiiotool-composite/ref/a_over_b.exr",
    "oiio-tests/testsuite/oiiotool-layers/src/layers.exr",
    "oiio-tests/testsuite/cryptomatte/src/cryptoasset.exr",
    "cryptomatte/sample_images/debug_images/special_chars.exr",
    "cryptomatte/sample_images/debug_images/sidecar_manifest.exr",
]


def independent(path):
    """Per part: its name, its window, and its channels as float32 bits."""
    source = OpenImageIO.ImageInput.open(str(path))
    parts = []
    number = 0
    while source.seek_subimage(number, 0):
        spec = source.spec()
        pixels = source.read_image(number, 0, 0, spec.nchannels, "float")
        window = Window.of_size(spec.width, spec.height).shift(spec.x, spec.y)
        display = Window.of_size(spec.full_width, spec.full_height).shift(spec.full_x, spec.full_y)
        planes = {name: np.ascontiguousarray(pixels[..., k]) for k, name in enumerate(spec.channelnames)}
        parts.append((window, display, planes))
        number += 1
    source.close()
    return parts


@pytest.mark.parametrize("name", GOOD)
def test_every_channel_equals_that_of_an_independent_reader(material, name):
    picture = exr.read(material / name)
    parts = independent(material / name)
    assert len(parts) == len(picture.header.parts)
    assert picture.header.display_window == parts[0][1]
    for part, (window, _, planes) in zip(picture.header.parts, parts, strict=True):
        assert part.data_window == window
        assert set(part.channels) == set(planes)
        for stored, full in zip(part.channels, part.full_names, strict=True):
            plane = picture.planes[full]
            assert plane.dtype == np.float32
            assert plane.flags.c_contiguous
            inside = plane[window.slices_in(picture.window)]
            # As bits, so that NaN counts as equal and ids are not compared as numbers.
            np.testing.assert_array_equal(
                np.ascontiguousarray(inside).view(np.uint32), planes[stored].view(np.uint32), err_msg=full
            )
            assert np.count_nonzero(plane) == np.count_nonzero(inside), "outside of a part, planes are 0"


@pytest.mark.slow
def test_the_parts_of_beachball_equal_its_single_part(material):
    many = exr.read(material / "openexr-images/Beachball/multipart.0001.exr")
    single = exr.read(material / "openexr-images/Beachball/singlepart.0001.exr")
    same = {
        **{name: name for name in ("R", "G", "B", "A", *(f"disparity{s}.{c}" for s in "LR" for c in "xy"))},
        **{f"left.{name}": f"rgba_left.{name}" for name in "RGBA"},
        **{f"forward.{s}.{c}": f"forward_{s}.forward.{c}" for s in ("left", "right") for c in "uv"},
        **{f"whitebarmask.{s}.mask": f"whitebarmask_{s}.whitebarmask.mask" for s in ("left", "right")},
        "Z": "depth_right.Z",
        "left.Z": "depth_left.Z",
    }
    assert set(same) == set(single.header.channels)
    assert set(same.values()) == set(many.header.channels)
    assert many.window == single.window == Window.from_exr((654, 245), (1564, 1120))
    for one, other in same.items():
        np.testing.assert_array_equal(single.planes[one], many.planes[other], err_msg=one)
    depth, alpha = single.planes["Z"], single.planes["A"]
    assert (depth[alpha == 0] == 0).all()
    assert 9.0 <= depth[depth > 0].min() <= depth.max() <= 10.93


WINDOWS = {  # inclusive corners of data and display window, from the headers as published
    1: ((0, 0), (399, 299), (0, 0), (399, 299)),
    2: ((0, 0), (399, 299), (1, 1), (400, 300)),
    3: ((0, 0), (399, 299), (30, 20), (399, 299)),
    4: ((0, 0), (399, 299), (0, 0), (369, 279)),
    5: ((0, 0), (399, 299), (30, 20), (369, 279)),
    6: ((0, 0), (399, 299), (-1, -1), (400, 300)),
    7: ((0, 0), (399, 299), (-40, -40), (440, 330)),
    8: ((30, 40), (429, 339), (0, 0), (500, 400)),
}


@pytest.mark.parametrize("number", WINDOWS)
def test_display_windows(material, number):
    folder = material / "openexr-images/DisplayWindow"
    low, high, display_low, display_high = WINDOWS[number]
    picture = exr.read(folder / f"t0{number}.exr")
    assert picture.window == picture.header.data_window == Window.from_exr(low, high)
    assert picture.header.display_window == Window.from_exr(display_low, display_high)
    np.testing.assert_array_equal(picture.planes["G"], exr.read(folder / "t01.exr").planes["G"])


def test_light_under_alpha_0_survives_a_round_trip(material, tmp_path):
    candle = exr.read(material / "openexr-images/ScanLines/CandleGlass.exr")
    exr.write(
        tmp_path / "a.exr",
        candle.planes,
        window=candle.window,
        display=candle.header.display_window,
        compression="piz",
        metadata=candle.header.metadata,
    )
    again = exr.read(tmp_path / "a.exr")
    rgb = np.stack([again.planes[name] for name in "RGB"])
    bare = (again.planes["A"] == 0) & (rgb != 0).any(axis=0)
    assert np.count_nonzero(bare) == 688_921
    assert rgb[:, bare].max() == 413.25
    assert again.header.metadata["comments"] == "Premultiplied alpha with A == 0 and RGB != 0"
    assert again.header.metadata["aperture"] == candle.header.metadata["aperture"]
    for name in candle.planes:
        np.testing.assert_array_equal(again.planes[name], candle.planes[name])


def test_bright_rings_keep_their_non_finite_pixels(material):
    folder = material / "openexr-images/TestImages"
    rings, odd = exr.read(folder / "BrightRings.exr"), exr.read(folder / "BrightRingsNanInf.exr")
    for name in "RGB":
        plane = odd.planes[name]
        assert np.count_nonzero(np.isnan(plane)) == 2
        assert np.count_nonzero(np.isposinf(plane)) == 2
        assert np.count_nonzero(np.isneginf(plane)) == 2
        finite = np.isfinite(plane)
        np.testing.assert_array_equal(plane[finite], rings.planes[name][finite])


def test_only_requested_channels_are_converted(material):
    picture = exr.read(material / "oiio-tests/testsuite/oiiotool-layers/src/layers.exr", ["specular.G", "R"])
    assert list(picture.planes) == ["specular.G", "R"]
    assert len(picture.header.channels) == 10


def test_a_missing_channel_is_reported_with_the_nearest_name(material):
    path = material / "oiio-tests/testsuite/oiiotool-layers/src/layers.exr"
    with pytest.raises(
        FileError, match=r'layers\.exr: there is no channel "speculr\.G" — did you mean "specular\.G"'
    ):
        exr.read(path, ["speculr.G"])


def test_the_text_of_a_header_contains_the_id_manifest(material):
    header = exr.read_header(material / "oiio-tests/testsuite/cryptomatte/src/cryptoasset.exr")
    assert header.text["cryptomatte/d593dd7/conversion"] == "uint32_to_float32"
    assert '"bunny":"13851a76"' in header.text["cryptomatte/d593dd7/manifest"]
    assert header.pixel_types["uCryptoAsset00.red"] == "float"
    assert "dataWindow" not in header.metadata


def test_a_missing_file_is_reported_with_existing_frames(tmp_path):
    (tmp_path / "plate.1001.exr").touch()
    with pytest.raises(FileError, match=r'no such file — frame 1001 of "plate.\{frame:04d\}.exr" exists'):
        exr.read_header(tmp_path / "plate.1002.exr")


def test_parts_are_layers(tmp_path):
    """The first part with plain R, G or B is the picture; the others carry their names."""
    import OpenEXR

    def part(name, *channels):
        return OpenEXR.Part({}, {c: np.full((2, 3), k, np.float32) for k, c in enumerate(channels)}, name)

    file = OpenEXR.File([part("depth", "Z"), part("beauty", "R", "A"), part("diffuse", "diffuse.R", "B")])
    file.write(str(tmp_path / "parts.exr"))
    header = exr.read_header(tmp_path / "parts.exr")
    assert set(header.channels) == {"depth.Z", "R", "A", "diffuse.R", "diffuse.B"}


def test_subsampled_channels_are_refused(tmp_path, exr_by_hand):
    luma = np.arange(8, dtype=np.float16).reshape(2, 4)
    chroma = np.array([0.5, 0.25], np.float16)
    rows = [chroma.tobytes() + luma[0].tobytes(), luma[1].tobytes()]
    path = tmp_path / "yc.exr"
    path.write_bytes(exr_by_hand(4, 2, [("RY", 1, 2), ("Y", 1, 1)], rows))
    np.testing.assert_array_equal(exr.read(path, ["Y"]).planes["Y"], luma)
    with pytest.raises(FileError, match=r'yc\.exr: channel "RY" is subsampled'):
        exr.read(path)


def test_the_announced_size_is_limited(tmp_path, monkeypatch):
    planes = {"Y": np.zeros((8, 8), np.float32)}
    exr.write(tmp_path / "a.exr", planes, window=Window.of_size(8, 8), display=Window.of_size(8, 8))
    monkeypatch.setattr(exr, "LARGEST", 255)
    with pytest.raises(FileError, match="announces 8 × 8 pixels in 1 channels"):
        exr.read_header(tmp_path / "a.exr")
