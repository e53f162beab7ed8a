"""stackcomp measure --ids: what is printed, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

from id_files import header, planes, write

from stackcomp.files.id_hash import id_of, id_text
from stackcomp.files.id_names import chosen_name

DEMO = Path(__file__).parents[2] / "demo_shot" / "lamp"


def test_the_objects_of_the_demo(run):
    found = run("measure", DEMO / "cg.1003.exr", "--ids")
    assert found.exit_code == 0
    first, *lines = found.stdout.splitlines()
    assert first.endswith("cg.1003.exr, CryptoObject: 5 objects in 4 ranks, frame 512×288 at (0, 0)")
    assert {line.split()[-1] for line in lines} == {
        f"lantern_{part}" for part in ("base", "body", "glass", "guard", "handle")
    }
    areas = [float(line.split()[1]) for line in lines]
    assert areas == sorted(areas, reverse=True)


def test_json_has_what_is_printed(run):
    result = json.loads(run("measure", DEMO / "cg.{frame:04d}.exr", "--frame", 1003, "--ids", "--json").stdout)
    assert (result["command"], result["as"], result["frame"], result["at"]) == ("measure", "ids", 1003, None)
    (type,) = result["types"]
    glass = next(one for one in type["objects"] if one["names"] == ["lantern_glass"])
    assert glass["id"] == "#341bcfef"
    assert type["frame"] == [0, 0, 512, 288]


def test_what_is_under_a_pixel(run):
    result = json.loads(run("measure", DEMO / "cg.1003.exr", "--ids", "--json").stdout)
    assert result["types"][0]["under"] is None
    found = run("measure", DEMO / "cg.1003.exr", "--ids", "--at", "0,0")
    assert found.stdout.splitlines()[1:] == ["  nothing"]
    found = run("measure", DEMO / "cg.1003.exr", "--ids", "--at", "0,0", "--json")
    assert json.loads(found.stdout)["types"][0]["under"] == []


def test_names_of_all_sorts_are_whole_and_as_a_graph_has_them(run, tmp_path):
    names = ["lamp_" + "x" * 300, "bolt*", "cord\nend", "[red]rope[/red]", 'a "b"', "e\x1b[31m", "#0123abcd", ""]
    write(tmp_path / "cg.exr", planes(names=names), header(names))
    lines = run("measure", tmp_path / "cg.exr", "--ids").stdout.splitlines()[1:]
    under = run("measure", tmp_path / "cg.exr", "--ids", "--at", "3,3").stdout.splitlines()[1:]
    assert len(lines) == len(names) + 1
    for line, parts in [(line, 5) for line in lines] + [(line, 2) for line in under]:
        written = line[2:].split(maxsplit=parts)[parts:]
        chosen = chosen_name(json.loads(f'"{written[0] if written else ""}"'))
        if line.split()[0] != "#00000000":
            assert chosen.exact in names
            assert line.split()[0] == id_text(id_of(chosen.exact))


def test_options_that_do_not_go_with_ids(run):
    for options, words in (
        (["--ids", "--area", "0,0,4,4"], "--area has no meaning for ids"),
        (["--ids", "--picture", "a.png"], "--picture has no meaning for ids"),
        (["--at", "3,4"], "--at belongs to --ids"),
        (["--ids", "--at", "3"], '--at: "3" is not a pixel'),
        (["--ids", "--at", "3,4,5"], '--at: "3,4,5" is not a pixel'),
        (["--ids", "--at", "4000,0"], "lies outside of the picture"),
        (["--ids", "--layer", "CryptoObjekt"], 'no ids of type "CryptoObjekt"'),
    ):
        found = run("measure", DEMO / "cg.1003.exr", *options)
        assert found.exit_code == 2, options
        assert words in found.stderr
    found = run("measure", "shot.json", "--ids")
    assert (found.exit_code, found.stderr.splitlines()) == (
        2, ["shot.json is no picture, and ids are listed of a picture file",
            "  name the file that the graph's read node reads"]
    )  # fmt: skip
    found = run("measure", DEMO / "plate.1003.exr", "--ids")
    assert found.exit_code == 2
    assert "its header declares no ids" in found.stderr
