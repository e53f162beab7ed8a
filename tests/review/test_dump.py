"""Dumps: every node as files, and a report about them."""

from __future__ import annotations

import json
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from stackcomp import CheckError, Composition, FileError, Graph, RequestError, Window
from stackcomp.files import exr, stills
from stackcomp.files.viewable import viewable
from stackcomp.review.dump import dump
from stackcomp.version import __version__

ID = 0x7F800123  # a signalling NaN as a float: any arithmetic on it would change it
SIZE = (20, 12)


@pytest.fixture
def shot(tmp_path) -> Path:
    """A file with colour, ids and a value that is not finite; its data window is not its frame."""
    window, display = Window(-2, 1, 18, 13), Window.of_size(*SIZE)
    shape = window.shape
    alpha = np.linspace(0, 1, shape[0] * shape[1], dtype=np.float32).reshape(shape)
    red = alpha * np.float32(0.7)
    red[3, 4] = np.inf
    ids = np.where(alpha > 0.5, np.uint32(ID), np.uint32(0))
    planes = {"R": red, "G": alpha * np.float32(0.4), "B": alpha * np.float32(0.1), "A": alpha,
              "id.id0": ids.view(np.float32), "id.cover0": alpha, "Z": alpha * 4}  # fmt: skip
    exr.write(tmp_path / "cg.0007.exr", planes, window=window, display=display, pixel_type="float",
              bits_as_float=["id.id0"])  # fmt: skip
    return tmp_path


@pytest.fixture
def graph() -> Graph:
    graph = Graph(about="invented", frames="7")
    cg = graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="ACEScg")
    colour = graph.add("pick_channels", "colour", layers=cg, as_="colour")
    graph.add("pick_channels", "ids", layers=cg, as_="ids", channels={"id0": "id.id0", "cover0": "id.cover0"})
    graph.add("pick_channels", "depth", layers=cg, as_="depth")
    flat = graph.add("flat", "<script>", size=list(SIZE), colour=0.18)
    over = graph.add("over", "a/b", source=colour, backdrop=flat)
    graded = graph.add("exposure", "a_b", image=over, stops={"keys": [[1, 0], [13, 2]], "between": "linear"})
    glow = graph.add("glow", "licht", image=graded, radius=2, amount=0.5, about="soft")
    graph.add("deliver", "out", image=glow, path="out.{frame}.exr")
    return graph


@pytest.fixture
def composition(shot, graph) -> Composition:
    return Composition(graph, root=shot)


def report_of(folder: Path) -> dict:
    return json.loads((folder / "nodes.json").read_text(encoding="utf-8"))


def test_everything_is_there(shot, composition):
    done = dump(composition, 7, shot / "d")
    report = report_of(shot / "d")
    assert done.complete
    assert done.data == report
    assert (report["program"], report["frame"], report["scale"]) == (f"stackcomp {__version__}", 7, 1.0)
    assert (report["about"], report["working_space"], report["failed"]) == ("invented", "ACEScg", None)
    assert [node["name"] for node in report["nodes"]] == composition.nodes
    assert all(node["state"] == "done" for node in report["nodes"])
    listed = {name for node in report["nodes"] for name in node["files"].values()}
    assert {path.name for path in (shot / "d").iterdir()} == listed | {"nodes.json"}
    assert {"_script_.exr", "a_b.exr", "a_b-2.exr"} <= listed


def test_files_hold_what_the_nodes_give(shot, composition):
    oiio = pytest.importorskip("OpenImageIO")
    nodes = dump(composition, 7, shot / "d", warn=lambda *_: None).nodes
    for result in composition.results(composition.nodes, 7, warn=lambda *_: None):
        name, image = result.node, result.image
        picture = oiio.ImageBuf(str(shot / "d" / nodes[name]["files"]["exr"]))
        spec = picture.spec()
        assert spec.format == "float"
        assert Window(spec.x, spec.y, spec.x + spec.width, spec.y + spec.height) == image.window
        assert (spec.full_width, spec.full_height) == (image.display.width, image.display.height)
        pixels = picture.get_pixels(oiio.FLOAT)
        assert set(spec.channelnames) == set(image)
        for k, channel in enumerate(spec.channelnames):
            plane = np.ascontiguousarray(pixels[..., k])
            same_bits = name in ("cg", "ids")
            if same_bits:
                np.testing.assert_array_equal(plane.view(np.uint32), image[channel].view(np.uint32))
            else:
                # One loop for several nodes may round otherwise than one loop a node.
                np.testing.assert_allclose(plane, image[channel], rtol=1e-6, atol=1e-7)
        shown = stills.read(shot / "d" / nodes[name]["files"]["png"]).pixels * 255
        np.testing.assert_allclose(shown, viewable(image), atol=1)


def test_what_the_report_says_of_a_node(shot, composition):
    nodes = dump(composition, 7, shot / "d").nodes
    cg = nodes["cg"]
    assert cg["size"] == [20, 12]
    assert cg["data_window"] == {"x": -2, "y": 1, "width": 20, "height": 12}
    assert cg["display_window"] == {"x": 0, "y": 0, "width": 20, "height": 12}
    assert cg["channels"]["R"]["non_finite"] == 1
    assert cg["channels"]["A"] == {"min": 0.0, "max": 1.0, "mean": pytest.approx(0.5), "non_finite": 0}
    assert cg["type"]["text"] == "layers of a file (7 channels)"
    assert any("were repaired: 1 in R" in text for text in cg["warnings"])
    assert nodes["colour"]["channels"]["R"]["non_finite"] == 0
    assert nodes["ids"]["channels"]["id0"]["max"] == ID
    assert nodes["a_b"]["parameters"] == {"amount": 1.0, "stops": 1.0}
    assert nodes["a_b"]["inputs"] == {"image": "a/b"}
    assert nodes["licht"]["about"] == "soft"
    assert nodes["licht"]["parameters"]["radius"] == 2.0
    assert nodes["colour"]["input_types"] == {"layers": "layers of a file (7 channels)"}
    assert nodes["depth"]["warnings"] == [
        "no deliver node depends on it, so it is not rendered — connect it, or remove it"
    ]
    assert all(node["seconds"] > 0 for node in nodes.values())


def test_time_of_a_limited_area_node_holds_all_of_its_work(shot, composition):
    """Its mixing with the input is a step of its own, and by far the shorter one."""
    from stackcomp.nodes.glow import Glow

    compute, slept = Glow.compute, 0.05

    def slow(self, *arguments):
        import time

        time.sleep(slept)
        return compute(self, *arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Glow, "compute", slow)
        nodes = dump(composition, 7, shot / "d").nodes
    assert nodes["licht"]["seconds"] >= slept


def test_some_nodes_at_a_scale(shot, composition):
    seen = []
    done = dump(composition, 7, shot / "d", nodes=["licht", "a/b"], scale=0.5, finished=seen.append)
    assert list(done.nodes) == ["a/b", "licht"]
    assert seen == ["a/b", "licht"]
    assert done.nodes["licht"]["size"] == [10, 6]
    assert done.nodes["licht"]["parameters"]["radius"] == 2.0
    assert not (shot / "d/cg.exr").exists()


def test_a_failure_ends_it_and_is_told(shot, composition, monkeypatch):
    from stackcomp.nodes.glow import Glow

    def fail(self, *_):
        raise FileError("lens.exr", "the lens is gone")

    monkeypatch.setattr(Glow, "compute", fail)
    done = dump(composition, 7, shot / "d")
    report = report_of(shot / "d")
    assert not done.complete
    assert report["failed"] == {"node": "licht", "reason": "lens.exr: the lens is gone"}
    states = {node["name"]: node["state"] for node in report["nodes"]}
    assert states.pop("licht") == "failed"
    assert states.pop("out") == "missing"
    assert set(states.values()) == {"done"}
    assert "files" not in done.nodes["licht"]
    assert not (shot / "d/licht.exr").exists()


def test_a_disk_that_fails_is_told(shot, composition):
    folder = shot / "d"
    (folder / "colour.exr").mkdir(parents=True)
    done = dump(composition, 7, folder)
    assert done.failed is not None
    assert done.failed["node"] == "colour"
    assert "it is a folder" in done.failed["reason"]
    assert done.nodes["cg"]["state"] == "done"


def test_all_problems_and_nothing_written(shot, graph):
    graph.add("over", "wrong", source="<script>", backdrop="nobody")
    graph.add("exposure", "worse", image="depth")
    with pytest.raises(CheckError) as refused:
        dump(Composition(graph, root=shot), 7, shot / "d")
    assert {problem.node for problem in refused.value.problems} == {"wrong", "worse"}
    assert not (shot / "d").exists()


def test_originals_stay(shot, graph, composition):
    before = (shot / "cg.0007.exr").read_bytes()
    graph.add("read", "still", path="still.exr", encoding="ACEScg")
    (shot / "still.exr").write_bytes(before)
    with pytest.raises(RequestError, match="originals are never overwritten"):
        dump(Composition(graph, root=shot), 7, shot)
    assert (shot / "still.exr").read_bytes() == before
    assert not (shot / "nodes.json").exists()

    graph.save(shot / "g" / "nodes.json")
    with pytest.raises(RequestError, match="over the graph itself"):
        dump(Composition(Graph.open(shot / "g/nodes.json"), root=shot), 7, shot / "g")

    (shot / "other").mkdir()
    (shot / "other/nodes.json").write_text('["mine"]')
    with pytest.raises(RequestError, match="which stackcomp did not write"):
        dump(composition, 7, shot / "other")
    assert list((shot / "other").iterdir()) == [shot / "other/nodes.json"]


def names_in(folder):
    return {path.name for path in folder.iterdir()}


def test_a_second_dump_takes_the_place_of_the_first(shot, composition):
    first = dump(composition, 7, shot / "d")
    done = dump(composition, 7, shot / "d", nodes=["cg"])
    assert report_of(shot / "d") == done.data
    assert list(done.nodes) == ["cg"]
    assert len(first.nodes) > 1
    assert names_in(shot / "d") == {"cg.exr", "cg.png", "nodes.json"}


def test_only_what_an_older_dump_wrote_is_removed(shot, composition):
    folder = shot / "d"
    dump(composition, 7, folder)
    report = report_of(folder)
    # Of a dump by its mark, but in another folder: no list leads there.
    (shot / "outside.exr").write_bytes((folder / "colour.exr").read_bytes())
    for name in ("d/kept.exr", "d/notes.txt", "d/mine.png"):
        (shot / name).write_bytes((shot / "cg.0007.exr").read_bytes())
    # Not listed, though it looks like it; listed, but drawn by somebody since; listed, but a link by now.
    (folder / "copy.exr").write_bytes((folder / "colour.exr").read_bytes())
    (folder / "colour.png").write_bytes(b"mine")
    (folder / "depth.exr").unlink()
    (folder / "depth.exr").symlink_to("copy.exr")
    for listed in ("kept.exr", "../outside.exr", str(shot / "outside.exr"), "notes.txt", "..", "", "mine.png", 7):
        report["nodes"].append({"files": {"exr": listed}})
    (folder / "nodes.json").write_text(json.dumps(report))
    dump(composition, 7, folder, nodes=["cg"])
    left = {
        "cg.exr",
        "cg.png",
        "nodes.json",
        "kept.exr",
        "notes.txt",
        "mine.png",
        "copy.exr",
        "colour.png",
        "depth.exr",
    }
    assert names_in(folder) == left
    assert (folder / "colour.png").read_bytes() == b"mine"
    assert (shot / "outside.exr").exists()


def test_a_damaged_report_leaves_everything(shot, composition):
    dump(composition, 7, shot / "d")
    before = {path.name: path.read_bytes() for path in (shot / "d").iterdir()}
    before["nodes.json"] = before["nodes.json"][:-30]
    (shot / "d/nodes.json").write_bytes(before["nodes.json"])
    with pytest.raises(RequestError, match=r"nodes\.json, which stackcomp did not write"):
        dump(composition, 7, shot / "d", nodes=["cg"])
    assert {path.name: path.read_bytes() for path in (shot / "d").iterdir()} == before
    for report in ('{"dump": 1, "program": "stackcomp 1", "nodes": [3]}', '{"dump": 1, "program": "stackcomp 1"}'):
        (shot / "d/nodes.json").write_text(report)
        dump(composition, 7, shot / "d", nodes=["cg"])
        assert names_in(shot / "d") == set(before)


def test_a_dump_that_fails_leaves_nothing_of_the_older_one(shot, composition, monkeypatch):
    from stackcomp.nodes.glow import Glow

    dump(composition, 7, shot / "d")
    monkeypatch.setattr(Glow, "compute", lambda *_: 1 / 0)
    done = dump(composition, 7, shot / "d")
    listed = {name for node in done.nodes.values() for name in node.get("files", {}).values()}
    assert done.failed == {"node": "licht", "reason": "bug in stackcomp: ZeroDivisionError: division by zero"}
    assert listed
    assert names_in(shot / "d") == listed | {"nodes.json"}


def test_half_a_node_is_not_left(shot, composition):
    """The picture to look at cannot be written; the planes beside it would be listed nowhere."""
    (shot / "d/colour.png").mkdir(parents=True)
    done = dump(composition, 7, shot / "d")
    assert done.failed["node"] == "colour"
    assert not (shot / "d/colour.exr").exists()


def test_nobody_finds_a_report_of_a_dump_that_was_stopped(shot, composition):
    dump(composition, 7, shot / "d")

    def stop(node):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        dump(composition, 7, shot / "d", nodes=["<script>", "a/b"], finished=stop)
    assert not (shot / "d/nodes.json").exists()
    assert json.loads((shot / "d/nodes.unfinished.json").read_text())["complete"] is False
    # The next one clears up after both.
    dump(composition, 7, shot / "d", nodes=["cg"])
    assert names_in(shot / "d") == {"cg.exr", "cg.png", "nodes.json"}


def test_a_name_in_other_capitals_is_no_older_file(shot, composition, monkeypatch):
    """On a file system without capitals "CG.exr" is "cg.exr", and was written just now."""
    dump(composition, 7, shot / "d", nodes=["cg"])
    report = report_of(shot / "d")
    report["nodes"][0]["files"] = {"exr": "CG.exr", "png": "CG.png"}
    (shot / "d/nodes.json").write_text(json.dumps(report))
    from stackcomp.review import dump as module

    finish = module._Dump._clear_up

    def clear_up(self):
        for ending in ("exr", "png"):
            (shot / f"d/CG.{ending}").hardlink_to(shot / f"d/cg.{ending}")
        finish(self)

    monkeypatch.setattr(module._Dump, "_clear_up", clear_up)
    dump(composition, 7, shot / "d", nodes=["cg"])
    assert (shot / "d/CG.exr").exists()


@pytest.mark.slow
def test_pictures_are_dropped_one_by_one(tmp_path):
    """Twenty nodes in a row cost no more memory than six."""

    def peak(count: int) -> int:
        graph = Graph()
        name = graph.add("flat", size=[400, 300])
        for k in range(count):
            name = graph.add("exposure", image=name, stops=0.01 * k)
        composition = Composition(graph)
        tracemalloc.start()
        dump(composition, 1, tmp_path / str(count))
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    dump(Composition(_one(400, 300)), 1, tmp_path / "first")  # what is loaded only once
    few, many = peak(5), peak(19)
    picture = 400 * 300 * 4 * 4
    assert many < few + 2 * picture


def _one(width: int, height: int) -> Graph:
    graph = Graph()
    graph.add("exposure", image=graph.add("flat", size=[width, height]))
    return graph


def test_stops_for_looking_brighten_the_pngs_alone(composition, shot):
    plain, bright = dump(composition, 7, shot / "plain"), dump(composition, 7, shot / "bright", viewing_stops=3)
    assert (plain.data["viewing_stops"], bright.data["viewing_stops"]) == (0, 3)
    for name, entry in bright.nodes.items():
        before, after = (
            [folder / entry["files"][kind] for folder in (shot / "plain", shot / "bright")]
            for kind in ("exr", "png")
        )
        assert before[0].read_bytes() == before[1].read_bytes()
        (result,) = composition.results([name], 7, warn=lambda node, message: None)
        colour = name in ("cg", "colour", "<script>", "a/b", "a_b", "licht", "out")
        np.testing.assert_array_equal(np.rint(255 * stills.read(after[1]).pixels), viewable(result.image, stops=3))
        changed = not np.array_equal(stills.read(after[0]).pixels, stills.read(after[1]).pixels)
        assert changed == colour, name


@pytest.mark.parametrize("stops", [None, "3", float("nan"), 31, True])
def test_stops_that_are_none(composition, shot, stops):
    with pytest.raises(RequestError, match="is not a number of stops"):
        dump(composition, 7, shot / "look", viewing_stops=stops)
    assert not (shot / "look").exists()


@pytest.mark.parametrize(
    ("data", "names"),
    [
        ({"files": ["a.exr", "b.png", "c.txt", "x/d.exr", 3, None]}, {"a.exr", "b.png"}),
        ({"nodes": [{"files": {"exr": "a.exr", "png": ["b.png"]}}, {"files": 3}, 4, {}]}, {"a.exr"}),
        ({"files": "a.exr", "nodes": {"files": {"exr": "b.exr"}}}, set()),
        ({"files": None, "nodes": None}, set()),
    ],
)
def test_a_report_that_somebody_edited_lists_only_names(tmp_path, data, names):
    from stackcomp.files import mark as marks
    from stackcomp.review.dump import _listed

    report = tmp_path / "nodes.json"
    report.write_text(json.dumps({"dump": 1, "program": marks.program(), **data}))
    assert _listed(report) == names
