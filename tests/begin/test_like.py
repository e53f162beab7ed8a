"""Existing graphs fitted to new files."""

import json
from pathlib import Path

import numpy as np
import pytest
from begin.small_shot import disc, edge, plate_planes, sequence, shade, write
from test_demo import shot_variables

import stackcomp
from stackcomp.begin.like import Fitting, fit
from stackcomp.begin.roles_in_graph import roles_of_reads
from stackcomp.begin.variable_paths import solved
from stackcomp.errors import CheckError, DocumentError, RequestError

ROOT = Path(__file__).parents[2]
LANTERN = str(ROOT / "graphs/lantern.json")


def files_of(folder, *, clean=True, matte=True):
    given = {"plate": [f"{folder}/plate.1001.exr"], "cg": [f"{folder}/cg.1001.exr"]}
    given |= {"clean": [f"{folder}/clean.exr"]} if clean else {}
    return given | ({"matte": [f"{folder}/cord.1001.exr"]} if matte else {})


def test_roles_by_where_pictures_go():
    nodes = json.loads(Path(LANTERN).read_text())["nodes"]
    assert roles_of_reads(nodes) == {"plate_log": "plate", "clean_log": "clean", "cg": "cg", "cord": "matte"}


def test_the_lantern_fitted_to_another_shot_changes_variables_alone(monkeypatch):
    monkeypatch.chdir(ROOT)
    own = {k: v for k, v in shot_variables("lamp").items() if k not in ("shot", "frames")}
    result = fit(Fitting(LANTERN, files_of("demo_shot/lamp"), variables=own))
    assert result.same_nodes
    assert result.variables["shot"] == "demo_shot/lamp"
    assert result.variables["frames"] == "1001-1005"
    ours = stackcomp.Composition(result.graph).render("finished", 1002)
    theirs = stackcomp.load(LANTERN, variables=shot_variables("lamp")).render("finished", 1002)
    np.testing.assert_array_equal(ours.to_array(), theirs.to_array())


def test_a_variable_without_value_is_named(monkeypatch):
    monkeypatch.chdir(ROOT)
    with pytest.raises(DocumentError, match='variable "bench" has no value'):
        fit(Fitting(LANTERN, files_of("demo_shot/lamp")))


@pytest.fixture
def other(shot):
    """A second shot beside the first, which has a graph of its own."""
    folder = shot.parent / "020"
    sequence(folder, "plate", plate_planes(), range(101, 105))
    sequence(folder, "cg", disc() | {f"shadow.{c}": shade() for c in "RGB"}, range(102, 106))
    for where, frames in ((shot, range(1001, 1004)), (folder, range(101, 105))):
        sequence(where, "cord", {"matte": edge()}, frames)
    graph = stackcomp.Graph(frames="1001-1003", variables={"shot": "sc/010", "out": "out"})
    graph.add("read", "plate", path="${shot}/plate.{frame:04d}.exr", encoding="ACEScg")
    graph.add("read", "cg", path="${shot}/cg.{frame:04d}.exr", encoding="ACEScg")
    graph.add("read", "cord", path="${shot}/cord.{frame:04d}.exr")
    graph.add("exposure", "brighter", image="cg", stops=0.25)
    graph.add("over", "both", source="brighter", backdrop="plate")
    graph.add("restore", "final", source="plate", backdrop="both", matte="cord")
    graph.add("deliver", "out", image="final", path="${out}/${shot}/x.{frame:04d}.exr")
    graph.save("graph.json")
    return folder


def fitted(**more):
    given = {"plate": ["sc/020/plate.0101.exr"], "cg": ["sc/020/cg.%04d.exr"]}
    return fit(Fitting("graph.json", more.pop("files", given), **more))


def test_the_next_shot(other):
    result = fitted()
    assert result.same_nodes
    assert result.frames == (102, 103, 104)
    assert result.variables == {"shot": "sc/020"}
    assert result.graph.nodes == stackcomp.Graph.open("graph.json").nodes
    assert any("cord" in str(item) and "there already" in str(item) for item in result.report.taken)


def test_files_that_the_variable_does_not_reach_get_a_path_of_their_own(other):
    sequence(other / "v2", "lantern", disc() | {f"shadow.{c}": shade() for c in "RGB"}, range(101, 105))
    result = fitted(files={"plate": ["sc/020/plate.0101.exr"], "cg": ["sc/020/v2"]})
    assert not result.same_nodes
    assert result.graph.nodes["cg"]["path"] == "${shot}/v2/lantern.{frame:04d}.exr"
    assert result.graph.nodes["plate"]["path"] == "${shot}/plate.{frame:04d}.exr"
    assert result.graph.nodes["brighter"]["stops"] == 0.25


def test_a_node_without_a_new_file_is_a_question(other):
    for path in other.glob("cord.*"):
        path.unlink()
    with pytest.raises(RequestError) as raised:
        fitted()
    (problem,) = raised.value.problems
    assert (problem.rule, 'node "cord"' in problem.message) == ("input-unclear", True)
    assert '--assign "cord=PATH"' in problem.way_out
    sequence(other / "roto", "rope", {"matte": edge()}, range(101, 106))
    result = fitted(assigned={"cord": "sc/020/roto/rope.0101.exr"})
    assert result.graph.nodes["cord"]["path"] == "${shot}/roto/rope.{frame:04d}.exr"


def test_a_file_without_a_node_is_a_question(other):
    write(other / "clean.exr", plate_planes())
    with pytest.raises(RequestError, match="No node that is left reads a clean plate"):
        fitted(files={"plate": ["sc/020/plate.0101.exr"], "clean": ["sc/020/clean.exr"]})
    with pytest.raises(RequestError, match='there is no node "cor"'):
        fitted(assigned={"cor": "sc/020/clean.exr"})


def test_two_nodes_of_a_role(other):
    graph = stackcomp.Graph.open("graph.json")
    graph.add("read", "jar", path="${shot}/jar.{frame:04d}.exr")
    graph.add("restore", "more", source="plate", backdrop="final", matte="jar")
    graph.set("out", image="more")
    graph.save("graph.json")
    sequence(other, "jar", {"matte": edge()}, range(101, 105))
    files = {"plate": ["sc/020/plate.0101.exr"], "cg": ["sc/020/cg.%04d.exr"]}
    by_name = fitted(files=files | {"matte": ["sc/020/jar.0101.exr", "sc/020/cord.0101.exr"]})
    assert by_name.same_nodes
    sequence(other, "roto", {"matte": edge()}, range(101, 105))
    with pytest.raises(RequestError) as raised:
        fitted(files=files | {"matte": ["sc/020/roto.0101.exr"]})
    assert '--assign "cord=sc/020/roto.0101.exr"' in str(raised.value)
    assert '--assign "jar=' in str(raised.value)


def test_what_does_not_fit_is_shown_as_check_shows_it(other):
    for frame in range(102, 106):
        write(other / f"cg.0{frame}.exr", {name: plane[::2, ::2] for name, plane in disc().items()},
              window=stackcomp.Window.of_size(32, 18))  # fmt: skip
    with pytest.raises(CheckError) as raised:
        fitted()
    assert "resolution" in {problem.rule for problem in raised.value.problems}


def test_a_header_that_contradicts_the_graph_is_said(other):
    for frame in range(102, 106):
        write(other / f"cg.0{frame}.exr", disc(), metadata={"colorInteropID": "lin_rec709_scene"})
    assert any("declares ACEScg, but" in note for note in fitted().report.notes)


def test_variables_are_solved_with_repeated_and_fixed_ones():
    paths = {"a": "${shot}/x/${shot}_p.{frame:04d}.exr", "b": "${base}/${shot}/c.%04d.exr"}
    wanted = {"a": "s2/x/s2_p.{frame:04d}.exr", "b": "root/s2/c.{frame:04d}.exr"}
    assert solved(wanted, paths, {"shot": "s1", "base": "root"}, set()) == {"shot": "s2"}
    assert solved({"a": "s2/x/s3_p.{frame:04d}.exr"}, paths, {"shot": "s1"}, set()) == {}
    assert solved(wanted, paths, {"shot": "s1", "base": "root"}, {"shot"}) == {}
