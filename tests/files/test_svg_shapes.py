"""SVG files: what is drawn, where it stands, and what cannot be read.

Skia's own reading of SVG is the reference where it knows the feature; else the area that SVG 2 (W3C) gives.
"""

import numpy as np
import pytest
from drawn_curves import matte, shape
from slow_cases import few_fast

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files.svg_shapes import read_svg

WIDTH, HEIGHT, FOLD = 64, 48, 16
HEAD = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
RECT = '<rect width="5" height="5"/>'


def written(folder, body, attributes='viewBox="0 0 64 48"', before=""):
    path = folder / "drawing.svg"
    path.write_text(f"{before}<svg {HEAD} {attributes}>{body}</svg>", encoding="utf-8")
    return path


def coverage(file):
    matrix = file.to_frame(WIDTH, HEIGHT)
    drawn = [shape(s.points, even_odd=s.even_odd, starts=s.starts) for s in file.shapes]
    return matte(*drawn, matrix=matrix, window=Window.of_size(WIDTH, HEIGHT))


def by_skia(path):
    import skia

    document = skia.SVGDOM.MakeFromStream(skia.MemoryStream(path.read_bytes()))
    document.setContainerSize(skia.Size(WIDTH * FOLD, HEIGHT * FOLD))
    info = skia.ImageInfo.Make(WIDTH * FOLD, HEIGHT * FOLD, skia.kN32_ColorType, skia.kPremul_AlphaType)
    surface = skia.Surface.MakeRaster(info)
    with surface as canvas:
        canvas.clear(0)
        document.render(canvas)
    alpha = surface.makeImageSnapshot().toarray()[..., 3] / 255
    return alpha.reshape(HEIGHT, FOLD, WIDTH, FOLD).mean((1, 3))


INNER = '<rect width="10" height="5"/>'
AS_SKIA = {
    "drawing in the drawing": f'<svg x="10" y="5" width="30" height="30" viewBox="0 0 10 10">{INNER}</svg>',
    "its shares": '<svg x="10" y="5" width="30" height="20"><rect x="10%" width="50%" height="50%"/></svg>',
    "shares": '<rect x="10%" y="10%" width="50%" height="50%"/><ellipse cx="50" cy="36" rx="25%" ry="8"/>',
    "share of both sides": '<circle cx="50%" cy="50%" r="20%"/>',
    "arc without radius": '<path d="M40 20 A 0 5 0 0 1 50 30 L40 40z"/>',
    "flags without spaces": '<path d="M10 20a10 6 20 0110 12 10 6 20 0012-9z"/>',
    "smooth quadratic behind a cubic": '<path d="M4 20C1 2 10 4 20 14 T 50 40 t -9 2 z"/>',
    "smooth cubic behind a quadratic": '<path d="M4 20Q1 2 10 4 S 20 30 50 40 z"/>',
    "smooth ones in turn": '<path d="M4 20Q1 2 10 4 S 20 30 50 40 T 9 30 S 1 40 30 45z"/>',
    "radius by itself": '<rect x="5" y="5" width="40" height="20" rx="auto" ry="6"/>',
    "compact numbers": '<path d="M4.5.5.5 20-1-1e1 3e1.5l10 30z"/>',
    "copy before its original": '<use xlink:href="#a" x="10" y="12"/><rect id="a" width="8" height="8"/>',
    "copy of a copy": '<defs><rect id="a" width="8" height="8"/><use id="b" xlink:href="#a" x="10"/></defs>'
    '<g transform="rotate(9)"><use xlink:href="#b" y="10" transform="scale(1.5)"/></g>',
    "no data": '<path d=""/><path/><rect x="3" y="3" width="9" height="9"/>',
}


@pytest.mark.parametrize("name", AS_SKIA)
def test_a_drawing_is_as_skia_reads_it(tmp_path, name):
    path = written(tmp_path, AS_SKIA[name])
    expected = by_skia(path)
    assert expected.any()
    np.testing.assert_allclose(coverage(read_svg(path)), expected, atol=0.03)


@pytest.mark.parametrize(
    ("body", "area"),
    [
        # SVG 2, 5.6: a symbol fills the size that its copy gives.
        (f'<symbol id="a" viewBox="0 0 10 10">{INNER}</symbol>'
         '<use href="#a" x="10" y="8" width="20" height="20"/>', 20 * 10),
        # SVG 2, 5.9: the first child whose conditions hold.
        (f'<switch><g requiredExtensions="x"><text>a</text></g>{RECT}<rect width="9" height="9"/></switch>', 25),
        # SVG 2, 11.3: visibility is inherited and may be set again.
        ('<g visibility="hidden"><rect width="20" height="20"/>'
         '<rect visibility="visible" x="20" y="20" width="9" height="9"/></g>', 81),
        # CSS Values 3, 5.2: 96 pixels in an inch.
        ('<rect x="1mm" y="1pc" width="0.25in" height="12pt"/>', 24 * 16),
        (f'<g style="display:none"><text>a</text><rect width="9" height="9"/></g>{RECT}', 25),
        # The transform of a style counts, and x and y of a copy after it.
        ('<defs><rect id="a" width="5" height="5"/></defs>'
         '<use href="#a" x="60" y="44" style="transform: translate(-60px,-44px)"/>', 25),
        (f'<style>.a{{display:none}}</style><rect class="a" width="9" height="9"/>{RECT}', 25),
    ],
)  # fmt: skip
def test_areas_of_the_standard(tmp_path, body, area):
    assert coverage(read_svg(written(tmp_path, body))).sum() == pytest.approx(area, abs=1e-3)


def test_large_arcs_are_exact_to_a_fraction_of_a_pixel(tmp_path):
    body = '<circle cx="1" cy="1" r="1"/><path d="M0 1A1 1 0 0 1 2 1z"/><path d="M1 0A1 1 0 1 1 0 1z"/>'
    t = np.linspace(0, 1, 50)[:, None]
    for drawn in read_svg(written(tmp_path, body, 'viewBox="0 0 2 2"')).shapes:
        for a, b in zip(drawn.points, np.roll(drawn.points, -1, 0), strict=True):
            if not a[4:6].any():
                continue
            curve = (
                (1 - t) ** 3 * a[:2] + 3 * (1 - t) ** 2 * t * (a[:2] + a[4:6])
                + 3 * (1 - t) * t**2 * (b[:2] + b[2:4]) + t**3 * b[:2]
            )  # fmt: skip
            # A radius of 4000 pixels is off by less than 1/255.
            assert np.abs(np.hypot(*(curve - 1).T) - 1).max() * 4000 < 1 / 255


def test_what_is_left_out_is_named(tmp_path):
    body = (
        f'<g display="none"><text id="gone">a</text></g><use id="q" href="#nowhere"/>{RECT}'
        f'<svg id="inside" width="9" height="9">{RECT}</svg><svg overflow="visible" width="9" height="9"/>'
    )
    words = [what for what, _ in read_svg(written(tmp_path, body, 'transform="scale(2)"')).left_out]
    assert words == [
        'use "q" of "#nowhere", which is not in the file', 'the border of svg "inside"',
        "the transform of the whole file",
    ]  # fmt: skip


def test_clipping_in_a_style_sheet_is_named(tmp_path):
    for style, words in (("clip-path:url(#c)", ["the clip-path of the style sheet"]), ("clip-path: none", [])):
        file = read_svg(written(tmp_path, f'<style>.a{{{style}}}</style><g class="a">{RECT}</g>'))
        assert [what for what, _ in file.left_out] == words


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ('<path d="hello"/>', 'the d of path cannot be read from "hello" on'),
        ('<path id="böö" d="M3 3L5 5 9 3 C 1 1 2"/>', 'the d of path "böö" cannot be read from "C 1 1 2" on'),
        ('<path d="L 5 5 9 9 3 3z"/>', 'from "L 5 5'),
        ('<path d="M nan 5 L 4 4 L 3 3z"/>', 'from "M nan'),
        ('<path d="M3 3A5 5 0 2 3 9 9z"/>', 'from "A5 5 0 2'),
        ('<polygon points="1,2 foo 3,4 9 9"/>', 'the points of polygon cannot be read from "foo 3,4'),
        (f'<g transform="matrix(1 2 3)">{RECT}</g>', 'the transform of g cannot be read from "matrix'),
        ('<rect transform="turn(3)" width="5" height="5"/>', 'from "turn'),
        ('<rect width="abc" height="3"/>', 'the width of rect is "abc"'),
        ('<rect width="2em" height="3"/>', 'the width of rect is "2em"'),
        ('<path d="M 1e9 5 L 3 4 L 3 3z"/>', "path has coordinates beyond"),
        ('<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>', "draws itself"),
        ('<svg viewBox="0 0 1e-300 1"/>', "viewBox"),
    ],
)
def test_mistakes_are_told_and_not_read_past(tmp_path, body, words):
    with pytest.raises(FileError) as caught:
        read_svg(written(tmp_path, body))
    assert words in caught.value.reason


def test_shares_of_a_size_that_is_not_known(tmp_path):
    body = '<rect width="50%" height="3"/>'
    with pytest.raises(FileError, match="50%"):
        read_svg(written(tmp_path, body, ""))
    (drawn,) = read_svg(written(tmp_path, body, 'width="1in" height="1in"')).shapes
    assert drawn.points[:, 0].max() == 48


def bomb(kind):
    if kind == "entities":
        return '<path d="&a9;"/>', "<!DOCTYPE s [<!ENTITY a0 'M0 0h9v9z'>" + "".join(
            f"<!ENTITY a{k} '{f'&a{k - 1};' * 10}'>" for k in range(1, 10)
        ) + "]>"
    if kind == "copies":
        return '<rect id="u0" width="9" height="9"/>' + "".join(
            f'<g id="u{k}">' + f'<use href="#u{k - 1}"/>' * 10 + "</g>" for k in range(1, 10)
        ), ""
    return "<g>" * 50_000 + RECT + "</g>" * 50_000, ""


@pytest.mark.parametrize(
    ("kind", "words"),
    few_fast([("entities", "amplification"), ("copies", "50000 elements"), ("groups", "100 deep")], 2, pairs=True),
)
def test_files_that_grow_without_end_are_refused(tmp_path, kind, words):
    body, before = bomb(kind)
    with pytest.raises(FileError, match=words):
        read_svg(written(tmp_path, body, before=before))
