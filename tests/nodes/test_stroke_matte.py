"""stroke_matte: strokes of a round brush, held against skia and distances."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import Composition, Graph, Image, Window
from stackcomp.data.port_types import Matte
from stackcomp.errors import DocumentError

FRAME = Window.of_size(64, 48)


def rendered(frame=1, scale=1.0, frames="1-9", below=None, window=None, **fields):
    graph = Graph(frames=frames)
    replace = {}
    if below is not None:
        graph.add("flat", "below", size=[64, 48], as_="matte")
        replace = {"below": below}
        fields["matte"] = "below"
    elif "like" not in fields:
        fields.setdefault("size", [64, 48])
    graph.add("stroke_matte", "paint", **fields)
    return Composition(graph).render("paint", frame, scale=scale, replace=replace, window=window)


def plane(**fields):
    image = rendered(**fields)
    return image.over(image.display)["A"]


def skia_line(points, radius, fold=32, closed=False):
    """Round brush along a line or curve, by skia's stroker, counted on samples."""
    skia = pytest.importorskip("skia", reason="needs libEGL and libGL", exc_type=ImportError)

    path = skia.Path()
    p = np.array([[*point, *[0] * (6 - len(point))] for point in points], float) * fold
    path.moveTo(*p[0, :2].tolist())
    for a, b in pairwise(p):
        path.cubicTo(*(a[:2] + a[4:6]).tolist(), *(b[:2] + b[2:4]).tolist(), *b[:2].tolist())
    paint = skia.Paint(AntiAlias=False, Color=skia.ColorWHITE, Style=skia.Paint.kStroke_Style)
    paint.setStrokeWidth(2 * radius * fold)
    paint.setStrokeCap(skia.Paint.kRound_Cap)
    paint.setStrokeJoin(skia.Paint.kRound_Join)
    info = skia.ImageInfo.Make(64 * fold, 48 * fold, skia.kAlpha_8_ColorType, skia.kPremul_AlphaType)
    surface = skia.Surface.MakeRaster(info)
    with surface as canvas:
        canvas.clear(0)
        canvas.drawPath(path, paint)
    samples = surface.makeImageSnapshot().toarray(colorType=skia.kAlpha_8_ColorType).squeeze() > 0
    return samples.reshape(48, fold, 64, fold).mean((1, 3))


@pytest.mark.parametrize(
    ("points", "radius"),
    [
        ([[8.3, 8.1], [50.2, 30.7]], 4.3),
        ([[8, 24], [56, 24]], 2.5),
        ([[30.2, 6.1], [30.2, 40.8]], 0.8),
        ([[10, 40], [30, 8], [52, 41]], 3.2),
        ([[8, 30, 0, 0, 10, -40], [56, 20, -10, 30, 0, 0]], 5.1),
    ],
)
def test_a_hard_stroke_equals_skia_on_32_by_32_samples(points, radius):
    got = plane(strokes=[{"points": points, "radius": radius}])
    difference = np.abs(got - skia_line(points, radius))
    assert np.quantile(difference, 0.995) < 1.5 / 32
    assert difference.mean() < 1e-3
    # Where two pieces meet inside of a pixel the larger of the two counts, so a corner may lose a part of it.
    assert difference.max() < 0.15


@pytest.mark.parametrize("radius", [1.0, 2.0, 5.0, 13.3])
def test_a_dot_has_the_area_of_a_disc(radius):
    got = plane(strokes=[{"points": [[31.3, 24.2]], "radius": radius}])
    assert got.sum(dtype=np.float64) == pytest.approx(np.pi * radius**2, rel=0.002)


def test_softness_is_the_share_of_the_radius_that_fades():
    got = plane(strokes=[{"points": [[-50, 24.5], [120, 24.5]], "radius": 20, "softness": 0.6}])
    far = np.abs(np.arange(48) + 0.5 - 24.5)
    t = np.clip((20 - far) / 12, 0, 1)
    np.testing.assert_allclose(got[:, 30], t * t * (3 - 2 * t), atol=2e-3)


def test_radius_and_softness_change_along_the_stroke():
    points = [{"at": [10, 24], "radius": 2}, {"at": [54, 24], "radius": 12, "softness": 1}]
    got = plane(strokes=[{"points": points}])
    y, x = np.mgrid[:48, :64] + 0.5
    best = np.zeros((48, 64))
    for t in np.linspace(0, 1, 2000):
        radius, border = 2 + 10 * t, (2 + 10 * t) * 0
        border = max(12 * t, 1e-6)  # widths change evenly from point to point: 0 to 12
        far = np.hypot(x - 10 - 44 * t, y - 24)
        s = np.clip((radius - far) / border, 0, 1)
        best = np.maximum(best, s * s * (3 - 2 * s))
    # Away from the hard end, where a pixel's mean is not its middle.
    np.testing.assert_allclose(got[:, 30:], best[:, 30:], atol=0.03)


def test_strokes_count_in_order():
    cross = [
        {"points": [[0, 24], [64, 24]], "radius": 6},
        {"points": [[32, 0], [32, 48]], "radius": 4, "mode": "subtract", "opacity": 0.75},
        {"points": [[32, 24]], "radius": 2, "opacity": 0.5},
    ]
    got = plane(strokes=cross)
    assert got[24, 10] == 1
    assert got[20, 32] == 0.25
    assert got[24, 32] == pytest.approx(0.25 + 0.75 * 0.5)


def test_painting_on_a_matte():
    below = Image.from_array(np.full((20, 30), 0.5, np.float32), origin=(5, 10), display=FRAME, type=Matte())
    strokes = [
        {"points": [[50, 10]], "radius": 4},
        {"points": [[20, 20]], "radius": 3, "mode": "subtract"},
        {"points": [[5, 5]], "radius": 3, "mode": "subtract"},
    ]
    image = rendered(below=below, strokes=strokes)
    got = image.over(FRAME)["A"]
    assert got[10, 50] == 1
    assert got[20, 20] == 0
    assert got[12, 8] == 0.5
    assert image.window == Window(5, 5, 55, 30)
    again = rendered(below=below, strokes=strokes, window=Window(13, 12, 34, 27))
    np.testing.assert_array_equal(again["A"], got[12:27, 13:34])


def test_motion_blur_and_keys():
    keys = [[0, [[10, 24]]], [4, [[42, 24]]]]
    stroke = {"points": {"keys": keys, "between": "linear"}, "radius": 5}
    still = plane(frame=2, frames="0-4", strokes=[stroke])
    blurred = plane(frame=2, frames="0-4", shutter=180, strokes=[stroke])
    assert np.argmax(still[24] > 0.5) == 21
    assert blurred.sum(dtype=np.float64) == pytest.approx(still.sum(dtype=np.float64), rel=2e-3)
    # Four pixels of movement: the disc's chord of 10 pixels is covered from 26 - 7 to 26 + 7.
    assert (blurred[24] > 1e-3).sum() == 14


def test_a_homography_carries_strokes_and_their_radius():
    stroke = [{"points": [[10, 8], [20, 14]], "radius": 3}]
    twice = [2, 0, 4, 0, 2, 6, 0, 0, 1]
    expected = plane(strokes=[{"points": [[24, 22], [44, 34]], "radius": 6}])
    np.testing.assert_allclose(plane(strokes=stroke, homography=twice), expected, atol=1e-5)


def test_half_size_and_the_frame_of_another_node():
    strokes = [{"points": [[10.2, 9.1], [50.3, 33.3]], "radius": 6.2, "softness": 0.3}]
    full, half = plane(strokes=strokes), plane(strokes=strokes, scale=0.5)
    np.testing.assert_allclose(half, full.reshape(24, 2, 32, 2).mean((1, 3)), atol=0.03)
    graph = Graph(frames="1")
    graph.add("flat", "plate", size=[64, 48])
    graph.add("stroke_matte", "paint", like="plate", strokes=strokes)
    for scale, expected in ((1.0, full), (0.5, half)):
        image = Composition(graph).render("paint", 1, scale=scale)
        np.testing.assert_array_equal(image.over(image.display)["A"], expected)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"strokes": []}, "no stroke"),
        ({"strokes": [{"points": [[1, 1]]}]}, "radius"),
        ({"strokes": [{"points": [], "radius": 2}]}, "0 points"),
        ({"strokes": [{"points": [{"at": [1, 1], "radius": -1}]}]}, "radius of -1"),
        ({"strokes": [{"points": [[1, 1]], "radius": 2}], "size": [0, 5]}, "0×5"),
        ({"strokes": [{"points": [[1, 1]], "radius": 2}], "like": "plate"}, '"like" and "size"'),
    ],
)
def test_mistakes_are_told(fields, words):
    graph = Graph(frames="1")
    with pytest.raises(DocumentError, match=words):
        graph.add("stroke_matte", "paint", **{"size": [64, 48], **fields})


_places = st.floats(-20, 80, width=32)
_strokes = st.lists(st.tuples(_places, _places), min_size=1, max_size=4)


@settings(max_examples=25, deadline=None)
@given(_strokes, st.floats(0, 12), st.floats(0, 6), st.floats(0, 1))
def test_a_larger_radius_covers_more_and_coverage_is_a_share(points, radius, more, softness):
    stroke = {"points": [list(p) for p in points], "softness": softness}
    small = plane(strokes=[{**stroke, "radius": radius}])
    large = plane(strokes=[{**stroke, "radius": radius + more}])
    for got in (small, large):
        assert got.min() >= 0
        assert got.max() <= 1
    assert large.sum(dtype=np.float64) >= small.sum(dtype=np.float64) - 0.5


@pytest.mark.parametrize(
    ("stroke", "rules"),
    [
        ({"points": [[500, 5], [520, 30]], "radius": 4}, ["shapes-outside"]),
        ({"points": [[66, 5], [80, 30]], "radius": 4}, []),
        ({"points": [[10, 5], [20, 30]], "radius": 0}, ["shapes-flat"]),
        ({"points": {"keys": [[1, [[500, 5]]], [9, [[5, 5]]]]}, "radius": 4}, []),
    ],
)
def test_strokes_that_cover_nothing_are_told(stroke, rules):
    graph = Graph(frames="1-9")
    graph.add("stroke_matte", "gap", size=[64, 48], strokes=[{"name": "gap in the cord", **stroke}])
    problems = [p for p in Composition(graph).check() if p.rule.startswith("shapes")]
    assert [p.rule for p in problems] == rules
    assert all('"gap in the cord"' in p.message and p.severity == "warning" for p in problems)
