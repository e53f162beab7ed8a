"""read: the right file, channels, windows, encoding and alpha; what is broken or missing is named."""

from __future__ import annotations

import os
import re

import numpy as np
import OpenImageIO
import pytest
import tifffile

from stackcomp import CheckError, Composition, Graph, RenderError, StackcompWarning, Window
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.files import colour_tags, exr, stills

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
    assert problem.message.endswith("and so is frame 3")


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


# -- alpha of a TIFF ----------------------------------------------------------------------------------------


def write_tiff(path, said, seed=0):
    pixels = np.random.default_rng(seed).integers(0, 256, (4, 6, 4), dtype=np.uint8)
    tifffile.imwrite(path, pixels, photometric="rgb", extrasamples=None if said is None else [said], metadata=None)
    return (pixels / np.float64(255)).astype(np.float32)


@pytest.mark.parametrize(("said", "alpha"), [(1, "premultiplied"), (2, "straight")])
@pytest.mark.parametrize("told", [None, "premultiplied", "straight", "none"])
def test_a_tiffs_own_word_on_alpha_holds_unless_the_node_says_otherwise(tmp_path, said, alpha, told):
    pixels = write_tiff(tmp_path / "a.tif", said)
    comp = Composition(reader(path="a.tif", alpha=told), root=tmp_path)
    assert comp.check() == []
    got = comp.render("it", 1)
    assert got.type.alpha == (told or alpha)
    np.testing.assert_array_equal(got["R"], pixels[..., 0])  # its numbers are taken as they are


def test_alpha_that_a_tiff_does_not_explain_is_straight_and_told(tmp_path):
    write_tiff(tmp_path / "a.tif", 0)
    comp = Composition(reader(path="a.tif"), root=tmp_path)
    (problem,) = comp.check()
    assert (problem.severity, problem.field, problem.node) == ("warning", "alpha", "file")
    assert "it is taken as straight alpha" in problem.message
    assert comp.render("it", 1).type.alpha == "straight"
    assert Composition(reader(path="a.tif", alpha="straight"), root=tmp_path).check() == []


def test_premultiplied_in_a_display_encoding_is_divided_before_it_is_decoded(tmp_path):
    """Associated alpha: the stored numbers were multiplied, encoded as they are."""
    encoded, alpha = 0.8, 0.5
    pixels = np.tile(np.uint16(np.rint(np.float64([alpha * encoded] * 3 + [alpha]) * 65535)), (4, 6, 1))
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="rgb", extrasamples=[1], metadata=None)
    graph = Graph(frames="1", working_space="Linear Rec.709 (sRGB)")
    graph.add("read", "file", path="a.tif", encoding="sRGB Encoded Rec.709 (sRGB)")
    graph.add("convert_colour", "it", image="file")
    got = Composition(graph, root=tmp_path).render("it", 1)
    assert got.type.alpha == "premultiplied"
    light = ((encoded + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1
    np.testing.assert_allclose(got["R"], alpha * light, atol=3e-5)


def test_frames_of_two_minds_about_alpha_are_told(tmp_path):
    for frame in (1, 2, 3):
        write_tiff(tmp_path / f"a.{frame}.tif", 2 if frame == 2 else 1)
    (problem,) = Composition(reader("1-3", path="a.{frame}.tif"), root=tmp_path).check()
    assert (problem.rule, problem.severity) == ("frame-alpha", "error")
    assert "frame 2 of a.{frame}.tif with straight alpha, the others with premultiplied alpha" in problem.message
    assert Composition(reader("1-3", path="a.{frame}.tif", alpha="straight"), root=tmp_path).check() == []


def test_a_frame_whose_alpha_changed_its_state_since_the_check_fails(tmp_path):
    for frame in (1, 2):
        write_tiff(tmp_path / f"a.{frame}.tif", 1)
    executor = Composition(reader("1-2", path="a.{frame}.tif"), root=tmp_path).executor(["it"], frames=(1, 2))
    write_tiff(tmp_path / "a.2.tif", 2)
    assert next(iter(executor.results(1))).image.type.alpha == "premultiplied"
    with pytest.raises(RenderError, match=r"a\.2\.tif: its alpha is straight, but the first file's"):
        next(iter(executor.results(2)))


def test_a_frame_with_alpha_that_the_others_lack_is_told(tmp_path):
    comp = three_frames(tmp_path)
    for frame in (1, 3):
        write(tmp_path / f"p.000{frame}.exr", channels="RGB")
    (problem,) = comp.check()
    assert problem.severity == "warning"
    assert "frame 2 of p.{frame:04d}.exr with A, which the others do not have" in problem.message


# -- whatever a file is called, and however odd its header --------------------------------------------------


def test_the_first_bytes_say_what_a_file_is(tmp_path):
    planes = write(tmp_path / "a.tif", window=FRAME)
    stills.write(tmp_path / "a.png", noise(3, FRAME), 16)
    os.rename(tmp_path / "a.png", tmp_path / "b.exr")
    write(tmp_path / "c", window=FRAME)
    for name, channel, said in (
        ("a.tif", "R", ['a.tif: it is OpenEXR, but its name ends in ".tif"']),
        ("b.exr", "Y", ['b.exr: it is PNG, but its name ends in ".exr"']),
        ("c", "R", []),
    ):
        comp = Composition(reader(path=name), root=tmp_path)
        problems = [problem for problem in comp.check() if problem.node == "file"]
        assert [problem.message for problem in problems] == said
        assert {problem.severity for problem in problems} <= {"warning"}
        expected = planes["R"] if channel == "R" else noise(3, FRAME)
        np.testing.assert_allclose(comp.render("file", 1)[channel], expected, atol=1e-5)


def test_what_is_odd_about_headers_is_a_warning_with_its_frames(tmp_path):
    for frame in (1, 2, 3):
        name = tmp_path / f"p.{frame}.exr"
        write(name, owner="Joe" if frame == 2 else "Jo\u00eb")
        if frame != 2:
            name.write_bytes(name.read_bytes().replace("\u00eb".encode(), b"\xeb\xeb"))
    comp = Composition(reader("1-3", path="p.{frame}.exr"), root=tmp_path)
    (problem,) = comp.check()
    assert (problem.rule, problem.severity, problem.field) == ("header", "warning", "path")
    assert problem.message == (
        'frames 1,3 of p.{frame}.exr: the text of attribute "owner" is not UTF-8; it is kept as bytes'
    )
    assert comp.render("it", 1)["R"].shape == DATA.shape


def test_subsampled_channels_are_told_by_check_where_they_are_used(tmp_path):
    for frame in (1, 2):
        spec = OpenImageIO.ImageSpec(4, 4, 1, "half")
        spec.channelnames = ("Y",)
        name = tmp_path / f"y.{frame}.exr"
        output = OpenImageIO.ImageOutput.create(str(name))
        output.open(str(name), spec)
        output.write_image(np.full((4, 4, 1), 0.5, np.float32))
        output.close()
    data = (tmp_path / "y.2.exr").read_bytes()
    at = data.index(b"chlist") + 11
    # Name, type, linearity and reserved bytes, then the steps in x and y.
    assert data[at : at + 2] == b"Y\0"
    (tmp_path / "y.2.exr").write_bytes(data[: at + 10] + np.int32([2, 2]).tobytes() + data[at + 18 :])
    graph = Graph(frames="1-2")
    graph.add("read", "file", path="y.{frame}.exr")
    graph.add("soft_matte", "it", matte="file")
    (problem,) = Composition(graph, root=tmp_path).check()
    assert (problem.rule, problem.severity) == ("channel-unusable", "error")
    assert problem.message.startswith("frame 2 of y.{frame}.exr: channel Y is subsampled (luminance and chroma)")


def test_a_frame_of_absurd_size_is_told_by_check(tmp_path, monkeypatch):
    write(tmp_path / "a.exr", display=Window(0, 0, 128, 268_435_456))
    (problem,) = Composition(reader(path="a.exr"), root=tmp_path).check()
    assert "128 × 268435456 pixels; the limit is 1073741824 pixels" in problem.message


def test_what_stands_in_a_frames_place_is_told_for_all_frames(tmp_path):
    for frame in (1, 5):
        write(tmp_path / f"p.{frame}.exr")
    (tmp_path / "p.2.exr").mkdir()
    for frame in (3, 4):
        (tmp_path / f"p.{frame}.exr").symlink_to(f"/gone/p.{frame}.exr")
    tifffile.imwrite(tmp_path / "p.7.exr", np.zeros((4, 6, 4), np.uint8), photometric="separated", metadata=None)
    problems = Composition(reader("1-7", path="p.{frame}.exr"), root=tmp_path).check()
    assert all(problem.node == "file" and problem.field == "path" for problem in problems)
    missing, folder, link, inks = (problem.message for problem in problems)
    assert missing.endswith("1 of 7 frames has no file p.{frame}.exr: 6")
    assert inks == f"{tmp_path}/p.7.exr: it holds inks (CMYK), not RGB, grey or a palette"
    assert folder == f"{tmp_path}/p.2.exr: it is a folder"
    assert link == (f'{tmp_path}/p.3.exr: it is a broken link: it points to "/gone/p.3.exr", and so is frame 4')


def test_a_missing_frame_is_not_answered_with_its_own_name(tmp_path):
    (tmp_path / "p.1.exr").symlink_to("/gone/p.1.exr")
    (problem,) = Composition(reader(path="p.{frame}.exr"), root=tmp_path).check()
    assert 'it points to "/gone/p.1.exr"' in problem.message
    assert "did you mean" not in str(problem)


# -- files that change --------------------------------------------------------------------------------------


def swap(old, new):
    """Another file in the place of one, of the same size and time."""
    assert old.stat().st_size == new.stat().st_size
    os.utime(new, ns=(old.stat().st_atime_ns, old.stat().st_mtime_ns))
    os.replace(new, old)


OTHER = Window(0, 0, 6, 3)  # as many pixels as DATA, elsewhere


@pytest.fixture
def shot(tmp_path):
    for frame in (1, 2):
        write(tmp_path / f"p.{frame}.exr")
    planes = {name: noise(9 + k, OTHER) for k, name in enumerate("RGBA")}
    exr.write(tmp_path / "new.exr", planes, window=OTHER, display=FRAME, pixel_type="float")
    size = max((tmp_path / name).stat().st_size for name in ("p.2.exr", "new.exr"))
    for name in ("p.2.exr", "new.exr"):  # bytes behind the last chunk are nobody's
        (tmp_path / name).write_bytes((tmp_path / name).read_bytes().ljust(size, b"\0"))
    return Composition(reader("1-2", path="p.{frame}.exr"), root=tmp_path), tmp_path, planes


def test_a_frame_rendered_again_since_the_check_is_read_as_it_is_now(shot):
    comp, folder, planes = shot
    executor = comp.executor(["it"], frames=(1, 2))
    assert next(iter(executor.results(2))).image.window == DATA
    swap(folder / "p.2.exr", folder / "new.exr")
    got = next(iter(executor.results(2))).image
    assert got.window == OTHER
    np.testing.assert_array_equal(got["R"], planes["R"])


def test_a_file_replaced_between_a_frames_windows_and_its_pixels(shot, monkeypatch):
    from stackcomp.nodes.read import Read

    comp, folder, planes = shot
    executor = comp.executor(["it"], frames=(1, 2))
    honest = Read.produce

    def then(self, wanted, display, type, job):
        if (folder / "new.exr").exists() and job.frame == 2:
            swap(folder / "p.2.exr", folder / "new.exr")
        return honest(self, wanted, display, type, job)

    monkeypatch.setattr(Read, "produce", then)
    with pytest.raises(
        RenderError, match=r"frame 2: .*p\.2\.exr: it was replaced or written to while it was used"
    ):
        list(executor.results(2))
    assert next(iter(executor.results(1))).image.window == DATA
    got = next(iter(executor.results(2))).image
    assert got.window == OTHER
    np.testing.assert_array_equal(got["R"], planes["R"])


def test_a_file_replaced_before_the_frame_is_delivered_is_not_recorded_as_its_input(shot, monkeypatch):
    comp, folder, _ = shot
    graph = comp.graph
    graph.add("deliver", "out", image="it", path="o.{frame}.exr")
    comp = Composition(graph, root=folder)
    notes = comp._notes

    def then(node, frame):
        swap(folder / "p.2.exr", folder / "new.exr")
        return notes(node, frame)

    monkeypatch.setattr(comp, "_notes", then)
    with pytest.raises(RenderError, match=r"p\.2\.exr: it was replaced"):
        comp.deliver([2])
    assert not (folder / "o.2.exr").exists()
