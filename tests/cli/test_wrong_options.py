"""A wrong option is a mistake of the request: it names the option, and does not blame the graph file."""

from __future__ import annotations

import json

import pytest

RENDER, CHECK, DUMP = ["render", "graph.json"], ["check", "graph.json"], ["dump", "graph.json"]
PLATE = [*RENDER, "--node", "plate"]
LOOK = [*DUMP, "--frame", "1", "--to", "look"]

#: Words after ``stackcomp``, and what the message must contain.
WRONG = [
    ([*CHECK, "--frames", "one"], '--frames: "one"'),
    ([*CHECK, "--frames", "5-1"], '--frames: "5-1"'),
    ([*CHECK, "--root", "nowhere"], '--root: there is no folder "nowhere"'),
    ([*CHECK, "--set", "gamma"], '--set: "gamma" is not NAME=VALUE'),
    ([*CHECK, "--unknown"], "there is no option --unknown"),
    ([*RENDER, "--frames", "x"], '--frames: "x"'),
    ([*RENDER, "--root", "nowhere"], "--root: there is no folder"),
    ([*RENDER, "--node", "nope"], '--node: there is no node "nope"'),
    ([*RENDER, "--node", ""], "--node: an empty text"),
    ([*RENDER, "--node", "nope", "--scale", "0.5"], '--node: there is no node "nope"'),
    ([*RENDER, "--to", "x/"], "--to without --node"),
    ([*RENDER, "--viewing-stops", "1"], "--viewing-stops without --node"),
    ([*RENDER, "--scale", "0"], '--scale: "0"'),
    ([*RENDER, "--scale", "nan"], '--scale: "nan" is not a number'),
    ([*RENDER, "--window", "1,2"], '--window: "1,2" is not x,y,w,h'),
    ([*RENDER, "--window", "0,0,0,0"], "--window: 0×0"),
    ([*RENDER, "--window", "900,900,4,4"], '--window: node "out": the window 4×4 at (900, 900)'),
    ([*RENDER, "--threads", "0"], "--threads"),
    ([*PLATE, "--window", "900,900,4,4"], '--window: node "plate": the window 4×4'),
    ([*PLATE, "--node", "cg", "--to", "x.exr"], "--to: 2 nodes would all write x.exr"),
    ([*PLATE, "--to", "x.abc"], "--to: x.abc: "),
    ([*PLATE, "--to", "x"], "--to: x: "),
    ([*PLATE, "--to", "x.exr"], "--to: x.exr: 3 frames"),
    ([*PLATE, "--to", "x.{frame:04d"], "--to: "),
    ([*PLATE, "--to", "x.{frame:04d}.png"], '--to: "plate" gives layers'),
    ([*PLATE, "--to", "plate.{frame:04d}.exr"], "originals are never overwritten"),
    ([*PLATE, "--to", "graph.json/"], "graph.json"),
    ([*PLATE, "--frames", "1", "--to", "foreign.exr"], "foreign.exr, which stackcomp did not write"),
    ([*PLATE, "--viewing-stops", "31"], '--viewing-stops: "31" is above the largest value 30'),
    ([*RENDER, "--root", ""], "--root: the path is empty"),
    ([*PLATE, "--to", ""], "--to: the path is empty"),
    ([*PLATE, "--to", " "], "--to: the path is empty"),
    ([*DUMP, "--frame", "1", "--to", ""], "--to: the path is empty"),
    ([*DUMP, "--frame", "1", "--to", "graph.json"], '--to: "graph.json" is a file'),
    ([*DUMP, "--frame", "one", "--to", "look"], '--frame: "one" is not a whole number'),
    ([*LOOK, "--node", "nope"], '--node: there is no node "nope"'),
    ([*LOOK, "--node", "plate", "--node", "nope"], '--node: there is no node "nope"'),
    ([*LOOK, "--viewing-stops", "99"], '--viewing-stops: "99" is above'),
    ([*LOOK, "--viewing-stops", "-inf"], '--viewing-stops: "-inf" is below'),
    ([*LOOK, "--viewing-stops", "nan"], '--viewing-stops: "nan" is not a number'),
    ([*LOOK, "--scale", "7"], '--scale: "7"'),
    (["kinds", "ovr"], 'there is no kind "ovr"'),
    (["rules", "danglng"], 'did you mean "dangling"'),
    (["encodings", "nopenopenope"], 'there is no colour space "nopenopenope"'),
    (["encodings", "nopenopenope", "--displays"], 'there is no display or view "nopenopenope"'),
    (["encodings", "--colour-config", "default"], 'config "default"'),
    (["schema", "--to", "foreign.json"], "foreign.json, which stackcomp did not write"),
    (["schema", "--to", "."], '--to: "." is a folder'),
]
WITHOUT_JSON = {"schema"}


@pytest.fixture
def files(shot):
    (shot / "foreign.json").write_text("{}")
    (shot / "foreign.exr").write_bytes(b"not ours")
    return sorted(path.name for path in shot.iterdir())


@pytest.mark.parametrize(("words", "message"), WRONG, ids=[" ".join(words) for words, _ in WRONG])
def test_a_wrong_option_is_named_and_the_graph_is_not_blamed(shot, files, run, words, message):
    done = run(*words)
    assert done.exit_code == 2, done.stderr
    assert message in done.stderr
    for blamed in ("/nodes/", "graph.json —", "damaged", "bug in stackcomp", "Traceback"):
        assert blamed not in done.stderr
    assert sorted(path.name for path in shot.iterdir()) == files


@pytest.mark.parametrize(
    ("words", "message"),
    [case for case in WRONG if case[0][0] not in WITHOUT_JSON],
    ids=[" ".join(words) for words, _ in WRONG if words[0] not in WITHOUT_JSON],
)
def test_the_json_summary_names_no_place_in_the_graph(shot, files, run, words, message):
    done = run(*words, "--json")
    summary = json.loads(done.stdout.splitlines()[-1])
    assert (done.exit_code, summary["exit_code"], summary["ok"]) == (2, 2, False)
    assert message in summary["error"]
    assert summary["problems"]
    for problem in summary["problems"]:
        assert (problem["place"], problem["pointer"], problem["node"], problem["field"]) == ("", "", "", "")
        assert problem["severity"] == "error"


def test_a_mistake_of_the_graph_still_has_its_place(shot, run, save_graph):
    save_graph(final={"kind": "over", "source": "gone", "backdrop": "shaded"})
    done = run("render", "graph.json", "--json")
    (problem,) = json.loads(done.stdout.splitlines()[-1])["problems"]
    assert (problem["place"], problem["pointer"]) == ("graph.json", "/nodes/final/source")
