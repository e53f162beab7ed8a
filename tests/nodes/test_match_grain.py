"""match_grain: how much noise lands where, edges, frames, previews; and what it must not change."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, stats

from stackcomp import Colour, Composition, DocumentError, Encoding, Graph, Image, Matte, StackcompWarning, Window
from stackcomp.files.grain_file import GrainFile, write_grain

ACESCG = Encoding("ACEScg", "scene-linear")
FLOOR, SLOPE = (0.004, 0.003, 0.006), (4e-4, 2e-4, 6e-4)
NUMBERS = {"grain_floor": FLOOR, "grain_slope": SLOPE}
HEIGHT, WIDTH = 192, 256


def picture(colour, alpha=None, shape=(HEIGHT, WIDTH)):
    """Colour, each channel a number or a plane; with alpha premultiplied already."""
    planes = dict(zip("RGB", colour, strict=True)) | ({} if alpha is None else {"A": alpha})
    planes = {name: np.broadcast_to(np.float32(plane), shape).copy() for name, plane in planes.items()}
    window = Window.of_size(shape[1], shape[0])
    return Image(planes, window, window, Colour("none" if alpha is None else "premultiplied", ACESCG))


def matte_of(cover):
    window = Window.of_size(WIDTH, HEIGHT)
    planes = {"A": np.broadcast_to(np.float32(cover), (HEIGHT, WIDTH)).copy()}
    return Image(planes, window, window, Matte())


def grained(image, frame=1, root=".", matte=None, scale=1.0, **fields):
    graph, given = Graph(frames="1-9"), {"cg": image}
    graph.add("flat", "cg", size=[WIDTH, HEIGHT])
    if matte is not None:
        given["matte"] = matte
        graph.add("flat", "matte", size=[WIDTH, HEIGHT])
        fields["matte"] = "matte"
    graph.add("match_grain", "it", image="cg", **fields)
    return Composition(graph, root=root).render("it", frame, replace=given, scale=scale)


def deviation(level, k=0):
    return np.sqrt(FLOOR[k] ** 2 + SLOPE[k] * np.maximum(level, 0))


@pytest.mark.parametrize("level", [0.0, 0.18, 4.0])
def test_the_deviation_at_a_level(level):
    got = grained(picture((level, level, level)), **NUMBERS)
    for k, name in enumerate("RGB"):
        # Of 49,152 pixels it is known to a third of a per cent.
        assert got[name].std() == pytest.approx(deviation(level, k), rel=0.015)
        assert got[name].mean() == pytest.approx(level, abs=5 * deviation(level, k) / 220)
    if level == 0:
        assert (got["R"] < 0).mean() == pytest.approx(0.5, abs=0.02)


def test_black_of_the_plate_and_strength():
    got = grained(picture((0.5, 0.5, 0.5)), **NUMBERS, black=[0.1, 0.1, 0.1], strength=2)
    assert got["R"].std() == pytest.approx(2 * deviation(0.4), rel=0.015)
    same = grained(picture((0.5, 0.5, 0.5)), **NUMBERS, strength=0)
    assert (same["G"] == np.float32(0.5)).all()


def test_a_soft_edge_over_a_plate_is_as_noisy_as_both_sides():
    """From no coverage to all of it: CG with noise over a plate with noise, of one level; the variance is even."""
    level, cover = 0.3, np.linspace(0, 1, WIDTH, dtype=np.float32)
    for use in ("layer", "finished comp"):
        plate = grained(picture((level,) * 3), **NUMBERS, seed=77)["R"]
        if use == "layer":
            layer = grained(picture((level * cover,) * 3, cover), **NUMBERS)
            assert np.array_equal(layer["A"], np.broadcast_to(cover, layer["A"].shape))
            comp = layer["R"] + plate * (1 - cover)
        else:
            bare = level * cover + plate * (1 - cover)
            comp = grained(picture((bare,) * 3), matte=matte_of(cover), **NUMBERS)["R"]
        got = (comp - level).reshape(HEIGHT, 16, -1).std(axis=(0, 2)) / deviation(level)
        # 3072 pixels a band: 1.3 %.
        np.testing.assert_allclose(got, 1, atol=0.065)


def test_light_without_coverage_and_alpha_stay_to_the_bit():
    draw = np.random.default_rng(1)
    light, alpha = draw.random((HEIGHT, WIDTH), np.float32), draw.random((HEIGHT, WIDTH), np.float32)
    alpha[:40] = 0
    given = picture((light, light, light), alpha)
    got = grained(given, **NUMBERS)
    assert np.array_equal(got["A"], alpha)
    assert np.array_equal(got["R"][:40], light[:40])
    assert (got["R"][40:] != light[40:]).mean() > 0.99
    # And where the matte is 0, in a finished comp.
    covered = np.zeros((HEIGHT, WIDTH), np.float32)
    covered[:, 100:] = 1
    got = grained(picture((light, light, light)), matte=matte_of(covered), **NUMBERS)
    assert np.array_equal(got["B"][:, :100], light[:, :100])


def test_other_frames_seeds_and_channels_have_other_noise_and_the_same_have_the_same():
    flat = picture((0.5, 0.5, 0.5))
    one = grained(flat, 1, **NUMBERS)["R"] - 0.5
    assert np.array_equal(one, grained(flat, 1, **NUMBERS)["R"] - 0.5)
    others = [grained(flat, 2, **NUMBERS)["R"], grained(flat, 1, **NUMBERS, seed=1)["R"],
              grained(flat, 1, **NUMBERS)["G"]]  # fmt: skip
    for other in others:
        assert abs(np.corrcoef(one.ravel(), other.ravel())[0, 1]) < 5 / np.sqrt(one.size)


def test_frames_of_a_sequence_are_not_taken_for_one_picture(tmp_path):
    """A still under noise: what is the same at every frame is computed once, and this is not."""
    from stackcomp.files import exr

    window = Window.of_size(64, 48)
    still = {name: np.full(window.shape, 0.5, np.float32) for name in "RGB"}
    exr.write(tmp_path / "still.exr", still, window=window, display=window, pixel_type="float")
    graph = Graph(frames="1-3")
    graph.add("read", "still", path="still.exr", encoding="ACEScg")
    graph.add("pick_channels", "cg", layers="still", as_="colour", alpha="none")
    graph.add("match_grain", "it", image="cg", **NUMBERS)
    graph.add("deliver", "out", image="it", path="out.{frame}.exr")
    Composition(graph, root=tmp_path).deliver()
    frames = [exr.read(tmp_path / f"out.{frame}.exr").planes["R"] for frame in (1, 2, 3)]
    assert not np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[1], frames[2])


def test_a_preview_has_what_is_left_when_pixels_are_averaged():
    flat = picture((0.5, 0.5, 0.5))
    for size in (0.0, 0.9):
        full = grained(flat, **NUMBERS, grain_size=[size] * 3)["R"] - 0.5
        small = grained(flat, **NUMBERS, grain_size=[size] * 3, scale=0.5)["R"] - 0.5
        averaged = full.reshape(HEIGHT // 2, 2, WIDTH // 2, 2).mean(axis=(1, 3))
        assert small.std() == pytest.approx(averaged.std(), rel=0.03)
        beside = [np.mean(one[:, 1:] * one[:, :-1]) / one.var() for one in (small, averaged)]
        assert beside[0] == pytest.approx(beside[1], abs=0.04)


def test_size_softens_and_keeps_the_deviation():
    got = grained(picture((0.18,) * 3), **NUMBERS, grain_size=[0, 0.7, 1.5])
    for k, (name, size) in enumerate(zip("RGB", (0, 0.7, 1.5), strict=True)):
        noise = got[name] - np.float32(0.18)
        assert noise.std() == pytest.approx(deviation(0.18, k), rel=0.04)
        if size:
            # By scipy: independent numbers that a Gaussian softens.
            soft = ndimage.gaussian_filter(np.random.default_rng(1).normal(size=(600, 600)), size, mode="wrap")
            expected = np.mean(soft[:, 1:] * soft[:, :-1]) / soft.var()
            assert np.mean(noise[:, 1:] * noise[:, :-1]) / noise.var() == pytest.approx(expected, abs=0.03)


def test_numbers_that_are_not_finite_and_below_black():
    light = np.full((HEIGHT, WIDTH), 0.5, np.float32)
    light[0, :3], light[1] = (np.nan, np.inf, -np.inf), -0.25
    with pytest.warns(StackcompWarning, match="9 values"):
        got = grained(picture((light,) * 3), **NUMBERS)["R"]
    assert np.isfinite(got).all()
    assert got[1].std() == pytest.approx(FLOOR[0], rel=0.2)
    # What was not a number counts as black.
    assert (np.abs(got[0, :3]) < 6 * FLOOR[0]).all()


def test_a_grain_file_with_a_table(tmp_path):
    table = dict.fromkeys("RGB", ((0.1, 0.02), (0.5, 0.05), (1.0, 0.03)))
    near = dict.fromkeys("RGB", ((0.2, 1, 0.2), (0, 0.3, 0)))
    alike = ((1, 0.6, 0), (0.6, 1, 0), (0, 0, 1))
    write_grain(
        tmp_path / "grain.json",
        GrainFile(version=1, space="ACEScg", floor=(9,) * 3, slope=(9,) * 3, levels=table, correlation=alike,
                  autocorrelation=near),
    )  # fmt: skip
    for level, expected in ((0.05, 0.02), (0.3, np.sqrt((0.02**2 + 0.05**2) / 2)), (1.0, 0.03)):
        got = grained(picture((level,) * 3), root=tmp_path, file="grain.json")
        assert got["R"].std() == pytest.approx(expected, rel=0.02)
    noise = got["R"] - got["R"].mean()
    assert np.mean(noise[:, 1:] * noise[:, :-1]) / noise.var() == pytest.approx(0.2, abs=0.03)
    assert np.mean(noise[1:] * noise[:-1]) / noise.var() == pytest.approx(0.3, abs=0.03)
    assert np.corrcoef(noise.ravel(), got["G"].ravel())[0, 1] == pytest.approx(0.6, abs=0.03)


def test_it_is_normal():
    got = grained(picture((0.18,) * 3), **NUMBERS)["G"].ravel()
    assert stats.kstest((got - 0.18) / deviation(0.18, 1), "norm").pvalue > 1e-3


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({}, 'has neither of "file" and "grain_floor"'),
        ({"file": "grain.json", "grain_floor": [0, 0, 0]}, 'has both of "file" and "grain_floor"'),
        ({"file": "grain.json", "grain_size": [1, 1, 1]}, 'has "grain_size" beside a "file"'),
        ({"file": " "}, 'has a "file" without a name'),
    ],
)
def test_fields_that_do_not_go_together(fields, words):
    graph = Graph()
    graph.add("flat", "cg", size=[8, 8])
    with pytest.raises(DocumentError, match=words):
        graph.add("match_grain", "it", image="cg", **fields)
