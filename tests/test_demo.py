"""The demo's comp against the path-traced truth: set and lantern rendered together.

Two renders of the same truth with different seeds differ by their noise; a right comp may not differ from one of
them by much more than that. What is put aside, and how:

- **grain**: at the truth's frame the plate is replaced by the same render without grain;
- **the patch region**: pixels inside the patch's outline at that frame, grown by two pixels, are not compared;
- **lens softness**: there is none, all pictures were taken with a pinhole and the same pixel filter.

The measure is the mean over pixels and channels of ``|a − b| / ((a + b) / 2 + 0.01)``, in scene-linear light; the
hundredth keeps black corners, where everything is noise, from deciding.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Pillow

import stackcomp
from stackcomp.files import exr
from stackcomp.kernels.polygon import polygon_coverage

ROOT = Path(__file__).parents[1]
SHOTS = ("wide", "close", "lamp")
MOST = 1.05


def shot_variables(shot):
    """The variables of the shot's file."""
    return json.loads((ROOT / "demo_shot" / shot / "shot.json").read_text())


def read(path, encoding):
    graph = stackcomp.Graph(frames="1")
    graph.add("read", "file", path=str(path), encoding=encoding)
    graph.add("pick_channels", "picture", layers="file", as_="colour", alpha="none")
    return stackcomp.Composition(graph, root=ROOT).render("picture", 1)


def pixels(image):
    return np.stack([image.over(image.display)[c] for c in "RGB"], axis=-1).astype(np.float64)


def node_without_grain(shot, node="final", **changes):
    """A node's picture at the truth's frame, the plate without grain; fields of nodes changed as node__field."""
    variables = shot_variables(shot)
    graph = stackcomp.Graph.open(ROOT / "graphs/lantern.json")
    for name, value in changes.items():
        changed, field = name.split("__")
        graph.set(changed, **{field: value})
    comp = stackcomp.Composition(graph, root=ROOT, variables=variables)
    plate = read(ROOT / "demo_shot" / shot / "plate_nograin.exr", "ACEScct")
    return comp.render(node, variables["truth_frame"], replace={"plate_log": plate})


def truth(shot, which="a"):
    return pixels(read(ROOT / "demo_shot" / shot / f"truth_{which}.exr", "ACEScg"))


def matte_of(shot):
    graph = stackcomp.Graph.open(ROOT / "graphs/lantern.json")
    graph.add("pick_channels", "cord_alone", layers="cord", as_="matte", channels={"A": "matte"})
    comp = stackcomp.Composition(graph, root=ROOT, variables=shot_variables(shot))
    image = comp.render("cord_alone", shot_variables(shot)["truth_frame"])
    return image.over(image.display)["A"]


def relative(a, b):
    return np.abs(a - b) / ((a + b) / 2 + 0.01)


def outside_patch(shot):
    """Pixels that the patch does not touch at the truth's frame."""
    variables = shot_variables(shot)
    homography = np.reshape(dict(variables["bench"]["keys"])[variables["truth_frame"]], (3, 3))
    corners = np.array([[x, y, 1.0] for x, y in variables["patch_corners"]]) @ homography.T
    corners = corners[:, :2] / corners[:, 2:]
    away = corners - corners.mean(axis=0)
    grown = corners + 2 * away / np.linalg.norm(away, axis=1, keepdims=True)
    frame = stackcomp.Window.of_size(variables["width"], variables["height"])
    return polygon_coverage(grown, frame) == 0


@pytest.mark.parametrize("shot", SHOTS)
def test_the_comp_is_as_near_to_the_truth_as_another_truth(shot):
    kept = outside_patch(shot)
    assert 0.8 < kept.mean() < 1
    first, second = truth(shot, "a")[kept], truth(shot, "b")[kept]
    noise = relative(first, second).mean()
    error = relative(pixels(node_without_grain(shot))[kept], first).mean()
    assert error <= MOST * noise, f"{shot}: {error:.4%} against {noise:.4%} between the truths"


@pytest.mark.parametrize(
    "wrong",
    [
        {"shaded__density": 0},  # no shadow
        {"shaded__gamma": 2},  # the shadow laid on twice
        {"shaded__black": 0, "lifted__black": 0.05},  # a veil over the lantern
    ],
    ids=["no shadow", "shadow twice", "wrong black"],
)
def test_the_measure_finds_a_wrong_comp(wrong):
    """The same measure on a comp with one mistake must be above the limit that the right comp keeps."""
    kept = outside_patch("close")
    first, second = truth("close", "a")[kept], truth("close", "b")[kept]
    error = relative(pixels(node_without_grain("close", **wrong))[kept], first).mean()
    assert error > MOST * relative(first, second).mean()


def test_a_wrong_colour_space_does_not_even_run():
    wrong = {f"{name}__to": "Linear Rec.709 (sRGB)" for name in ("plate", "clean")}
    with pytest.raises(stackcomp.CheckError, match="put a convert_colour node"):
        node_without_grain("close", **wrong)


@pytest.mark.parametrize("shot", SHOTS)
def test_the_patch_removes_the_rig(shot):
    """Inside the patch the comp's bench has the truth's light, where the plate shows the rig."""
    inside = ~outside_patch(shot)
    first = truth(shot)

    def error(picture):
        # Over 4 × 4 pixels, so that what stays is the difference of surfaces and not of noise.
        return relative(_small(pixels(picture)), _small(first))[_small(inside[..., None])[..., 0] == 1].mean()

    assert error(node_without_grain(shot)) < 0.35 * error(node_without_grain(shot, "plate"))


def _small(array):
    height, width = (side // 4 * 4 for side in array.shape[:2])
    return array[:height, :width].reshape(height // 4, 4, width // 4, 4, -1).mean(axis=(1, 3))


@pytest.mark.parametrize("shot", ["wide", "close"])
def test_the_cord_hangs_in_front(shot):
    """Where the cord covers the lantern, the comp with the cord restored is nearer to the truth than without."""
    first = truth(shot)
    beauty = node_without_grain(shot, "beauty")
    lantern = beauty.over(beauty.display)["A"]
    cord = matte_of(shot)
    both = (cord > 0.5) & (lantern > 0.5)
    assert both.sum() > 20
    with_cord = relative(pixels(node_without_grain(shot))[both], first[both]).mean()
    without = relative(pixels(node_without_grain(shot, "lantern"))[both], first[both]).mean()
    assert with_cord < 0.5 * without


@pytest.mark.parametrize("shot", SHOTS)
def test_every_frame_checks_and_the_ids_cover_the_lantern(shot):
    """Coverages of the object ids add up to the beauty's alpha, as the open ID-matte specification asks."""
    comp = stackcomp.load(ROOT / "graphs/lantern.json", root=ROOT, variables=shot_variables(shot))
    # The shot's file serves the render script too, so it holds variables that the graph does not use.
    assert [problem.rule for problem in comp.check()] == ["variable-unused"]
    layers = comp.render("cg", shot_variables(shot)["truth_frame"])
    covered = sum(layers[f"CryptoObject0{rank}.{plane}"] for rank in (0, 1) for plane in "ga")
    assert np.abs(covered - layers["A"]).max() < 2e-3


@pytest.mark.parametrize("shot", SHOTS)
def test_the_delivered_stills_look_like_the_pictures_in_the_readme(shot, tmp_path):
    """The still that the README's first command delivers, against the demo's preview."""
    variables = {**shot_variables(shot), "out": str(tmp_path)}
    comp = stackcomp.load(ROOT / "graphs/lantern.json", root=ROOT, variables=variables)
    (path,) = comp.deliver([variables["truth_frame"]], nodes=["still"])
    with Pillow.open(path) as file:
        still = file.convert("RGB").resize((352, 198), Pillow.Resampling.BOX)
    with Pillow.open(ROOT / "demo_shot/preview.png") as file:
        left = SHOTS.index(shot) * (352 + 6)
        preview = file.convert("RGB").crop((left, 204, left + 352, 402))
    delivered, previewed = (np.asarray(picture, np.float64) for picture in (still, preview))
    # The preview keeps every third of 256 levels.
    assert np.abs(delivered - previewed).mean() < 1.5
    # Nearly black was a median of 9.
    assert np.median(delivered) > 35


def test_stops_for_looking_change_no_exr(tmp_path):
    comp = stackcomp.load(
        ROOT / "graphs/lantern.json", root=ROOT, variables={**shot_variables("lamp"), "out": str(tmp_path)}
    )
    (path,) = comp.deliver([1003], nodes=["out"])
    delivered = exr.read(path).planes["G"]
    expected = comp.render("finished", 1003)["G"].astype(np.float16).astype(np.float32)
    np.testing.assert_array_equal(delivered, expected)


def test_everything_together_is_small_enough_to_clone():
    total = sum(path.stat().st_size for path in (ROOT / "demo_shot").rglob("*") if path.is_file())
    assert total < 20e6
