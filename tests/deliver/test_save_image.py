"""Image.save, and what is on disk then, as OpenImageIO and OpenColorIO see it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO
import PyOpenColorIO
import pytest

from stackcomp import (
    ArgumentError,
    Composition,
    Coordinates,
    Depth,
    Encoding,
    FileError,
    Graph,
    Ids,
    Image,
    Layers,
    Matte,
    Motion,
    Ratio,
    StackcompWarning,
    Window,
    __version__,
)
from stackcomp.files import exr
from stackcomp.files.colour import DEFAULT_CONFIG

DATA = Window(-2, -1, 7, 5)  # overscan on every side
FRAME = Window.of_size(6, 4)
LOG = Encoding("ACEScct", "log")
SCREEN = Encoding("sRGB - Display", "display")


def picture(channels=4, window=DATA, display=FRAME, **more):
    pixels = np.random.default_rng(3).random((*window.shape, channels)).astype(np.float32)
    if channels == 4 and more.get("alpha") != "straight":
        pixels[..., :3] *= pixels[..., 3:]
    return Image.from_array(pixels, origin=(window.x0, window.y0), display=display, **more)


def seen(path):
    return OpenImageIO.ImageBuf(str(path))


def in_order(path, image):
    """Pixels as OpenImageIO reads them, channels in the picture's order: the file's is its own."""
    found = seen(path)
    names = list(found.spec().channelnames)
    return found.get_pixels("float")[..., [names.index(name) for name in image]]


def viewed(pixels, source="ACEScg"):
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    shown = np.array(pixels[..., :3], np.float32, order="C")
    view = PyOpenColorIO.DisplayViewTransform(src=source, display="sRGB - Display", view="ACES 1.0 - SDR Video")
    config.getProcessor(view).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS).applyRGB(shown)
    return shown


class TestExr:
    @pytest.mark.parametrize(
        "image",
        [
            picture(),
            picture(3),
            picture(3, encoding=LOG),
            picture(3, encoding=SCREEN),
            picture(1, type=Matte()),
            picture(3, type=Ratio()),
            picture(1, type=Depth()),
            picture(2, type=Motion()),
            picture(2, type=Coordinates()),
            picture(3, type=Layers(("R", "shadow.R", "depth.Z"))),
        ],
        ids=lambda image: str(image.type),
    )
    @pytest.mark.parametrize("pixel_type", ["float", "half"])
    def test_every_type_with_both_windows(self, tmp_path, image, pixel_type):
        if isinstance(image.type, Layers) and pixel_type == "half":
            with pytest.raises(FileError, match="may hold ids"):
                image.save(tmp_path / "o.exr", pixel_type=pixel_type)
            return
        path = image.save(tmp_path / "new" / "o.exr", pixel_type=pixel_type)
        spec = seen(path).spec()
        assert (spec.x, spec.y, spec.width, spec.height) == (-2, -1, 9, 6)
        assert (spec.full_x, spec.full_y, spec.full_width, spec.full_height) == (0, 0, 6, 4)
        stored = "float" if isinstance(image.type, Depth) else pixel_type
        assert str(spec.format) == stored
        expected = image.to_array(DATA)
        if stored == "half":
            expected = expected.astype(np.float16).astype(np.float32)
        np.testing.assert_array_equal(in_order(path, image), expected)

    def test_it_is_what_a_deliver_node_writes(self, tmp_path):
        image = picture()
        graph = Graph(frames="1")
        graph.add("flat", "p", size=[6, 4])
        graph.add("deliver", "out", image="p", path="delivered.exr", pixel_type="float")
        (delivered,) = Composition(graph, root=tmp_path).deliver(replace={"p": image})
        saved = image.save(tmp_path / "saved.exr")
        ours, theirs = exr.read(saved), exr.read(delivered)
        for name in image:
            np.testing.assert_array_equal(ours.planes[name], theirs.planes[name])
        told = exr.read_header(saved).metadata
        assert told["stackcomp/version"] == __version__
        kept = ("chromaticities", "colorInteropID", "stackcomp/colourSpace", "stackcomp/colourConfig")
        for name in kept:
            assert told[name] == exr.read_header(delivered).metadata[name]

    def test_ids_bit_for_bit(self, tmp_path):
        ids = np.array([[0x7F800123, 0, 0xFFFFFFFF]], np.uint32)  # the first is a signalling NaN as a float
        cover = np.array([[1, 0, 0.25]], np.float32)
        frame = Window.of_size(3, 1)
        image = Image({"cover0": cover, "id0": ids}, frame, frame, Ids(1))
        assert image.channels == ("id0", "cover0")
        path = image.save(tmp_path / "o.exr", pixel_type="half")
        found = exr.read(path).planes
        assert found["id0"].view(np.uint32).tolist() == ids.tolist()
        assert found["cover0"].tolist() == cover.tolist()

    def test_what_is_not_finite_and_what_half_cannot_hold(self, tmp_path):
        values = np.float32([[np.nan, np.inf, -np.inf, 1e6]])
        image = Image.from_array(values, type=Matte())
        np.testing.assert_array_equal(in_order(image.save(tmp_path / "o.exr"), image)[..., 0], values)
        with pytest.warns(StackcompWarning, match="1 values beyond ±65504"):
            path = image.save(tmp_path / "h.exr", pixel_type="half")
        np.testing.assert_array_equal(in_order(path, image)[0, :, 0], np.float32([np.nan, np.inf, -np.inf, 65504]))

    def test_an_empty_data_window_is_a_pixel_of_nothing(self, tmp_path):
        nothing = Window(0, 0, 0, 0)
        image = Image({"A": np.zeros((0, 0), np.float32)}, nothing, FRAME, Matte())
        spec = seen(image.save(tmp_path / "o.exr")).spec()
        assert (spec.width, spec.height, spec.full_width, spec.full_height) == (1, 1, 6, 4)
        with pytest.raises(FileError, match="display window is empty"):
            Image({"A": np.zeros((0, 0), np.float32)}, nothing, nothing, Matte()).save(tmp_path / "n.exr")
        assert not (tmp_path / "n.exr").exists()

    def test_straight_alpha_is_refused_as_by_a_deliver_node(self, tmp_path):
        with pytest.raises(FileError, match="OpenEXR holds premultiplied colour, but this is straight") as caught:
            picture(alpha="straight").save(tmp_path / "o.exr")
        assert ".png" in caught.value.way_out
        assert list(tmp_path.iterdir()) == []

    def test_layers_keep_what_makes_them_readable(self, tmp_path):
        header = {
            "cryptomatte/abc1234/name": "CryptoObject",
            "owner": "bench",
            "chromaticities": (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290),
            "stackcomp/graph": "of another file",
        }
        planes = {name: np.ones((4, 6), np.float32) for name in ("R", "G", "B")}
        layers = Layers(("R", "G", "B"), "none", Encoding("ACEScg", "scene-linear"))
        path = Image(planes, FRAME, FRAME, layers, header).save(tmp_path / "o.exr")
        told = exr.read_header(path).metadata
        assert (told["cryptomatte/abc1234/name"], told["owner"]) == ("CryptoObject", "bench")
        # The type says ACEScg, whatever the file that it was read from said.
        assert told["colorInteropID"] == "lin_ap1_scene"
        assert told["chromaticities"][0] == pytest.approx(0.713)
        assert "stackcomp/graph" not in told
        log = Image(planes, FRAME, FRAME, Layers(("R", "G", "B"), "none", LOG), header)
        assert "chromaticities" not in exr.read_header(log.save(tmp_path / "log.exr")).metadata


class TestStills:
    @pytest.mark.parametrize(("ending", "bits"), [("png", 8), ("png", 16), ("tif", 16), ("tiff", 8)])
    def test_the_frame_through_the_view_with_straight_alpha(self, tmp_path, ending, bits):
        image = picture()
        path = image.save(tmp_path / f"o.{ending}", bits=bits)
        frame = image.to_array()
        alpha = frame[..., 3:]
        expected = np.concatenate([np.clip(viewed(frame[..., :3] / alpha), 0, 1), alpha], axis=-1)
        read_config = OpenImageIO.ImageSpec()
        read_config.attribute("oiio:UnassociatedAlpha", 1)
        got = OpenImageIO.ImageBuf(str(path), 0, 0, read_config).get_pixels("float")
        np.testing.assert_allclose(got, expected, atol=0.51 / (2**bits - 1))

    def test_jpeg_is_over_black(self, tmp_path):
        image = Image.from_array(np.tile(np.float32([0.1, 0.2, 0.05, 0.5]), (16, 16, 1)))
        got = seen(image.save(tmp_path / "o.jpg", quality=100)).get_pixels("float")
        np.testing.assert_allclose(got, viewed(image.to_array()), atol=2.5 / 255)

    def test_float_tiff_of_log_after_stops(self, tmp_path):
        image = picture(3, encoding=LOG, window=FRAME)
        got = seen(image.save(tmp_path / "o.tif", bits=32)).get_pixels("float")
        np.testing.assert_allclose(got, viewed(image.to_array(), "ACEScct"), atol=2e-6)
        brighter = seen(image.save(tmp_path / "b.tif", bits=32, viewing_stops=1)).get_pixels("float")
        assert brighter.mean() > got.mean() + 0.02

    def test_a_matte_is_its_coverage_and_display_colour_is_as_it_is(self, tmp_path):
        matte = picture(1, window=FRAME, type=Matte())
        got = seen(matte.save(tmp_path / "m.png", bits=16)).get_pixels("float")
        np.testing.assert_allclose(got, matte.to_array(), atol=0.51 / 65535)
        shown = picture(3, window=FRAME, encoding=SCREEN)
        got = seen(shown.save(tmp_path / "s.png", bits=16)).get_pixels("float")
        np.testing.assert_allclose(got, shown.to_array(), atol=0.51 / 65535)

    def test_integers_make_the_round(self, tmp_path):
        pixels = np.random.default_rng(1).integers(0, 256, (5, 7, 3), np.uint8)
        path = Image.from_array(pixels, encoding="sRGB - Display").save(tmp_path / "o.png")
        np.testing.assert_array_equal(seen(path).get_pixels("uint8"), pixels)

    @pytest.mark.parametrize(
        "image",
        [
            picture(1, type=Depth()),
            picture(3, type=Ratio()),
            picture(2, type=Motion()),
            picture(3, type=Layers(("R", "G", "B"))),
        ],
        ids=lambda image: str(image.type),
    )
    def test_types_that_a_still_cannot_hold(self, tmp_path, image):
        with pytest.raises(FileError, match=r"a still cannot hold .*write it as \.exr"):
            image.save(tmp_path / "o.png")
        assert list(tmp_path.iterdir()) == []

    def test_what_is_not_finite_is_said(self, tmp_path):
        image = Image.from_array(np.float32([[0.5, np.nan]]), type=Matte())
        with pytest.warns(StackcompWarning, match=r"o\.png: 1 of NaN as 0"):
            image.save(tmp_path / "o.png")

    def test_colour_that_the_config_does_not_know(self, tmp_path):
        image = picture(3, encoding=Encoding("Bench", "scene-linear"))
        with pytest.raises(FileError, match='no colour space "Bench"'):
            image.save(tmp_path / "o.png")
        assert image.save(tmp_path / "o.exr").is_file()


class TestNames:
    def test_the_path_comes_back_and_an_old_file_is_replaced(self, tmp_path, monkeypatch):
        monkeypatch.chdir(tmp_path)
        image = picture(3)
        assert image.save("o.exr") == Path("o.exr")
        first = Path("o.exr").read_bytes()
        assert image.save("o.exr", pixel_type="half") == Path("o.exr")
        assert Path("o.exr").read_bytes() != first
        assert sorted(path.name for path in tmp_path.iterdir()) == ["o.exr"]

    @pytest.mark.parametrize("name", ["a{b}.exr", "50%.exr", "{}.PNG", "plate 1.EXR"])
    def test_braces_and_signs_are_only_letters(self, tmp_path, name):
        assert picture(3).save(tmp_path / name).is_file()

    @pytest.mark.parametrize("name", ["o.{frame:04d}.exr", "o.{frame}.png", "o.%04d.exr"])
    def test_a_picture_knows_no_frame(self, tmp_path, name):
        with pytest.raises(FileError, match="has no frame number — name the file itself"):
            picture(3).save(tmp_path / name)

    @pytest.mark.parametrize(
        ("name", "words"),
        [("o", 'end in ""'), ("o.exe", 'did you mean ".exr"'), ("o.mov", r"\.tiff"), (".exr", 'end in ""')],
    )
    def test_endings(self, tmp_path, name, words):
        with pytest.raises(FileError, match=words):
            picture(3).save(tmp_path / name)

    def test_places_that_cannot_be_written(self, tmp_path):
        (tmp_path / "folder.exr").mkdir()
        (tmp_path / "file").write_text("")
        for path, words in (("folder.exr", "it is a folder"), ("file/o.exr", "is a file, not a folder")):
            with pytest.raises(FileError, match=words):
                picture(3).save(tmp_path / path)

    def test_stops_on_exr_are_a_warning(self, tmp_path):
        with pytest.warns(StackcompWarning, match="OpenEXR is written as it is"):
            path = picture(3).save(tmp_path / "o.exr", viewing_stops=2)
        np.testing.assert_array_equal(in_order(path, picture(3)), picture(3).to_array(DATA))

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            ({"bits": 12}, '"bits"'),
            ({"pixel_type": "double"}, '"pixel_type"'),
            ({"pixel_type": None}, '"pixel_type"'),
            ({"quality": 0}, '"quality"'),
            ({"colour_config": "default"}, "full name"),
        ],
    )
    def test_options_that_there_are_not(self, tmp_path, options, words):
        with pytest.raises(ArgumentError, match=words):
            picture(3).save(tmp_path / "o.tif", **options)

    @pytest.mark.parametrize("options", [{"view": "Nowhere"}, {"display": "Wall"}])
    def test_views_that_there_are_not(self, tmp_path, options):
        with pytest.raises(FileError, match=r"choose from|did you mean"):
            picture(3).save(tmp_path / "o.tif", **options)

    @pytest.mark.parametrize("config", [3, b"studio", Path("config.ocio"), ["a"]])
    def test_a_config_that_is_not_a_name(self, tmp_path, config):
        with pytest.raises(ArgumentError, match=r"colour_config: .* is not the name of a colour config"):
            picture(3).save(tmp_path / "o.png", colour_config=config)

    @pytest.mark.parametrize("name", ["nope", "", "default", "nowhere/config.ocio"])
    def test_a_config_that_does_not_exist(self, tmp_path, name):
        with pytest.raises(ArgumentError, match=r"colour_config: (?s:.*)leave it out for the default one"):
            picture(3).save(tmp_path / "o.png", colour_config=name)

    @pytest.mark.parametrize("bug", [TypeError, AttributeError, ValueError])
    def test_a_bug_while_a_config_is_read_is_not_a_wrong_argument(self, tmp_path, monkeypatch, bug):
        def planted(name):
            raise bug("planted")

        monkeypatch.setattr("stackcomp.files.colour.config", planted)
        with pytest.raises(bug, match=r"^planted$"):
            picture(3).save(tmp_path / "o.png")
