"""lens_warp: pictures through the formula in float64, there and back, every type, overscan, files."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from one_node import render_node

from stackcomp import KINDS, Composition, DocumentError, Graph, Image, Window
from stackcomp.data.port_types import Depth, Ids, Matte, Ratio
from stackcomp.files import exr
from stackcomp.files.lens_file import write_lens

FRAME = Window.of_size(240, 140)
LENS = {"focal": [210, 212], "centre": [123, 68.5], "k1": -0.22, "k2": 0.07, "p1": 0.002, "p2": -0.0015}
#: OpenCV's order, and its centre.
INNER = np.array([[210, 0, 122.5], [0, 212, 68], [0, 0, 1.0]])
NUMBERS = np.array([-0.22, 0.07, 0.002, -0.0015])
PRECISE = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)


def waves(x, y):
    """Sines of 14 pixels and more, at pixels with centres at half pixels; float64 ``(…, 3)``."""
    return np.stack([1 + np.sin(x / 4 + y / 9), 1 + np.sin(y / 5 - x / 11), 1 + np.cos((x + y) / 6)], axis=-1)


def centres(window):
    return np.meshgrid(np.arange(window.x0, window.x1) + 0.5, np.arange(window.y0, window.y1) + 0.5)


def image_of(pixels, window=FRAME, **more):
    return Image.from_array(pixels.astype(np.float32), origin=(window.x0, window.y0), display=FRAME, **more)


def pixels_of(image, window=FRAME):
    whole = image.over(window)
    return np.dstack([whole[name] for name in whole.channels])


def places_by_opencv(direction):
    """Where the pixels of the frame look, ``(height, width)`` each, with centres at half pixels."""
    x, y = centres(FRAME)
    points = np.stack([x.ravel() - 0.5, y.ravel() - 0.5], axis=1)[:, None]
    if direction == "distort":
        found = cv2.undistortPoints(points, INNER, NUMBERS, P=INNER, criteria=PRECISE)
    else:
        plain = cv2.undistortPoints(points, INNER, None)[:, 0]
        rays = np.concatenate([plain, np.ones((len(plain), 1))], axis=1)
        found = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), INNER, NUMBERS)[0]
    return (found.reshape(*FRAME.shape, 2) + 0.5).transpose(2, 0, 1)


def bent(image, direction="distort", **more):
    return render_node("lens_warp", {"image": image}, image="image", direction=direction, **{**LENS, **more})


@pytest.mark.parametrize("direction", ["distort", "straighten"])
def test_a_picture_of_sines_is_that_of_the_formula(direction):
    """OpenCV says where each pixel looks, and the sines what is there: in float64, without any filter."""
    around = FRAME.grow(60)
    got = pixels_of(bent(image_of(waves(*centres(around)), around), direction))
    difference = np.abs(got - waves(*places_by_opencv(direction)))
    # What the cubic kernel leaves of such waves, where the picture shrinks by up to a seventh.
    assert difference.max() < 0.045
    assert np.sqrt(np.mean(difference**2)) < 0.01


@pytest.mark.parametrize("direction", ["distort", "straighten"])
def test_a_picture_agrees_with_cv2_remap(direction):
    smooth = cv2.GaussianBlur(np.random.default_rng(3).random((*FRAME.shape, 3)), (0, 0), 2).astype(np.float32)
    x, y = (part.astype(np.float32) - np.float32(0.5) for part in places_by_opencv(direction))
    peer = cv2.remap(smooth, x, y, cv2.INTER_LANCZOS4)
    got = pixels_of(bent(image_of(smooth), direction))
    inside = (x > 5) & (y > 5) & (x < FRAME.width - 6) & (y < FRAME.height - 6)
    assert np.abs(got - peer)[inside].max() < 0.01


def test_there_and_back_is_the_picture():
    picture = waves(*centres(FRAME))
    graph = Graph(frames="1")
    graph.add("flat", "picture", size=[FRAME.width, FRAME.height])
    graph.add("lens_warp", "straight", image="picture", direction="straighten", **LENS)
    graph.add("lens_warp", "again", image="straight", direction="distort", **LENS)
    results = Composition(graph).results(["straight", "again"], 1, replace={"picture": image_of(picture)})
    straight, again = (result.image for result in results)
    # Straightening a barrel leads beyond the frame, and nothing of that is lost.
    assert FRAME in straight.window or straight.window == FRAME
    difference = np.abs(pixels_of(again) - picture)[3:-3, 3:-3]
    assert difference.max() < 0.05
    assert np.sqrt(np.mean(difference**2)) < 0.01


def test_a_lens_without_distortion_changes_no_bit():
    picture = np.random.default_rng(1).random((*FRAME.shape, 4)).astype(np.float32)
    for direction in ("distort", "straighten"):
        got = render_node(
            "lens_warp", {"image": image_of(picture)}, image="image", direction=direction, focal=[99, 9]
        )
        assert got.window == FRAME
        assert np.array_equal(pixels_of(got), picture)


def test_values_stay_within_those_of_the_picture():
    """A bright edge gets no dark rim, and coverage stays a share."""
    step = np.zeros((*FRAME.shape, 4))
    step[40:100, 60:180] = [900, 3, 0.2, 1]
    got = pixels_of(bent(image_of(step)))
    assert got.min() >= 0
    assert got[..., 0].max() <= 900
    assert got[..., 3].max() <= 1
    # Premultiplied colour and its coverage have the same edges.
    assert got[..., 0] == pytest.approx(900 * got[..., 3], abs=1e-3)


def test_ratios_end_in_one():
    ratio = np.full((*FRAME.shape, 3), 0.25)
    got = bent(image_of(ratio, type=Ratio()), "straighten", k1=0.2, k2=0)
    corner, middle = pixels_of(got)[0, 0], pixels_of(got)[70, 120]
    assert corner == pytest.approx(1)
    assert middle == pytest.approx(0.25)


@pytest.mark.parametrize("direction", ["distort", "straighten"])
def test_depth_and_ids_are_picked(direction):
    draw = np.random.default_rng(5)
    metres = draw.random(FRAME.shape).astype(np.float32) * 5 + 1
    ids = draw.integers(1, 1 << 32, FRAME.shape, np.uint32)
    x, y = places_by_opencv(direction)
    columns, rows = np.floor(x).astype(int), np.floor(y).astype(int)
    inside = (columns >= 0) & (rows >= 0) & (columns < FRAME.width) & (rows < FRAME.height)
    # Places at borders of pixels may be rounded either way.
    sure = inside & (np.abs(x - np.rint(x)) > 1e-3) & (np.abs(y - np.rint(y)) > 1e-3)
    got = bent(image_of(metres, type=Depth()), direction).over(FRAME)["Z"]
    assert np.array_equal(got[sure], metres[rows[sure], columns[sure]])
    assert not got[~inside].any()
    pair = Image({"id0": ids, "cover0": metres / 6}, FRAME, FRAME, Ids(1), {})
    found = bent(pair, direction).over(FRAME)
    assert found["id0"].dtype == np.uint32
    assert np.array_equal(found["id0"][sure], ids[rows[sure], columns[sure]])
    assert np.array_equal(found["cover0"][sure], (metres / 6)[rows[sure], columns[sure]])


def test_red_is_larger_and_blue_smaller():
    """A dot on an axis: each colour lies at its own distance from the centre, alpha with green."""
    x, y = centres(FRAME)
    dot = np.repeat(np.exp(-((x - 203) ** 2 + (y - 70) ** 2) / 18)[..., None], 4, axis=2)
    plain = {"focal": [210, 210], "centre": [120, 70]}
    got = pixels_of(
        render_node(
            "lens_warp", {"image": image_of(dot)}, image="image", direction="distort", lateral=[6, -3], **plain
        )
    )
    weights = got.sum(axis=0)
    places = (weights * (np.arange(FRAME.width) + 0.5)[:, None]).sum(axis=0) / weights.sum(axis=0)
    far, half = 203 - 120, np.hypot(240, 140) / 2
    assert places == pytest.approx([203 + 6 * far / half, 203, 203 - 3 * far / half, 203], abs=0.03)
    straight = {"image": image_of(got)}
    back = render_node("lens_warp", straight, image="image", direction="straighten", lateral=[6, -3], **plain)
    weights = pixels_of(back).sum(axis=0)
    places = (weights * (np.arange(FRAME.width) + 0.5)[:, None]).sum(axis=0) / weights.sum(axis=0)
    assert places == pytest.approx([203] * 4, abs=0.03)


def test_a_preview_is_the_picture_made_smaller():
    picture = cv2.GaussianBlur(waves(*centres(FRAME)), (0, 0), 4)
    full = image_of(picture)
    half = render_node(
        "lens_warp", {"image": full}, at=0.5, image="image", direction="distort", lateral=[3, 1], **LENS
    )
    whole = pixels_of(bent(full, lateral=[3, 1]))
    expected = cv2.resize(whole, (120, 70), interpolation=cv2.INTER_AREA)
    assert np.abs(pixels_of(half, FRAME.scaled(0.5)) - expected)[6:-6, 6:-6].max() < 0.02


def test_nothing_beyond_a_fold():
    light = np.ones((*FRAME.shape, 3))
    got = pixels_of(bent(image_of(light), "straighten", k1=-0.9, k2=0, p1=0, p2=0))
    x, y = centres(FRAME)
    radius = np.hypot((x - 123) / 210, (y - 68.5) / 212)
    limit = np.sqrt(1 / 2.7)
    assert not got[radius > limit].any()
    assert got[radius < limit - 0.02].min() > 0.99


def test_a_lens_that_leads_anywhere_keeps_no_more_than_a_frame_on_each_side():
    """It divides by 0, and its prism outweighs the rest: places beside the fold have no end."""
    numbers = {"k3": -3.776, "k4": -3.42, "k6": -0.14, "s1": 2.811, "s2": -1.826, "s3": -2.249, "s4": 1.0}
    absurd = {"model": "rational", "k1": 0, "k2": 0, "p1": 0, "p2": 0, "focal": [31, 50], "centre": [0, -1.3]}
    small, frame = Window(4, 3, 30, 26), Window.of_size(37, 29)
    node = KINDS["lens_warp"].model_validate(
        {"kind": "lens_warp", "image": "it", "direction": "distort", **absurd, **numbers}
    )
    node = node.at(1).with_displays({"image": frame}, None)
    kept = node.domain({"image": small}, {"image": Matte()})
    assert kept == frame.grow(37)


def test_windows_smaller_than_the_frame_and_empty_ones():
    small = Window(30, 20, 50, 41)
    got = bent(image_of(np.ones((*small.shape, 4)), small))
    assert got.window.width < 40
    x, y = places_by_opencv("distort")
    deep = (x > 33) & (x < 47) & (y > 23) & (y < 38)
    assert pixels_of(got)[deep].min() == pytest.approx(1)
    empty = Image.from_array(np.zeros((0, 0, 3), np.float32), display=FRAME)
    assert bent(empty).window.empty


def test_numbers_may_be_keyed():
    picture = image_of(waves(*centres(FRAME)))
    keyed = {**LENS, "k1": {"keys": [[1, 0], [3, -0.2]], "between": "linear"}, "k2": 0, "p1": 0, "p2": 0}
    fields = {"image": "image", "direction": "distort"}
    still = render_node("lens_warp", {"image": picture}, frame=1, **fields, **keyed)
    moved = render_node("lens_warp", {"image": picture}, frame=2, **fields, **keyed)
    assert np.array_equal(pixels_of(still), pixels_of(picture))
    expected = bent(picture, k1=-0.1, k2=0, p1=0, p2=0)
    assert np.array_equal(pixels_of(moved), pixels_of(expected))


# -- files, and what check says ------------------------------------------------------------------------------


def graph_of(folder, window, display, **fields):
    planes = dict.fromkeys("RGBA", np.ones(window.shape, np.float32))
    exr.write(folder / "cg.exr", planes, window=window, display=display, pixel_type="half")
    graph = Graph(frames="1")
    graph.add("read", "cg", path="cg.exr", encoding="ACEScg", alpha="premultiplied")
    graph.add("glow", "lit", image="cg", radius=2, falloff="gaussian")
    graph.add("lens_warp", "bent", image="lit", **{"direction": "distort", **fields})
    return Composition(graph, root=folder)


def findings(composition, rule):
    return [problem for problem in composition.check() if problem.rule == rule]


@pytest.mark.slow
def test_a_file_is_the_same_as_its_numbers(tmp_path):
    write_lens(
        tmp_path / "lens.json",
        {"model": "brown", "size": [480, 280], "focal": [420, 424], "centre": [246, 137],
         "coefficients": {name: LENS[name] for name in ("k1", "k2", "p1", "p2")}, "lateral": [8, -4]},
    )  # fmt: skip
    composition = graph_of(tmp_path, FRAME, FRAME, lens="lens.json")
    got = next(iter(composition.results(["bent"], 1))).image
    lit = next(iter(composition.results(["lit"], 1))).image
    expected = bent(Image(dict(lit.planes), lit.window, FRAME, lit.type, {}), lateral=[4, -2])
    assert got.window == expected.window
    assert np.array_equal(pixels_of(got), pixels_of(expected))
    # A change of the file is seen, and stands in the list of what is read.
    fields = json.loads((tmp_path / "lens.json").read_text())
    fields["coefficients"]["k1"] = 0.3
    (tmp_path / "lens.json").write_text(json.dumps(fields))
    again = next(iter(composition.results(["bent"], 1))).image
    assert not np.array_equal(pixels_of(again), pixels_of(got))


def test_check_says_how_much_overscan_is_needed(tmp_path):
    (problem,) = findings(graph_of(tmp_path, FRAME, FRAME, **LENS), "overscan-missing")
    x, _ = places_by_opencv("distort")
    assert f"{int(np.ceil(-x.min() + 2.5))} px left" in problem.message
    assert problem.severity == "warning"
    larger = FRAME.grow(30)
    assert not findings(graph_of(tmp_path, larger, FRAME, **LENS), "overscan-missing")
    # One side alone lacks; one that ends within the frame was cropped to what is there.
    lacking = Window(FRAME.x0 - 30, FRAME.y0 + 40, FRAME.x1, FRAME.y1 + 30)
    (problem,) = findings(graph_of(tmp_path, lacking, FRAME, **LENS), "overscan-missing")
    assert "(right)" in problem.message
    assert not findings(
        graph_of(tmp_path, FRAME, FRAME, **{**LENS, "direction": "straighten"}), "overscan-missing"
    )
    assert not findings(graph_of(tmp_path, FRAME, FRAME, focal=[210, 210], k1=0.1), "overscan-missing")


def test_with_the_overscan_that_check_names_no_edge_is_empty(tmp_path):
    (problem,) = findings(graph_of(tmp_path, FRAME, FRAME, **LENS), "overscan-missing")
    sides = [int(words.split()[0]) for words in problem.message.partition("it needs ")[2].split(", ")]
    left, top, right, bottom = sides
    window = Window(-left, -top, FRAME.x1 + right, FRAME.y1 + bottom)
    composition = graph_of(tmp_path, window, FRAME, **LENS)
    assert not findings(composition, "overscan-missing")
    got = bent(image_of(np.ones((*window.shape, 4)), window))
    assert pixels_of(got).min() == 1
    short = Window(-left + 3, -top, FRAME.x1 + right, FRAME.y1 + bottom)
    assert pixels_of(bent(image_of(np.ones((*short.shape, 4)), short))).min() < 1


def test_check_names_the_frame_at_which_a_lens_folds(tmp_path):
    keyed = {**LENS, "k1": {"keys": [[1, -0.1], [5, -1.2]], "between": "linear"}, "k2": 0, "p1": 0, "p2": 0}
    composition = graph_of(tmp_path, FRAME.grow(99), FRAME, **keyed)
    graph = Graph(frames="1-5")
    graph.add("flat", "it", size=[240, 140])
    graph.add("lens_warp", "bent", image="it", direction="straighten", **keyed)
    (problem,) = findings(Composition(graph), "lens-folds")
    assert problem.message.startswith("frame ")
    assert not findings(composition, "lens-folds")


def test_a_matte_may_come_from_anywhere():
    matte = np.zeros(FRAME.shape)
    matte[:, 100:140] = 1
    got = bent(image_of(matte, type=Matte())).over(FRAME)["A"]
    assert 0 <= got.min() <= got.max() <= 1


def test_a_formula_that_is_divided_by_nothing_says_where(tmp_path):
    # 1 - 4 r² is 0 at half a focal length: there the distorted picture has no end.
    graph = Graph()
    graph.add("flat", "it", size=[240, 140])
    graph.add("lens_warp", "bent", image="it", direction="straighten", focal=[160, 160], model="rational", k4=-4)
    (problem,) = findings(Composition(graph), "lens-folds")
    assert "folds back 80 px from its centre in the straight picture, and" in problem.message


def test_coefficients_that_no_lens_has_are_refused():
    with pytest.raises(DocumentError, match="k1"):
        bent(image_of(np.ones((*FRAME.shape, 3))), k1=1e30)


@pytest.mark.parametrize("lateral", [-np.hypot(240, 140) / 2, 400])
def test_colours_that_differ_in_size_by_half_are_refused(tmp_path, lateral):
    graph = graph_of(tmp_path, FRAME.grow(60), FRAME, **{**LENS, "lateral": [0, lateral]})
    (problem,) = findings(graph, "lens-lateral")
    assert problem.severity == "error"
    assert f"a colour lies {lateral:.4g} px from green" in problem.message


@pytest.mark.parametrize("k4", [-4, -4.1, -22.2])
def test_a_picture_is_kept_where_rounding_hides_that_the_formula_divides_by_nothing(k4):
    # At the radius where 1 + k4 r² is 0, any large number comes out, with either sign. Within it lie a few pixels
    # of the straight picture, and all of the distorted one shows them.
    fields = {"focal": [20, 20], "centre": [120, 70], "model": "rational", "k4": k4}
    whole = image_of(np.ones((*FRAME.grow(90).shape, 4)), FRAME.grow(90))
    got = render_node("lens_warp", {"p": whole}, image="p", direction="distort", **fields)
    assert np.abs(pixels_of(got) - 1).max() < 1e-4
