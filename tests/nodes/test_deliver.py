"""deliver: what is on disk, as OpenImageIO and OpenColorIO see it."""

from __future__ import annotations

from typing import get_args

import numpy as np
import OpenImageIO
import PyOpenColorIO
import pytest
import tifffile

from stackcomp import (
    CheckError,
    Composition,
    Depth,
    DocumentError,
    Encoding,
    Graph,
    Image,
    Matte,
    Ratio,
    StackcompWarning,
    Window,
    __version__,
)
from stackcomp.check.check_graph import check_graph
from stackcomp.data.port_types import Colour
from stackcomp.deliver.provenance import graph_hash
from stackcomp.files import colour_tags, exr
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.nodes.deliver import Deliver

DISPLAY, VIEW = "sRGB - Display", "ACES 1.0 - SDR Video"
DATA = Window(-2, -1, 7, 5)  # overscan on every side
FRAME = Window.of_size(6, 4)


def picture(channels=4, seed=0, window=DATA, **more):
    pixels = np.random.default_rng(seed).random((*window.shape, channels)).astype(np.float32)
    if channels == 4:
        pixels[..., :3] *= pixels[..., 3:]
    return Image.from_array(pixels, origin=(window.x0, window.y0), display=FRAME, **more)


def deliver(tmp_path, image, path, frames=(1,), **fields):
    graph = Graph(frames="1")
    graph.add("flat", "p", size=[6, 4])
    graph.add("deliver", "out", image="p", path=path, **fields)
    return Composition(graph, root=tmp_path).deliver(frames, replace={"p": image})


def opened(path):
    return OpenImageIO.ImageBuf(str(path))


def by_opencolorio(pixels, display, view):
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    shown = np.array(pixels[..., :3], np.float32, order="C")
    transform = PyOpenColorIO.DisplayViewTransform(src="ACEScg", display=display, view=view)
    config.getProcessor(transform).getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS).applyRGB(shown)
    return shown


class TestExr:
    @pytest.mark.parametrize("compression", get_args(Deliver.model_fields["compression"].annotation))
    @pytest.mark.parametrize("pixel_type", ["half", "float"])
    def test_every_value_and_both_windows(self, tmp_path, compression, pixel_type):
        image = picture()
        (path,) = deliver(tmp_path, image, "o.exr", compression=compression, pixel_type=pixel_type)
        delivered = opened(path)
        spec = delivered.spec()
        assert spec.getattribute("compression") == compression
        assert str(spec.format) == pixel_type
        assert (spec.x, spec.y, spec.width, spec.height) == (-2, -1, 9, 6)
        assert (spec.full_x, spec.full_y, spec.full_width, spec.full_height) == (0, 0, 6, 4)
        expected = image.to_array(DATA)
        if pixel_type == "half":
            expected = expected.astype(np.float16).astype(np.float32)
        np.testing.assert_array_equal(delivered.get_pixels("float"), expected)

    def test_what_the_header_says(self, tmp_path):
        plate = tmp_path / "plate.0007.exr"
        import OpenEXR

        timecode = OpenEXR.TimeCode(1, 2, 3, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
        planes = dict.fromkeys("RGB", np.ones((4, 6), np.float32))
        exr.write(plate, planes, window=FRAME, display=FRAME, metadata={"timeCode": timecode, "owner": "bench"})
        graph = Graph(frames="7")
        graph.add("read", "plate", path="plate.%04d.exr", encoding="ACEScg")
        graph.add("flat", "cg", like="plate")
        graph.add("over", "it", source="cg", backdrop="plate")
        graph.add("deliver", "out", image="it", path="o.{frame:04d}.exr")
        comp = Composition(graph, root=tmp_path)
        (path,) = comp.deliver()
        assert path.name == "o.0007.exr"
        header = exr.read_header(path).metadata
        assert header["stackcomp/version"] == __version__
        assert header["stackcomp/frame"] == 7
        assert header["stackcomp/graph"] == graph_hash(comp.document)
        assert header["stackcomp/colourSpace"] == "ACEScg"
        assert header["stackcomp/colourConfig"] == DEFAULT_CONFIG
        assert header["timeCode"] == timecode
        assert "owner" not in header
        assert header["colorInteropID"] == "lin_ap1_scene"
        # Academy S-2014-004: the primaries of AP1 and the ACES white point.
        ap1 = [0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.32168, 0.33767]
        assert header["chromaticities"] == pytest.approx(ap1, abs=1e-6)
        assert colour_tags.from_chromaticities(header["chromaticities"]) == "ACEScg"
        # OpenImageIO finds the timecode too.
        assert opened(path).spec().getattribute("smpte:TimeCode") is not None
        # Same inputs, same bytes; another input, another hash.
        first = path.read_bytes()
        comp.deliver()
        assert path.read_bytes() == first
        exr.write(plate, {n: p * 2 for n, p in planes.items()}, window=FRAME, display=FRAME)
        comp.deliver()
        again = exr.read_header(path).metadata
        assert again["stackcomp/inputs"] != header["stackcomp/inputs"]
        assert again["stackcomp/graph"] == header["stackcomp/graph"]
        assert "timeCode" not in again

    def test_the_graphs_hash_is_about_pixels_only(self):
        def graph(**fields):
            graph = Graph(frames="1")
            graph.add("flat", "p", size=[2, 2], **fields)
            return graph_hash(graph.document())

        assert graph(about="a note") == graph() != graph(coverage=0.5)

    @pytest.mark.parametrize(
        ("type", "planes", "stored"),
        [(Matte(), ("A",), "half"), (Ratio(), ("R", "G", "B"), "half"), (Depth(), ("Z",), "float")],
    )
    def test_other_pictures(self, tmp_path, type, planes, stored):
        image = picture(len(planes), type=type)
        (path,) = deliver(tmp_path, image, "o.exr")
        delivered = opened(path)
        assert tuple(delivered.spec().channelnames) == planes
        assert str(delivered.spec().format) == stored
        assert "chromaticities" not in exr.read_header(path).metadata
        np.testing.assert_allclose(
            delivered.get_pixels("float"), image.to_array(DATA), atol=0 if stored == "float" else 5e-4
        )

    def test_values_beyond_half_are_clamped_and_counted(self, tmp_path):
        pixels = np.ones((4, 6, 3), np.float32)
        pixels[0, 0] = [1e6, -1e6, 65504]
        with pytest.warns(StackcompWarning, match=r'node "out": 2 values beyond ±65504.*"pixel_type" to "float"'):
            (path,) = deliver(tmp_path, Image.from_array(pixels), "o.exr")
        assert opened(path).getpixel(0, 0) == (65504, -65504, 65504)
        (path,) = deliver(tmp_path, Image.from_array(pixels), "o.exr", pixel_type="float")
        assert opened(path).getpixel(0, 0) == (1e6, -1e6, 65504)

    def test_a_picture_without_pixels(self, tmp_path):
        graph = Graph(frames="1")
        graph.add("flat", "p", size=[6, 4])
        graph.add("porter_duff", "nothing", source="p", backdrop="p", mode="clear")
        graph.add("deliver", "out", image="nothing", path="o.exr")
        (path,) = Composition(graph, root=tmp_path).deliver()
        delivered = opened(path)
        assert (delivered.spec().full_width, delivered.spec().full_height) == (6, 4)
        assert not delivered.get_pixels("float").any()

    def test_nan_is_written_as_it_is(self, tmp_path):
        pixels = np.ones((4, 6, 3), np.float32)
        pixels[1, 2] = np.nan
        (path,) = deliver(tmp_path, Image.from_array(pixels), "o.exr")
        assert np.isnan(opened(path).getpixel(2, 1)).all()


class TestStills:
    @pytest.mark.parametrize(("suffix", "bits"), [("png", 8), ("png", 16), ("tif", 8), ("tif", 16), ("tiff", 32)])
    @pytest.mark.parametrize("view", [None, ("sRGB - Display", "Un-tone-mapped")])
    def test_the_frame_through_a_view(self, tmp_path, suffix, bits, view):
        image = picture(3, window=FRAME)
        named = {} if view is None else {"display": view[0], "view": view[1]}
        (path,) = deliver(tmp_path, image, f"o.{suffix}", bits=bits, **named)
        config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
        display = view[0] if view else config.getDefaultDisplay()
        expected = by_opencolorio(image.to_array(), display, view[1] if view else config.getDefaultView(display))
        delivered = opened(path).get_pixels("float")
        step = 0 if bits == 32 else 0.5 / (2**bits - 1)
        expected = expected if bits == 32 else np.clip(expected, 0, 1)
        np.testing.assert_allclose(delivered, expected, atol=step + 2e-6)
        assert str(opened(path).spec().format) == {8: "uint8", 16: "uint16", 32: "float"}[bits]

    def test_overscan_stays_out_and_gaps_are_black(self, tmp_path):
        (path,) = deliver(tmp_path, picture(3), "o.png")
        assert (opened(path).spec().width, opened(path).spec().height) == (6, 4)
        small = Image.from_array(np.ones((1, 1, 3)), origin=(2, 1), display=FRAME)
        (path,) = deliver(tmp_path, small, "o.png")
        lit = opened(path).get_pixels("uint8").any(axis=-1)
        assert np.argwhere(lit).tolist() == [[1, 2]]

    @pytest.mark.parametrize("bits", [8, 16])
    def test_alpha_in_png_is_straight(self, tmp_path, bits):
        # The PNG standard: colour is not premultiplied by alpha.
        straight = np.random.default_rng(3).random((4, 6, 4)).astype(np.float32)
        straight[..., 3] = 0.25 + straight[..., 3] / 2
        premultiplied = np.concatenate([straight[..., :3] * straight[..., 3:], straight[..., 3:]], axis=-1)
        view = {"display": "sRGB - Display", "view": "Un-tone-mapped", "bits": bits}
        (path,) = deliver(tmp_path, Image.from_array(premultiplied), "o.png", **view)
        expected = np.clip(by_opencolorio(straight, "sRGB - Display", "Un-tone-mapped"), 0, 1)
        import imageio.v3 as imageio

        delivered = imageio.imread(path) if bits == 8 else None
        if delivered is None:
            import cv2

            delivered = cv2.cvtColor(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), cv2.COLOR_BGRA2RGBA)
        delivered = delivered / (2**bits - 1)
        np.testing.assert_allclose(delivered[..., :3], expected, atol=0.51 / (2**bits - 1))
        np.testing.assert_allclose(delivered[..., 3], straight[..., 3], atol=0.51 / (2**bits - 1))
        same = deliver(tmp_path, Image.from_array(straight, alpha="straight"), "s.png", **view)[0]
        delivered = np.abs(np.int64(opened(same).get_pixels("uint16")) - opened(path).get_pixels("uint16"))
        assert delivered.max() <= 65535 // (2**bits - 1)

    def test_jpeg_over_black(self, tmp_path):
        pixels = np.full((16, 16, 4), [0.2, 0.1, 0.05, 0.5])
        for image in (
            Image.from_array(pixels),
            Image.from_array(pixels * [2, 2, 2, 1], alpha="straight"),
        ):
            (path,) = deliver(tmp_path, image, "o.jpg", quality=100)
            config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
            display = config.getDefaultDisplay()
            expected = by_opencolorio(pixels[:1, :1], display, config.getDefaultView(display))
            delivered = opened(path).get_pixels("float")
            assert delivered.shape == (16, 16, 3)
            np.testing.assert_allclose(delivered, np.broadcast_to(expected, delivered.shape), atol=1.5 / 255)

    def test_display_encoded_colour_is_not_encoded_again(self, tmp_path):
        pixels = picture(3, window=FRAME).to_array()
        shown = Image.from_array(pixels, type=Colour("none", Encoding("sRGB - Display", "display")))
        (path,) = deliver(tmp_path, shown, "o.png", bits=16)
        np.testing.assert_allclose(opened(path).get_pixels("float"), pixels, atol=0.51 / 65535)

    def test_a_matte_as_grey(self, tmp_path):
        image = picture(1, window=FRAME, type=Matte())
        (path,) = deliver(tmp_path, image, "o.png", bits=16)
        np.testing.assert_allclose(opened(path).get_pixels("float"), image.to_array(), atol=0.51 / 65535)

    def test_values_that_are_not_finite_are_reported_by_kind(self, tmp_path):
        pixels = np.full((4, 6, 1), 0.5, np.float32)
        pixels[0, :6, 0] = np.nan, np.inf, np.inf, -np.inf, np.inf, 0.5
        said = (
            r"written into o\.png: 3 of \+infinity as 1 \(white\), 1 of -infinity as 0 \(black\), "
            r"1 of NaN as 0 \(black\)"
        )
        with pytest.warns(StackcompWarning, match=said):
            (path,) = deliver(tmp_path, Image.from_array(pixels, type=Matte()), "o.png")
        assert opened(path).get_pixels("float")[0, :5, 0].tolist() == [0, 1, 1, 0, 1]

    def test_infinite_light_is_white_in_a_view_too(self, tmp_path):
        pixels = np.full((4, 6, 3), 0.18, np.float32)
        pixels[0, 0], pixels[0, 1], pixels[0, 2] = np.inf, -np.inf, np.nan
        said = r"3 of \+infinity as white \(65504 before the view\), 3 of -infinity as black.*, 3 of NaN as black"
        with pytest.warns(StackcompWarning, match=said):
            (path,) = deliver(tmp_path, Image.from_array(pixels), "o.png")
        delivered = opened(path).get_pixels("float")
        assert delivered[0, 0].min() > 0.99
        assert delivered[0, 1:3].max() == 0
        assert 0.2 < delivered[1, 1, 0] < 0.6


@pytest.mark.parametrize("path", ["o.tif", "o.png"])
@pytest.mark.parametrize("alpha", ["premultiplied", "straight"])
@pytest.mark.parametrize("bits", [8, 16])
def test_alpha_of_a_still_is_read_back_as_what_it_is(tmp_path, path, alpha, bits):
    """A still is delivered straight, says so, and is read as that."""
    pixels = np.full((4, 6, 4), 0.25, np.float32)
    pixels[..., 3] = 0.5
    display = Encoding("sRGB - Display", "display")
    image = Image.from_array(pixels, type=Colour(alpha, display))
    deliver(tmp_path, image, path, bits=bits)
    graph = Graph(frames="1")
    graph.add("read", "file", path=path, encoding="sRGB - Display")
    graph.add("unpremultiply" if alpha == "premultiplied" else "premultiply", "it", image="file")
    comp = Composition(graph, root=tmp_path)
    got = comp.render("file", 1)
    assert got.type.alpha == "straight"
    stored = 0.5 if alpha == "premultiplied" else 0.25
    np.testing.assert_allclose(got["R"], stored, atol=0.51 / (2**bits - 1))
    np.testing.assert_allclose(got["A"], 0.5, atol=0.51 / (2**bits - 1))
    if path == "o.tif":
        with tifffile.TiffFile(tmp_path / path) as file:
            assert [int(value) for value in file.pages[0].extrasamples] == [2]  # unassociated


def test_signs_of_frame_tokens_in_a_name(tmp_path):
    files = deliver(tmp_path, picture(), "take{{2}}/50%%_{frame:04d}.exr", frames=(7, 8))
    assert [str(file.relative_to(tmp_path)) for file in files] == ["take{2}/50%_0007.exr", "take{2}/50%_0008.exr"]
    graph = Graph(frames="7-8")
    graph.add("read", "file", path="take{{2}}/50%%_%04d.exr")
    assert Composition(graph, root=tmp_path).check() == []
    graph.add("deliver", "out", image="file", path="take{{2}}/50%%_{frame:04d}.exr")
    assert "overwrites-input" in [problem.rule for problem in Composition(graph, root=tmp_path).check()]


class TestRefusals:
    @pytest.mark.parametrize(
        ("path", "fields", "message"),
        [
            ("o.exrr", {}, r'files that end in ".exrr" are not supported.*did you mean ".exr"'),
            ("o.png", {"bits": 32}, r".png has no 32 bits a value.*8, 16"),
            ("o.jpg", {"bits": 16}, r".jpg has no 16 bits"),
            ("o.png", {"view": "Plain"}, r'has no view "Plain"'),
            ("o.png", {"display": "Cinema"}, r'no display "Cinema"'),
        ],
    )
    def test_formats_bits_and_views(self, tmp_path, path, fields, message):
        with pytest.raises(CheckError, match=f"(?s){message}"):
            deliver(tmp_path, picture(3), path, **fields)
        assert list(tmp_path.iterdir()) == []

    def test_straight_alpha_in_openexr(self, tmp_path):
        with pytest.raises(CheckError, match="put a premultiply node before it"):
            deliver(tmp_path, picture(4, alpha="straight"), "o.exr")

    @pytest.mark.parametrize("type", [Depth(), Ratio()])
    def test_depth_and_ratio_in_stills(self, tmp_path, type):
        with pytest.raises(CheckError, match="a still cannot hold"):
            deliver(tmp_path, picture(len(type.planes), type=type), "o.png")

    def test_frames_that_would_meet(self, tmp_path):
        with pytest.raises(CheckError, match=r"2 frames would all write o\.exr"):
            deliver(tmp_path, picture(), "o.exr", frames=(1, 2))
        assert len(deliver(tmp_path, picture(), "o.{frame}.exr", frames=(1, 2))) == 2

    def test_originals_are_never_overwritten(self, tmp_path):
        exr.write(
            tmp_path / "p.exr", dict.fromkeys("RGB", np.ones((4, 6), np.float32)), window=FRAME, display=FRAME
        )
        before = (tmp_path / "p.exr").read_bytes()
        graph = Graph(frames="1")
        graph.add("read", "p", path="p.exr", encoding="ACEScg")
        graph.add("deliver", "out", image="p", path="sub/../p.exr")
        (tmp_path / "sub").mkdir()
        with pytest.raises(CheckError, match='over what node "p" reads'):
            Composition(graph, root=tmp_path).deliver()
        assert (tmp_path / "p.exr").read_bytes() == before

    def test_a_path_that_does_not_parse(self, tmp_path):
        with pytest.raises(DocumentError):
            deliver(tmp_path, picture(), "o.{name}.exr")


class TestViewingStops:
    """Exposure for people who look at a still, and for nothing else."""

    @pytest.mark.parametrize("stops", [-2.0, 1.0, 2.5])
    def test_a_still_is_the_view_of_so_much_more_light(self, tmp_path, stops):
        image = picture(3, window=FRAME)
        (path,) = deliver(tmp_path, image, "o.tif", bits=32, viewing_stops=stops)
        expected = by_opencolorio(image.to_array() * np.float32(2**stops), DISPLAY, VIEW)
        np.testing.assert_allclose(opened(path).get_pixels("float"), expected, atol=2e-6)

    def test_log_is_brought_to_light_first(self, tmp_path):
        log = Encoding("ACEScct", "log")
        image = picture(3, window=FRAME, encoding=log)
        (path,) = deliver(tmp_path, image, "o.tif", bits=32, viewing_stops=1)
        # Academy S-2016-001: linear below the break, 2^(17.52 x - 9.72) above.
        code = image.to_array().astype(np.float64)
        low = (code - 0.0729055341958355) / 10.5402377416545
        light = np.where(code <= 0.155251141552511, low, 2 ** (17.52 * code - 9.72))
        expected = by_opencolorio((2 * light).astype(np.float32), DISPLAY, VIEW)
        np.testing.assert_allclose(opened(path).get_pixels("float"), expected, atol=1e-4)

    def test_they_may_change_over_frames(self, tmp_path):
        keys = {"keys": [[1, 0], [2, 3]], "between": "hold"}
        image = picture(3, window=FRAME)
        paths = deliver(tmp_path, image, "o.{frame}.tif", frames=(1, 2), bits=32, viewing_stops=keys)
        for path, stops in zip(paths, (0, 3), strict=True):
            expected = by_opencolorio(image.to_array() * np.float32(2**stops), DISPLAY, VIEW)
            np.testing.assert_allclose(opened(path).get_pixels("float"), expected, atol=2e-6)

    def test_alpha_stays(self, tmp_path):
        image = picture(4, window=FRAME)
        plain, bright = (
            deliver(tmp_path, image, f"{stops}.png", bits=16, viewing_stops=stops)[0] for stops in (0, 2)
        )
        np.testing.assert_array_equal(
            opened(plain).get_pixels("float")[..., 3], opened(bright).get_pixels("float")[..., 3]
        )

    @pytest.mark.parametrize(
        ("path", "image", "words"),
        [
            ("o.exr", picture(3), "OpenEXR is written as it is"),
            ("o.png", picture(1, type=Matte()), "matte has no exposure"),
            ("o.png", picture(3, encoding=Encoding("sRGB - Display", "display")), "is written as it is"),
        ],
        ids=["exr", "matte", "display"],
    )
    def test_where_they_change_nothing_is_a_warning(self, tmp_path, path, image, words):
        files = [deliver(tmp_path, image, f"{k}{path}", viewing_stops=k)[0] for k in (0, 3)]
        np.testing.assert_array_equal(*(opened(file).get_pixels("float") for file in files))
        graph = Graph(frames="1")
        graph.add("flat", "p", size=[6, 4])
        graph.add("deliver", "out", image="p", path=path, viewing_stops=3)
        document = graph.document()
        problems = check_graph(document, tmp_path, frames=(1,), given={"p": image})[1]
        (problem,) = [problem for problem in problems if problem.rule == "viewing-stops"]
        assert (problem.severity, problem.field, problem.node) == ("warning", "viewing_stops", "out")
        assert words in problem.message
        assert problem.way_out

    def test_light_beyond_all_numbers_is_white_without_a_word_from_a_library(self, tmp_path):
        image = Image.from_array(np.full((4, 6, 3), 1e38))
        (path,) = deliver(tmp_path, image, "o.png", viewing_stops=20)
        assert opened(path).get_pixels("float").min() > 0.9
