"""The check before a batch: shots alone, single frames, and what shots would do to each other's files."""

from __future__ import annotations

from typing import Any

import pytest
from small_sequence import Project, write_plate

from stackcomp import CheckError, GraphError, Problem
from stackcomp.batch.checking import check_everything, check_shot, clashes
from stackcomp.batch.run import Options
from stackcomp.files import exr


@pytest.fixture
def project(tmp_path) -> Project:
    return Project(tmp_path)


def everything(project: Project, *sets: str, **options: Any) -> list[Problem]:
    batch = project.open(*sets)
    return check_everything(batch.chosen(Options(**options)), replace_foreign=False)


def rules(problems: list[Problem]) -> list[str]:
    return [problem.rule for problem in problems]


def assert_nothing_was_written(project: Project) -> None:
    assert not list(project.folder.rglob("comp.*.png"))


# -- shots alone ---------------------------------------------------------------------------------------------


def test_a_sequence_in_which_all_is_well_has_no_findings(project):
    assert everything(project) == []
    project.run()
    assert everything(project) == []


def test_missing_frames_are_found_in_every_shot_in_one_finding_each(tmp_path):
    project = Project(tmp_path, frames=range(1, 11), shots=("wide", "close", "lamp"))
    project.write_graph(frames="1-10")
    for shot, frames in (("wide", (1, 5)), ("close", (10,)), ("lamp", (2, 3, 4))):
        for frame in frames:
            project.plate(shot, frame).unlink()
    problems = everything(project)
    assert rules(problems) == ["frame-missing"] * 3
    for problem, shot, frames in zip(problems, ("wide", "close", "lamp"), ("1,5", "10", "2-4"), strict=True):
        assert problem.message.startswith(f'shot "{shot}": ')
        assert problem.node == "plate"
        assert problem.message.endswith(f": {frames}")


def test_no_pixel_is_read(project, monkeypatch):
    def refuse(*arguments: Any, **options: Any) -> None:
        raise AssertionError("pixels are read")

    monkeypatch.setattr(exr, "read", refuse)
    monkeypatch.setattr(exr, "_read", refuse)
    assert everything(project) == []


def test_a_shot_without_frames_is_a_mistake_also_beside_others(project):
    project.write_graph(frames="")
    project.write(shots={"wide": {"frames": "1-3"}, "close": {}})
    assert rules(everything(project)) == ["frames"]
    with pytest.raises(CheckError, match='shot "close": no frames'):
        project.run()
    assert_nothing_was_written(project)


def test_a_sequence_without_any_frames_does_not_count_as_done(project):
    project.write_graph(frames="")
    with pytest.raises(GraphError, match="no frames"):
        project.run()


def test_a_graph_without_deliver_node_is_a_mistake(project):
    project.write_graph({"exr": None, "png": None})
    assert rules(everything(project)) == ["no-deliver"] * 2
    with pytest.raises(CheckError, match="no deliver node"):
        project.run()


def test_findings_name_the_shot_once(project):
    project.write_graph({"exr.path": "out/same.exr", "brighter.image": "nowhere"})
    problems = everything(project)
    assert problems
    for problem in problems:
        assert problem.message.count('shot "') == 1 or problem.rule == "output-twice"
        assert problem.place
    assert len({str(problem) for problem in problems}) == len(problems)


# -- single frames -------------------------------------------------------------------------------------------


def bad(project: Project, shot: str = "wide") -> list[int]:
    (work,) = [work for work in project.open().works if work.name == shot]
    checked = check_shot(work, work.frames, replace_foreign=False)
    assert checked.errors == []
    assert checked.frame not in checked.bad
    assert all(problem.severity == "error" for problems in checked.bad.values() for problem in problems)
    return sorted(checked.bad)


@pytest.mark.parametrize("frames", [[1], [2], [3], [1, 2], [1, 3], [2, 3]])
def test_frames_without_file_are_bad_alone(project, frames):
    for frame in frames:
        project.plate("wide", frame).unlink()
    assert bad(project) == frames
    assert bad(project, "close") == []
    outcome = project.run()
    assert sorted(frame for _, frame in outcome.failed) == frames
    assert len(outcome.rendered) == 6 - len(frames)


@pytest.mark.parametrize("frame", [1, 2, 3])
def test_one_frame_of_another_resolution_is_bad_alone(project, frame):
    write_plate(project.plate("wide", frame), size=(16, 10))
    assert bad(project) == [frame]


@pytest.mark.parametrize("frame", [1, 2, 3])
def test_one_frame_without_a_channel_is_bad_alone(project, frame):
    write_plate(project.plate("wide", frame), channels="RG")
    assert bad(project) == [frame]


@pytest.mark.parametrize("frame", [1, 2, 3])
def test_one_frame_that_is_no_picture_is_bad_alone(project, frame):
    project.plate("wide", frame).write_bytes(b"not a picture")
    assert bad(project) == [frame]


def test_a_frame_that_is_bad_says_only_what_is_wrong_with_it(project):
    project.plate("wide", 1).unlink()
    outcome = project.run()
    (message,) = outcome.failed.values()
    assert str(project.plate("wide", 1).name) in message or "plate.{frame:04d}.exr: 1" in message
    # It was checked together with another frame, which is of no interest.
    assert "of 2 frames" not in message


@pytest.mark.slow
def test_a_plate_that_has_every_second_frame_is_rendered_there(tmp_path):
    project = Project(tmp_path, frames=range(1, 40, 2), shots=("wide",))
    project.write_graph(frames="0-39")
    assert bad(project) == list(range(0, 40, 2))
    assert len(project.run().rendered) == 20


def test_a_shot_that_has_no_good_frame_is_wrong_as_a_whole_and_the_message_is_about_the_files(project):
    for frame in (1, 2, 3):
        project.plate("wide", frame).unlink()
    with pytest.raises(CheckError, match='shot "wide"') as raised:
        project.run()
    assert {problem.node for problem in raised.value.problems} == {"plate"}
    assert_nothing_was_written(project)


def test_many_frames_with_few_bad_ones_are_not_looked_at_one_by_one(tmp_path, monkeypatch):
    from stackcomp.batch import checking

    project = Project(tmp_path, frames=range(1, 129), shots=("wide",))
    project.write_graph(frames="1-128")
    project.plate("wide", 77).unlink()
    calls = []
    check = checking.check_graph
    monkeypatch.setattr(checking, "check_graph", lambda *a, **o: calls.append(o["frames"]) or check(*a, **o))
    assert bad(project) == [77]
    # All together, one alone, then 7 times two halves.
    assert len(calls) <= 2 + 1 + 2 * 7


# -- shots and each other's files ----------------------------------------------------------------------------


def test_two_shots_that_write_the_same_files_are_refused(project):
    project.write(variables={"out": "out"})
    problems = everything(project)
    assert rules(problems) == ["output-twice"] * 2
    assert 'shot "close": would write' in problems[0].message
    assert 'as shot "wide" does' in problems[0].message
    assert "${shot_name}" in problems[0].way_out
    with pytest.raises(CheckError):
        project.run()
    assert_nothing_was_written(project)


@pytest.mark.parametrize("same_plates", [True, False])
def test_nor_may_they_one_after_the_other(project, same_plates):
    shared = {"out": "out", **({"plates": "plates/wide"} if same_plates else {})}
    project.write(variables=shared, shots={"wide": {}, "close": {"set": {"brighter.stops": 2}}})
    for shot in ("wide", "close"):
        with pytest.raises(CheckError):
            project.run(shots=(shot,))
    assert_nothing_was_written(project)


@pytest.mark.parametrize("frames", [(1,), (2,), None])
def test_frames_that_would_write_one_file_are_refused_also_one_by_one(project, frames):
    project.write_graph({"exr.path": "${out}/comp.exr", "png": None})
    with pytest.raises(CheckError, match="both write"):
        project.run(shots=("wide",), frames=frames)
    assert not list(project.folder.rglob("comp.exr"))


@pytest.mark.slow
def test_what_another_graph_delivered_is_not_replaced_unasked(project):
    project.run()
    project.write_graph({"brighter.stops": 3}, name="other.json")
    project.write(graph="graphs/other.json")
    before = project.output("wide", 1).read_bytes()
    with pytest.raises(CheckError, match="another graph delivered"):
        project.run()
    assert project.output("wide", 1).read_bytes() == before
    assert len(project.run(replace_foreign=True).rendered) == 6


def test_shots_whose_frames_differ_may_share_a_folder(project):
    for frame in (4, 5):
        write_plate(project.plate("close", frame), frame)
    project.write(variables={"out": "out"}, shots={"wide": {"frames": "1-3"}, "close": {"frames": "4-5"}})
    assert everything(project) == []
    assert len(project.run().rendered) == 5
    assert project.due() == {}


def test_two_shots_that_write_the_same_files_under_two_names_are_refused(project):
    (project.folder / "out" / "wide").mkdir(parents=True)
    (project.folder / "out" / "close").symlink_to(project.folder / "out" / "wide")
    assert set(rules(everything(project))) == {"output-twice"}


def test_a_shot_that_reads_what_another_writes_is_refused(project):
    project.write_graph(
        {"plate": {"kind": "read", "path": "out/wide/comp.{frame:04d}.exr", "encoding": "ACEScg"},
         "exr.path": "out/again/comp.{frame:04d}.exr", "png.path": "out/again/comp.{frame:04d}.png"},
        name="second.json",
    )  # fmt: skip
    project.run(shots=("wide",))
    project.write(shots={"wide": {}, "close": {"graph": "graphs/second.json"}})
    problems = everything(project)
    assert rules(problems) == ["overwrites-input"]
    assert problems[0].message.startswith('shot "wide": would write')
    with pytest.raises(CheckError):
        project.run(again=True)


def test_nor_may_it_be_written_where_the_reader_is_not_rendered_now(project):
    project.write(shots={"wide": {}, "close": {"variables": {"plates": "out/wide"}}})
    project.write_graph({"plate.path": "${plates}/plate.{frame:04d}.exr"})
    for frame in (1, 2, 3):
        write_plate(project.folder / "out" / "wide" / f"plate.{frame:04d}.exr", frame)
    project.write(
        shots={"wide": {"set": {"exr.path": "out/wide/plate.{frame:04d}.exr"}},
               "close": {"variables": {"plates": "out/wide"}}},
    )  # fmt: skip
    before = (project.folder / "out" / "wide" / "plate.0002.exr").read_bytes()
    with pytest.raises(CheckError):
        project.run(shots=("wide",), replace_foreign=True)
    assert (project.folder / "out" / "wide" / "plate.0002.exr").read_bytes() == before


def test_a_shot_that_writes_over_its_own_plates_is_reported_once(project):
    project.write_graph({"exr.path": "${plates}/plate.{frame:04d}.exr"})
    project.write(shots={"wide": {}})
    assert rules(everything(project)) == ["overwrites-input"]


def test_a_file_of_variables_is_not_written_over(project):
    (project.folder / "found.json").write_text('{"stops": 1}')
    project.write(variables="found.json", shots={"wide": {"frames": "1"}})
    project.write_graph({"png.path": "found.json", "png.replace": "anything"})
    problems = everything(project)
    assert "found.json" in str(problems)
    with pytest.raises(GraphError):
        project.run()
    assert (project.folder / "found.json").read_text() == '{"stops": 1}'


def test_clashes_are_looked_for_once_and_not_once_a_shot(tmp_path, monkeypatch):
    # Twice as many shots are twice the work, not four times.
    from stackcomp.check import originals

    def looked_up(count: int) -> int:
        shots = [f"s{k}" for k in range(count)]
        project = Project(tmp_path / str(count), frames=(1,), shots=shots)
        project.write_graph(frames="1")
        works = project.open().works
        calls = []
        made = originals._Sequence.__init__
        with monkeypatch.context() as patch:
            patch.setattr(originals._Sequence, "__init__", lambda *a: calls.append(a) or made(*a))
            assert clashes(works, [work.frames for work in works]) == []
        return len(calls)

    assert looked_up(8) <= 3 * looked_up(4)
