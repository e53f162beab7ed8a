"""Which files may be written over: one table of cases, tried through every way of writing.

Ways: `Composition.deliver`, the commands ``render``, ``render --to``, ``dump``, ``measure --picture`` and
``match --write``. Each is asked to write one file. What must not happen is looked for on the disk: nothing in the
whole folder may have changed.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

import stackcomp
from stackcomp import CheckError, Composition, FileError, Graph, GraphError, load
from stackcomp.check.originals import Reading, Writing, refusals
from stackcomp.cli.app import app
from stackcomp.data.window import Window
from stackcomp.files import exr, mark, stills
from stackcomp.files.cdl import Correction, write_corrections
from stackcomp.files.mark import Mark
from stackcomp.testing.reference_file import Request, write_reference

oiio = pytest.importorskip("OpenImageIO")
WINDOW = Window.of_size(24, 16)


def write_exr(path, value=0.18):
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(1).normal(value, 0.003, WINDOW.shape).astype(np.float32)
    exr.write(path, dict.fromkeys("RGB", noise), window=WINDOW, display=WINDOW, pixel_type="float")


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A graph with its inputs. It is about frames 1 and 2; files there are of frames 1 to 4."""
    monkeypatch.chdir(tmp_path)
    for frame in range(1, 5):
        write_exr(Path(f"in/plate_{frame:04d}.exr"))
        write_exr(Path(f"in/late_{frame:04d}.exr"))
    for frame in (1, 2):
        write_exr(Path(f"in/aside_{frame:04d}.exr"))
    write_exr(Path("archive/third.exr"))
    os.symlink("../archive/third.exr", "in/plate_0006.exr")
    os.symlink("../archive/gone.exr", "in/plate_0007.exr")
    os.symlink("in", "same")
    Path("out").mkdir()
    os.symlink("../in/plate_0001.exr", "out/soft.exr")
    for name, file in (("hard", "in/plate_0001.exr"), ("hard_later", "in/plate_0004.exr")):
        os.link(file, f"out/{name}.exr")
    write_corrections("in/look.cc", [Correction(slope=(1.1, 1, 1))])
    Path("values.json").write_text('{"stops": 0.5}')
    save_graph()
    for name, file in (("the_look", "in/look.cc"), ("the_graph", "graph.json"), ("the_values", "values.json")):
        os.link(file, f"out/{name}.exr")
    return tmp_path


def save_graph(name="graph.json", **more):
    nodes = {
        "plate": {"kind": "read", "path": "in/plate_{frame:04d}.exr", "encoding": "ACEScg"},
        "picked": {"kind": "pick_channels", "layers": "plate", "as": "colour"},
        "late": {"kind": "read", "path": "in/late_{frame:04d}.exr", "encoding": "ACEScg", "shift": 2},
        "aside": {"kind": "read", "path": "in/aside_%04d.exr", "encoding": "ACEScg"},
        "looked": {"kind": "cdl", "image": "late", "file": "in/look.cc"},
        "brighter": {"kind": "exposure", "image": "looked", "stops": "${stops}"},
        **more,
    }
    Path(name).write_text(json.dumps({"stackcomp": 1, "frames": "1-2", "nodes": nodes}))


@dataclass
class Outcome:
    """How an attempt ended: exit code and what was written to standard error."""

    code: int
    output: str


def command(*words):
    done = CliRunner().invoke(app, [str(word) for word in words], prog_name="stackcomp")
    return Outcome(done.exit_code, done.stderr)


def deliver_node(target):
    save_graph(out={"kind": "deliver", "image": "plate", "path": target})


VALUES = ("--variables", "values.json")
MEASURED = ("in/plate_{frame:04d}.exr", "--frame", "1", "--encoding", "ACEScg")
AREA = "2,2,12,8"


def by_python(target, foreign):
    deliver_node(target)
    values = json.loads(Path("values.json").read_text())
    graph = Graph.open("graph.json")
    comp = Composition(graph, variables=values, variable_files=["values.json"])
    try:
        comp.deliver(frames=[1], replace_foreign=foreign)
    except CheckError as error:
        return Outcome(2, str(error))
    return Outcome(0, "")


def by_render(target, foreign):
    deliver_node(target)
    return command("render", "graph.json", *VALUES, "--frames", "1", *foreign * ["--replace-foreign"])


def by_to(target, foreign):
    words = ("render", "graph.json", *VALUES, "--frames", "1", "--node", "picked", "--to", target)
    return command(*words, *foreign * ["--replace-foreign"])


def by_dump(target, foreign):
    folder, name = os.path.split(target)
    stem, _ = os.path.splitext(name)
    save_graph(**{stem: {"kind": "pick_channels", "layers": "plate", "as": "colour"}})
    words = ("dump", "graph.json", *VALUES, "--frame", "1", "--node", stem, "--to", folder or ".")
    return command(*words, *foreign * ["--replace-foreign"])


def by_picture(target, foreign):
    return command("measure", *MEASURED, "--area", AREA, "--picture", target, *foreign * ["--replace-foreign"])


def by_write(target, foreign):
    words = ("match", "black", "--plate", *MEASURED, "--plate-area", AREA, "--write", target)
    return command(*words, *foreign * ["--replace-foreign"])


GRAPHS = {"python": by_python, "render": by_render, "to": by_to, "dump": by_dump}
WAYS = {**GRAPHS, "picture": by_picture, "write": by_write}
ENDINGS = {"python": ".exr", "render": ".exr", "to": ".exr", "dump": ".exr", "picture": ".png", "write": ".json"}


def contents(folder):
    """Everything below a folder, links as such; but for the graph, which an attempt writes first."""
    files = {}
    for path in sorted(folder.rglob("*")):
        if path.is_symlink():
            files[path] = os.readlink(path)
        elif path.is_file() and not path.samefile(folder / "graph.json"):
            files[path] = path.read_bytes()
        elif path.is_dir():
            files[path] = None
    return files


# -- what is read --------------------------------------------------------------------------------------------

#: Target, and how it is called; the measuring commands read the plate alone.
PLATE = {
    "the input itself": "in/plate_0001.exr",
    "another frame": "in/plate_0002.exr",
    "a frame beyond the graph's": "in/plate_0004.exr",
    "a frame that is not there": "in/plate_0099.exr",
    "spelled with .": "./in/./plate_0001.exr",
    "spelled with ..": "in/../out/../in/plate_0003.exr",
    "a link to it": "out/soft.exr",
    "through a linked folder": "same/plate_0002.exr",
    "a second name on the disk": "out/hard.exr",
    "a second name of another frame": "out/hard_later.exr",
    "what a frame links to": "archive/third.exr",
    "a frame that is a link": "in/plate_0006.exr",
    "a frame that links to nothing": "in/plate_0007.exr",
}
OTHERS = {
    "by a node that takes no part": ("in/aside_0002.exr", 'what node "aside" reads'),
    "shifted": ("in/late_0003.exr", 'what node "late" reads'),
    "the number before the shift": ("in/late_0001.exr", 'what node "late" reads'),
    "a CDL file": ("out/the_look.exr", 'what node "looked" reads'),
    "the graph": ("out/the_graph.exr", "the graph itself"),
    "a file of variables": ("out/the_values.exr", "a file of variables"),
}


@pytest.mark.parametrize("foreign", [False, True], ids=["", "foreign"])
@pytest.mark.parametrize("case", PLATE)
@pytest.mark.parametrize("way", WAYS)
def test_what_is_read_is_never_written_over(place, way, case, foreign):
    before = contents(place)
    outcome = WAYS[way](PLATE[case], foreign)
    assert outcome.code == 2, outcome.output
    assert ('over what node "plate" reads' if way in GRAPHS else "over what is measured") in outcome.output
    assert "originals are never overwritten" in outcome.output
    assert contents(place) == before


@pytest.mark.parametrize("foreign", [False, True], ids=["", "foreign"])
@pytest.mark.parametrize("case", OTHERS)
@pytest.mark.parametrize("way", GRAPHS)
def test_what_else_a_graph_is_made_from(place, way, case, foreign):
    target, description = OTHERS[case]
    before = contents(place)
    outcome = GRAPHS[way](target, foreign)
    assert outcome.code == 2, outcome.output
    assert f"over {description}" in outcome.output
    assert contents(place) == before


@pytest.mark.parametrize("way", WAYS)
def test_where_capitals_do_not_count(place, monkeypatch, way):
    """What `os.path.normcase` says of the system decides, for files that are not there yet."""
    monkeypatch.setattr(os.path, "normcase", lambda path: os.fspath(path).lower())
    before = contents(place)
    outcome = WAYS[way]("IN/../in/Plate_0042.EXR", False)
    assert outcome.code == 2
    assert "originals are never overwritten" in outcome.output
    assert contents(place) == before


def test_a_number_of_another_width_is_not_a_frame():
    known = [Reading("a/plate.{frame:04d}.exr", "the plate", sequence=True)]
    for name, count in (("0001", 1), ("12345", 1), ("-001", 1), ("001", 0), ("00001", 0), ("x", 0), ("1", 0)):
        problems = refusals([Writing(Path(f"root/a/plate.{name}.exr"), Mark("picture"))], known, "root")
        assert len(problems) == count, name


def test_a_number_in_the_folder_and_in_the_name():
    known = [Reading("{frame}/far{frame:03d}.exr", "what is far", sequence=True)]
    for name, count in (("11/far011.exr", 1), ("11/far012.exr", 0), ("x/far011.exr", 0)):
        assert len(refusals([Writing(Path("root", name), Mark("picture"))], known, "root")) == count, name


def test_a_second_name_of_a_frame_in_a_folder_of_its_own(tmp_path):
    write_exr(tmp_path / "0003/far.exr")
    os.link(tmp_path / "0003/far.exr", tmp_path / "other.exr")
    known = [Reading("{frame:04d}/far.exr", "what is far", sequence=True)]
    (problem,) = refusals([Writing(tmp_path / "other.exr", Mark("picture"))], known, tmp_path)
    assert problem.rule == "overwrites-input"


# -- what others wrote ---------------------------------------------------------------------------------------


def by_others(path):
    """A file of another program, of the kind that its ending says."""
    ending = path.suffix
    if ending == ".json":
        path.write_text('{"mine": 3}')
    elif ending == ".exr":
        write_exr(path)
    else:
        Image.new("RGB", (24, 16)).save(path)


def cut_short(path):
    ours(path)
    path.write_bytes(path.read_bytes()[:-7])


def garbage(path):
    path.write_bytes(b"\x76\x2f\x31\x01 or something else")


def saved_again(path):
    """Ours once; then another program changed it and passed its header on."""
    ours(path)
    if path.suffix == ".json":
        path.write_text(json.dumps({"mine": 4}))
        return
    picture = oiio.ImageBuf(str(path))
    changed = oiio.ImageBufAlgo.mul(picture, 0.5)
    assert changed.write(str(path))


def link_to_nothing(path):
    path.symlink_to("nowhere")


def link_to_others(path):
    by_others(path.with_name("elsewhere" + path.suffix))
    path.symlink_to("elsewhere" + path.suffix)


def pipe(path):
    os.mkfifo(path)


def ours(path):
    """What one of the ways wrote there before."""
    if path.suffix == ".json":
        path.write_text(json.dumps({"gain": 1, "found": {"written by": "stackcomp 0.1.0", "gain": {}}}))
    elif path.suffix == ".exr":
        write_exr(path)
        planes = dict.fromkeys("RGB", np.zeros(WINDOW.shape, np.float32))
        exr.write(path, planes, window=WINDOW, display=WINDOW, mark=Mark("picture"))
    else:
        stills.write(path, np.zeros((4, 4, 3)), mark=Mark("measurement"))


FOREIGN = [by_others, cut_short, garbage, saved_again, link_to_nothing, link_to_others, pipe]


@pytest.mark.parametrize("make", FOREIGN, ids=lambda make: make.__name__)
@pytest.mark.parametrize("way", WAYS)
def test_what_others_wrote_is_refused(place, way, make):
    target = place / f"out/thing{ENDINGS[way]}"
    make(target)
    before = contents(place)
    outcome = WAYS[way](f"out/thing{ENDINGS[way]}", False)
    assert outcome.code == 2, outcome.output
    assert f"would replace out/thing{ENDINGS[way]}, " in outcome.output
    assert "--replace-foreign" in outcome.output
    assert contents(place) == before


@pytest.mark.parametrize("way", [way for way in WAYS if way != "write"])
def test_and_replaced_when_somebody_says_so(place, way):
    target = place / f"out/thing{ENDINGS[way]}"
    by_others(target)
    assert WAYS[way](f"out/thing{ENDINGS[way]}", True).code == 0
    assert mark.read(target) is not None
    # From then on it is ours.
    assert WAYS[way](f"out/thing{ENDINGS[way]}", False).code == 0


@pytest.mark.parametrize("way", GRAPHS)
def test_a_reference_of_tests_is_refused(place, way):
    target = place / "out/thing.exr"
    picture = stackcomp.Image.from_array(np.zeros((4, 4, 3), np.float32))
    write_reference(target, picture, Request("plate", 1, 1.0, None), ())
    before = contents(place)
    outcome = WAYS[way]("out/thing.exr", False)
    assert outcome.code == 2, outcome.output
    assert "would replace out/thing.exr, which holds a reference of tests" in outcome.output
    assert contents(place) == before
    assert WAYS[way]("out/thing.exr", True).code == 0


def test_findings_are_added_when_the_caller_allows_it(place):
    by_others(place / "out/thing.json")
    assert by_write("out/thing.json", True).code == 0
    findings = json.loads((place / "out/thing.json").read_text())
    assert findings["mine"] == 3
    assert len(findings["black"]) == 3
    assert mark.read(place / "out/thing.json") == Mark("findings")


@pytest.mark.parametrize("kind", ["graph", "report"])
def test_findings_are_never_added_to_a_graph_or_a_report(place, kind):
    name = "graph.json"
    if kind == "report":
        assert by_dump("out/plate_copy.exr", False).code == 0
        name = "out/nodes.json"
    before = Path(name).read_bytes()
    for foreign in (False, True):
        assert by_write(name, foreign).code == 2
    assert Path(name).read_bytes() == before


def empty(path):
    path.touch()


def nothing(path):
    del path


@pytest.mark.parametrize("make", [ours, empty, nothing], ids=lambda make: make.__name__)
@pytest.mark.parametrize("way", WAYS)
def test_what_is_ours_or_empty_is_replaced_without_a_word(place, way, make):
    target = place / f"out/thing{ENDINGS[way]}"
    make(target)
    for _ in range(2):
        outcome = WAYS[way](f"out/thing{ENDINGS[way]}", False)
        assert outcome.code == 0, outcome.output
        assert "replace" not in outcome.output
    assert mark.read(target) is not None


@pytest.mark.parametrize("ending", [".exr", ".png", ".jpg", ".jpeg", ".tif", ".tiff"])
@pytest.mark.parametrize("way", ["python", "render", "to"])
def test_every_format_is_known_again(place, way, ending):
    target = place / f"out/thing{ending}"
    by_others(target)
    before = target.read_bytes()
    assert WAYS[way](f"out/thing{ending}", False).code == 2
    assert target.read_bytes() == before
    target.unlink()
    for _ in range(2):
        assert WAYS[way](f"out/thing{ending}", False).code == 0
    assert mark.read(target).kind == ("picture" if way == "to" else "delivery")


def test_all_frames_are_looked_at_and_few_are_named(place):
    for frame in range(2, 60):
        by_others(place / f"out/f.{frame:04d}.png")
        if frame < 50:
            write_exr(place / f"in/plate_{frame:04d}.exr")
            shutil.copy(place / "in/plate_0001.exr", place / f"in/late_{frame + 2:04d}.exr")
    deliver_node("out/f.{frame:04d}.png")
    outcome = command("check", "graph.json", *VALUES, "--frames", "1-49")
    assert outcome.code == 2
    done = CliRunner().invoke(app, ["check", "graph.json", *VALUES, "--frames", "1-49"])
    assert (
        "would replace out/f.0002.png, out/f.0003.png, out/f.0004.png and 45 more, which stackcomp" in done.stdout
    )
    allowed = command("check", "graph.json", *VALUES, "--frames", "1-49", "--replace-foreign")
    assert "would replace" not in allowed.output
    assert not (place / "out/f.0001.png").exists()


def test_a_node_may_say_so_itself(place):
    by_others(place / "out/thing.exr")
    save_graph(out={"kind": "deliver", "image": "plate", "path": "out/thing.exr", "replace": "anything"})
    assert command("render", "graph.json", *VALUES, "--frames", "1").code == 0
    save_graph(out={"kind": "deliver", "image": "plate", "path": "in/plate_0003.exr", "replace": "anything"})
    assert command("render", "graph.json", *VALUES, "--frames", "1").code == 2


def test_pictures_for_the_eye_do_not_ask_what_a_delivery_may_replace(place):
    by_others(place / "out/thing.exr")
    deliver_node("out/thing.exr")
    comp = load("graph.json", variables={"stops": 0})
    assert [p.rule for p in comp.check([1]) if p.severity == "error"] == ["replaces-foreign"]
    assert comp.render("out", 1)["R"].shape == WINDOW.shape
    assert command("dump", "graph.json", *VALUES, "--frame", "1", "--to", "look").code == 0
    assert command("render", "graph.json", *VALUES, "--frames", "1", "--scale", "0.5").code == 0


def test_what_came_in_the_meantime_is_seen(place):
    deliver_node("out/thing.exr")
    comp = load("graph.json", variables={"stops": 0})
    comp.deliver(frames=[1])
    comp.deliver(frames=[1])
    by_others(place / "out/thing.exr")
    with pytest.raises(CheckError, match="which stackcomp did not write"):
        comp.deliver(frames=[1])
    comp.deliver(frames=[1], replace_foreign=True)


def test_a_schema(place):
    for _ in range(2):
        assert command("schema", "--to", "graph.schema.json").code == 0
    for name in ("graph.json", "values.json"):
        before = (place / name).read_bytes()
        outcome = command("schema", "--to", name)
        assert outcome.code == 2
        assert f"would replace {name}, which stackcomp did not write" in outcome.output
        assert (place / name).read_bytes() == before
    assert by_write("out/found.json", False).code == 0
    outcome = command("schema", "--to", "out/found.json")
    assert "would replace out/found.json, which holds findings of measuring" in outcome.output
    assert command("schema", "--to", "values.json", "--replace-foreign").code == 0


# -- deliveries ----------------------------------------------------------------------------------------------

SHOTS = {"kind": "read", "path": "${shot}/plate_{frame:04d}.exr", "encoding": "ACEScg"}
CG = {"kind": "read", "path": "${shot}/cg${version}_{frame:04d}.exr", "encoding": "ACEScg"}
DELIVERY = {"kind": "deliver", "image": "plate", "path": "${out}/final.{frame:04d}.exr"}


def save(name, variables=None, **nodes):
    Path(name).parent.mkdir(parents=True, exist_ok=True)
    head = {
        "stackcomp": 1,
        "frames": "1-2",
        "variables": {"out": "out", "shot": "wide", "version": "", "stops": 0},
    }
    Path(name).write_text(json.dumps({**head, "nodes": {"plate": SHOTS, "cg": CG, "out": DELIVERY, **nodes}}))
    return name


@pytest.fixture
def shots(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for shot in ("wide", "close"):
        for name in ("plate", "cg", "cg2"):
            for frame in (1, 2):
                write_exr(Path(f"{shot}/{name}_{frame:04d}.exr"))
    return tmp_path


def rendered(name, *words):
    return command("render", name, *words)


def test_a_graph_replaces_its_own_deliveries_however_it_changed(shots):
    graph = save("graphs/lantern.json")
    assert rendered(graph).code == 0
    bright = {"kind": "exposure", "image": "plate", "stops": "${stops}"}
    changed = [
        {"bright": bright, "out": {**DELIVERY, "image": "bright"}},
        {"out": None, "final": DELIVERY},  # the deliver node has another name
        {"out": {**DELIVERY, "pixel_type": "float", "about": "float"}},
        {"plate": {**SHOTS, "path": "wide/plate_{frame:04d}.exr"}},
        {"plate": {**SHOTS, "path": "${shot}/cg_{frame:04d}.exr"}, "cg": None},
        {"plate": {**SHOTS, "path": "close/plate_{frame:04d}.exr"}, "cg": None},
        {},
    ]
    for nodes in changed:
        save("graphs/lantern.json")
        changed_graph = json.loads(Path(graph).read_text())
        merged = {**changed_graph["nodes"], **nodes}
        changed_graph["nodes"] = {k: v for k, v in merged.items() if v is not None}
        Path(graph).write_text(json.dumps(changed_graph))
        assert rendered(graph).code == 0, nodes
    for words in (("--set", "version=2"), ("--set", "stops=1"), ("--set", "shot=./wide"), ("--frames", "2")):
        assert rendered(graph, *words).code == 0, words
    assert rendered(Path(graph).absolute(), "--set", f"shot={shots}/wide").code == 0


def test_the_same_project_at_another_place(shots, tmp_path_factory, monkeypatch):
    assert rendered(save("graphs/lantern.json")).code == 0
    moved = tmp_path_factory.mktemp("moved") / "project"
    shutil.copytree(shots, moved)
    monkeypatch.chdir("/")
    assert rendered(moved / "graphs/lantern.json", "--root", moved).code == 0
    for frame in (1, 2):
        name = f"out/final.{frame:04d}.exr"
        assert (moved / name).read_bytes() == (shots / name).read_bytes()


def test_the_bytes_do_not_tell_where_they_went(shots):
    graph = save("graphs/lantern.json")
    for out in ("one", "two/three"):
        assert rendered(graph, "--set", f"out={out}").code == 0
    assert Path("one/final.0001.exr").read_bytes() == Path("two/three/final.0001.exr").read_bytes()
    # Only hashes of places are in it.
    assert b"lantern" not in Path("one/final.0001.exr").read_bytes()
    assert b"wide" not in Path("one/final.0001.exr").read_bytes()


@pytest.mark.parametrize("other", ["graphs/other.json", "lantern.json", "graphs/deep/lantern.json"])
def test_another_graph_is_refused(shots, other):
    assert rendered(save("graphs/lantern.json")).code == 0
    before = contents_of("out")
    save(other)
    outcome = rendered(other)
    assert outcome.code == 2
    assert (
        "would replace out/final.0001.exr and out/final.0002.exr, which another graph delivered" in outcome.output
    )
    assert '"replace": "anything"' in outcome.output
    assert contents_of("out") == before
    assert rendered(other, "--replace-foreign").code == 0
    assert rendered(other).code == 0


def test_another_shot_is_refused(shots):
    """One wrong variable: the same graph for another shot, into the folder of the first one."""
    graph = save("graphs/lantern.json")
    assert rendered(graph).code == 0
    before = contents_of("out")
    outcome = rendered(graph, "--set", "shot=close")
    assert outcome.code == 2
    assert "out/final.0002.exr, delivered for another shot (variables lead to other files now)" in outcome.output
    assert contents_of("out") == before
    assert rendered(graph, "--set", "shot=close", "--set", "out=out2").code == 0
    assert rendered(graph, "--set", "shot=close", "--replace-foreign").code == 0
    assert rendered(graph, "--set", "shot=close").code == 0


def test_a_graph_built_in_python(shots):
    def built(stops=0.0):
        graph = Graph(frames="1-2")
        graph.add("read", "plate", path="wide/plate_{frame:04d}.exr", encoding="ACEScg")
        graph.add("exposure", "bright", image="plate", stops=stops)
        graph.add("deliver", "out", image="bright", path="out/final.{frame:04d}.exr")
        return graph

    for stops in (0, 0, 1):
        Composition(built(stops)).deliver()
    graph = built()
    graph.save("mine.json")
    Composition(graph).deliver()
    Composition(Graph.open("mine.json")).deliver()
    # Now that they belong to a graph file, one without does not take their place.
    with pytest.raises(CheckError, match="which another graph delivered"):
        Composition(built()).deliver()


def test_what_is_only_looked_at_takes_no_deliverys_place(shots):
    graph = save("graphs/lantern.json")
    assert rendered(graph).code == 0
    before = contents_of("out")
    outcome = rendered(graph, "--node", "plate", "--to", "out/final.{frame:04d}.exr")
    assert outcome.code == 2
    assert "which a deliver node wrote, with what is only to be looked at" in outcome.output
    assert contents_of("out") == before
    # The other way round it is fine: pictures to be looked at can be made again.
    assert rendered(graph, "--node", "plate", "--to", "looks/final.{frame:04d}.exr").code == 0
    assert rendered(graph, "--set", "out=looks").code == 0


def contents_of(folder):
    return {path.name: path.read_bytes() for path in Path(folder).iterdir()}


# -- graph files ---------------------------------------------------------------------------------------------


def test_saving_a_graph(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    graph = Graph()
    graph.add("flat", "grey", size=[2, 2])
    graph.save("mine.json")
    graph.set("grey", colour=0.18)
    graph.save("mine.json")
    opened = Graph.open("mine.json")
    opened.set("grey", colour=0.5)
    opened.save(tmp_path / "mine.json")
    os.symlink("mine.json", "soft.json")
    opened.save("soft.json")
    # Another graph, built by a script, asks; one that is the same already has nothing to ask.
    with pytest.raises(
        GraphError, match=re.escape("would replace mine.json, which this graph was not opened from")
    ):
        graph_of(0.1).save("mine.json")
    assert Graph.open("mine.json").nodes["grey"]["colour"] == 0.5
    graph_of(0.5).save("mine.json")
    graph_of(0.1).save("mine.json", replace=True)
    assert Graph.open("mine.json").nodes["grey"]["colour"] == 0.1
    for name, make in (("notes.txt", by_notes), ("gone.json", link_to_nothing), ("plate.exr", by_others)):
        make(tmp_path / name)
        with pytest.raises(GraphError, match="was not opened from"):
            graph_of(0.1).save(name)
    (tmp_path / "empty.json").touch()
    graph_of(0.1).save("empty.json")
    (tmp_path / "folder").mkdir()
    with pytest.raises(FileError, match="it is a folder"):
        graph_of(0.1).save("folder")


def by_notes(path):
    path.write_text("bring the lantern")


def graph_of(colour):
    graph = Graph()
    graph.add("flat", "grey", size=[2, 2], colour=colour)
    return graph


def test_a_graph_opened_elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    graph_of(0.1).save("mine.json")
    opened = Graph.open("mine.json")
    opened.set("grey", colour=1)
    (tmp_path / "deeper").mkdir()
    monkeypatch.chdir(tmp_path / "deeper")
    graph_of(0.3).save("mine.json")
    with pytest.raises(GraphError):
        opened.save("mine.json")
    opened.save("../mine.json")
    assert Graph.open("../mine.json").nodes["grey"]["colour"] == 1
