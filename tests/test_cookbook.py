"""The cook-book: its commands run, its snippets stand in the graphs, its mistakes are found, its results are true.

What a comp is held against: the demo's path-traced truths, and the formulas of light computed in numpy from files
that an independent library (OpenImageIO) has read.
"""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import OpenImageIO
import pytest
from test_demo import matte_of, node_without_grain, outside_patch, pixels, read, relative, shot_variables, truth
from typer.testing import CliRunner

from stackcomp import Composition, Graph, Image, Matte
from stackcomp.cli.app import app
from stackcomp.errors import GraphError

ROOT = Path(__file__).parents[1]
GRAPHS = ROOT / "graphs"
TEXT = (GRAPHS / "README.md").read_text("utf-8")
RECIPES = {
    "rig_removed": "wide",
    "rig_by_track": "wide",
    "rig_by_camera": "close",
    "front_and_behind": "wide",
    "cord_by_shapes": "lamp",
    "lamp_isolated": "lamp",
    "evening_lens": "evening",
    "glass_by_id": "close",
    "shadow_stretched": "wide",
    "shadow_extended": "wide",
    "chart_to_comp": "wide",
}
#: Recipes with a file of their own, which one shot has.
OF_ONE_SHOT = {"rig_by_track", "cord_by_shapes", "evening_lens"}
#: What the measurements of the page find, to three digits; the page's own run is compared with it.
FOUND = {"gain": [0.791, 0.990, 1.374], "black": [0.0028, 0.0027, 0.0026]}


def sections():
    """Parts of the page by their titles."""
    titles = re.findall(r"^## (.+)$", TEXT, re.MULTILINE)
    return dict(zip(titles, re.split(r"^## .+$", TEXT, flags=re.MULTILINE)[1:], strict=True))


def section_of(graph):
    (found,) = [
        text for text in sections().values() if f" graphs/{graph}.json" in text and "**Usual mistakes.**" in text
    ]
    return found


COMMANDS = [line.strip() for line in TEXT.splitlines() if line.startswith("    stackcomp ")]
SNIPPETS = [
    (title, line.strip().rstrip(","))
    for title, text in sections().items()
    for line in text.splitlines()
    if line.startswith('    "')
]


def graph_of(name):
    return Graph.open(GRAPHS / f"{name}.json")


def composition(name, shot=None, **changes):
    """A recipe on the demo; fields of nodes changed as node__field, variables by their names."""
    graph, variables = graph_of(name), shot_variables(shot or RECIPES.get(name, "wide"))
    variables |= FOUND if name == "chart_to_comp" else {}
    for key, value in changes.items():
        node, _, field = key.partition("__")
        if field:
            graph.set(node, **{field: value})
        else:
            variables[key] = value
    used = graph.known_variables({})
    return Composition(graph, root=ROOT, variables={k: v for k, v in variables.items() if k in used})


def rendered(name, node, frame=1003, shot=None, grainless=True, **changes):
    shot = shot or RECIPES.get(name, "wide")
    comp = composition(name, shot, **changes)
    replace = None
    if grainless:
        replace = {"plate_log": read(ROOT / "demo_shot" / shot / "plate_nograin.exr", "ACEScct")}
    return comp.render(node, frame, replace=replace)


def noise(shot, kept):
    """The measure between two truths, which is the noise of both."""
    return relative(truth(shot, "a")[kept], truth(shot, "b")[kept]).mean()


def layer(shot, name, channels, frame=1003):
    """Channels of a file of the demo, by an independent reader."""
    buffer = OpenImageIO.ImageBuf(str(ROOT / "demo_shot" / shot / f"{name}.{frame}.exr"))
    names = list(buffer.spec().channelnames)
    got = buffer.get_pixels("float")
    return np.stack([got[..., names.index(channel)] for channel in channels], axis=-1).astype(np.float64)


# -- the page ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """The folder in which all commands of the page were run, but for the batch, with what they printed."""
    folder = tmp_path_factory.mktemp("cookbook")
    shutil.copytree(GRAPHS, folder / "graphs", ignore=shutil.ignore_patterns("kinds"))
    shutil.copytree(ROOT / "demo_shot", folder / "demo_shot", ignore=shutil.ignore_patterns("truth_*", "render"))
    printed = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for line in COMMANDS:
            if line == "stackcomp batch demo_shot/sequence.json":
                continue
            done = CliRunner().invoke(app, shlex.split(line)[1:], prog_name="stackcomp")
            assert done.exit_code == 0, f"{line}\n{done.output}"
            printed[line] = done.output
    return folder, printed


@pytest.mark.slow
def test_every_command_is_run(ran):
    _, printed = ran
    assert len(printed) == len(COMMANDS) - 1 == 21
    assert all(line.split()[1] in ("check", "dump", "render", "match", "track", "batch") for line in COMMANDS)


@pytest.mark.slow
def test_what_the_commands_write(ran):
    folder, printed = ran
    written = {str(path.relative_to(folder / "out")) for path in (folder / "out").rglob("*.*")}
    assert {
        "look/nodes.json",
        "rig/nodes.json",
        "demo_shot/wide/rig_removed.1001.exr",
        "demo_shot/wide/mended.1003.exr",
        "bench.json",
        "demo_shot/close/rig_by_camera.1001.exr",
        "demo_shot/lamp/cord_by_shapes.1003.png",
        "demo_shot/wide/by_holdout.1003.exr",
        "demo_shot/wide/by_restore.1003.exr",
        "demo_shot/lamp/lamp_isolated.1003.png",
        "dim.png",
        "demo_shot/evening/evening_lens.1002.exr",
        "demo_shot/close/glass_by_id.1003.exr",
        "demo_shot/wide/shadow_stretched.1003.exr",
        "demo_shot/wide/shadow_extended.1003.exr",
        "demo_shot/wide/chart_to_comp.1003.exr",
    } <= written
    assert any("no problems" in output for output in printed.values())


def test_the_findings_are_those_that_other_tests_use(ran):
    folder, _ = ran
    found = json.loads((folder / "found.json").read_text())
    np.testing.assert_allclose(found["gain"], FOUND["gain"], rtol=2e-3)
    np.testing.assert_allclose(found["black"], FOUND["black"], atol=1e-4)


@pytest.mark.slow
def test_the_batch(tmp_path):
    shutil.copytree(GRAPHS, tmp_path / "graphs", ignore=shutil.ignore_patterns("kinds"))
    shutil.copytree(ROOT / "demo_shot", tmp_path / "demo_shot", ignore=shutil.ignore_patterns("truth_*", "render"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        (line,) = [line for line in COMMANDS if line == "stackcomp batch demo_shot/sequence.json"]
        done = CliRunner().invoke(app, shlex.split(line)[1:], prog_name="stackcomp")
    assert done.exit_code == 0, done.output
    assert (tmp_path / "out/demo_shot/sequence.png").is_file()
    assert len(list((tmp_path / "out").rglob("*.*.exr"))) == 17


def test_every_graph_has_its_place_on_the_page():
    graphs = {path.name for path in GRAPHS.glob("*.json")}
    assert all(f"`{name}`" in TEXT for name in graphs)
    anchors = {re.sub(r"[^\w-]", "", title.lower().replace(" ", "-")) for title in sections()}
    assert set(re.findall(r"\]\(#([\w-]+)\)", TEXT)) == anchors
    for link in re.findall(r"\]\(([^#)]+)\)", TEXT):
        assert (GRAPHS / link).is_file(), link


@pytest.mark.parametrize(("title", "snippet"), SNIPPETS, ids=[text.split('"')[1] for _, text in SNIPPETS])
def test_a_snippet_stands_in_its_graph(title, snippet):
    """A node on the page is the node of the recipe's graph, but for its text."""
    ((name, node),) = json.loads(f"{{{snippet}}}").items()
    (graph,) = [recipe for recipe in RECIPES if section_of(recipe) == sections()[title]]
    there = {key: value for key, value in graph_of(graph).nodes[name].items() if key != "about"}
    assert node == there


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_is_explained_and_has_no_findings(name):
    raw = json.loads((GRAPHS / f"{name}.json").read_text("utf-8"))
    assert raw["about"]
    assert sum("about" in node for node in raw["nodes"].values()) >= 4
    section = section_of(name)
    for word in ("**Problem.**", "**Look at**", "**Usual mistakes.**"):
        assert word in section
    assert composition(name).check() == []
    for shot in () if name in OF_ONE_SHOT else ("wide", "close", "lamp"):
        assert composition(name, shot).check() == []


# -- the mistakes --------------------------------------------------------------------------------------------

MISTAKES = [
    # recipe, changes, finding
    ("rig_removed", {"mended__backdrop": "plate_log"}, "not-linear"),
    ("rig_removed", {"clean__to": "Linear Rec.709 (sRGB)"}, "two-spaces"),
    ("rig_removed", {"plate_log__path": "${shot}/plate.1003.exr"}, "frozen"),
    ("rig_removed", {"bench": [1, 0, 0, 0, 1, 0, 0, 0, 0]}, "value"),
    ("rig_by_track", {"mended__still_frame": 1010}, "track-frames"),
    ("rig_by_track", {"mended__points": ["chips"]}, "track-point"),
    ("rig_by_track", {"mended__homography": [1, 0, 0, 0, 1, 0, 0, 0, 1]}, "value"),
    ("rig_by_camera", {"mended__still_frame": 1010}, "camera-frames"),
    ("rig_by_camera", {"mended__plane": {"point": [0, 0, 9], "normal": [0, 0, 1]}}, "camera-plane"),
    ("rig_by_camera", {"mended__homography": [1, 0, 0, 0, 1, 0, 0, 0, 1]}, "value"),
    ("cord_by_shapes", {"cord__shapes": "${shot}/cords.json"}, "shapes-file"),
    ("cord_by_shapes", {"cord__only": ["chord"]}, "shapes-unknown"),
    ("cord_by_shapes", {"final__cover": "beauty"}, "wrong-kind"),
    ("front_and_behind", {"by_restore__backdrop": "by_holdout"}, "unused"),
    ("front_and_behind", {"held_out__matte": "cg"}, "file-into-port"),
    ("front_and_behind", {"beauty__alpha": "straight"}, "straight-alpha"),
    ("lamp_isolated", {"lamp__channels": {"R": "emission.r", "G": "emission.G", "B": "emission.B", "A": 0}},
     "channel-missing"),
    ("lamp_isolated", {"graded__image": "plate_log"}, "not-linear"),
    ("evening_lens", {"focus_distance": 1405.8}, "unit"),
    ("evening_lens", {"shadow__as_": "ratio"}, "wrong-kind"),
    ("evening_lens", {"shaded__backdrop": "plate_log"}, "not-linear"),
    ("evening_lens", {"set_depth__channels": {"Z": "set-depth.Z"}}, "channel-missing"),
    ("glass_by_id", {"glass__names": ["lantern_glas"]}, "object-unknown"),
    ("glass_by_id", {"glass__type": "CryptoMaterial"}, "ids-type"),
    ("glass_by_id", {"glass__layers": "beauty"}, "wrong-kind"),
    ("shadow_stretched", {"shaded__backdrop": "plate_log"}, "not-linear"),
    ("shadow_stretched", {"shadow__as_": "colour"}, "no-alpha"),
    ("shadow_stretched", {"turned__image": "shadow"}, "wrong-kind"),
    ("shadow_extended", {"shadow__as_": "colour"}, "no-alpha"),
    ("shadow_extended", {"longer__distance": None}, "value"),
    ("shadow_extended", {"final__edge_colour": "as_is"}, "value"),
    ("chart_to_comp", {"gain": "${nothing}"}, "variable-unknown"),
    ("chart_to_comp", {"gain": [0.8, 1]}, "value"),
    ("chart_to_comp", {"balanced__image": "plate_log"}, "not-linear"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "changes", "rule"), MISTAKES)
def test_a_usual_mistake_is_found(name, changes, rule):
    try:
        found = [problem.rule for problem in composition(name, **changes).check()]
    except GraphError as error:
        found = [problem.rule for problem in error.problems]
    assert rule in found


@pytest.mark.parametrize("name", RECIPES)
def test_the_page_names_the_findings(name):
    mistakes = section_of(name).split("**Usual mistakes.**")[1]
    named = set(re.findall(r":\s`([a-z-]+)`", mistakes))
    assert named == {rule for recipe, _, rule in MISTAKES if recipe == name}


def test_mistakes_of_a_sequence(tmp_path):
    shutil.copytree(ROOT / "demo_shot" / "wide", tmp_path / "demo_shot" / "wide")
    shutil.copytree(GRAPHS, tmp_path / "graphs", ignore=shutil.ignore_patterns("kinds"))
    sequence = json.loads((ROOT / "demo_shot" / "sequence.json").read_text())
    sequence["shots"] = {"wide": {**sequence["shots"]["wide"], "set": {"gamma": 2}}}
    path = tmp_path / "demo_shot" / "sequence.json"
    (tmp_path / "demo_shot" / "wide" / "cg.1004.exr").unlink()
    named = re.findall(r":\s`([a-z-]+)`", sections()["A whole sequence"])
    assert named == ["frame-missing", "set-parameter"]
    for rule, settings in zip(named, ({"shaded.gamma": 2}, {"gamma": 2}), strict=True):
        sequence["shots"]["wide"]["set"] = settings
        path.write_text(json.dumps(sequence))
        done = CliRunner().invoke(app, ["check", str(path), "--json"], prog_name="stackcomp")
        assert done.exit_code == 2
        assert f'"{rule}"' in done.stdout


# -- the pictures --------------------------------------------------------------------------------------------


def _blocks(array):
    """Means of 4 × 4 pixels, so that surfaces are compared and not their noise."""
    height, width = (side // 4 * 4 for side in array.shape[:2])
    return array[:height, :width].reshape(height // 4, 4, width // 4, 4, -1).mean(axis=(1, 3))


def test_the_rig_is_gone_and_the_lantern_stands_there():
    first, kept = truth("wide"), outside_patch("wide")
    final = pixels(rendered("rig_removed", "final"))
    assert relative(final[kept], first[kept]).mean() <= 1.05 * noise("wide", kept)
    inside = _blocks((~kept)[..., None].astype(float))[..., 0] == 1
    plate = pixels(rendered("rig_removed", "plate"))
    errors = [relative(_blocks(picture), _blocks(first))[inside].mean() for picture in (final, plate)]
    assert errors[0] < 0.35 * errors[1]


@pytest.mark.parametrize("frame", [1001, 1005])
def test_the_patch_follows_the_camera(frame):
    """In the margin around the rig, patch and plate show the same boards; without the homography they do not."""
    shot = shot_variables("close")
    homography = np.reshape(dict(shot["bench"]["keys"])[frame], (3, 3))
    corners = np.array(shot["patch_corners"])
    middle = corners.mean(axis=0)

    def covered(share):
        points = np.c_[middle + (corners - middle) * share, np.ones(4)] @ homography.T
        from stackcomp.kernels.polygon import polygon_coverage

        return polygon_coverage(points[:, :2] / points[:, 2:], image.display) > 0.5

    options = {"shot": "close", "grainless": False, "mended__feather": 0}
    image = rendered("rig_removed", "mended", frame, **options)
    margin = covered(0.98) & ~covered(0.9)
    plate = pixels(rendered("rig_removed", "plate", frame, **options))
    still = pixels(rendered("rig_removed", "mended", frame, **options, bench=np.eye(3).ravel().tolist()))
    followed, left = (relative(picture[margin], plate[margin]).mean() for picture in (pixels(image), still))
    assert followed < left


def test_holdout_and_restore_are_the_same_picture_and_near_the_truth():
    held, restored = (pixels(rendered("front_and_behind", node)) for node in ("by_holdout", "by_restore"))
    np.testing.assert_allclose(held, restored, rtol=1e-5, atol=1e-7)
    kept = outside_patch("wide")
    assert relative(restored[kept], truth("wide")[kept]).mean() <= 1.05 * noise("wide", kept)
    both = (matte_of("wide") > 0.5) & (layer("wide", "cg", "A")[..., 0] > 0.5)
    assert both.sum() > 20
    covered = pixels(rendered("front_and_behind", "covered"))
    first = truth("wide")
    errors = [relative(picture[both], first[both]).mean() for picture in (restored, covered)]
    assert errors[0] < 0.5 * errors[1]


def test_cut_twice_soft_edges_are_wrong():
    """Both ways at once differ where the cord covers a part of a pixel, and only there."""
    right = pixels(rendered("front_and_behind", "by_restore"))
    twice = pixels(rendered("front_and_behind", "by_restore", by_restore__backdrop="by_holdout"))
    cord = matte_of("wide")
    off = np.abs(twice - right).max(axis=-1)
    assert off[(cord == 0) | (cord == 1)].max() < 1e-5
    assert off[(cord > 0.2) & (cord < 0.8)].max() > 0.01


def test_the_lamp_is_taken_out_and_graded_alone():
    emission = layer("lamp", "cg", ["emission.R", "emission.G", "emission.B"])
    beauty = layer("lamp", "cg", "RGB")
    unlit = pixels(rendered("lamp_isolated", "unlit"))
    np.testing.assert_allclose(unlit, beauty - emission, atol=1e-6)
    assert unlit.min() > -1e-6
    gain = np.array(graph_of("lamp_isolated").variables["lamp_gain"])
    neutral = pixels(rendered("lamp_isolated", "comp", lamp_gain=[1, 1, 1]))
    graded = pixels(rendered("lamp_isolated", "comp"))
    visible = 1 - matte_of("lamp")[..., None]
    np.testing.assert_allclose(graded - neutral, emission * (gain - 1) * visible, atol=2e-5)


def test_with_a_neutral_gain_the_lamp_is_as_in_the_truth():
    kept = outside_patch("lamp")
    comp = pixels(rendered("lamp_isolated", "comp", lamp_gain=[1, 1, 1]))
    usual = pixels(node_without_grain("lamp", "final"))
    np.testing.assert_allclose(comp, usual, rtol=1e-4, atol=1e-5)
    assert relative(comp[kept], truth("lamp")[kept]).mean() <= 1.05 * noise("lamp", kept)


def test_the_glow_is_of_the_lamp_alone():
    shine = pixels(rendered("lamp_isolated", "shine"))
    dark = pixels(rendered("lamp_isolated", "shine", lamp_gain=[0, 0, 0]))
    assert shine.max() > 0.01
    assert not dark.any()


def test_the_shadow_is_deeper_by_its_exponent_within_the_shadow():
    ratio = layer("wide", "cg", ["shadow.R", "shadow.G", "shadow.B"])
    black, gamma = 0.002, graph_of("shadow_stretched").variables["more_gamma"]
    shaded, deeper = (pixels(rendered("shadow_stretched", node)) for node in ("shaded", "deeper"))
    share = rendered("shadow_stretched", "clean_cast")
    share = share.over(share.display)["A"][..., None].astype(np.float64)
    expected = shaded + share * ((shaded - black) * (ratio**gamma - 1))
    np.testing.assert_allclose(deeper, expected, rtol=1e-4, atol=1e-5)
    core = (share[..., 0] > 0.5) & (ratio.max(axis=-1) > 0.05)
    assert core.sum() > 100
    assert (deeper[core] / shaded[core]).mean() < 0.75


def test_the_wider_shadow_lies_on_the_bench_alone():
    names = ("deeper", "stretched", "mended")
    deeper, stretched, mended = (pixels(rendered("shadow_stretched", node)) for node in names)
    x, y = graph_of("shadow_stretched").variables["bench_corner"]
    box = np.zeros(deeper.shape[:2], bool)
    box[y - 10 :, x - 10 :] = True  # the feather's reach
    np.testing.assert_allclose(stretched[~box], deeper[~box], rtol=1e-5, atol=1e-6)
    assert (stretched <= deeper + 1e-6).all()
    darkened = (deeper - stretched).max(axis=-1) > 0.05 * mended.max(axis=-1)
    assert 500 < darkened.sum() < 8000


def test_without_its_additions_the_shadow_is_the_truths():
    kept = outside_patch("wide")
    plain = {"deeper__amount": 0, "stretched__amount": 0}
    final = pixels(rendered("shadow_stretched", "final", **plain))
    assert relative(final[kept], truth("wide")[kept]).mean() <= 1.05 * noise("wide", kept)


def test_the_gain_of_the_card_corrects_the_comp():
    kept = outside_patch("wide")
    first = truth("wide")
    black = shot_variables("wide")["black_lift"]
    covered = kept & (layer("wide", "cg", "A")[..., 0] > 0.9)
    balanced = pixels(rendered("chart_to_comp", "final", black=black))
    uncorrected = pixels(rendered("chart_to_comp", "final", black=black, gain=[1, 1, 1]))
    assert relative(balanced[kept], first[kept]).mean() <= 1.05 * noise("wide", kept)
    # The lantern's mean colour, against the truth's.
    means = [picture[covered].mean(axis=0) / first[covered].mean(axis=0) for picture in (balanced, uncorrected)]
    np.testing.assert_allclose(means[0], 1, atol=0.02)
    assert np.abs(means[1] - 1).max() > 0.15


def test_a_picture_of_another_type_can_stand_in():
    """The graphs are made to be adapted: a matte of one's own in the place of the cord's file."""
    nothing = Image.from_array(np.zeros((288, 512)), type=Matte())
    comp = composition("front_and_behind")
    without, covered = (comp.render(node, 1003, replace={"cord": nothing}) for node in ("by_restore", "covered"))
    np.testing.assert_array_equal(without.to_array(), covered.to_array())
