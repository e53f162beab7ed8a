"""read: the right file, channels, windows, encoding and alpha; what is broken or missing is named."""

from __future__ import annotations

import re

import numpy as np
import OpenImageIO
import pytest

from stackcomp import CheckError, Composition, Graph, RenderError, StackcompWarning, Window
from stackcomp.files import colour_tags, exr, stills
from stackcomp.port_types import Colour, Encoding

ACESCG = Encoding("ACEScg", "scene-linear")
FRAME = Window.of_size(6, 4)
DATA = Window(-1, 1, 5, 4)


def noise(seed=0, window=DATA):
    return np.random.default_rng(seed).random(window.shape).astype(np.float32)


def write(path, window=DATA, display=FRAME, channels="RGBA", **metadata):
    planes = {name: noise(k, window) for k, name in enumerate(channels)}
    exr.write(path, planes, window=window, display=display, pixel_type="float", metadata=metadata)
    return planes


def reader(frames="1", **fields):
    graph = Graph(frames=frames)
    graph.add("read", "file", **{"encoding": "ACEScg", **fields})
    graph.add("exposure", "it", image="file")
    return graph


def test_a_file_straight_into_a_port(tmp_path):
    planes = write(tmp_path / "a.exr", channels=["R", "G", "B", "A", "Z", "shadow.R"])
    comp = Composition(reader(path="a.exr"), root=tmp_path)
    got = comp.render("it", 1)
    assert (got.window, got.display, got.type) == (DATA, FRAME, Colour("premultiplied", ACESCG))
    for name in "RGBA":
        np.testing.assert_array_equal(got[name], planes[name])
    layers = comp.render("file", 1)
    assert set(layers.channels) == set(planes)
    np.testing.assert_array_equal(layers["shadow.R"], planes["shadow.R"])


def test_only_needed_channels_are_decoded(tmp_path, monkeypatch):
    write(tmp_path / "a.exr", channels=["R", "G", "B", "A", "Z", "shadow.R"])
    asked = []
    honest = exr.read

    def listening(path, channels=None, **more):
        asked.append(set(channels))
        return honest(path, channels, **more)

    monkeypatch.setattr(exr, "read", listening)
    graph = reader(path="a.exr")
    graph.add("pick_channels", "matte", layers="file", as_="matte", channels={"A": "Z"})
    comp = Composition(graph, root=tmp_path)
    comp.check()
    assert asked == []
    comp.render("it", 1)
    comp.render("matte", 1)
    list(comp.results(["it", "matte"], 1))
    assert asked == [set("RGBA"), {"Z"}, set("RGBAZ")]


def test_frames_and_a_shift(tmp_path):
    for number in (1001, 1002, 1003):
        window = Window.of_size(2, 2)
        value = np.full((2, 2), number, np.float32)
        exr.write(tmp_path / f"p.{number}.exr", dict.fromkeys("RGB", value), window=window, display=window,
                  pixel_type="float")  # fmt: skip
    for path in ("p.{frame:04d}.exr", "p.%04d.exr"):
        comp = Composition(reader("1-2", path=path, shift=1001), root=tmp_path)
        assert comp.check() == []
        assert [comp.render("it", frame)["R"][0, 0] for frame in (1, 2)] == [1002, 1003]


def test_missing_frames_are_told_before_any_is_read(tmp_path):
    for number in (1, 2, 5):
        write(tmp_path / f"p.{number:04d}.exr")
    problems = Composition(reader("1-6", path="p.{frame:04d}.exr"), root=tmp_path).check()
    (problem,) = problems
    assert (problem.rule, problem.node) == ("frame-missing", "file")
    assert "3 of 6 frames have no file p.{frame:04d}.exr: 3-4,6" in problem.message


def test_a_missing_file_gets_the_nearest_names(tmp_path):
    write(tmp_path / "plate.exr")
    with pytest.raises(CheckError, match=r"(?s)there is no file .*plaet\.exr.*plate\.exr"):
        Composition(reader(path="plaet.exr"), root=tmp_path).render("it", 1)


def three_frames(tmp_path, **odd):
    for frame in (1, 2, 3):
        write(tmp_path / f"p.000{frame}.exr", **(odd if frame == 2 else {}))
    graph = reader("1-3", path="p.{frame:04d}.exr")
    graph.add("deliver", "out", image="it", path="o.{frame:04d}.exr")
    return Composition(graph, root=tmp_path)


def test_files_that_are_broken_alike_are_one_finding(tmp_path):
    comp = three_frames(tmp_path)
    for frame in (2, 3):
        (tmp_path / f"p.000{frame}.exr").write_bytes(b"no picture")
    (problem,) = (problem for problem in comp.check() if problem.rule == "file")
    assert "p.0002.exr and 1 more: " in problem.message


@pytest.mark.parametrize(
    ("odd", "said"),
    [
        ({"display": Window.of_size(8, 4)}, r"frame 2 of p\.{frame:04d}\.exr has a frame of 8×4"),
        ({"channels": "RGA"}, r"frame 2 of p\.{frame:04d}\.exr without B, which the others have"),
    ],
    ids=["resolution", "channel"],
)
def test_an_odd_frame_is_found_before_a_pixel_is_read(tmp_path, odd, said):
    comp = three_frames(tmp_path, **odd)
    assert [problem.node for problem in comp.check()] == ["file"]
    with pytest.raises(CheckError, match=said):
        comp.deliver()
    assert not list(tmp_path.glob("o.*"))


def test_a_frame_without_a_channel_that_nobody_uses_is_no_mistake(tmp_path):
    comp = three_frames(tmp_path, channels="RGB")
    graph = comp.graph
    graph.set("file", alpha="none")
    assert Composition(graph, root=tmp_path).check() == []


def test_the_odd_frame_is_blamed_when_it_is_the_first(tmp_path):
    write(tmp_path / "p.0001.exr", display=Window.of_size(8, 4))
    for frame in (2, 3):
        write(tmp_path / f"p.000{frame}.exr")
    (problem,) = Composition(reader("1-3", path="p.{frame:04d}.exr"), root=tmp_path).check()
    assert "frame 1 of p.{frame:04d}.exr has a frame of 8×4" in problem.message


@pytest.mark.parametrize(
    ("odd", "said"),
    [
        ({"display": Window.of_size(8, 4)}, r"p\.0002\.exr.*its frame is 8×4"),
        ({"channels": "RGA"}, r"p\.0002\.exr.*no channel B"),
    ],
    ids=["resolution", "channel"],
)
def test_a_file_that_changed_since_the_check_fails_alone(tmp_path, odd, said):
    comp = three_frames(tmp_path)
    executor = comp.executor(["it"], frames=(1, 2, 3))
    write(tmp_path / "p.0002.exr", **odd)
    for frame in (1, 3):
        assert next(iter(executor.results(frame))).image.display == FRAME
    with pytest.raises(RenderError, match=said) as caught:
        next(iter(executor.results(2)))
    assert "frame 2" in str(caught.value)


@pytest.mark.parametrize("alpha", ["premultiplied", "straight", "none"])
def test_alpha_as_the_node_says(tmp_path, alpha):
    planes = write(tmp_path / "a.exr")
    got = Composition(reader(path="a.exr", alpha=alpha), root=tmp_path).render("it", 1)
    assert got.type == Colour(alpha, ACESCG)
    assert got.channels == tuple("RGB" if alpha == "none" else "RGBA")
    np.testing.assert_array_equal(got["R"], planes["R"])  # its numbers are taken as they are


def test_encoding_from_the_file_where_the_graph_is_silent(tmp_path):
    # Chromaticities of SMPTE ST 2065-1 (AP0); the identifier of the Color Interop Forum goes first.
    ap0 = colour_tags.chromaticities_of("ACES2065-1")
    write(tmp_path / "a.exr", chromaticities=ap0)
    write(tmp_path / "b.exr", chromaticities=ap0, colorInteropID="lin_rec709_scene")
    write(tmp_path / "c.exr")
    found = {}
    for name in "ab":
        comp = Composition(reader(path=f"{name}.exr", encoding=None), root=tmp_path)
        found[name] = comp.render("it", 1).type.encoding.name
    assert found == {"a": "ACES2065-1", "b": "Linear Rec.709 (sRGB)"}
    with pytest.raises(CheckError, match="neither the graph nor the file says"):
        Composition(reader(path="c.exr", encoding=None), root=tmp_path).render("it", 1)
    with pytest.raises(CheckError, match='no colour space "ACESgc"'):
        Composition(reader(path="c.exr", encoding="ACESgc"), root=tmp_path).render("it", 1)


class TestNotFinite:
    @pytest.fixture
    def file(self, tmp_path):
        planes = {name: np.arange(24, dtype=np.float32).reshape(4, 6) for name in "RGBZ"}
        planes = {name: plane.copy() for name, plane in planes.items()}
        planes["R"][1, 2] = np.nan
        planes["G"][0, 0] = np.inf
        planes["Z"][0, 0] = np.inf  # infinitely far: an honest depth
        exr.write(tmp_path / "a.exr", planes, window=FRAME, display=FRAME, pixel_type="float")
        return tmp_path

    def test_repaired_from_beside_and_counted(self, file):
        with pytest.warns(StackcompWarning, match='node "file": .*repaired: 1 in R, 1 in G'):
            got = Composition(reader(path="a.exr"), root=file).render("it", 1)
        expected = np.arange(24, dtype=np.float32).reshape(4, 6)
        assert got["R"][1, 2] == expected[1, 2]  # the mean of eight neighbours on a plane lies on it
        assert got["G"][0, 0] == np.mean([1, 6, 7], dtype=np.float32)
        np.testing.assert_array_equal(got["B"], expected)

    def test_kept(self, file):
        with pytest.warns(StackcompWarning, match="kept: 1 in R, 1 in G"):
            got = Composition(reader(path="a.exr", non_finite="keep"), root=file).render("it", 1)
        assert np.isnan(got["R"][1, 2])
        assert np.isinf(got["G"][0, 0])

    def test_refused(self, file):
        with pytest.raises(RenderError, match=r"a\.exr.*not finite: 1 in R, 1 in G.*non_finite"):
            Composition(reader(path="a.exr", non_finite="refuse"), root=file).render("it", 1)

    def test_depth_is_left_alone(self, file):
        graph = reader(path="a.exr", non_finite="refuse")
        graph.add("pick_channels", "z", layers="file", as_="depth")
        assert np.isinf(Composition(graph, root=file).render("z", 1)["Z"][0, 0])

    def test_open_pictures_with_nan_and_infinity(self, material):
        # 2 NaN, 2 +Inf, 2 −Inf a channel, else as the file beside it.
        folder = material / "openexr-images" / "TestImages"
        whole = Composition(reader(path=str(folder / "BrightRings.exr"))).render("it", 1)
        with pytest.warns(StackcompWarning, match="repaired: 6 in R, 6 in G, 6 in B"):
            got = Composition(reader(path=str(folder / "BrightRingsNanInf.exr"))).render("it", 1)
        different = got.to_array() != whole.to_array()
        assert different.any(axis=-1).sum() <= 6
        assert np.isfinite(got.to_array()).all()


@pytest.mark.parametrize("suffix", ["png", "tif", "jpg"])
def test_stills(tmp_path, suffix):
    pixels = np.round(noise(3, FRAME)[..., None] * [255, 200, 100]) / 255
    if suffix == "jpg":
        pixels = np.full((*FRAME.shape, 3), 100 / 255)
    stills.write(tmp_path / f"a.{suffix}", pixels.astype(np.float32), 8, quality=100)
    comp = Composition(reader(path=f"a.{suffix}", encoding="ACEScg"), root=tmp_path)
    got = comp.render("it", 1)
    assert (got.window, got.display, got.type) == (FRAME, FRAME, Colour("none", ACESCG))
    theirs = OpenImageIO.ImageBuf(str(tmp_path / f"a.{suffix}")).get_pixels("float")
    np.testing.assert_allclose(got.to_array(), theirs, atol=1e-6)


def test_a_png_with_alpha_is_straight_and_a_grey_one_a_matte(tmp_path):
    stills.write(tmp_path / "a.png", noise(1, Window.of_size(4, 6 * 4)).reshape(6, 4, 4), 16)
    assert Composition(reader(path="a.png"), root=tmp_path).render("it", 1).type.alpha == "straight"
    grey = np.round(noise(2, FRAME) * 65535) / np.float32(65535)
    stills.write(tmp_path / "m.png", grey, 16)
    graph = Graph(frames="1")
    graph.add("read", "m", path="m.png")
    graph.add("join_mattes", "it", first="m", second="m", mode="union", edges="shared")
    np.testing.assert_allclose(Composition(graph, root=tmp_path).render("it", 1)["A"], grey, atol=1e-7)


def test_wrong_channels_for_a_port(tmp_path):
    write(tmp_path / "a.exr", channels=["R.x", "G.x", "Z"])
    with pytest.raises(CheckError) as caught:
        Composition(reader(path="a.exr"), root=tmp_path).render("it", 1)
    assert re.search("takes R G B .*has no R G B.*pick_channels", str(caught.value), re.DOTALL)


def test_half_size_reads_the_whole_and_averages(tmp_path):
    planes = write(tmp_path / "a.exr", window=FRAME)
    got = Composition(reader(path="a.exr"), root=tmp_path).render("it", 1, scale=0.5)
    assert (got.window, got.display) == (Window.of_size(3, 2),) * 2
    np.testing.assert_allclose(got["R"], planes["R"].reshape(2, 2, 3, 2).mean(axis=(1, 3)), atol=1e-6)
