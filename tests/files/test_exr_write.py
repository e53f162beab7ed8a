"""Writing OpenEXR: bits, windows, attributes, refusals, whole files only; OpenImageIO reads them too."""

from fractions import Fraction

import numpy as np
import OpenImageIO
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files import exr, exr_write

HERE = Window(-5, -3, 6, 4)
FRAME = Window.of_size(8, 6)
ANY_FILE = settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])


def noise(seed=0, window=HERE):
    return np.random.default_rng(seed).normal(0, 10, window.shape).astype(np.float32)


def write(path, planes, **options):
    return exr.write(path, planes, **{"window": HERE, "display": FRAME, **options})


def by_oiio(path, name):
    source = OpenImageIO.ImageBuf(str(path))
    return source.get_pixels("float")[..., source.spec().channelnames.index(name)]


@pytest.mark.parametrize("compression", exr_write.COMPRESSIONS)
@pytest.mark.parametrize("pixel_type", ["half", "float"])
def test_every_compression_is_lossless(tmp_path, compression, pixel_type):
    planes = {"R": noise(1), "layer.G": noise(2)}
    write(tmp_path / "a.exr", planes, compression=compression, pixel_type=pixel_type)
    picture = exr.read(tmp_path / "a.exr")
    assert picture.header.parts[0].compression == compression
    assert (picture.window, picture.header.display_window) == (HERE, FRAME)
    for name, plane in planes.items():
        expected = plane.astype(np.float16).astype(np.float32) if pixel_type == "half" else plane
        np.testing.assert_array_equal(picture.planes[name], expected)
        np.testing.assert_array_equal(by_oiio(tmp_path / "a.exr", name), expected)


def test_forty_channels_and_negative_windows(tmp_path):
    planes = {f"light{k // 4:02d}.{'RGBA'[k % 4]}": noise(k) for k in range(40)}
    write(tmp_path / "deep" / "down" / "a.exr", planes, pixel_type="float")
    picture = exr.read(tmp_path / "deep" / "down" / "a.exr")
    assert set(picture.header.channels) == set(planes)
    assert picture.window == HERE
    for name, plane in planes.items():
        np.testing.assert_array_equal(picture.planes[name], plane)
    spec = OpenImageIO.ImageBuf(str(tmp_path / "deep" / "down" / "a.exr")).spec()
    assert (spec.x, spec.y, spec.width, spec.height) == (-5, -3, 11, 7)
    assert (spec.full_x, spec.full_y, spec.full_width, spec.full_height) == (0, 0, 8, 6)


def test_inputs_and_mappings_are_not_modified(tmp_path):
    plane = noise()
    planes, metadata = {"R": plane}, {"owner": "bench"}
    write(tmp_path / "a.exr", planes, metadata=metadata)
    assert planes["R"] is plane
    assert metadata == {"owner": "bench"}
    np.testing.assert_array_equal(plane, noise())


def test_half_clamps_finite_values_and_counts_them(tmp_path):
    odd = [65504.0, 65505.0, -65504.1, 1e30, -3.4e38, np.inf, -np.inf, np.nan, 65504.0, 1e-8, -0.0]
    plane = np.zeros(HERE.shape, np.float32)
    plane[2] = odd
    report = write(tmp_path / "a.exr", {"R": plane, "Z": plane}, pixel_type={"Z": "float"})
    assert report.clamped == 4  # in R alone
    picture = exr.read(tmp_path / "a.exr")
    largest = 65504.0  # the largest finite value of IEEE 754 binary16
    expected = [largest, largest, -largest, largest, -largest, np.inf, -np.inf, np.nan, largest, 0, -0.0]
    np.testing.assert_array_equal(picture.planes["R"][2], np.float32(expected))
    np.testing.assert_array_equal(picture.planes["Z"], plane)
    assert picture.header.pixel_types == {"R": "half", "Z": "float"}
    assert write(tmp_path / "b.exr", {"R": noise()}).clamped == 0


# Patterns of the open ID-matte specification, quiet and signalling NaN, infinity, denormals.
PATTERNS = np.array(
    [
        0x00800000,
        0xF19C73FD,
        0x9623511E,
        0x7F8E5296,
        0x7FC00000,
        0x7F800001,
        0xFFFFFFFF,
        0x7F800000,
        1,
        0,
        0x000586A5,
    ],
    np.uint32,
)


@pytest.mark.parametrize("as_float", [False, True])
def test_bits_of_ids_survive(tmp_path, as_float):
    ids = np.tile(PATTERNS, (HERE.height, 1))
    names = ["id"] if as_float else []
    for compression in exr_write.COMPRESSIONS:
        write(tmp_path / "ids.exr", {"id": ids, "cover": noise()}, bits_as_float=names, compression=compression)
        picture = exr.read(tmp_path / "ids.exr")
        assert picture.header.pixel_types == {"id": "float" if as_float else "uint", "cover": "half"}
        assert picture.planes["id"].dtype == (np.float32 if as_float else np.uint32)
        np.testing.assert_array_equal(picture.planes["id"].view(np.uint32), ids)


def test_ids_as_half_are_refused(tmp_path):
    ids = np.ones(HERE.shape, np.uint32)
    with pytest.raises(FileError, match=r'ids in channel "id" cannot be stored as half — choose "float"'):
        write(tmp_path / "a.exr", {"id": ids}, pixel_type={"id": "half"})
    with pytest.raises(FileError, match="cannot be stored as half"):
        write(tmp_path / "a.exr", {"id": ids.view(np.float32)}, pixel_type={"id": "half"}, bits_as_float=["id"])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("compression", ["pxr24", "b44", "b44a", "dwaa", "dwab"])
def test_lossy_compression_is_refused(tmp_path, compression):
    with pytest.raises(FileError, match=f'compression "{compression}" loses bits — choose from "?none'):
        write(tmp_path / "a.exr", {"R": noise()}, compression=compression)


def test_unknown_compression_lists_choices(tmp_path):
    with pytest.raises(FileError, match='unknown compression "zipp" — did you mean "zip" or "zips"'):
        write(tmp_path / "a.exr", {"R": noise()}, compression="zipp")


def test_planes_that_do_not_fit_are_refused(tmp_path):
    with pytest.raises(FileError, match=r'channel "R" is \(2, 2\), but its window is \(7, 11\)'):
        write(tmp_path / "a.exr", {"R": np.zeros((2, 2), np.float32)})
    with pytest.raises(FileError, match='channel "R" is float64'):
        write(tmp_path / "a.exr", {"R": noise().astype(np.float64)})
    with pytest.raises(FileError, match="no channels"):
        write(tmp_path / "a.exr", {})
    with pytest.raises(FileError, match="display window"):
        write(tmp_path / "a.exr", {"R": noise()}, display=Window(0, 0, 0, 0))


def test_an_empty_data_window_becomes_one_pixel_of_0(tmp_path):
    empty = Window(3, 3, 3, 3)
    write(tmp_path / "a.exr", {"R": np.zeros((0, 0), np.float32)}, window=empty, display=Window(2, 1, 9, 9))
    picture = exr.read(tmp_path / "a.exr")
    assert picture.window == Window(2, 1, 3, 2)
    assert picture.planes["R"].tolist() == [[0.0]]


def test_attributes_pass_through(tmp_path):
    import OpenEXR

    timecode = OpenEXR.TimeCode(1, 2, 3, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    metadata = {
        "timeCode": timecode,
        "owner": "Bänk & Söhne",
        "frame": 1001,
        "gain": np.float32(0.5),
        "chromaticities": [0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.32168, 0.33767],
        "lights": ["key", "rim"],
        "levels": [1, 2],
        "size": (3, 4),
        "matrix": np.eye(4, dtype=np.float32),
        "flag": True,
        "compression": "nonsense",  # set by the argument, so it is ignored
        "huge": 2**40,
        "rate": OpenEXR.Rational(24, 1),
        "framesPerSecond": Fraction(24000, 1001),
        "no rate": OpenEXR.Rational(24, 0),
        "too fast": Fraction(2**31),
        "nothing": None,
    }
    report = write(tmp_path / "a.exr", {"R": noise()}, metadata=metadata)
    assert set(report.skipped) == {"huge", "no rate", "too fast", "nothing"}
    picture = exr.read_header(tmp_path / "a.exr").metadata
    assert picture["timeCode"] == timecode
    assert (picture["rate"], picture["framesPerSecond"]) == (24, Fraction(24000, 1001))
    assert picture["owner"] == "Bänk & Söhne"
    assert (picture["frame"], picture["gain"], picture["flag"]) == (1001, 0.5, 1)
    assert picture["chromaticities"] == pytest.approx(metadata["chromaticities"], abs=1e-7)
    assert picture["lights"] == ["key", "rim"]
    assert picture["levels"] == [1.0, 2.0]
    assert picture["size"].tolist() == [3, 4]
    assert np.array_equal(picture["matrix"], np.eye(4))
    assert not set(report.skipped) & set(picture)
    again = write(tmp_path / "b.exr", {"R": noise()}, metadata=picture)  # what was read can be written
    assert again.skipped == ()
    spec = OpenImageIO.ImageBuf(str(tmp_path / "b.exr")).spec()
    assert spec.getattribute("Copyright") == "Bänk & Söhne"
    assert spec.getattribute("framesPerSecond") == (24000, 1001)
    assert spec.getattribute("chromaticities") == pytest.approx(metadata["chromaticities"], abs=1e-7)


def test_chromaticities_are_eight_numbers(tmp_path):
    with pytest.raises(FileError, match="chromaticities are 8 numbers"):
        write(tmp_path / "a.exr", {"R": noise()}, metadata={"chromaticities": (0.64, 0.33)})


def cut_short(path, *arguments):
    original(path, *arguments)
    path.write_bytes(path.read_bytes()[:-10])


def run_on(path, *arguments):
    original(path, *arguments)
    path.write_bytes(path.read_bytes() + b"and more")


def stop_halfway(path, *arguments):
    path.write_bytes(b"half a file")
    raise OSError(28, "No space left on device")


def be_interrupted(path, *arguments):
    path.write_bytes(b"half a file")
    raise KeyboardInterrupt


original = exr_write._write


@pytest.mark.parametrize(
    ("failure", "error", "reason"),
    [
        (cut_short, FileError, "chunk 0"),
        (run_on, FileError, "its last chunk ends at byte"),
        (stop_halfway, FileError, "the disk is full"),
        (be_interrupted, KeyboardInterrupt, None),
    ],
)
def test_a_failure_leaves_the_old_file_unchanged_and_no_other(tmp_path, monkeypatch, failure, error, reason):
    path = tmp_path / "a.exr"
    write(path, {"R": noise(1)})
    before = path.read_bytes()
    monkeypatch.setattr(exr_write, "_write", failure)
    with pytest.raises(error, match=reason) as caught:
        write(path, {"R": noise(2)})
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
    if error is FileError:
        assert caught.value.path == str(path)


def test_a_folder_that_cannot_be_made_is_an_error(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(FileError, match='file" is a file, not a folder'):
        write(tmp_path / "file" / "a.exr", {"R": noise()})
    with pytest.raises(FileError, match="it is a folder"):
        write(tmp_path, {"R": noise()})


@ANY_FILE
@given(
    arrays.arrays(np.uint32, st.tuples(st.integers(1, 20), st.integers(1, 20))),
    st.sampled_from(exr_write.COMPRESSIONS),
)
def test_float_keeps_every_bit(tmp_path, bits, compression):
    window = Window.of_size(bits.shape[1], bits.shape[0]).shift(-7, 9)
    exr.write(
        tmp_path / "a.exr",
        {"R": bits.view(np.float32)},
        window=window,
        display=FRAME,
        pixel_type="float",
        compression=compression,
    )
    picture = exr.read(tmp_path / "a.exr")
    assert picture.window == window
    np.testing.assert_array_equal(picture.planes["R"].view(np.uint32), bits)
