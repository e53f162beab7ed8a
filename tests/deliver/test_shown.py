"""Files as they are looked at: against OpenColorIO, and against the stills that the deliver node writes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO
import PyOpenColorIO
import pytest

from stackcomp import (
    ArgumentError,
    Coordinates,
    Depth,
    Encoding,
    FileError,
    Image,
    Layers,
    Matte,
    Motion,
    Ratio,
    Window,
)
from stackcomp.deliver.shown import shown_picture
from stackcomp.files import exr, stills
from stackcomp.files.colour import DEFAULT_CONFIG, UnknownEncoding
from stackcomp.files.mark import ATTRIBUTE, Mark
from stackcomp.files.viewable import viewable
from stackcomp.nodes.base import Context, Job
from stackcomp.nodes.deliver import Deliver

FRAME = Window.of_size(48, 32)
DATA = Window(-4, 3, 40, 60)  # overscan on two sides, and nothing on the others
LOG = Encoding("ACEScct", "log")
SCREEN = Encoding("sRGB - Display", "display")


def picture(channels=4, window=FRAME, **more):
    pixels = np.random.default_rng(9).random((*window.shape, channels)).astype(np.float32) * 1.5 - 0.1
    if channels == 4:
        pixels[..., 3] = np.clip(pixels[..., 3], 0, 1)
        pixels[..., :3] *= pixels[..., 3:]
    return Image.from_array(pixels, origin=(window.x0, window.y0), display=FRAME, **more)


def viewed(pixels, source="ACEScg", display="sRGB - Display", view="ACES 1.0 - SDR Video", config=DEFAULT_CONFIG):
    """By the library itself."""
    loaded = PyOpenColorIO.Config.CreateFromBuiltinConfig(config)
    shown = np.array(pixels[..., :3], np.float32, order="C")
    way = PyOpenColorIO.DisplayViewTransform(src=source, display=display, view=view)
    loaded.getProcessor(way).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS).applyRGB(shown)
    return np.clip(shown, 0, 1)


def delivered(path, image, **fields):
    """Written by a deliver node, with its mark."""
    fields = {"pixel_type": "float"} if path.suffix == ".exr" else fields
    sink = Deliver(kind="deliver", image="image", path=path.name, **fields)
    context = Context(Encoding("ACEScg", "scene-linear"), DEFAULT_CONFIG, Path(), (1,))
    sink.write_file(path, image, Job(1, 1.0, context), {ATTRIBUTE: Mark("delivery")})
    return path


class TestExr:
    @pytest.mark.parametrize("stops", [0, 1.5, -3])
    @pytest.mark.parametrize(
        "image", [picture(3), picture(3, DATA), picture(3, encoding=LOG), picture(3, encoding=SCREEN)]
    )
    def test_like_the_png_that_a_deliver_node_writes(self, tmp_path, image, stops):
        found = shown_picture(delivered(tmp_path / "a.exr", image), viewing_stops=stops)
        png = delivered(tmp_path / "a.png", image, bits=16, viewing_stops=stops)
        assert found.dtype == np.float32
        # Half a step of 16 bits.
        np.testing.assert_allclose(found, stills.read(png).pixels, atol=0.51 / 65535)

    @pytest.mark.parametrize(
        ("display", "view"),
        [("sRGB - Display", "ACES 1.0 - SDR Video"), ("Rec.1886 Rec.709 - Display", "Un-tone-mapped")],
    )
    def test_alpha_lies_over_black_through_the_chosen_view(self, tmp_path, display, view):
        image = picture()
        found = shown_picture(delivered(tmp_path / "a.exr", image), display=display, view=view)
        np.testing.assert_allclose(found, viewed(image.to_array(), display=display, view=view), atol=1e-6)
        assert found.max() > 0.7

    def test_straight_alpha_is_multiplied(self, tmp_path):
        straight = picture(4, alpha="straight")
        exr.write(
            tmp_path / "a.exr", straight.planes, window=FRAME, display=FRAME, pixel_type="float",
            metadata={"stackcomp/type": str(straight.type), "stackcomp/colourSpace": "ACEScg"},
        )  # fmt: skip
        pixels = straight.to_array()
        np.testing.assert_allclose(
            shown_picture(tmp_path / "a.exr"), viewed(pixels[..., :3] * pixels[..., 3:]), atol=1e-6
        )

    def test_another_config(self, tmp_path):
        config = "cg-config-v1.0.0_aces-v1.3_ocio-v2.1"
        path = delivered(tmp_path / "a.exr", picture(3))
        expected = viewed(picture(3).to_array(), config=config)
        np.testing.assert_allclose(shown_picture(path, config=config), expected, atol=1e-6)

    def test_only_the_frame_is_shown_and_black_outside_the_data(self, tmp_path):
        found = shown_picture(delivered(tmp_path / "a.exr", picture(3, DATA)))
        assert found.shape == (32, 48, 3)
        assert (found[:3] < 0.01).all()
        assert (found[:, 40:] < 0.01).all()
        assert found[3:, :40].mean() > 0.2

    def test_values_that_are_not_finite(self, tmp_path):
        image = picture(3)
        special = [np.nan, np.inf, -np.inf]
        image = image.with_planes({name: np.array(plane) for name, plane in image.items()})
        for k, value in enumerate(special):
            for name in "RGB":
                image[name][0, k] = value
        found = shown_picture(delivered(tmp_path / "a.exr", image))
        assert np.isfinite(found).all()
        assert (found[0, 0] < 0.01).all()
        assert (found[0, 1] > 0.9).all()
        assert (found[0, 2] < 0.01).all()
        # Also where no view comes between.
        shown = Image(image.planes, FRAME, FRAME, type(image.type)("none", SCREEN))
        found = shown_picture(delivered(tmp_path / "b.exr", shown))
        assert found[0, :3, 0].tolist() == [0, 1, 0]
        assert found.min() == 0
        assert found.max() == 1

    def test_half_and_further_channels(self, tmp_path):
        image = picture(3)
        planes = {**image.planes, "depth.Z": np.full(FRAME.shape, 3, np.float32)}
        exr.write(
            tmp_path / "a.exr", planes, window=FRAME, display=FRAME, pixel_type="half",
            metadata={"stackcomp/colourSpace": "ACEScg"},
        )  # fmt: skip
        halves = image.to_array().astype(np.float16).astype(np.float32)
        np.testing.assert_allclose(shown_picture(tmp_path / "a.exr"), viewed(halves), atol=1e-6)


class TestOtherTypes:
    @pytest.mark.parametrize(
        "image",
        [
            picture(1, type=Matte()),
            picture(1, type=Depth()),
            picture(2, type=Motion()),
            picture(2, type=Coordinates()),
        ],
        ids=lambda image: image.type.name,
    )
    def test_as_they_are_made_viewable(self, tmp_path, image):
        image.save(tmp_path / "a.exr", pixel_type="float")
        assert np.array_equal(shown_picture(tmp_path / "a.exr"), viewable(image) / np.float32(255))

    def test_a_matte_is_its_coverage_in_grey(self, tmp_path):
        image = picture(1, type=Matte())
        image.save(tmp_path / "a.exr", pixel_type="float")
        expected = np.clip(image["A"], 0, 1)[..., None].repeat(3, axis=-1)
        np.testing.assert_allclose(shown_picture(tmp_path / "a.exr"), expected, atol=0.51 / 255)

    def test_a_delivered_ratio_is_not_taken_for_colour(self, tmp_path):
        image = picture(3, type=Ratio())
        expected = viewable(image) / np.float32(255)
        assert np.array_equal(shown_picture(delivered(tmp_path / "a.exr", image)), expected)
        image.save(tmp_path / "b.exr", pixel_type="float")
        assert np.array_equal(shown_picture(tmp_path / "b.exr"), expected)

    def test_the_caller_knows_better(self, tmp_path):
        image = picture(3, type=Ratio())
        exr.write(tmp_path / "a.exr", image.planes, window=FRAME, display=FRAME, pixel_type="float")
        assert np.array_equal(shown_picture(tmp_path / "a.exr", type=Ratio()), viewable(image) / np.float32(255))
        expected = viewed(image.to_array(), "ACEScct")
        np.testing.assert_allclose(shown_picture(tmp_path / "a.exr", encoding="ACEScct"), expected, atol=1e-6)


class TestStills:
    def test_16_bits_stay(self, tmp_path):
        pixels = (np.arange(65536, dtype=np.uint32).reshape(256, 256) / np.float32(65535)).astype(np.float32)
        for name in ("a.png", "a.tif"):
            stills.write(tmp_path / name, np.stack([pixels] * 3, axis=-1), 16)
            assert np.array_equal(shown_picture(tmp_path / name)[..., 1], pixels)

    def test_as_another_library_reads_it(self, tmp_path):
        pixels = np.random.default_rng(2).random((20, 30, 3)).astype(np.float32)
        for name in ("a.png", "a.jpg", "a.tif"):
            stills.write(tmp_path / name, pixels)
            other = OpenImageIO.ImageBuf(str(tmp_path / name)).get_pixels("float")
            np.testing.assert_allclose(shown_picture(tmp_path / name), other, atol=1.1 / 255)

    def test_straight_alpha_multiplies_code_values(self, tmp_path):
        stills.write(tmp_path / "a.png", np.array([[[0.6, 0.2, 1, 0.5], [0.6, 0.2, 1, 0]]], np.float32), 16)
        np.testing.assert_allclose(shown_picture(tmp_path / "a.png")[0], [[0.3, 0.1, 0.5], [0, 0, 0]], atol=2e-5)

    def test_premultiplied_alpha_stays(self, tmp_path):
        pixels = np.array([[[0.3, 0.1, 0.5, 0.5]]], np.float32)
        stills.write(tmp_path / "a.tif", pixels, 16, alpha="premultiplied")
        np.testing.assert_allclose(shown_picture(tmp_path / "a.tif")[0, 0], pixels[0, 0, :3], atol=1e-5)

    def test_grey_is_three_times_grey(self, tmp_path):
        grey = np.linspace(0, 1, 6, dtype=np.float32).reshape(2, 3)
        stills.write(tmp_path / "a.png", grey, 16)
        assert np.allclose(shown_picture(tmp_path / "a.png"), grey[..., None], atol=1e-5)
        stills.write(tmp_path / "b.png", np.stack([grey, np.full_like(grey, 0.5)], axis=-1), 16)
        assert np.allclose(shown_picture(tmp_path / "b.png"), grey[..., None] / 2, atol=2e-5)

    def test_float_tiff_is_clipped(self, tmp_path):
        values = np.array([[-1, 0.25, 7, np.nan, np.inf, -np.inf]], np.float32)
        stills.write(tmp_path / "a.tif", np.stack([values] * 3, axis=-1), 32)
        assert shown_picture(tmp_path / "a.tif")[0, :, 2].tolist() == [0, 0.25, 1, 0, 1, 0]


class TestMistakes:
    def write(self, path, channels="RGB", **metadata):
        planes = {name: np.ones(FRAME.shape, np.float32) for name in channels}
        exr.write(path, planes, window=FRAME, display=FRAME, pixel_type="half", metadata=metadata)
        return path

    def test_no_colour_space(self, tmp_path):
        path = self.write(tmp_path / "a.exr")
        with pytest.raises(FileError, match=r"a\.exr: its colour space is not known.* encoding="):
            shown_picture(path)

    def test_a_colour_space_that_the_config_does_not_have(self, tmp_path):
        path = self.write(tmp_path / "a.exr", **{"stackcomp/colourSpace": "lantern log"})
        with pytest.raises(
            FileError, match="its header says that its colour space is lantern log, but there is no"
        ):
            shown_picture(path)
        with pytest.raises(UnknownEncoding, match="lantern"):
            shown_picture(path, encoding="lantern lin")

    def test_data_is_not_shown(self, tmp_path):
        path = self.write(tmp_path / "a.exr", **{"stackcomp/colourSpace": "Raw"})
        with pytest.raises(FileError, match="is data, not colour"):
            shown_picture(path)

    def test_no_picture(self, tmp_path):
        path = self.write(tmp_path / "a.exr", ["u", "v", "w"])
        with pytest.raises(FileError, match="no picture to show: its channels are u, v, w"):
            shown_picture(path)

    def test_another_type_than_there_is(self, tmp_path):
        path = self.write(tmp_path / "a.exr")
        with pytest.raises(FileError, match="no channel Z"):
            shown_picture(path, type=Depth())

    @pytest.mark.parametrize(("given", "message"), [({"view": "Sunset"}, "Sunset"), ({"display": "Wall"}, "Wall")])
    def test_display_and_view(self, tmp_path, given, message):
        path = delivered(tmp_path / "a.exr", picture(3))
        with pytest.raises(UnknownEncoding, match=message):
            shown_picture(path, **given)

    def test_files_that_cannot_be_read(self, tmp_path):
        whole = delivered(tmp_path / "a.exr", picture(3)).read_bytes()
        (tmp_path / "b.exr").write_bytes(whole[: len(whole) // 2])
        (tmp_path / "c.png").write_bytes(b"lantern")
        for name in ("b.exr", "c.png", "d.exr"):
            with pytest.raises(FileError, match=name):
                shown_picture(tmp_path / name)

    def test_stops(self, tmp_path):
        with pytest.raises(ArgumentError, match="viewing_stops"):
            shown_picture(tmp_path / "a.exr", viewing_stops=99)


def test_layers_with_a_tagged_colour_space(tmp_path):
    layers = Layers(("R", "G", "B", "spill.R"), "none", Encoding("Linear Rec.709 (sRGB)", "scene-linear"))
    image = picture(4, type=layers)
    image.save(tmp_path / "a.exr", pixel_type="float")
    expected = viewed(image.to_array()[..., :3], "Linear Rec.709 (sRGB)")
    np.testing.assert_allclose(shown_picture(tmp_path / "a.exr"), expected, atol=1e-6)
