"""restore, against the algebra of Porter and Duff: source in matte, over backdrop."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from lemur import lemur, to_light
from scipy import ndimage
from strategies import numbers

from stackcomp import Composition, DocumentError, Graph, Image, Matte, Window
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.files import exr
from stackcomp.nodes.restore import Restore

ROOT = Path(__file__).parents[2]

few = settings(max_examples=20, deadline=None)
plates = arrays.arrays(np.float32, (2, 3, 3), elements=numbers(0, 40))
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(0, 40))
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))


def images(source, backdrop, matte):
    return {
        "s": Image.from_array(source),
        "b": Image.from_array(backdrop),
        "m": Image.from_array(matte, type=Matte()),
    }


PORTS = {"source": "s", "backdrop": "b", "matte": "m"}


def test_by_hand(one_pixel):
    pixels = {"s": (1, 0.5, 0), "b": (0, 0.5, 1), "m": 0.25}
    assert one_pixel("restore", pixels, {"m": Matte()}, **PORTS) == [0.25, 0.5, 0.75]


@few
@given(plates, plates, mattes)
def test_a_mix_of_plate_and_comp(render, plate, comp, matte):
    got = render("restore", images(plate, comp, matte), **PORTS).to_array()
    m = np.float64(matte)[..., None]
    np.testing.assert_allclose(got, plate * m + comp * (1 - m), rtol=1e-6, atol=1e-6)


@few
@given(pictures, pictures, mattes)
def test_in_then_over(render, plate, comp, matte):
    # The same made of published operators: plate "source-in" what covers as the matte, "source-over" comp.
    cover = np.zeros((2, 3, 4), np.float32)
    cover[..., 3] = matte
    part = render("porter_duff", {"s": Image.from_array(plate), "b": Image.from_array(cover)}, source="s",
                  backdrop="b", mode="source-in")  # fmt: skip
    expected = render("over", {"s": part, "b": Image.from_array(comp)}, source="s", backdrop="b")
    got = render("restore", images(plate, comp, matte), **PORTS)
    np.testing.assert_array_equal(got.to_array(), expected.to_array())


@few
@given(plates, plates, mattes)
def test_limits(render, plate, comp, matte):
    for values, expected in ((matte * 0, comp), (matte - 5, comp), (matte * 0 + 1, plate), (matte + 2, plate)):
        got = render("restore", images(plate, comp, values), **PORTS).to_array()
        np.testing.assert_array_equal(got, expected)


def test_a_cropped_plate_restores_only_where_it_has_pixels(render):
    frame = Window.of_size(4, 1)
    given = {
        "s": Image.from_array(np.full((1, 2, 3), 0.75), origin=(1, 0), display=frame),
        "b": Image.from_array(np.full((1, 4, 4), 0.25)),
        "m": Image.from_array(np.ones((1, 4)), type=Matte()),
    }
    got = render("restore", given, **PORTS)
    assert got["R"].tolist() == [[0.25, 0.75, 0.75, 0.25]]
    assert got["A"].tolist() == [[0.25, 1, 1, 0.25]]


# -- edges with their own colour -------------------------------------------------------------------------------

OWN = {**PORTS, "edge_colour": "estimate"}


def at_edges(render, plate, comp, matte, **more):
    given = images(np.float32(plate), np.float32(comp), np.float32(matte))
    more = {name: value for name, value in {**OWN, **more}.items() if value is not None}
    for port in ("cover", "clean"):
        if port in more:
            type = Matte() if port == "cover" else None
            given[port] = Image.from_array(np.float32(more[port]), type=type)
            more[port] = port
    return render("restore", given, **more).to_array()


def test_a_hard_matte_gives_the_same_with_and_without_estimate(render):
    draw = np.random.default_rng(1)
    plate, comp = draw.normal(1, 2, (40, 50, 4)), draw.normal(1, 2, (40, 50, 4))
    plate[..., 3], comp[..., 3] = draw.random((2, 40, 50))
    given = images(plate.astype(np.float32), comp.astype(np.float32), np.float32(draw.random((40, 50)) < 0.5))
    same = [render("restore", given, **fields).to_array() for fields in (PORTS, OWN)]
    np.testing.assert_array_equal(*same)


def test_no_fringe_over_a_new_backdrop(render, material):
    """The lemur of pymatting's open data, whose foreground is known, over red light."""
    some = {name: to_light(p) if p.ndim == 3 else p for name, p in lemur(material).items()}
    alpha, red = some["alpha"][..., None], np.broadcast_to([0.5, 0.02, 0.02], some["photograph"].shape)
    truth = alpha * some["foreground"] + (1 - alpha) * red
    soft = (some["alpha"] > 0) & (some["alpha"] < 1)

    def error(plate, **fields):
        return np.abs(at_edges(render, plate, red, some["alpha"], **fields) - truth)[soft].mean()

    assert error(some["photograph"]) < 0.45 * error(some["photograph"], edge_colour="as_is")
    made = alpha * some["foreground"] + (1 - alpha) * some["background"]
    alone, plain = error(made), error(made, edge_colour="as_is")
    assert alone < 0.2 * plain
    assert error(made, clean=some["background"]) < 0.3 * alone


def test_where_the_backdrop_shows_the_plate_edges_stay(render):
    """Half of the backdrop is new. Beside it, plate over plate is the plate; the truth is worked out by hand."""
    y, x = np.mgrid[:60, :80]
    m = np.clip((12 - np.hypot(x - 40, y - 30)) / 6, 0, 1)
    cover = np.float64(x > 40)
    own, behind, new = (np.array(colour) for colour in ([4.0, 1, 0.2], [0.1, 0.6, 0.3], [0.02, 0.02, 2]))
    plate = m[..., None] * own + (1 - m[..., None]) * behind
    comp = np.where(cover[..., None] > 0, new, plate)
    truth = np.where(cover[..., None] > 0, m[..., None] * own + (1 - m[..., None]) * new, plate)
    plain, everywhere, right = (
        np.abs(at_edges(render, plate, comp, m, **fields) - truth).max(axis=-1)
        for fields in ({"edge_colour": "as_is"}, {}, {"cover": cover})
    )
    assert right[x <= 40].max() < 1e-5
    assert everywhere[x <= 40].max() > 0.5
    assert right.max() < 0.1 * plain.max()


@pytest.mark.parametrize(("shot", "least"), [("lamp", 0.85), ("wide", 0.95)])
def test_the_cord_of_the_demo_is_nearer_to_the_path_traced_truth(shot, least):
    """Over the lantern, in the cord's soft pixels. Beside it nothing gets worse."""
    variables = json.loads((ROOT / f"demo_shot/{shot}/shot.json").read_text("utf-8"))
    graph = Graph.open(ROOT / "graphs/lantern.json")
    graph.add("pick_channels", "covered", layers="cg", as_="matte", channels={"A": "A"})
    graph.add("pick_channels", "cord_alone", layers="cord", as_="matte", channels={"A": "matte"})
    graph.add("restore", "own", source="shaded", backdrop="lantern", matte="cord", edge_colour="estimate",
              cover="covered")  # fmt: skip
    comp = Composition(graph, root=ROOT, variables=variables)
    frame = Window.of_size(512, 288)
    grainless = exr.read(ROOT / f"demo_shot/{shot}/plate_nograin.exr", list("RGB")).planes
    plate = np.dstack([grainless[c] for c in "RGB"]).astype(np.float32)
    replace = {"plate_log": Image.from_array(plate, type=Colour("none", Encoding("ACEScct", "log")))}

    def rendered(node):
        return comp.render(node, 1003, replace=replace).over(frame)

    cord, lantern = rendered("cord_alone")["A"], rendered("covered")["A"]
    truths = [exr.read(ROOT / f"demo_shot/{shot}/truth_{k}.exr", list("RGB")).planes for k in "ab"]
    truth = np.dstack([(truths[0][c].astype(np.float64) + truths[1][c]) / 2 for c in "RGB"])
    errors = {
        node: np.abs(rendered(node).to_array()[..., :3] - truth).mean(axis=-1) / (truth.mean(axis=-1) + 0.01)
        for node in ("final", "own")
    }
    soft = (cord > 0) & (cord < 1)
    over, beside = soft & (lantern > 0.99), soft & (lantern == 0)
    assert over.sum() > 50
    assert errors["own"][over].mean() < least * errors["final"][over].mean()
    assert errors["own"][beside].mean() < 1.01 * errors["final"][beside].mean()


def test_premultiplied_plates_have_alpha_estimated_as_well(render):
    y, x = np.mgrid[:60, :80]
    m = np.clip((12 - np.hypot(x - 40, y - 30)) / 6, 0, 1)[..., None]
    own, behind = np.array([1.0, 0.5, 0.2, 0.5]), np.array([0.1, 0.2, 0.6, 0.8])
    new = np.array([0.0, 2.0, 0.0, 1.0])
    got = at_edges(render, m * own + (1 - m) * behind, np.broadcast_to(new, (60, 80, 4)), m[..., 0])
    np.testing.assert_allclose(got, own * m + new * (1 - own[3] * m), atol=0.03)


def test_estimated_coverage_is_at_most_full(render):
    """A hard edge of the plate's alpha crosses the soft edge of the matte; the backdrop is never subtracted."""
    draw = np.random.default_rng(9)
    matte, alpha, behind = (
        np.clip(ndimage.gaussian_filter(draw.normal(0, 1, (42, 32)), sigma) * sharp + 0.5, 0, 1)
        for sigma, sharp in ((4, 18), (0.5, 18), (3, 9))
    )
    plate, clean = np.dstack([alpha * 0.5] * 3 + [alpha]), np.dstack([behind] * 4)
    for fields in ({}, {"clean": clean}):
        got = at_edges(render, plate, np.full((42, 32, 4), [0, 0, 100.0, 1]), matte, **fields)
        assert got[..., 2].min() >= -1e-4
        assert got[..., 3].max() <= 1 + 1e-5


def test_a_clean_plate_that_covers_a_part(render):
    """Where there is no clean plate, the estimate is made without."""
    y, x = np.mgrid[:60, :80]
    m = np.clip((12 - np.hypot(x - 40, y - 30)) / 6, 0, 1)
    draw = np.random.default_rng(4)
    behind, own = draw.random((60, 80, 3)), np.array([4.0, 1, 0.2])
    plate = m[..., None] * own + (1 - m[..., None]) * behind
    given = images(np.float32(plate), np.zeros((60, 80, 3), np.float32), np.float32(m))
    given["c"] = Image.from_array(
        behind[:, 44:].astype(np.float32), origin=(44, 0), display=Window.of_size(80, 60)
    )
    part = render("restore", given, **OWN, clean="c").to_array()
    without = render("restore", {k: v for k, v in given.items() if k != "c"}, **OWN).to_array()
    assert np.array_equal(part[:, :44], without[:, :44])
    truth = m[..., None] * own
    assert np.abs(part - truth)[:, 44:].mean() < 0.5 * np.abs(without - truth)[:, 44:].mean()


def test_a_clean_plate_with_overscan_adds_no_pixels(render):
    given = images(
        np.ones((6, 8, 3), np.float32), np.zeros((6, 8, 3), np.float32), np.full((6, 8), np.float32(0.5))
    )
    given["c"] = Image.from_array(np.ones((10, 12, 3)), origin=(-2, -2), display=Window.of_size(8, 6))
    assert render("restore", given, **OWN, clean="c").window == Window.of_size(8, 6)


def test_odd_values(render):
    """Highlights, light below 0, a matte outside of 0 to 1, and values that are not finite."""
    draw = np.random.default_rng(5)
    plate, comp = draw.normal(0, 3e4, (30, 40, 3)), draw.random((30, 40, 3))
    matte = draw.normal(0.5, 1, (30, 40))
    got = at_edges(render, plate, comp, matte)
    assert np.isfinite(got).all()
    assert np.array_equal(got[matte >= 1], plate.astype(np.float32)[matte >= 1])
    assert np.array_equal(got[matte <= 0], comp.astype(np.float32)[matte <= 0])
    plate[4, 5], matte[10, 11] = np.nan, np.inf
    assert np.isfinite(at_edges(render, plate, comp, matte, warn=lambda *_: None)).all()


def test_windows_smaller_than_the_frame(render):
    frame = Window.of_size(40, 30)
    draw = np.random.default_rng(6)

    def image(window, channels, **more):
        pixels = draw.random((*window.shape, channels)).astype(np.float32)
        return Image.from_array(pixels, origin=(window.x0, window.y0), display=frame, **more)

    given = {
        "s": image(Window(-3, 4, 22, 33), 3),
        "b": image(Window(8, 0, 40, 20), 4),
        "m": image(Window(5, 2, 30, 28), 1, type=Matte()),
    }
    plain, own = (render("restore", given, **fields) for fields in (PORTS, OWN))
    assert own.window == plain.window
    outside = (given["m"].over(frame)["A"] == 0) | (given["s"].over(frame)["R"] == 0)
    for name in "RGBA":
        assert np.array_equal(own.over(frame)[name][outside], plain.over(frame)[name][outside])
        assert np.isfinite(own[name]).all()
    # Coverage is no matter of an estimate where the plate has no alpha.
    np.testing.assert_allclose(own["A"], plain["A"], atol=1e-6)


def test_what_serves_the_estimate_alone_is_refused_without(render):
    for port in ("cover", "clean"):
        with pytest.raises(DocumentError, match=f'"{port}" has a use in an estimate alone'):
            at_edges(render, np.ones((2, 2, 3)), np.ones((2, 2, 3)), np.ones((2, 2)), edge_colour="as_is",
                     **{port: np.ones((2, 2) if port == "cover" else (2, 2, 3))})  # fmt: skip


def test_without_an_estimate_it_is_part_of_a_loop():
    assert Restore(source="s", backdrop="b", matte="m").fuses({}, None)
    assert not Restore(source="s", backdrop="b", matte="m", edge_colour="estimate").fuses({}, None)
