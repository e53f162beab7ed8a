"""over, against the W3C's formula, OpenImageIO's own result, and light without coverage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, Composition, Graph, Image, Window

pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(-4, 100))


def over(source, backdrop):
    """co = s + d (1 − αs), W3C Compositing and Blending Level 1, in float64."""
    source, backdrop = np.float64(source), np.float64(backdrop)
    return source + backdrop * (1 - source[..., 3:])


def test_a_pixel_by_hand(one_pixel):
    pixels = {"s": (0.25, 0.5, 0, 0.5), "b": (1, 0.5, 0.25, 0.5)}
    assert one_pixel("over", pixels, source="s", backdrop="b") == [0.75, 0.75, 0.125, 0.75]


def test_two_half_covers_leave_a_quarter_free(one_pixel):
    # The worked example of the W3C: αs = αb = .5 makes four regions of .25 each.
    pixels = {"s": (0.5, 0, 0, 0.5), "b": (0, 0.5, 0, 0.5)}
    assert one_pixel("over", pixels, source="s", backdrop="b") == [0.5, 0.25, 0, 0.75]


@given(pictures, pictures)
def test_as_published(render, source, backdrop):
    given = {"s": Image.from_array(source), "b": Image.from_array(backdrop)}
    got = render("over", given, source="s", backdrop="b").to_array()
    np.testing.assert_allclose(got, over(source, backdrop), rtol=1e-6, atol=2e-3)


@given(pictures)
def test_nothing_and_full_cover(render, picture):
    image = Image.from_array(picture)
    nothing = Image.from_array(np.zeros((2, 3, 4)))
    for pair in ({"s": nothing, "b": image}, {"s": image, "b": nothing}):
        np.testing.assert_array_equal(render("over", pair, source="s", backdrop="b").to_array(), picture)
    covered = picture.copy()
    covered[..., 3] = 1
    given = {"s": Image.from_array(covered), "b": image}
    np.testing.assert_array_equal(render("over", given, source="s", backdrop="b").to_array(), covered)


def test_a_backdrop_without_alpha_stays_without(render):
    given = {"s": Image.from_array([[[0.5, 0, 0, 0.5]]]), "b": Image.from_array([[[1.0] * 3]])}
    got = render("over", given, source="s", backdrop="b")
    assert got.channels == ("R", "G", "B")
    assert got.to_array().tolist() == [[[1, 0.5, 0.5]]]


def test_windows_are_joined_and_nothing_lies_outside(render):
    frame = Window(0, 0, 6, 2)
    s = Image.from_array(np.full((1, 2, 4), 0.5), origin=(-1, 0), display=frame)
    b = Image.from_array(np.full((1, 3, 4), 0.25), origin=(3, 1), display=frame)
    got = render("over", {"s": s, "b": b}, source="s", backdrop="b")
    assert (got.window, got.display) == (Window(-1, 0, 6, 2), frame)
    assert got["A"].tolist() == [[0.5, 0.5, 0, 0, 0, 0, 0], [0, 0, 0, 0, 0.25, 0.25, 0.25]]


def test_openimageio_gives_the_same(material, tmp_path):
    # oiiotool's own test picture: negative and differing data windows.
    folder = material / "oiio-tests" / "testsuite" / "oiiotool-composite"
    graph = Graph(frames="1")
    for name in "ab":
        graph.add("read", name, path=str(folder / "src" / f"{name}.exr"), encoding="ACEScg")
    graph.add("over", "it", source="a", backdrop="b")
    graph.add("deliver", "out", image="it", path="o.exr", pixel_type="float")
    got = Composition(graph).render("it", 1)
    assert (got.window.x0, got.window.y0, got.window.width, got.window.height) == (3, -41, 282, 398)
    # Windows and pixels once more, both as a third program reads them.
    Composition(graph, root=tmp_path).deliver()
    import OpenImageIO

    theirs = OpenImageIO.ImageBuf(str(folder / "ref" / "a_over_b.exr"))
    ours = OpenImageIO.ImageBuf(str(tmp_path / "o.exr"))
    assert ours.spec().roi == theirs.spec().roi
    assert ours.spec().roi_full == theirs.spec().roi_full
    difference = OpenImageIO.ImageBufAlgo.compare(ours, theirs, 2e-7, 2e-7)
    assert difference.maxerror < 2e-7
    np.testing.assert_array_equal(got.to_array(got.window), ours.get_pixels("float"))


def test_a_flame_without_coverage_survives(render, candle):
    plate = Image.from_array(np.full((160, 160, 3), 0.18))
    got = render("over", {"s": candle, "b": plate}, source="s", backdrop="b").to_array()
    pixels = candle.to_array()
    bare = pixels[..., 3] == 0
    np.testing.assert_array_equal(got[bare], pixels[bare][:, :3] + np.float32(0.18))
    assert got[..., 0].max() == np.float32(413.25) + np.float32(0.18)


@pytest.mark.parametrize("alpha", ["straight", "none"])
def test_only_premultiplied_sources(render, alpha):
    pixels = np.ones((1, 1, 4 if alpha == "straight" else 3))
    given = {"s": Image.from_array(pixels, alpha="straight"), "b": Image.from_array(np.ones((1, 1, 3)))}
    with pytest.raises(CheckError, match='port "source" requires premultiplied colour'):
        render("over", given, source="s", backdrop="b")
