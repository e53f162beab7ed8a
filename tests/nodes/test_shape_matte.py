"""shape_matte: keys, files, SVG, following, motion blur, windows."""

import json

import numpy as np
import pytest
from drawn_curves import drawn_by_skia, ellipse, matte, shape

from stackcomp import Composition, Graph, Window, load
from stackcomp.data.numbers import Keyed
from stackcomp.errors import DocumentError
from stackcomp.files.track_file import track_text
from stackcomp.kernels.polygon import polygon_coverage

SQUARE = [[8, 8], [40, 8], [40, 40], [8, 40]]
FRAME = Window.of_size(64, 48)


def rendered(folder=".", frame=1, scale=1.0, frames="1-20", **fields):
    fields.setdefault("size", [64, 48])
    graph = Graph(frames=frames)
    graph.add("shape_matte", "cord", **fields)
    return Composition(graph, root=folder).render("cord", frame, scale=scale)


def plane(*args, **fields):
    image = rendered(*args, **fields)
    return image.over(image.display)["A"]


def findings(folder=".", frames="1-20", **fields):
    fields.setdefault("size", [64, 48])
    graph = Graph(frames=frames)
    graph.add("shape_matte", "cord", **fields)
    return [p for p in Composition(graph, root=folder).check() if p.node == "cord"]


# -- shapes in the graph -------------------------------------------------------------------------------------


def test_points_may_be_written_in_three_ways():
    lists = [[10, 10, 0, 0, 5, -5, 3, 1], [40, 12, -5, -5, 0, 0, 3, 1], [25, 40, 0, 0, 0, 0, 3, 1]]
    objects = [
        {"at": [10, 10], "out": [5, -5], "feather": [3, 1]},
        {"at": [40, 12], "in": [-5, -5], "feather": [3, 1]},
        {"at": [25, 40], "feather": [3, 1]},
    ]
    first = plane(shapes=[{"points": lists}])
    np.testing.assert_array_equal(plane(shapes=[{"points": objects}]), first)
    bare = [[*point[:6]] for point in lists]
    np.testing.assert_array_equal(plane(shapes=[{"points": bare}], feather=[3, 1]), first)


def test_modes_and_opacity_in_order():
    inner = [[16, 16], [32, 16], [32, 32], [16, 32]]
    got = plane(
        shapes=[
            {"points": SQUARE, "opacity": 0.5},
            {"points": inner, "mode": "subtract", "opacity": 0.5},
            {"points": [[0, 0], [30, 0], [30, 48], [0, 48]], "mode": "intersect"},
        ]
    )
    assert got[10, 10] == 0.5
    assert got[20, 20] == 0.25
    assert got[20, 35] == 0
    assert got.max() == 0.5


def test_opacity_is_keyed():
    opacity = {"keys": [[1, 0], [3, 1]], "between": "linear"}
    assert plane(frame=2, shapes=[{"points": SQUARE, "opacity": opacity}])[20, 20] == 0.5


@pytest.mark.parametrize("between", ["smooth", "linear"])
def test_points_go_between_keys_as_keyed_numbers_do(between):
    places = {1: 3.0, 4: 9.0, 9: 9.5, 10: 2.0}
    keys = [[frame, [[x, 8], [x + 30, 8], [x + 30, 40], [x, 40]]] for frame, x in places.items()]
    keyed = Keyed(tuple(places), tuple(places.values()), between)
    for frame in (0, 1, 2, 3, 6, 9, 10, 15):
        got = plane(frame=frame, shapes=[{"points": {"keys": keys, "between": between}}], frames="0-20")
        x = keyed.at(frame)
        expected = polygon_coverage([(x, 8), (x + 30, 8), (x + 30, 40), (x, 40)], FRAME)
        np.testing.assert_allclose(got, expected, atol=1e-6)


def test_keys_that_a_frame_does_not_depend_on_do_not_change_its_node():
    def node(far):
        keys = [[frame, [[frame, 8], [40, 8], [40, far if frame > 90 else 40]]] for frame in range(1, 101, 10)]
        graph = Graph(frames="1-100")
        graph.add("shape_matte", "cord", size=[64, 48], shutter=360, shapes=[{"points": {"keys": keys}}])
        return graph.document().nodes["cord"]

    one, other = node(40), node(30)
    for frame, alike in ((5, True), (60, True), (70, True), (85, False), (95, False)):
        assert (one.at(frame).model_dump(mode="json") == other.at(frame).model_dump(mode="json")) == alike
    assert not one.still


def test_a_graph_with_shapes_is_written_as_it_was_read(tmp_path):
    graph = Graph(frames="1-3")
    keys = [[1, [[8, 8], [40.5, 8], [40, 40]]], [3, [[9, 8], [40, 8], [40, 40]]]]
    graph.add("shape_matte", "cord", size=[64, 48], shapes=[{"name": "cord", "points": {"keys": keys}}])
    graph.save(tmp_path / "graph.json")
    again = load(tmp_path / "graph.json")
    written = json.loads((tmp_path / "graph.json").read_text())
    assert written["nodes"]["cord"]["shapes"][0]["points"]["keys"] == keys
    assert again.document.nodes["cord"] == graph.document().nodes["cord"]


# -- windows -------------------------------------------------------------------------------------------------


def test_the_window_is_what_may_be_covered():
    image = rendered(shapes=[{"points": [[10.5, 12], [20, 12], [20, 30.2]]}])
    assert image.window == Window(10, 12, 20, 31)
    assert image.display == FRAME


def test_shapes_reach_beyond_the_frame_by_a_quarter_of_its_longer_side():
    image = rendered(shapes=[{"points": [[-500, -500], [500, -500], [500, 500], [-500, 500]]}])
    assert image.window == FRAME.grow(16)
    assert image["A"].min() == 1


def test_a_shape_outside_of_the_frame_leaves_an_empty_matte_and_a_warning():
    fields = {"shapes": [{"name": "hook", "points": [[500, 5], [520, 5], [510, 30]]}]}
    assert rendered(**fields).window.empty
    (problem,) = findings(**fields)
    assert (problem.rule, problem.severity) == ("shapes-outside", "warning")
    assert '"hook"' in problem.message
    moving = {"keys": [[1, [[500, 5], [520, 5], [510, 30]]], [20, [[5, 5], [20, 5], [10, 30]]]]}
    assert findings(shapes=[{"points": moving}]) == []
    assert findings(shapes=[{"points": moving}], frames="1")[0].rule == "shapes-outside"


def test_what_the_feather_brings_into_the_frame_is_no_mistake():
    beside = {"shapes": [{"points": [[67, 5], [80, 5], [70, 20]]}]}
    assert [p.rule for p in findings(**beside)] == ["shapes-outside"]
    assert findings(**beside, feather=[10, 0]) == []
    assert findings(**beside, feather={"keys": [[1, [0, 0]], [5, [10, 0]]]}) == []
    line = {"shapes": [{"points": [[5, 5], [10, 10], [20, 20]]}]}
    assert [p.rule for p in findings(**line)] == ["shapes-flat"]
    assert findings(**line, feather=[3, 0]) == []
    assert plane(**line, feather=[3, 0]).max() > 0.5


def test_the_feather_of_a_large_drawing_is_scaled_before_it_is_judged(tmp_path):
    far = [[900, 50, 0, 0, 0, 0, 30, 0], [990, 50, 0, 0, 0, 0, 30, 0], [950, 90, 0, 0, 0, 0, 30, 0]]
    shapes_file(tmp_path / "cord.json", [{"points": SQUARE}, {"points": far}], 640, 480)
    (problem,) = findings(tmp_path, shapes="cord.json", size=[84, 63])
    assert (problem.rule, "shape 2" in problem.message) == ("shapes-outside", True)


def test_half_size_is_the_mean_of_four_pixels():
    fields = {"shapes": [{"points": [[9.3, 7.1], [41.7, 12.4], [28.2, 39.9]]}], "feather": [0, 0]}
    full, half = plane(**fields), plane(scale=0.5, **fields)
    np.testing.assert_allclose(half, full.reshape(24, 2, 32, 2).mean((1, 3)), atol=1e-5)
    soft = {**fields, "feather": [6, 3]}
    full, half = plane(**soft), plane(scale=0.5, **soft)
    np.testing.assert_allclose(half, full.reshape(24, 2, 32, 2).mean((1, 3)), atol=0.03)


# -- motion --------------------------------------------------------------------------------------------------


def test_motion_blur_is_the_mean_over_the_shutter():
    # Eight pixels a frame: with half a frame of exposure the edges are ramps of four pixels.
    keys = [[0, [[0, 8], [20, 8], [20, 40], [0, 40]]], [4, [[32, 8], [52, 8], [52, 40], [32, 40]]]]
    got = plane(frame=2, shutter=180, shapes=[{"points": {"keys": keys, "between": "linear"}}], frames="0-4")
    left = np.clip((np.arange(64) + 0.5 - 14) / 4, 0, 1)
    right = np.clip((38 - np.arange(64) - 0.5) / 4, 0, 1)
    # The mean of a ramp over a pixel, exactly, but for its two ends.
    np.testing.assert_allclose(got[20], np.minimum(left, right), atol=1 / 16)
    assert got[20].sum() == pytest.approx(20, abs=1e-4)
    assert got[20, 18:34].min() == 1


def test_the_exposure_lies_around_its_middle():
    keys = [[0, [[0, 8], [20, 8], [20, 40], [0, 40]]], [4, [[32, 8], [52, 8], [52, 40], [32, 40]]]]
    shapes = [{"points": {"keys": keys, "between": "linear"}}]
    later = plane(frame=2, shutter=180, shutter_centre=0.25, shapes=shapes, frames="0-4")
    there = plane(frame=2, shutter=180, shapes=shapes, frames="0-4")
    np.testing.assert_allclose(later[:, 2:], there[:, :-2], atol=1e-5)


def test_shapes_that_meet_leave_no_gap_while_they_move():
    # Two halves that share an edge of whole pixels at every step: together they are one.
    def halves(x):
        return [[x, 8], [x + 10, 8], [x + 10, 40], [x, 40]], [[x + 10, 8], [x + 20, 8], [x + 20, 40], [x + 10, 40]]

    keys = [[[0, halves(0)[k]], [4, halves(32)[k]]] for k in range(2)]
    shapes = [{"points": {"keys": key, "between": "linear"}} for key in keys]
    got = plane(frame=2, shutter=360, shapes=shapes, edges="shared", frames="0-4")
    assert got[20].max() == pytest.approx(1, abs=0.05)
    apart = [plane(frame=2, shutter=360, shapes=[one], frames="0-4") for one in shapes]
    joined = np.maximum(*apart)
    assert joined[20, 24:28].max() < 0.8 < got[20, 24:28].min()


def test_steps_adapt_to_the_motion():
    def picture(speed):
        keys = [[0, SQUARE], [2, [[x + 2 * speed, y] for x, y in SQUARE]]]
        graph = Graph(frames="0-2")
        graph.add("shape_matte", "cord", size=[64, 48], shutter=360,
                  shapes=[{"points": {"keys": keys, "between": "linear"}}])  # fmt: skip
        comp = Composition(graph)
        node = comp.document.nodes["cord"].at(1)
        drawn = node.shapes[0].points
        return node.instants(1, lambda time: drawn.at([time])[0][:, :2])

    counts = {speed: len(picture(speed)) for speed in (0, 0.004, 0.3, 4, 8, 1000)}
    assert counts == {0: 1, 0.004: 1, 0.3: 2, 4: 8, 8: 16, 1000: 64}
    assert picture(4) == pytest.approx(1 - 0.5 + (np.arange(8) + 0.5) / 8)


# -- following -----------------------------------------------------------------------------------------------


def test_a_homography_moves_what_was_drawn():
    tilt = [0.9, 0.1, 4, -0.05, 1.05, 2, 0.001, 0.002, 1]
    corners = np.array(SQUARE, float)
    x, y, w = np.array(tilt).reshape(3, 3) @ np.vstack([corners.T, np.ones(4)])
    expected = polygon_coverage(np.column_stack([x / w, y / w]), FRAME)
    np.testing.assert_allclose(plane(shapes=[{"points": SQUARE}], homography=tilt), expected, atol=1e-5)


def test_keys_come_first_and_then_the_homography_at_each_time():
    move = {"keys": [[0, [1, 0, 0, 0, 1, 0, 0, 0, 1]], [4, [1, 0, 16, 0, 1, 0, 0, 0, 1]]], "between": "linear"}
    keys = {"keys": [[0, SQUARE], [4, [[x + 16, y] for x, y in SQUARE]]], "between": "linear"}
    blurred = plane(frame=2, shutter=180, shapes=[{"points": SQUARE}], homography=move, frames="0-4")
    np.testing.assert_allclose(
        blurred, plane(frame=2, shutter=180, shapes=[{"points": keys}], frames="0-4"), atol=1e-5
    )
    both = plane(frame=2, shapes=[{"points": keys}], homography=move, frames="0-4")
    expected = polygon_coverage([(x + 16, y) for x, y in SQUARE], FRAME)
    np.testing.assert_allclose(both, expected, atol=1e-6)


def test_shapes_follow_a_track(tmp_path):
    track = {"cleat": {frame: (10 + 3 * (frame - 1), 12 + frame, 0.0) for frame in range(1, 5)}}
    (tmp_path / "track.json").write_text(track_text((64, 48), 1, track))
    got = plane(tmp_path, frame=3, frames="1-4", shapes=[{"points": SQUARE}], track="track.json")
    np.testing.assert_allclose(got, polygon_coverage([(x + 6, y + 2) for x, y in SQUARE], FRAME), atol=1e-6)


# -- files ---------------------------------------------------------------------------------------------------


def shapes_file(path, shapes, width=64, height=48):
    path.write_text(json.dumps({"stackcomp_shapes": 1, "width": width, "height": height, "shapes": shapes}))


def test_a_file_of_shapes_is_as_the_graph(tmp_path):
    jar = {"name": "jar", "points": [[50, 5], [60, 5], [55, 20]]}
    shapes = [{"name": "cord", "points": SQUARE, "opacity": 0.5}, jar]
    shapes_file(tmp_path / "cord.json", shapes)
    np.testing.assert_array_equal(plane(tmp_path, shapes="cord.json"), plane(shapes=shapes))
    one = plane(tmp_path, shapes="cord.json", only=["jar"])
    np.testing.assert_array_equal(one, plane(shapes=shapes[1:]))
    np.testing.assert_array_equal(one, plane(shapes=shapes, only=["jar"]))


def test_a_file_drawn_for_another_size_is_scaled(tmp_path):
    shapes_file(tmp_path / "cord.json", [{"points": [[x / 2, y / 2] for x, y in SQUARE]}], 32, 24)
    np.testing.assert_array_equal(plane(tmp_path, shapes="cord.json"), plane(shapes=[{"points": SQUARE}]))
    np.testing.assert_allclose(
        plane(tmp_path, shapes="cord.json", scale=0.5), plane(shapes=[{"points": SQUARE}], scale=0.5), atol=1e-6
    )


def test_files_are_inputs_of_their_frames(tmp_path):
    graph = Graph(frames="1-2")
    graph.add("shape_matte", "cord", size=[64, 48], shapes="roto/cord.{frame:04d}.svg")
    node = graph.document().nodes["cord"]
    assert node.files(7, tmp_path) == [tmp_path / "roto/cord.0007.svg"]
    assert not node.still


def test_a_file_that_changes_is_read_again(tmp_path):
    shapes_file(tmp_path / "cord.json", [{"points": SQUARE}])
    first = plane(tmp_path, shapes="cord.json")
    shapes_file(tmp_path / "cord.json", [{"points": [[0, 0], [9, 0], [9, 9]]}])
    assert plane(tmp_path, shapes="cord.json").sum() < first.sum() / 2


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"shapes": []}, "no shape"),
        ({"shapes": [{"points": SQUARE}], "only": []}, "no name"),
        ({"shapes": [{"points": SQUARE}], "only": ["cord"]}, 'no shape "cord"'),
        ({"shapes": "cord.{shot}.svg"}, "{shot}"),
        ({"shapes": [{"points": [[1, 2], [1e9, 3]]}]}, "10000000"),
        ({"shapes": [{"points": [[1, 2], [3, None]]}]}, "point 2"),
        ({"shapes": [{"points": {"keys": []}}]}, "at least one key"),
        ({"shapes": [{"points": {"key": [[1, SQUARE]]}}]}, '"key"'),
        ({"shapes": [{"points": {"keys": [[1, SQUARE]], "between": "hold"}}]}, '"between"'),
    ],
)
def test_mistakes_are_told(fields, words):
    graph = Graph(frames="1")
    with pytest.raises(DocumentError, match=words.replace("{", r"\{")):
        graph.add("shape_matte", "cord", size=[64, 48], **fields)


# -- SVG -----------------------------------------------------------------------------------------------------

HEAD = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'


def svg(path, body, attributes='viewBox="0 0 64 48"'):
    path.write_text(f"<svg {HEAD} {attributes}>{body}</svg>")
    return path.name


BODIES = {
    "paths": '<path d="M5 5 C 20 0 40 10 50 6 S 60 30 40 40 Q 20 46 12 36 T 8 20 Z M20 15 h15 v12 h-15 z"/>',
    "even-odd": '<path fill-rule="evenodd" d="M5 5H55V40H5Z M15 12H45V30H15Z"/>',
    "arcs": '<path d="M10 24 A 20 12 30 1 0 50 24 A 8 5 0 0 1 10 24 z"/>',
    "relative": '<path d="m6,6l20,4 10,-4 12 20c-4 4 -8 -6 -16 10s-20-8-20-8z"/>',
    "basic shapes": '<rect x="4" y="5" width="20" height="12" rx="3"/><circle cx="40" cy="14" r="8.5"/>'
    '<ellipse cx="20" cy="34" rx="14" ry="6"/><polygon points="40,28 60,30 50,45"/>',
    "open": '<polyline points="5,5 50,10 30,40"/>',
    "transforms": '<g transform="translate(8 4) rotate(10)"><path transform="scale(1.5 .8) skewX(12)" '
    'd="M0 0H20V20H0Z"/><g transform="matrix(1 0 .2 1 42 2)"><circle r="6" cx="3" cy="9"/></g></g>',
    "use": '<defs><path id="d" d="M0 0H9L4 9Z"/></defs><use xlink:href="#d" x="8" y="6"/>'
    '<use xlink:href="#d" transform="translate(30 10) scale(2)"/>',
}


def skia_svg(text, width=64, height=48, fold=16):
    skia = pytest.importorskip("skia", reason="needs libEGL and libGL", exc_type=ImportError)

    document = skia.SVGDOM.MakeFromStream(skia.MemoryStream(text.encode()))
    document.setContainerSize(skia.Size(width * fold, height * fold))
    info = skia.ImageInfo.Make(width * fold, height * fold, skia.kN32_ColorType, skia.kPremul_AlphaType)
    surface = skia.Surface.MakeRaster(info)
    with surface as canvas:
        canvas.clear(0)
        document.render(canvas)
    alpha = surface.makeImageSnapshot().toarray()[..., 3] / 255
    return alpha.reshape(height, fold, width, fold).mean((1, 3))


@pytest.mark.parametrize("name", BODIES)
def test_an_svg_file_equals_skia_reading_it(tmp_path, name):
    file = svg(tmp_path / "drawing.svg", BODIES[name])
    expected = skia_svg((tmp_path / file).read_text())
    assert expected.any()
    np.testing.assert_allclose(plane(tmp_path, shapes=file), expected, atol=0.03)


@pytest.mark.parametrize("align", ["", "xMinYMin meet", "xMaxYMax", "xMidYMin slice", "none"])
@pytest.mark.parametrize("box", ["0 0 100 30", "-10 5 40 60"])
def test_the_view_box_is_fitted_as_skia_does_it(tmp_path, align, box):
    body = '<path d="M2 7 L30 9 L24 28 Z M-4 30h9v9h-9z M50 9h15v12h-15z"/>'
    keep = f'preserveAspectRatio="{align}"' if align else ""
    file = svg(tmp_path / "drawing.svg", body, f'viewBox="{box}" {keep}')
    expected = skia_svg((tmp_path / file).read_text())
    assert expected.any()
    np.testing.assert_allclose(plane(tmp_path, shapes=file), expected, atol=0.03)
    half = plane(tmp_path, shapes=file, scale=0.5)
    np.testing.assert_allclose(half, expected.reshape(24, 2, 32, 2).mean((1, 3)), atol=0.03)


def test_rules_of_styles_and_groups_count(tmp_path):
    # SVG 2, sections 6.3 and 13.4.2: fill-rule is a property, and inherited.
    path = '<path {} d="M5 5H55V40H5Z M15 12H45V30H15Z"/>'
    for name, body in {
        "class": "<style>.eo{fill-rule:evenodd}</style>" + path.format('class="eo"'),
        "style": path.format('style="fill-rule: evenodd"'),
        "group": f'<g fill-rule="evenodd">{path.format("")}</g>',
    }.items():
        assert plane(tmp_path, shapes=svg(tmp_path / f"{name}.svg", body)).sum() == 50 * 35 - 30 * 18


def test_ids_and_groups_choose_shapes(tmp_path):
    group = '<g id="lamp"><path id="glass" d="M5 5h10v10h-10z"/><path d="M20 5h10v10h-10z"/></g>'
    body = group + '<path d="M40 5h10v10h-10z"/>'
    file = svg(tmp_path / "drawing.svg", body)
    assert plane(tmp_path, shapes=file).sum() == 300
    assert plane(tmp_path, shapes=file, only=["lamp"]).sum() == 200
    assert plane(tmp_path, shapes=file, only=["glass"]).sum() == 100


def test_what_is_no_shape_is_named_and_left_out(tmp_path):
    body = (
        '<defs><clipPath id="c"><rect width="9" height="9"/></clipPath></defs>'
        '<text id="word">cord</text><image id="photo" width="9" height="9"/>'
        '<path id="cord" d="M5 5h10v10h-10z" clip-path="url(#c)"/>'
        '<mask id="m"><rect width="64" height="48"/></mask><path id="hidden" display="none" d="M20 5h10v10h-10z"/>'
    )
    file = svg(tmp_path / "drawing.svg", body)
    assert plane(tmp_path, shapes=file).sum() == 100
    (problem,) = findings(tmp_path, shapes=file)
    assert problem.rule == "shapes-left-out"
    for words in ('text "word"', 'image "photo"', 'the clip-path of path "cord"'):
        assert words in problem.message


def test_one_svg_file_a_frame(tmp_path):
    for frame in (1, 2):
        svg(tmp_path / f"cord.{frame:04d}.svg", f'<path d="M{5 * frame} 5h10v10h-10z"/>')
    got = [plane(tmp_path, frame=frame, frames="1-2", shapes="cord.{frame:04d}.svg") for frame in (1, 2)]
    assert [np.argmax(row[8] > 0) for row in got] == [5, 10]
    (problem,) = findings(tmp_path, frames="1-3", shapes="cord.{frame:04d}.svg")
    assert problem.rule == "shapes-file"
    assert "cord.0003.svg" in problem.message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no XML"),
        ("<svg", "no XML"),
        ("<html/>", "not <svg>"),
        (f"<svg {HEAD}/>", "no shape"),
        (f'<svg {HEAD} viewBox="0 0 0 9"><path d="M1 1h2v2z"/></svg>', "viewBox"),
        (f'<svg {HEAD} preserveAspectRatio="middle"><path d="M1 1h2v2z"/></svg>', "preserveAspectRatio"),
        (f'<svg {HEAD}><path id="far" d="M1 1h1e30v2z"/></svg>', '"far"'),
        (f"<svg {HEAD}><text>lamp</text></svg>", "no shape"),
        ('<!DOCTYPE s [<!ENTITY a "1">]><svg ' + HEAD + '><path d="M1 1h2v2z&b;"/></svg>', "no XML"),
    ],
)
def test_a_file_that_cannot_be_used_is_told(tmp_path, text, words):
    (tmp_path / "drawing.svg").write_text(text)
    problems = [p for p in findings(tmp_path, shapes="drawing.svg") if p.severity == "error"]
    assert [p.rule for p in problems] == ["shapes-file"]
    assert words in problems[0].message


def test_feather_of_an_svg_file(tmp_path):
    file = svg(tmp_path / "drawing.svg", '<path d="M20 14h20v20h-20z"/>')
    points = np.zeros((4, 8))
    points[:, :2] = [(20, 14), (40, 14), (40, 34), (20, 34)]
    points[:, 6] = 5
    np.testing.assert_allclose(
        plane(tmp_path, shapes=file, feather=[5, 0]), matte(shape(points), window=FRAME), atol=1e-6
    )


def test_a_shape_equals_skia_through_the_whole_program():
    points = ellipse(32.3, 24.8, 20.1, 14.6)
    got = plane(size=[64, 64], shapes=[{"points": points.tolist()}])
    assert np.abs(got - drawn_by_skia(points)).max() <= 1 / 64
