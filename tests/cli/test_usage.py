"""Every mistake of a command line: what is said, with what is allowed, and exit code 2."""

from __future__ import annotations

import json

import pytest

_TABLE = [
    # command line, what is wrong, the way out
    ("rendr", 'stackcomp: there is no command "rendr"', "did you mean render? `stackcomp -h` explains all"),
    ("paint", 'stackcomp: there is no command "paint"', "its commands are begin, check, render, batch, dump, "),
    ("match gray", 'stackcomp match: there is no command "gray"', "did you mean grey or grain?"),
    ("-x", "stackcomp: there is no option -x", "its options are --version, --debug; `stackcomp -h` explains them"),
    ("--scale 1 render g.json", "stackcomp: there is no option --scale before the command",
     "write it behind the command, as stackcomp render … --scale"),
    ("render g.json --fames 1", "stackcomp render: there is no option --fames", "did you mean --frames? "),
    ("check g.json --to x", "stackcomp check: there is no option --to", "its options are --frames, --set"),
    ("check -x g.json", "stackcomp check: there is no option -x", "its options are --frames, "),
    ("render g.json --scale", "stackcomp render: --scale needs a value", "give FACTOR: size of the pictures"),
    ("render --frames", "stackcomp render: --frames needs a value", "give RANGE: frames, as 1001-1008"),
    ("check g.json --set", "stackcomp check: --set needs a value", "give NAME=VALUE: "),
    ("check g.json --debug=3", "stackcomp check: --debug takes no value", "write --debug alone"),
    ("check g.json h.json i.json", "stackcomp check: more words than it takes: h.json i.json",
     "it takes GRAPH|SEQUENCE and options; put a text with spaces in quotes"),
    ("kinds over under", "stackcomp kinds: more words than it takes: under", "it takes NAME and options"),
    ("dump g.json", "stackcomp dump: --to DIR is missing", "--to: folder for"),
    ("dump g.json --to x", "no frame is named", "give --frame N, or --frames RANGE for several frames"),
    ("dump g.json --to x --frame 1 --frames 1-2", "--frame and --frames cannot both be given", "give one of them"),
    ("dump g.json --to=x --frame 1-5", 'stackcomp dump: --frame: "1-5" is not a whole number',
     "give N: the frame"),
    ("dump g.json --frame 1.5 --to x", 'stackcomp dump: --frame: "1.5" is not a whole number',
     "give N: the frame"),
    ("dump g.json --frame --to x", "stackcomp dump: --frame needs a value before --to", "give N: the frame"),
    ("inspect x --cheks negative", "stackcomp inspect: there is no option --cheks", "did you mean --checks?"),
    ("inspect x --checks negativ", '--checks: there is no check "negativ"', 'did you mean "negative"?'),
    ("compare a.exr", "stackcomp compare: B is missing", "B: what it is compared with"),
    (
        "compare a.exr b.exr c.exr",
        "stackcomp compare: more words than it takes: c.exr",
        "it takes A B and options",
    ),
    ("compare a.exr b.exr --tolerence exact", "stackcomp compare: there is no option --tolerence",
     "did you mean --tolerance?"),
    ("compare a.exr b.exr --tolerance smal=1", '--tolerance: "smal=1" cannot be understood',
     'did you mean "small"?'),
    ("compare a.exr b.exr --frames x-y", '--frames: "x-y"', "1001-1008"),
    ("compare nothing.exr nothing.exr", "there is no file nothing.exr", ""),
    ("measure --area 1,2,3,4", "stackcomp measure: FILE is missing", "FILE: the picture"),
    ("match grey --plate x",
     "stackcomp match grey: --plate-area X,Y,W,H, --other FILE and --other-area X,Y,W,H are missing",
     "--other: the picture to be matched to the plate"),
    ("match sharpness --plate x --other y",
     "stackcomp match sharpness: --plate-area X,Y,W,H and --other-area X,Y,W,H are missing",
     "--plate-area: area of the plate that one sharp edge crosses"),
    ("match sharpnes", 'stackcomp match: there is no command "sharpnes"', "did you mean sharpness?"),
    ("render g.json --threads x", 'stackcomp render: --threads: "x" is not a whole number',
     "give COUNT: threads to use"),
    ("render g.json --threads=0", 'stackcomp render: --threads: "0" is below the smallest value 1',
     "give COUNT: "),
    ("render g.json --scale 50%", '--scale: "50%" is not a number above 0 and at most 1',
     "did you mean 0.5? 1 is full size, 0.5 is half"),
    ("render g.json --scale 1/4", '--scale: "1/4" is not a number above 0', "did you mean 0.25?"),
    ("render g.json --scale 0,5", '--scale: "0,5" is not a number above 0', "did you mean 0.5?"),
    ("render g.json --scale 50", '--scale: "50" is not above 0 and at most 1', "did you mean 0.5?"),
    ("dump g.json --frame 1 --to x --scale half", '--scale: "half" is not a number',
     "1 is full size, 0.5 is half"),
    ("render g.json --scale nan", '--scale: "nan" is not a number', "1 is full size, 0.5 is half"),
    ("render g.json --scale 0", '--scale: "0" is not above 0', "1 is full size, 0.5 is half"),
    ("render g.json --scale -1", '--scale: "-1" is not above 0', "1 is full size, 0.5 is half"),
    ("render g.json --frames 5-1", '--frames: "5-1" runs backwards', "write 1-5"),
    ("render g.json --frames all", '--frames: "all" is not a frame or a range of frames', "write them like 1001"),
    ("render g.json --window 1,2,3", '--window: "1,2,3" is not x,y,w,h', "give four whole numbers"),
    ("check g.json --set gamma", '--set: "gamma" is not NAME=VALUE', "as in --set shot=demo_shot/wide"),
    ("check g.json --root nowhere", '--root: there is no folder "nowhere"', "name the folder"),
    ("kinds ovre", 'there is no kind "ovre"', 'did you mean "over"'),
    ("encodings ACESgc", 'there is no colour space "ACESgc"', 'did you mean "ACEScg"'),
]  # fmt: skip


@pytest.mark.parametrize(("line", "said", "way_out"), _TABLE, ids=[line for line, _, _ in _TABLE])
def test_a_wrong_command_line(run, line, said, way_out):
    done = run(*line.split())
    assert done.exit_code == 2
    assert done.stdout == ""
    first, second = done.stderr.splitlines()
    assert first.startswith(said)
    assert second.startswith("  ")
    assert way_out in second


@pytest.mark.parametrize(
    "line", [line for line, _, _ in _TABLE if not line.startswith(("--scale", "-x", "rendr"))]
)
def test_the_same_for_a_program(run, line):
    done = run(*line.split(), "--json")
    assert done.exit_code == 2
    told = json.loads(done.stdout)
    assert (told["ok"], told["exit_code"]) == (False, 2)
    (problem,) = told["problems"]
    assert problem["message"]
    assert problem["way_out"]
    assert problem["message"] in done.stderr


def test_a_dump_into_a_file(run, shot):
    done = run("dump", "graph.json", "--frame", "1", "--to", "graph.json")
    assert done.exit_code == 2
    assert done.stderr == '--to: "graph.json" is a file\n  name a folder; it is made where it is missing\n'


@pytest.mark.parametrize(
    ("assignment", "way_out"),
    [
        ("gamma=strong", "give a number above 0 and up to 20"),
        ("gamma=1,2", "give a number above 0 and up to 20: 1.2, with a point"),
        ('gamma="1.2"', "give a number above 0 and up to 20: 1.2, without quotes"),
        ("black=lots", "give 3 numbers, or one for all"),
        ("black=0.1, 0.2,0.3", "give 3 numbers, or one for all: [0.1, 0.2, 0.3]"),
        ("black=0.1,0.2", "give 3 numbers, or one for all"),
    ],
)
def test_a_variable_of_the_wrong_kind(run, shot, save_graph, assignment, way_out):
    save_graph(lifted={"kind": "match_black", "image": "beauty", "black": "${black}"})
    done = run("check", "graph.json", "--set", "black=0", "--set", assignment)
    assert done.exit_code == 2
    first, second, *_ = done.stdout.splitlines()
    name = assignment.partition("=")[0]
    assert first.endswith(f', which is a text, from variable "{name}"')
    assert second.endswith(f" — {way_out}")


def test_no_word_is_the_librarys_own(run):
    for line, _, _ in _TABLE:
        text = run(*line.split()).stderr
        assert not any(word in text for word in ("Usage:", "Error:", "Try '", "Invalid value", "Input should"))


def test_a_command_alone_shows_its_help(run):
    done = run("render")
    assert done.exit_code == 2
    assert "Usage: stackcomp render" in done.stdout + done.stderr
