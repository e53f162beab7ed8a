"""Which frames are rendered again, and why. A fresh render into an empty folder says what the files must be."""

from __future__ import annotations

import os
import random
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image as Pillow
from slow_cases import few_fast
from small_sequence import Project, contents, write_plate

from stackcomp.batch import due as due_module
from stackcomp.batch.ledger import Ledger

ALL = [(shot, frame) for shot in ("close", "wide") for frame in (1, 2, 3)]
WIDE_2 = ("wide", 2)


@pytest.fixture
def project(tmp_path) -> Project:
    """A sequence that is rendered."""
    project = Project(tmp_path / "project")
    assert project.run().rendered == ALL
    return project


def fresh(project: Project) -> dict[str, Any]:
    """What a render of the same material into an empty folder gives."""
    with tempfile.TemporaryDirectory() as folder:
        other = Project.__new__(Project)
        other.folder = Path(folder) / "project"
        other.file = other.folder / project.file.name
        shutil.copytree(project.folder, other.folder, ignore=shutil.ignore_patterns("out"))
        other.run()
        return contents(other.folder / "out")


def assert_as_fresh(project: Project) -> None:
    assert project.due() == {}
    assert contents(project.folder / "out") == fresh(project)


def touch(path: Path) -> None:
    state = path.stat()
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns + 10**9))


def test_nothing_is_rendered_twice(project):
    files = {path: path.stat() for path in project.folder.rglob("comp.*")}
    outcome = project.run()
    assert (outcome.rendered, outcome.summary.up_to_date, outcome.summary.ok) == ([], 6, True)
    assert {path: path.stat() for path in project.folder.rglob("comp.*")} == files
    assert_as_fresh(project)


def test_again_renders_all_and_gives_the_same_bytes(project):
    before = contents(project.folder / "out")
    assert set(project.due(again=True).values()) == {("again", "it was asked for")}
    assert project.run(again=True, shots=("wide",)).rendered == [("wide", 1), ("wide", 2), ("wide", 3)]
    assert contents(project.folder / "out") == before


# -- outputs -------------------------------------------------------------------------------------------------


def halved(data: bytes) -> bytes:
    return data[: len(data) // 2]


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "cut in half": halved,
    "last byte gone": lambda data: data[:-1],
    "last 12 bytes gone": lambda data: data[:-12],
    "first bytes left": lambda data: data[:10],
    "empty": lambda data: b"",
    "zeroed": lambda data: bytes(len(data)),
    "second half zeroed": lambda data: halved(data) + bytes(len(data) - len(data) // 2),
    "appended": lambda data: data + b"\0" * 7,
    "one bit": lambda data: data[:-300] + bytes([data[-300] ^ 8]) + data[-299:],
}


#: All damages and both formats, each damage with one of them; slow tests pair the others.
PAIRS = [(damage, ("exr", "png")[k % 2]) for k, damage in enumerate(DAMAGES)]
OTHERS = [
    pytest.param(damage, "exr" if ending == "png" else "png", marks=pytest.mark.slow) for damage, ending in PAIRS
]


@pytest.mark.parametrize(("damage", "ending"), few_fast(PAIRS, 5, pairs=True) + OTHERS)
def test_a_damaged_output_is_rendered_again(project, ending, damage):
    path = project.output("wide", 2, ending)
    whole = path.read_bytes()
    path.write_bytes(DAMAGES[damage](whole))
    assert project.due() == {WIDE_2: ("damaged", f"{path} has changed")}
    outcome = project.run()
    assert outcome.failed == {}
    assert outcome.rendered == [WIDE_2]
    assert path.read_bytes() == whole
    assert_as_fresh(project)


@pytest.mark.slow
@pytest.mark.parametrize("ending", ["jpg", "tif"])
@pytest.mark.parametrize("damage", [name for name in DAMAGES if name not in ("one bit",)])
def test_damaged_stills_of_other_formats_are_rendered_again(tmp_path, ending, damage):
    project = Project(tmp_path, frames=(1,), shots=("wide",))
    project.write_graph({"png.path": "${out}/comp.{frame:04d}." + ending, "exr": None}, frames="1")
    project.run()
    path = project.output("wide", 1, ending)
    whole = path.read_bytes()
    path.write_bytes(DAMAGES[damage](whole))
    assert project.run().failed == {}
    assert path.read_bytes() == whole


@pytest.mark.parametrize("ending", ["exr", "png"])
def test_a_missing_output_is_rendered_again(project, ending):
    path = project.output("wide", 2, ending)
    path.unlink()
    assert project.due() == {WIDE_2: ("missing", f"{path} is missing")}
    assert project.run().rendered == [WIDE_2]
    assert_as_fresh(project)


def test_a_folder_that_is_gone_is_rendered_again(project):
    shutil.rmtree(project.folder / "out" / "close")
    assert {shot for shot, _ in project.due()} == {"close"}
    assert len(project.run().rendered) == 3
    assert_as_fresh(project)


def test_an_output_that_was_only_touched_is_up_to_date(project):
    touch(project.output("wide", 2))
    touch(project.output("wide", 2, "png"))
    assert project.due() == {}
    assert project.run().rendered == []


@pytest.mark.parametrize("damage", ["one bit", "zeroed", "second half zeroed"])
def test_damage_that_keeps_size_and_time_is_found_by_checksums(project, damage):
    path = project.output("wide", 2)
    state = path.stat()
    path.write_bytes(DAMAGES[damage](path.read_bytes()))
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert project.due() == {}
    assert project.due(checksums=True) == {WIDE_2: ("damaged", f"{path} has changed")}
    outcome = project.run(checksums=True)
    assert outcome.failed == {}
    assert outcome.rendered == [WIDE_2]
    assert project.due(checksums=True) == {}
    assert_as_fresh(project)


def test_an_output_in_whose_place_is_a_folder_fails_alone(project):
    path = project.output("wide", 2)
    path.unlink()
    path.mkdir()
    outcome = project.run()
    assert list(outcome.failed) == [WIDE_2]
    assert path.is_dir()


# -- somebody else's work ------------------------------------------------------------------------------------


def retouched(path: Path) -> bytes:
    """Save a picture again by another program, with a dot in it; returns what is on the disk then."""
    if path.suffix == ".png":
        with Pillow.open(path) as picture:
            picture.load()
            picture.paste((255, 0, 0), (2, 2, 5, 5))
            picture.save(path)
        return path.read_bytes()
    oiio = pytest.importorskip("OpenImageIO")
    picture = oiio.ImageBuf(str(path))
    oiio.ImageBufAlgo.fill(picture, (1.0, 0.0, 0.0), oiio.ROI(2, 5, 2, 5))
    assert picture.write(str(path))
    return path.read_bytes()


@pytest.mark.parametrize("ending", ["exr", "png"])
@pytest.mark.parametrize("options", [{}, {"again": True}, {"checksums": True}], ids=str)
def test_what_somebody_retouched_is_never_rendered_over(project, ending, options):
    path = project.output("wide", 2, ending)
    there = retouched(path)
    for _ in range(2):
        outcome = project.run(**options)
        assert list(outcome.failed) == [WIDE_2]
        assert "did not write" in outcome.failed[WIDE_2]
        assert path.name in outcome.failed[WIDE_2]
        assert path.read_bytes() == there
    assert len(outcome.rendered) == (5 if options.get("again") else 0)


@pytest.mark.slow
@pytest.mark.parametrize("change", ["plate", "parameter", "both files"])
def test_nor_where_the_frame_is_out_of_date_as_well(project, change):
    path = project.output("wide", 2, "png")
    there = retouched(path)
    if change == "plate":
        write_plate(project.plate("wide", 2), 99)
    elif change == "parameter":
        project.write_graph({"brighter.stops": 1})
    else:
        project.output("wide", 2).write_bytes(b"")
    assert list(project.run().failed) == [WIDE_2]
    assert path.read_bytes() == there


def test_a_whole_shot_that_was_retouched_stops_no_other(project):
    there = {path: retouched(path) for path in (project.folder / "out" / "wide").glob("*.png")}
    project.write_graph({"brighter.stops": 1})
    outcome = project.run()
    assert outcome.rendered == [("close", 1), ("close", 2), ("close", 3)]
    assert set(outcome.failed) == {("wide", 1), ("wide", 2), ("wide", 3)}
    assert {path: path.read_bytes() for path in there} == there


def test_retouched_work_is_replaced_where_that_is_allowed(project):
    retouched(project.output("wide", 2, "png"))
    assert project.run(replace_foreign=True).rendered == [WIDE_2]
    assert_as_fresh(project)


def test_retouched_work_that_was_moved_away_is_rendered_again(project, tmp_path):
    retouched(project.output("wide", 2, "png"))
    assert not project.run().summary.ok
    project.output("wide", 2, "png").rename(tmp_path / "kept.png")
    assert project.due()[WIDE_2][0] in ("failed", "missing")
    assert project.run().rendered == [WIDE_2]
    assert_as_fresh(project)


def test_a_picture_that_somebody_put_there_first_is_not_replaced(tmp_path):
    project = Project(tmp_path)
    write_plate(project.output("wide", 2), 5)
    there = project.output("wide", 2).read_bytes()
    assert project.due()[WIDE_2] == ("missing", "the ledger does not know it")
    outcome = project.run()
    assert list(outcome.failed) == [WIDE_2]
    assert len(outcome.rendered) == 5
    assert project.output("wide", 2).read_bytes() == there


# -- inputs --------------------------------------------------------------------------------------------------


def test_a_plate_with_other_contents_counts_for_its_frame_alone(project):
    write_plate(project.plate("wide", 2), 99)
    assert project.due() == {WIDE_2: ("out of date", f"{project.plate('wide', 2)} has changed")}
    assert project.run().rendered == [WIDE_2]
    assert_as_fresh(project)


def test_a_plate_that_was_only_touched_or_copied_over_itself_does_not(project):
    for frame in (1, 2):
        touch(project.plate("wide", frame))
    data = project.plate("wide", 3).read_bytes()
    project.plate("wide", 3).unlink()
    project.plate("wide", 3).write_bytes(data)
    assert project.due() == {}


def test_a_plate_of_the_same_size_and_time_is_found_by_checksums(project):
    path = project.plate("wide", 2)
    state = path.stat()
    write_plate(path, 99)
    assert path.stat().st_size == state.st_size
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert project.due() == {}
    assert project.due(checksums=True) == {WIDE_2: ("out of date", f"{path} has changed")}
    assert project.run(checksums=True).rendered == [WIDE_2]
    assert_as_fresh(project)


def test_a_plate_that_is_a_link_to_another_file_now_counts(project):
    path = project.plate("wide", 2)
    path.unlink()
    path.symlink_to(project.plate("close", 3))
    assert list(project.due()) == [WIDE_2]
    assert project.run().rendered == [WIDE_2]
    path.unlink()
    shutil.copy(project.plate("close", 3), path)
    assert project.due() == {}


def test_a_missing_plate_fails_alone_and_its_output_stays(project):
    path = project.plate("wide", 2)
    output = project.output("wide", 2).read_bytes()
    data = path.read_bytes()
    path.unlink()
    assert project.due() == {WIDE_2: ("out of date", f"{path} is missing")}
    outcome = project.run()
    assert list(outcome.failed) == [WIDE_2]
    assert "no file" in outcome.failed[WIDE_2]
    assert not outcome.summary.ok
    assert project.output("wide", 2).read_bytes() == output
    assert project.due()[WIDE_2][0] == "failed"
    path.write_bytes(data)
    assert project.run().rendered == [WIDE_2]
    assert_as_fresh(project)


def test_a_frame_that_failed_says_why_and_is_tried_again(tmp_path):
    project = Project(tmp_path)
    data = project.plate("wide", 2).read_bytes()
    project.plate("wide", 2).write_bytes(data[:-40])
    assert list(project.run().failed) == [WIDE_2]
    status, why = project.due()[WIDE_2]
    assert status == "failed"
    assert str(project.plate("wide", 2)) in why
    assert list(project.run().failed) == [WIDE_2]
    project.plate("wide", 2).write_bytes(data)
    assert project.run().rendered == [WIDE_2]
    assert_as_fresh(project)


def test_stop_at_first_leaves_the_others(tmp_path):
    project = Project(tmp_path)
    project.plate("wide", 2).unlink()
    outcome = project.run(keep_going=False)
    assert list(outcome.failed) == [WIDE_2]
    assert sorted([*outcome.rendered, *outcome.summary.left, WIDE_2]) == ALL
    assert outcome.summary.left


# -- the graph -----------------------------------------------------------------------------------------------


def test_a_changed_parameter_counts_for_all_frames(project):
    project.write_graph({"brighter.stops": 1})
    assert set(project.due().values()) == {("out of date", 'node "brighter" has changed')}
    assert project.run().rendered == ALL
    assert_as_fresh(project)


def test_a_changed_parameter_of_one_shot_counts_for_it_alone(project):
    project.write(shots={"wide": {}, "close": {"set": {"brighter.stops": 1}}})
    assert set(project.due()) == {("close", 1), ("close", 2), ("close", 3)}
    assert project.run().rendered == [("close", 1), ("close", 2), ("close", 3)]
    assert_as_fresh(project)


def test_a_variable_counts_as_the_value_that_it_brings(project):
    assert project.due("stops=0.5") == {}
    assert len(project.due("stops=0.75")) == 6
    project.write(variables={"stops": 0.5})
    assert project.due() == {}


def test_a_key_beyond_the_frame_does_not_count(project):
    keys = {"keys": [[1, 0.5], [2, 0.5], [3, 1]], "between": "linear"}
    project.write_graph({"brighter.stops": keys})
    assert set(project.due()) == {("close", 3), ("wide", 3)}
    project.run()
    project.write_graph({"brighter.stops": {**keys, "keys": [*keys["keys"], [5, 3]]}})
    assert project.due() == {}
    assert_as_fresh(project)


def test_notes_and_nodes_that_nothing_depends_on_do_not_count(project):
    aside = {"kind": "exposure", "image": "light", "stops": 3}
    project.write_graph({"brighter.about": "half a stop", "aside": aside}, about="another text")
    assert project.due() == {}
    assert_as_fresh(project)


def test_a_read_that_no_deliver_node_depends_on_does_not_count(project):
    aside = {"kind": "read", "path": "plates/close/plate.{frame:04d}.exr", "encoding": "ACEScg"}
    project.write_graph({"aside": aside})
    assert project.due() == {}


@pytest.mark.slow
def test_new_frames_alone_are_rendered_where_the_range_grows(project):
    for frame in (0, 4):
        for shot in ("wide", "close"):
            write_plate(project.plate(shot, frame), frame + 40)
    project.write_graph(frames="0-4")
    new = [("close", 0), ("close", 4), ("wide", 0), ("wide", 4)]
    assert sorted(project.due()) == new
    assert set(project.due().values()) == {("missing", "it was not rendered yet")}
    assert project.run().rendered == new
    assert_as_fresh(project)
    project.write_graph(frames="2-3")
    assert project.due() == {}


def test_handles_alone_are_rendered_where_they_are_new(project):
    for frame in (0, 4):
        write_plate(project.plate("wide", frame), frame + 40)
    project.write(shots={"wide": {"handles": 1}, "close": {}})
    assert project.run().rendered == [("wide", 0), ("wide", 4)]
    assert_as_fresh(project)


def test_another_output_is_rendered_for_all_frames(project):
    project.write_graph({"tif": {"kind": "deliver", "image": "brighter", "path": "${out}/comp.{frame:04d}.tif"}})
    assert len(project.due()) == 6
    project.run()
    assert project.due() == {}


@pytest.mark.slow
def test_another_read_of_the_same_files_counts(project):
    # Both plates are read, and change places: the set of files stays as it was.
    reads = {
        "plate.path": "plates/wide/plate.{frame:04d}.exr",
        "other": {"kind": "read", "path": "plates/close/plate.{frame:04d}.exr", "encoding": "ACEScg"},
        "other_light": {"kind": "pick_channels", "layers": "other", "as": "colour"},
        "exr.image": "other_light",
    }
    project.write_graph(reads)
    project.run()
    project.write_graph({**reads, "plate.path": reads["other"]["path"], "other": {
        **reads["other"], "path": reads["plate.path"]}})  # fmt: skip
    project.run()
    assert contents(project.folder / "out") == fresh(project)


@pytest.mark.slow
def test_outputs_that_change_places_count(project):
    nodes = {
        "png.image": "light",
        "png2": {"kind": "deliver", "image": "brighter", "path": "${out}/second.{frame:04d}.png"},
    }
    project.write_graph(nodes)
    project.run()
    swapped = {**nodes["png2"], "path": "${out}/comp.{frame:04d}.png"}
    project.write_graph({**nodes, "png2": swapped, "png.path": "${out}/second.{frame:04d}.png"})
    project.run()
    assert contents(project.folder / "out") == fresh(project)


def test_another_version_of_the_program_counts(project, monkeypatch):
    monkeypatch.setattr(due_module, "__version__", "99.0")
    assert {status for status, _ in project.due().values()} == {"out of date"}
    assert "made by stackcomp" in project.due()[WIDE_2][1]


def test_reasons_name_some_nodes_and_count_the_others(project):
    chain = {f"n{k}": {"kind": "exposure", "image": f"n{k - 1}" if k else "light", "stops": 0.1} for k in range(6)}
    project.write_graph({**chain, "brighter.image": "n5"})
    assert project.due()[WIDE_2][1] == 'node "brighter" has changed'
    project.run()
    for node in chain.values():
        node["stops"] = 0.2
    project.write_graph({**chain, "brighter.image": "n5"})
    assert project.due()[WIDE_2][1] == 'nodes "n5", "n4", "n3" and 3 more have changed'


# -- names and numbers ---------------------------------------------------------------------------------------


@pytest.mark.slow
def test_names_with_spaces_dots_and_any_letters_are_up_to_date_afterwards(tmp_path):
    names = ["a b", "v1.2", "灯台", "e\u0301t\u00e9", "-x", "a#1", "it's", "+(1)", "~"]
    project = Project(tmp_path / "a b's #1 “é”", frames=(0, 1), shots=names)
    project.write_graph(frames="0-1")
    assert len(project.run().rendered) == 2 * len(names)
    assert project.due() == {}
    assert len(list(project.folder.glob("out/*/comp.*.png"))) == 2 * len(names)
    project.output("灯台", 0).unlink()
    assert list(project.due()) == [("灯台", 0)]


def test_the_ledger_is_read_once_and_not_once_a_shot(project, monkeypatch):
    calls = []
    entries = Ledger.entries
    monkeypatch.setattr(Ledger, "entries", lambda ledger: calls.append(ledger) or entries(ledger))
    assert project.due() == {}
    assert len(calls) == 1


def test_outputs_whose_size_and_time_are_as_recorded_are_not_read(project, monkeypatch):
    # Before a frame is rendered again for another reason: the outputs of a batch may be terabytes.
    read = []
    monkeypatch.setattr(due_module, "_is_damaged", lambda path, record: read.append(path))
    project.write_graph({"brighter.stops": 1})
    assert project.run().rendered == ALL
    assert read == []


# -- anything, in any order ----------------------------------------------------------------------------------


class Model:
    """What is known of a project without its program: what each frame is made from, and which files were hurt."""

    def __init__(self, project: Project) -> None:
        self.project = project
        self.seeds = {key: 100 * (key[0] == "close") + key[1] for key in ALL}
        self.stops: dict[str, float] = {"wide": 0.5, "close": 0.5}
        self.key_beyond = 1.0
        self.hurt: set[tuple[str, int]] = set()
        self.made: dict[tuple[str, int], Any] = {}

    def depends_on(self, key: tuple[str, int]) -> Any:
        return self.seeds[key], self.stops[key[0]]

    @property
    def due(self) -> list[tuple[str, int]]:
        return [key for key in ALL if key in self.hurt or self.made.get(key) != self.depends_on(key)]

    def change(self, what: str, key: tuple[str, int], number: int) -> None:
        project, draw = self.project, random.Random(number)
        if what == "plate":
            self.seeds[key] = number
            write_plate(project.plate(*key), number)
        elif what == "touch":
            touch(project.plate(*key))
        elif what == "stops":
            self.stops[key[0]] = draw.choice([0.25, 0.5, 1.0])
        elif what == "key beyond":
            self.key_beyond = float(number % 7)
        elif what in ("remove", "damage"):
            path = project.output(*key, draw.choice(["exr", "png"]))
            self.hurt.add(key)
            if what == "remove":
                path.unlink(missing_ok=True)
            elif path.exists():
                path.write_bytes(
                    DAMAGES[draw.choice(["cut in half", "zeroed", "appended", "empty"])](path.read_bytes())
                )
        keys = {"keys": [[9, 0.0], [10, self.key_beyond]], "between": "linear"}
        aside = {"kind": "exposure", "image": "light", "stops": number % 5}
        project.write_graph(
            {"brighter.amount": 1.0, "aside": aside, "light.about": str(number), "png.viewing_stops": keys}
        )
        project.write(shots={shot: {"set": {"brighter.stops": value}} for shot, value in self.stops.items()})


CHANGES = st.lists(
    st.lists(
        st.tuples(
            st.sampled_from(["plate", "touch", "stops", "key beyond", "remove", "damage"]),
            st.sampled_from(ALL),
            st.integers(0, 10**6),
        ),
        min_size=1,
        max_size=4,
    ),
    min_size=1,
    max_size=3,
)


@pytest.mark.slow
@settings(max_examples=8)
@given(CHANGES)
def test_after_any_changes_exactly_what_is_due_is_rendered_and_all_is_as_in_a_fresh_render(rounds):
    with tempfile.TemporaryDirectory() as folder:
        project = Project(Path(folder) / "project")
        model = Model(project)
        model.change("stops", ALL[0], 1)
        for changes in ([], *rounds):
            for change in changes:
                model.change(*change)
            assert sorted(project.due()) == model.due
            assert project.run().rendered == model.due
            model.made, model.hurt = {key: model.depends_on(key) for key in ALL}, set()
        assert_as_fresh(project)


def test_the_comparison_with_a_fresh_render_can_fail(project):
    there = contents(project.folder / "out")
    retouched(project.output("wide", 2))
    assert contents(project.folder / "out") != there
    with Pillow.open(project.output("wide", 1, "png")) as picture:
        pixels = np.array(picture)
    pixels[0, 0, 0] ^= 1
    Pillow.fromarray(pixels).save(project.output("wide", 1, "png"))
    assert contents(project.folder / "out")["wide/comp.0001.png"] != there["wide/comp.0001.png"]
