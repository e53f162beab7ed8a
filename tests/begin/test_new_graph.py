"""Graphs that are begun pass their check and render what a hand-made graph renders."""

from pathlib import Path

import numpy as np
import pytest
from begin.small_shot import HEIGHT, WIDTH, disc, edge, plate_planes, sequence, shade, write
from begin.test_layers import write_forty
from PIL import Image as Pillow
from test_demo import MOST, matte_of, outside_patch, pixels, read, relative, shot_variables, truth

import stackcomp
from stackcomp.begin import Wishes, begin
from stackcomp.data.window import Window
from stackcomp.errors import CheckError, RequestError

ROOT = Path(__file__).parents[2]
PLATE, CG = "sc/010/plate.1001.exr", "sc/010/cg.%04d.exr"


def begun(plate=PLATE, cg=CG, **wishes):
    return begin(Wishes(plate, cg, **{"plate_encoding": "ACEScct", "cg_encoding": "ACEScg", **wishes}))


def problems(**wishes):
    with pytest.raises((RequestError, CheckError)) as raised:
        begun(**wishes)
    return raised.value.problems


def final(result, frame=1001, node="combined", **variables):
    return stackcomp.Composition(result.graph, variables=variables).render(node, frame)


# -- the demo --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shot", ["wide", "close", "lamp"])
def test_the_demo_begun_and_filled_in_is_as_near_to_the_truth_as_another_truth(shot, monkeypatch):
    """The measure of tests/test_demo.py, whose truth is path-traced with set and lantern in one scene."""
    monkeypatch.chdir(ROOT)
    folder, variables = f"demo_shot/{shot}", shot_variables(shot)
    result = begin(
        Wishes(f"{folder}/plate.1001.exr", f"{folder}/cg.1001.exr", f"{folder}/clean.exr",
               [f"{folder}/cord.1001.exr"], plate_encoding="ACEScct")
    )  # fmt: skip
    assert result.frames == (1001, 1002, 1003, 1004, 1005)
    assert result.report.warnings == []
    assert result.variables == {"shot": folder}
    filled = {
        "patch_outline": variables["patch_corners"],
        "patch_homography": variables["bench"],
        "black": variables["black_lift"],
    }
    comp = stackcomp.Composition(result.graph, root=ROOT, variables=filled)
    plate = read(ROOT / folder / "plate_nograin.exr", "ACEScct")
    picture = pixels(comp.render("restored_cord", variables["truth_frame"], replace={"plate_log": plate}))
    kept = outside_patch(shot)
    first, second = truth(shot, "a"), truth(shot, "b")
    assert relative(picture[kept], first[kept]).mean() <= MOST * relative(first[kept], second[kept]).mean()
    if shot == "wide":
        cord = matte_of(shot) > 0.5
        behind = pixels(comp.render("combined", variables["truth_frame"], replace={"plate_log": plate}))
        assert relative(picture[cord], first[cord]).mean() < 0.8 * relative(behind[cord], first[cord]).mean()


def test_the_graph_of_the_demo_is_that_of_the_hand_made_one(monkeypatch):
    monkeypatch.chdir(ROOT)
    result = begin(
        Wishes("demo_shot/lamp/plate.1001.exr", "demo_shot/lamp/cg.1001.exr", "demo_shot/lamp/clean.exr",
               ["demo_shot/lamp/cord.1001.exr"], plate_encoding="ACEScct")
    )  # fmt: skip
    own = shot_variables("lamp")
    filled = {"patch_outline": own["patch_corners"], "patch_homography": own["bench"], "black": 0.002}
    ours = stackcomp.Composition(result.graph, variables=filled).render("finished", 1003)
    hand_made = stackcomp.load("graphs/lantern.json", variables=own).render("finished", 1003)
    np.testing.assert_allclose(ours.to_array(), hand_made.to_array(), rtol=1e-5, atol=1e-6)


def test_an_outline_that_is_not_drawn_leaves_the_plate_as_it_is(shot):
    write(shot / "clean.exr", {name: plane * 0 for name, plane in plate_planes().items()})
    result = begun(clean="sc/010/clean.exr")
    np.testing.assert_array_equal(final(result, node="mended").to_array(), final(result, node="plate").to_array())
    corners = [[0, 0], [64, 0], [64, 36], [0, 36]]
    drawn = final(result, node="mended", patch_outline=corners).to_array()
    assert not np.array_equal(drawn, final(result, node="plate").to_array())
    assert any("patch_outline" in step for step in result.report.next)


# -- what an artist gives --------------------------------------------------------------------------------------


def test_the_small_shot(shot):
    result = begun()
    document = result.graph.document()
    assert document.frames == [1001, 1002, 1003]
    assert result.graph.variables["shot"] == "sc/010"
    assert result.graph.nodes["plate_log"]["path"] == "${shot}/plate.{frame:04d}.exr"
    assert result.graph.nodes["out"]["path"] == "${out}/${shot}/comp.{frame:04d}.exr"
    image = final(result)
    alpha = edge()[..., None]
    plate = stackcomp.Composition(result.graph).render("plate", 1001).to_array()
    colour = np.stack([disc()[c] for c in "RGB"], axis=-1)
    np.testing.assert_allclose(
        image.to_array()[..., :3], colour + plate * shade()[..., None] * (1 - alpha), rtol=1e-5, atol=1e-6
    )


def test_all_questions_are_asked_at_once(shot):
    sequence(
        shot, "cg", disc(straight=True) | {f"shadow.{c}": shade() * 0 + 0.5 for c in "RGB"}, range(1001, 1004)
    )
    found = problems(plate_encoding=None, cg_encoding=None, clean="nothing.exr")
    assert [problem.rule for problem in found] == ["file-missing"]
    found = problems(plate_encoding=None, cg_encoding=None)
    assert [problem.rule for problem in found] == ["encoding-unknown", "encoding-unknown", "shadow-unclear"]
    assert "--plate-encoding ACEScct" in found[0].way_out
    assert "--cg-encoding ACEScg" in found[1].way_out
    assert "--shadow ratio" in found[2].way_out
    assert begun(shadow="none").graph.nodes.keys().isdisjoint({"shadow", "shaded"})


def test_a_header_tells_the_encoding(shot):
    for frame in range(1001, 1004):
        write(shot / f"plate.{frame}.exr", plate_planes(), metadata={"stackcomp/colourSpace": "ACEScct"})
        write(shot / f"cg.{frame}.exr", disc(), metadata={"colorInteropID": "lin_rec709_scene"})
    result = begun(plate_encoding=None, cg_encoding=None)
    nodes = result.graph.nodes
    assert nodes["plate_log"]["encoding"] == "ACEScct"  # a read node does not know that attribute
    assert "encoding" not in nodes["cg"]
    assert nodes["light"]["kind"] == "convert_colour"
    other = begun(plate_encoding="ACEScc", cg_encoding=None)
    assert any("header says ACEScct" in note and "ACEScc" in note for note in other.report.notes)


def test_a_clean_plate_has_the_encoding_of_the_plate_unless_something_says_another(shot):
    write(shot / "clean.exr", plate_planes())
    for frame in range(1001, 1004):
        write(shot / f"plate.{frame}.exr", plate_planes(), metadata={"colorInteropID": "lin_rec709_scene"})
    result = begun(clean="sc/010/clean.exr", plate_encoding=None)
    assert result.graph.nodes["clean_file"]["encoding"] == "Linear Rec.709 (sRGB)"
    assert any("as the plate" in item.reason for item in result.report.taken)
    told = begun(clean="sc/010/clean.exr", plate_encoding=None, clean_encoding="ACEScct")
    assert told.graph.nodes["clean_log"]["encoding"] == "ACEScct"
    Pillow.new("RGB", (WIDTH, HEIGHT)).save(shot / "clean.png")
    (problem,) = problems(clean="sc/010/clean.png", plate_encoding=None)
    assert "--clean-encoding 'sRGB Encoded Rec.709 (sRGB)'" in problem.way_out


def test_a_header_that_says_something_unknown_is_quoted(shot):
    numbers = (0.6, 0.3, 0.2, 0.6, 0.1, 0.1, 0.31, 0.33)
    for frame in range(1001, 1004):
        write(shot / f"plate.{frame}.exr", plate_planes(), metadata={"chromaticities": numbers})
        write(shot / f"cg.{frame}.exr", disc(), metadata={"colorInteropID": "lin_banana_scene"})
    first, second = problems(plate_encoding=None, cg_encoding=None)
    assert "chromaticities (0.6 0.3 0.2" in first.message
    assert 'colorInteropID "lin_banana_scene", which is not known' in second.message


def test_a_comment_or_a_name_hints_at_the_encoding(shot):
    for frame in range(1001, 1004):
        write(shot / f"plate.{frame}.exr", plate_planes(), metadata={"comments": "shot in arri_logc4, day"})
        write(shot / f"cg_lin_rec709.{frame}.exr", disc())
    first, second = problems(cg="sc/010/cg_lin_rec709.1001.exr", plate_encoding=None, cg_encoding=None)
    assert first.way_out.startswith("give --plate-encoding 'ARRI LogC4' or ")
    assert 'attribute "comments" mentions "ARRI LogC4"' in first.message
    assert second.way_out.startswith("give --cg-encoding 'Linear Rec.709 (sRGB)' or ")


def test_a_wrong_encoding_is_named_with_its_option(shot):
    (problem,) = problems(plate_encoding="slog3000")
    assert problem.message.startswith('--plate-encoding: there is no colour space "slog3000"')
    assert problems(plate_encoding="Raw")[0].rule == "encoding-unknown"
    assert problems(working_space="ACEScct")[0].rule == "working-space"


def test_a_plate_in_the_working_space_is_not_converted(shot):
    result = begun(plate_encoding="ACEScg")
    assert result.graph.nodes["plate"]["kind"] == "read"
    assert result.report.warnings == []


def test_straight_alpha_gets_a_premultiply_node(shot):
    sequence(shot, "cg", disc(straight=True), range(1001, 1004))
    result = begun()
    assert result.graph.nodes["premultiplied"]["kind"] == "premultiply"
    colour = np.stack([disc()[c] for c in "RGBA"], axis=-1)
    np.testing.assert_allclose(final(result, node="lifted").to_array(), colour, atol=1e-6)
    assert any("not" in note and "OpenEXR" in note for note in result.report.notes)
    told = begun(cg_alpha="premultiplied")
    assert "premultiplied" not in told.graph.nodes
    assert any("--cg-alpha says premultiplied" in note for note in told.report.notes)


@pytest.mark.parametrize("alpha", [True, False], ids=["black with alpha", "grey"])
def test_a_shadow_as_coverage(shot, alpha):
    cover = 1 - shade()
    planes = {f"shadow.{c}": cover * (not alpha) for c in "RGB"} | ({"shadow.A": cover} if alpha else {})
    sequence(shot, "cg", disc() | planes, range(1001, 1004))
    by_ratio = {f"shadow.{c}": shade() for c in "RGB"}
    sequence(shot.parent / "ratio", "cg", disc() | by_ratio, range(1001, 1004))
    found = final(begun(cg_encoding="Linear Rec.709 (sRGB)"), node="shaded").to_array()
    expected = final(begun(cg="sc/ratio/cg.%04d.exr"), node="shaded").to_array()
    np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-6)


def test_forty_channels_in_parts_by_an_outside_writer(shot):
    oiio = pytest.importorskip("OpenImageIO")
    for frame in range(1001, 1004):
        write_forty(shot / f"forty.{frame}.exr", oiio)
    result = begun(cg="sc/010/forty.1001.exr", cg_encoding=None)
    used = {item.what: item.taken_as for item in result.report.taken}
    assert used['layer "ShadowCatcher"'].startswith("the shadow pass, a ratio")
    assert used['layer "Emissive"'].startswith("emitted light")
    left = " ".join(map(str, result.report.left_out))
    assert all(f'"{name}"' in left for name in ("Depth", "Normal", "Position", "motion", "AO", "banana", "uv"))
    assert any('layer "Depth"' in step and "unit" in step for step in result.report.next)
    assert final(result, node="finished").to_array().max() > 0
    none = begun(cg="sc/010/forty.1001.exr", cg_encoding=None, emission_layer="none", shadow="none")
    assert none.graph.nodes.keys().isdisjoint({"shine", "shaded"})


def test_several_shadow_layers_are_a_question(shot):
    planes = {f"{name}.{c}": shade() for name in ("shadow_a", "shadow_b") for c in "RGB"}
    sequence(shot, "cg", disc() | planes, range(1001, 1004))
    (problem,) = problems()
    assert (problem.rule, "--shadow-layer" in problem.way_out) == ("channel-unknown", True)
    result = begun(shadow_layer="SHADOW_B")
    assert result.graph.nodes["shadow"]["layer"] == "shadow_b"
    assert problems(shadow_layer="shadow_c")[0].rule == "layer-missing"


def test_a_beauty_in_a_layer_with_names_of_its_own(shot):
    planes = {f"lantern.Beauty.{name.lower()}": plane for name, plane in disc().items()}
    planes |= {f"lantern.Shadow.{c}": shade() for c in "RGB"} | {"lantern.Depth.Z": edge()}
    sequence(shot, "cg", planes, range(1001, 1004))
    result = begun()
    assert result.graph.nodes["beauty"]["channels"]["R"] == "lantern.Beauty.r"
    assert result.graph.nodes["shadow"]["layer"] == "lantern.Shadow"


def test_cg_without_alpha_or_colour(shot):
    sequence(shot, "cg", {c: edge() for c in "RGB"}, range(1001, 1004))
    assert problems()[0].rule == "no-alpha"
    sequence(shot, "cg", {"Z": edge()}, range(1001, 1004))
    assert problems()[0].rule == "no-colour"


def test_mattes_and_holdouts(shot):
    sequence(shot, "cord_v002", {"matte": edge()}, range(1001, 1004))
    sequence(shot, "jar left", {**plate_planes(), "A": edge()}, range(1001, 1004))
    sequence(shot, "plate_cord", {"A": edge() * 0}, range(1001, 1004))
    result = begun(
        mattes=["sc/010/cord_v002.%04d.exr", "sc/010/jar left.1001.exr"], holdouts=["sc/010/plate_cord.1001.exr"]
    )
    nodes = result.graph.nodes
    assert nodes["restored_cord"]["matte"] == "cord"
    assert nodes["restored_jar_left"]["backdrop"] == "restored_cord"
    assert nodes["jar_left"]["channels"] == {"A": "A"}
    assert nodes["beauty_behind_plate_cord"]["kind"] == "holdout"
    np.testing.assert_allclose(
        final(result, node="restored_jar_left").to_array()[edge() == 1],
        final(result, node="shaded").to_array()[edge() == 1],
        rtol=1e-6,
    )


def test_a_matte_named_like_a_node_of_ours(shot):
    sequence(shot / "roto", "beauty", {"A": edge()}, range(1001, 1004))
    nodes = begun(mattes=["sc/010/roto"]).graph.nodes
    assert nodes["beauty_2"]["kind"] == "read"


# -- frames ----------------------------------------------------------------------------------------------------


def test_frames_are_those_that_both_have(shot):
    sequence(shot, "plate", plate_planes(), range(999, 1003))
    (shot / "plate.1003.exr").unlink()
    sequence(shot, "cg", disc(), range(1004, 1006))
    (shot / "cg.1002.exr").unlink()
    result = begun()
    assert result.frames == (1001,)
    notes = " ".join(result.report.notes)
    assert "frames 999-1000,1002 of the plate: no CG" in notes
    assert "frames 1003-1005 of the CG: no plate" in notes


def test_a_gap_is_left_out_and_said(shot):
    (shot / "cg.1002.exr").unlink()
    result = begun()
    assert result.graph.document().frames == [1001, 1003]
    assert any("leaves out frame 1002" in note for note in result.report.notes)


def test_ranges_without_a_common_frame(shot):
    sequence(shot, "late", disc(), range(1, 4))
    (problem,) = problems(cg="sc/010/late.0001.exr")
    assert problem.rule == "frames-apart"
    assert "--cg-shift -1000" in problem.way_out
    result = begun(cg="sc/010/late.0001.exr", cg_shift=-1000)
    assert result.graph.nodes["cg"]["shift"] == -1000
    assert result.frames == (1001, 1002, 1003)
    assert final(result, 1003).to_array().max() > 0


def test_frames_that_are_asked_for_must_be_there(shot):
    assert begun(frames=[1002]).frames == (1002,)
    (problem,) = problems(frames=[1003, 1004], plate="sc/010/cg.1001.exr")[:1]
    assert problem.rule == "frame-missing"
    assert "--frames 1003" in problem.way_out


def test_a_matte_with_missing_frames(shot):
    sequence(shot, "cord", {"matte": edge()}, (1002, 1003))
    (problem,) = problems(mattes=["sc/010/cord.1002.exr"])
    assert (problem.rule, "--frames 1002-1003" in problem.way_out) == ("frame-missing", True)


def test_a_still_plate_serves_all_frames(shot):
    for name in ("still.exr", "IMG_2041.exr", "still_v002.exr"):
        write(shot / name, plate_planes())
        result = begun(plate=f"sc/010/{name}")
        assert result.frames == (1001, 1002, 1003)
        assert result.report.warnings == []
        assert any("still" in note for note in result.report.notes)


def test_one_frame(shot):
    for name in ("plate", "cg"):
        for frame in (1002, 1003):
            (shot / f"{name}.{frame}.exr").unlink()
    assert begun().frames == (1001,)
    write(shot / "p.exr", plate_planes())
    write(shot / "c.exr", disc())
    assert begun(plate="sc/010/p.exr", cg="sc/010/c.exr").graph.document().frames == [1]


# -- sizes and stills --------------------------------------------------------------------------------------------


def test_another_resolution_is_an_error_with_both(shot):
    small = {name: plane[::2, ::2] for name, plane in disc().items()}
    half = Window.of_size(WIDTH // 2, HEIGHT // 2)
    sequence(shot, "cg", small, range(1001, 1004), window=half)
    (problem,) = problems()
    assert problem.rule == "resolution"
    assert "32×18" in problem.message
    assert "64×36" in problem.message
    assert "2 times" in problem.way_out


def test_overscan_is_noticed(shot):
    window = Window(-4, -4, WIDTH - 4, HEIGHT - 4)
    sequence(shot, "cg", disc(), range(1001, 1004), window=window, display=Window.of_size(WIDTH, HEIGHT))
    result = begun()
    assert any("overscan" in note for note in result.report.notes)


def test_a_clean_plate_of_another_size_is_laid_on_the_whole_frame(shot):
    small = {name: plane[::2, ::2] for name, plane in plate_planes().items()}
    write(shot / "clean.exr", small, window=Window.of_size(WIDTH // 2, HEIGHT // 2))
    result = begun(clean="sc/010/clean.exr")
    assert result.graph.variables["patch_homography"] == [2, 0, 0, 0, 2, 0, 0, 0, 1]


def test_stills_of_other_formats(shot):
    rgba = np.stack([disc(straight=True)[c] for c in "RGBA"], axis=-1)
    Pillow.fromarray((rgba * 255).astype(np.uint8)).save(shot / "cg.png")
    rgb = np.stack([plate_planes()[c] for c in "RGB"], axis=-1)
    Pillow.fromarray((rgb * 255).astype(np.uint8)).save(shot / "plate.jpg", quality=95)
    Pillow.fromarray((edge() * 255).astype(np.uint8)).save(shot / "cord.png")
    given = {"plate": "sc/010/plate.jpg", "cg": "sc/010/cg.png", "mattes": ["sc/010/cord.png"]}
    found = problems(**given, plate_encoding=None, cg_encoding=None)
    assert all("sRGB Encoded Rec.709 (sRGB)" in problem.way_out for problem in found)
    name = "srgb_rec709_scene"
    result = begun(**given, plate_encoding=name, cg_encoding=name)
    assert result.graph.nodes["premultiplied"]["kind"] == "premultiply"
    assert result.graph.nodes["restored_cord"]["matte"] == "cord"
    assert final(result, 1).to_array().shape == (HEIGHT, WIDTH, 3)


def test_odd_names_from_end_to_end(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "große {Lampe} ${x} 100%"
    sequence(folder, "plate a", plate_planes(), (1, 2))
    sequence(folder, "cg b", disc() | {f"shadow.{c}": shade() for c in "RGB"}, (1, 2))
    result = begun(plate=f"{folder.name}/plate a.0001.exr", cg=f"{folder.name}/cg b.0002.exr", frames=[2])
    assert "${shot}" in result.graph.nodes["cg"]["path"]
    result.graph.save("graph.json")
    written = stackcomp.load("graph.json").deliver()
    assert [path.name for path in written] == ["comp.0002.exr", "comp.0002.png"]
    assert folder.name in str(written[0])


def test_a_frame_that_cannot_be_read_is_shown_as_check_shows_it(shot):
    (shot / "cg.1002.exr").write_bytes(b"cut short")
    assert problems()[0].rule == "file"
    assert begun(frames=[1001, 1003]).frames == (1001, 1003)


@pytest.mark.slow
def test_open_files_end_in_a_graph_or_in_findings(material):
    """Sample files of the OpenEXR project, each as plate, CG and matte: no other exception, and some graphs."""
    ended = []
    for path in sorted((material / "openexr-images").rglob("*.exr")):
        try:
            result = begin(
                Wishes(str(path), str(path), mattes=[str(path)], plate_encoding="ACEScg", cg_encoding="ACEScg")
            )
        except (RequestError, CheckError) as error:
            ended.append(error.problems[0].rule)
        else:
            assert result.graph.document().nodes
            ended.append("graph")
    assert ended.count("graph") >= 2
    assert "no-alpha" in ended
