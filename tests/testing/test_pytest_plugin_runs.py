"""The pytest plugin in runs of its own: names, processes, files of others, and runs that do not use it."""

import json
import os
import re
import subprocess
import sys

import numpy as np
import pytest
from render_studio import Studio, keep

from stackcomp import Image
from stackcomp.files import exr
from stackcomp.files import mark as marks

pytest_plugins = ["pytester"]

NAMES = """
import unittest
import pytest

def test_plain(compare_render):
    compare_render("comp.json", "lamp", 1)

@pytest.mark.parametrize("shot", ["graphs/wide.json", "a::b", "[x]", "caf\\u00e9", "a", "x" * 200, ""])
def test_shot(compare_render, shot):
    compare_render("comp.json", "lamp", 1)

class TestLantern:
    class TestClose:
        def test_lamp(self, compare_render):
            compare_render("comp.json", "lamp", 1)

    def test_lamp(self, compare_render):
        compare_render("comp.json", "lamp", 1)

    def test_two(self, compare_render):
        compare_render("comp.json", "lamp", 1, reference="close/lamp")
        compare_render("comp.json", "graded", 1, reference="close/graded.exr")

def test_größe(compare_render):
    compare_render("comp.json", "lamp", 1)

class OldStyle(unittest.TestCase):
    @pytest.fixture(autouse=True)
    def _take(self, compare_render):
        self.compare = compare_render

    def test_lamp(self):
        self.compare("comp.json", "lamp", 1)
"""


@pytest.fixture
def kept():
    modules = {}
    yield modules
    keep(modules)


@pytest.fixture
def studio(kept, pytester, monkeypatch):
    studio = Studio(pytester, monkeypatch, kept)
    yield studio
    studio.remember(dict(sys.modules))


def look_at_names(studio):
    names = set(studio.references())
    assert len(names) == 14
    assert all(len(name.encode()) < 150 and name.isprintable() for name in names)
    assert {
        "test_names.test_plain.exr",
        "test_names.test_shot-a.exr",
        "test_names.TestLantern.test_lamp.exr",
        "test_names.TestLantern.TestClose.test_lamp.exr",
        "test_names.test_größe.exr",
        "test_names.OldStyle.test_lamp.exr",
        "close/lamp.exr",
        "close/graded.exr",
    } <= names


@pytest.mark.slow
def test_names_of_tests_are_names_of_files(studio):
    studio.write("tests/test_names.py", NAMES)
    studio.run("--update-renders", code=1)
    # Both references of the test with two were written in one run.
    look_at_names(studio)
    studio.run(code=0)


SHARED = """
def test_first(compare_render):
    compare_render("comp.json", "lamp", 1, reference="lamp")

def test_second(compare_render):
    compare_render("comp.json", "lamp", 1, reference="LAMP.exr")

def test_twice(compare_render):
    compare_render("comp.json", "lamp", 1)
    compare_render("comp.json", "graded", 1)
"""


def look_at_shared(studio):
    outcomes = studio.outcomes
    sharing = [outcomes["test_first"], outcomes["test_second"]]
    refused = [text for text in sharing if "is compared with by two tests" in text]
    # Whoever came first could not know; two at the same moment see each other.
    assert refused
    assert all("test_shared.py::test_first and tests/test_shared.py::test_second" in text for text in refused)
    assert "compares with tests/renders/test_shared.test_twice.exr twice" in outcomes["test_twice"]
    for path in (studio.path / "tests/renders").rglob("*.exr"):
        assert exr.read(path).planes["R"].shape == (40, 64)
    assert not list((studio.path / "tests/renders").rglob(".*"))


def test_a_reference_belongs_to_one_test(studio):
    studio.write("tests/test_shared.py", SHARED)
    studio.run("--update-renders", code=1)
    look_at_shared(studio)


@pytest.mark.slow
def test_two_workers(studio):
    """The same in two processes: names, sharing, what was written, and what was not used."""
    studio.write("tests/test_shared.py", SHARED)
    studio.write("tests/test_names.py", NAMES)
    renders = studio.path / "tests/renders"
    renders.mkdir()
    (renders / "gone.exr").write_bytes(b"")
    text = studio.run("--update-renders", "--unused-renders", "-n", "2", code=1, process=True)
    assert "references written, to be looked at" in text
    assert text.partition("references that no test compared with")[2].split()[1] == "tests/renders/gone.exr"
    (renders / "gone.exr").unlink()
    look_at_shared(studio)
    for name in ("lamp", "LAMP", "test_shared.test_twice"):
        (renders / f"{name}.exr").unlink(missing_ok=True)
    look_at_names(studio)


EXPECTED_TO_FAIL = """
import pytest

@pytest.mark.xfail
def test_lamp(compare_render):
    compare_render("comp.json", "lamp", 1)

def test_own_mistake(compare_render):
    compare_render("comp.json", "graded", 1)
    assert False, "a mistake of the test itself"
"""


def test_a_run_that_writes_never_passes(studio):
    studio.write("tests/test_run.py", EXPECTED_TO_FAIL)
    text = studio.run("--update-renders", "-k", "test_lamp", code=1)
    assert "1 xfailed" in text
    assert "references written, to be looked at" in text
    # What was written is told where the test fails of itself, too.
    text = studio.run("--update-renders", "-k", "own_mistake", code=1)
    assert "a mistake of the test itself" in text
    assert "wrote tests/renders/test_run.test_own_mistake.exr" in text


@pytest.mark.slow
def test_files_of_others_stay(studio):
    folder = studio.path / "tests/renders"
    folder.mkdir()
    planes = {name: np.full((40, 64), 0.2, np.float32) for name in "RGBA"}
    picture = Image.from_array(np.stack(list(planes.values()), axis=-1))
    window = picture.window
    exr.write(folder / "foreign.exr", planes, window=window, display=window)
    picture.save(folder / "rendered.exr")
    (folder / "text.exr").write_text("no picture")
    cut = folder / "cut.exr"
    picture.save(cut)
    cut.write_bytes(cut.read_bytes()[:-100])
    os.link(folder / "foreign.exr", studio.path / "plate.exr")
    os.link(folder / "foreign.exr", folder / "original.exr")
    graph = json.loads((studio.path / "comp.json").read_text())
    graph["nodes"]["lamp"] = {"kind": "read", "path": "plate.exr", "encoding": "ACEScg"}
    (studio.path / "read.json").write_text(json.dumps(graph))
    studio.write(
        "tests/test_files.py",
        "import pytest\n"
        "@pytest.mark.parametrize('name', ['foreign', 'rendered', 'text', 'cut'])\n"
        "def test_it(compare_render, name):\n    compare_render('comp.json', 'lamp', 1, reference=name)\n"
        "def test_read(compare_render):\n    compare_render('read.json', 'lamp', 1, reference='original')\n"
        "@pytest.mark.parametrize('name', ['../out', 'still.png', ''])\n"
        "def test_name(compare_render, name):\n    compare_render('comp.json', 'lamp', 1, reference=name)\n",
    )
    before = studio.references()
    text = studio.run("--update-renders", code=1)
    assert studio.references() == before
    outcomes = studio.outcomes
    for name in ("foreign", "text", "cut"):
        assert "which stackcomp did not write" in outcomes[f"test_it[{name}]"]
        assert "--replace-foreign-renders lets it be replaced" in outcomes[f"test_it[{name}]"]
    assert re.search(r"would replace .*rendered\.exr, which holds a picture", outcomes["test_it[rendered]"])
    assert "leads out of the folder" in outcomes["test_name[../out]"]
    assert "is a still" in outcomes["test_name[still.png]"]
    assert "is not the name of a file" in outcomes["test_name[]"]
    assert "references written" not in text

    studio.run(code=1)
    outcomes = studio.outcomes
    # Any OpenEXR file is an expected picture.
    assert "differs from tests/renders/foreign.exr" in outcomes["test_it[foreign]"]
    assert "the file has no records of nodes" in outcomes["test_it[foreign]"]
    for name in ("text", "cut"):
        assert "restore the reference, or delete it" in outcomes[f"test_it[{name}]"]

    studio.run("--update-renders", "--replace-foreign-renders", code=1)
    after = studio.references()
    assert after["original.exr"] == before["original.exr"]
    assert (studio.path / "plate.exr").read_bytes() == before["original.exr"]
    for name in ("foreign", "rendered", "text", "cut"):
        assert after[f"{name}.exr"] != before[f"{name}.exr"]
        assert marks.read(folder / f"{name}.exr") is not None
    studio.run("-k", "test_it", code=0)


@pytest.mark.slow
def test_folders_of_failures(studio):
    studio.write(
        "tests/test_lamp.py",
        "def test_lamp(compare_render):\n"
        "    import os\n"
        "    compare_render('comp.json', 'final', 1, variables={'stops': 1.5 if os.environ['PLANT'] else 0.5})\n",
    )
    studio.run("--update-renders", code=1)
    studio.run("--renders-failed", "mine", "-p", "no:cacheprovider", code=1, plant="yes")
    assert "plate" in studio.outcomes["test_lamp"] or "graded" in studio.outcomes["test_lamp"]
    folder = studio.path / "mine/tests/renders/test_lamp.test_lamp"
    assert (folder / "result.exr").is_file()
    assert f"see {folder.relative_to(studio.path)}" in studio.outcomes["test_lamp"]
    # A second failure replaces the files of the first; one that somebody put there stays.
    (folder / "result.png").write_bytes(b"mine")
    studio.run("--renders-failed", "mine", code=1, plant="yes")
    assert "the folder for its pictures could not be written" in studio.outcomes["test_lamp"]
    assert (folder / "result.png").read_bytes() == b"mine"


def test_no_two_failures_share_a_folder(studio, tmp_path_factory):
    """References with the same name in folders beside each other, and outside of the project."""
    outside = tmp_path_factory.mktemp("outside")
    text = "def test_lamp(compare_render):\n    compare_render('comp.json', 'lamp', 1, reference={!r})\n"
    (studio.path / "tests/close").mkdir()
    references = {
        "tests/test_lamp.py": "close/lamp",
        "tests/close/test_near.py": "lamp",
        "tests/test_out.py": str(outside / "a/lamp.exr"),
        "tests/close/test_out_near.py": str(outside / "b/lamp.exr"),
    }
    for name, reference in references.items():
        studio.write(name, text.format(reference))
    studio.run("--update-renders", code=1)
    reports = list((studio.path / ".pytest_cache/d/failed_renders").rglob("report.json"))
    assert len({json.loads(path.read_text())["test"] for path in reports}) == len(references)


def test_references_that_no_test_uses(studio):
    studio.write(
        "tests/test_lamp.py", "def test_lamp(compare_render):\n    compare_render('comp.json', 'lamp', 1)\n"
    )
    studio.run("--update-renders", code=1)
    renders = studio.path / "tests/renders"
    (renders / "older").mkdir()
    (renders / "older/gone.exr").write_bytes((renders / "test_lamp.test_lamp.exr").read_bytes())
    text = studio.run("--unused-renders", code=0)
    listed = text.partition("references that no test compared with")[2]
    assert "tests/renders/older/gone.exr" in listed
    assert "test_lamp.test_lamp.exr" not in listed


def test_wrong_arguments(studio):
    studio.write(
        "tests/test_wrong.py",
        "import pytest, stackcomp, stackcomp.compare\n"
        "def test_tolerance(compare_render):\n    compare_render('comp.json', 'lamp', 1, tolerance=0.1)\n"
        "def test_layer(compare_render):\n"
        "    tolerance = {'shadwo': stackcomp.compare.Tolerance()}\n"
        "    compare_render('comp.json', 'lamp', 1, tolerance=tolerance)\n"
        "def test_node(compare_render):\n    compare_render('comp.json', 'lamb', 1)\n"
        "def test_graph(compare_render):\n    compare_render('nowhere.json', 'lamp', 1)\n"
        "def test_composition(compare_render):\n"
        "    comp = stackcomp.load('comp.json')\n"
        "    compare_render(comp, 'lamp', 1, variables={'stops': 1})\n"
        "def test_caught(compare_render):\n"
        "    with pytest.raises(stackcomp.CheckError):\n        compare_render('comp.json', 'lamb', 1)\n",
    )
    studio.run("--update-renders", code=1)
    outcomes = studio.outcomes
    assert studio.references() == {}
    assert 'no layer or channel "shadwo"' in outcomes["test_layer"]
    assert "0.1 is no tolerance" in outcomes["test_tolerance"]
    assert 'did you mean "lamp"' in outcomes["test_node"]
    assert "nowhere.json" in outcomes["test_graph"]
    assert "the composition has its own" in outcomes["test_composition"]
    assert outcomes["test_caught"] == ""


@pytest.mark.slow
def test_a_run_without_renders_loads_nothing(studio):
    studio.write(
        "tests/test_other.py",
        "import sys\n"
        "def test_other():\n"
        "    loaded = {name for name in sys.modules if name.startswith('stackcomp')}\n"
        "    known = {'stackcomp', 'stackcomp.pytest_plugin', 'stackcomp.version', 'stackcomp.data',\n"
        "             'stackcomp.data.services'}\n"
        "    assert loaded == known\n"
        "    assert not {'numpy', 'numba', 'pydantic', 'OpenEXR'} & set(sys.modules)\n",
    )
    (studio.path / "tests/conftest.py").unlink()
    studio.run(code=0, process=True)


@pytest.mark.slow
@pytest.mark.parametrize("first", ["stackcomp", "stackcomp.pytest_plugin, stackcomp.composition"])
def test_pytest_does_not_warn_where_the_package_was_imported_before(studio, first):
    studio.write("tests/test_other.py", "def test_other(): pass\n")
    code = f"import sys, {first}, pytest; sys.exit(pytest.main(['-W', 'error']))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=studio.path, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "warning" not in done.stdout.casefold()
