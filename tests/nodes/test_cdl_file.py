"""cdl with its numbers in a file: the same picture, checked before, an input like any other."""

from __future__ import annotations

import os

import numpy as np
import PyOpenColorIO
import pytest

from stackcomp import CheckError, Composition, DocumentError, Graph, Image
from stackcomp.deliver.provenance import graph_hash
from stackcomp.files import exr
from stackcomp.files.cdl import Correction, read_corrections, write_corrections

GRADE = Correction((1.35, 1.1, 0.071), (0.05, -0.23, 0.11), (0.93, 0.81, 1.27), 1.23, id="dusk")
NOON = Correction(saturation=0.5, id="noon")


@pytest.fixture
def folder(tmp_path):
    write_corrections(tmp_path / "one.cc", [GRADE])
    write_corrections(tmp_path / "two.ccc", [NOON, GRADE])
    return tmp_path


def picture(seed=1):
    return np.random.default_rng(seed).uniform(-0.2, 1.5, (6, 8, 3)).astype(np.float32)


def graph(**fields):
    made = Graph(frames="1")
    made.add("flat", "p", size=[8, 6])
    made.add("cdl", "graded", image="p", **fields)
    return made


def graded(folder, pixels, **fields):
    comp = Composition(graph(**fields), root=folder)
    return comp.render("graded", 1, replace={"p": Image.from_array(pixels)}).to_array()


@pytest.mark.parametrize("clamp", [True, False])
@pytest.mark.parametrize(
    "chosen", [{"file": "one.cc"}, {"file": "two.ccc", "id": "dusk"}, {"file": "two.ccc", "id": 1}]
)
def test_the_same_as_the_numbers_themselves(folder, clamp, chosen):
    numbers = {name: getattr(GRADE, name) for name in ("slope", "offset", "power", "saturation")}
    expected = graded(folder, picture(), clamp=clamp, **numbers)
    np.testing.assert_array_equal(graded(folder, picture(), clamp=clamp, **chosen), expected)


@pytest.mark.parametrize("clamp", [True, False])
def test_opencolorio_agrees_on_its_own_test_file(material, clamp):
    folder = material / "ocio-tests" / "tests" / "data" / "files"
    for chosen in ("cc0001", "cc0002", "cc0003"):
        transform = PyOpenColorIO.CDLTransform.CreateFromFile(str(folder / "cdl_test1.ccc"), chosen)
        transform.setStyle(PyOpenColorIO.CDL_ASC if clamp else PyOpenColorIO.CDL_NO_CLAMP)
        theirs = picture()
        processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform)
        processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_NONE).applyRGB(theirs)
        got = graded(folder, picture(), clamp=clamp, file="cdl_test1.ccc", id=chosen)
        np.testing.assert_allclose(got, theirs, rtol=2e-5, atol=2e-6)


@pytest.mark.parametrize(
    ("fields", "message", "field"),
    [
        ({"file": "on.cc"}, 'did you mean "one.cc"', "file"),
        ({"file": "two.ccc"}, 'choose one by "id": "noon", "dusk"', "id"),
        ({"file": "two.ccc", "id": "duk"}, 'did you mean "dusk"', "id"),
        ({"file": "two.ccc", "id": 2}, "positions are 0 to 1", "id"),
        ({"file": "broken.cc"}, "broken.cc: line 2: it is not XML", "file"),
    ],
)
def test_mistakes_in_the_file_are_reported_before_a_pixel_is_read(folder, fields, message, field):
    (folder / "broken.cc").write_text("<ColorCorrection>\n<SOPNode")
    (problem,) = Composition(graph(**fields), root=folder).check()
    assert problem.severity == "error"
    assert message in str(problem)
    assert (problem.node, problem.field) == ("graded", field)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"file": "one.cc", "slope": [1, 1, 1]}, 'has a "file" and "slope" as well'),
        ({"file": "one.cc", "power": 2, "saturation": 1}, 'has a "file" and "power" and "saturation" as well'),
        ({"id": "dusk"}, 'has an "id" without a "file"'),
    ],
)
def test_numbers_here_or_in_the_file(folder, fields, message):
    with pytest.raises(DocumentError) as caught:
        Composition(graph(**fields), root=folder).check()
    assert message in str(caught.value)


def delivering(path="out.{frame:04d}.exr", **fields):
    made = graph(**fields)
    made.add("deliver", "out", image="graded", path=path)
    return made


def inputs_hash(folder, made):
    Composition(made, root=folder).deliver()
    return exr.read_header(folder / "out.0001.exr").metadata["stackcomp/inputs"]


def test_what_is_in_the_file_is_an_input(folder):
    made = delivering(file="one.cc")
    first = inputs_hash(folder, made)
    assert first == inputs_hash(folder, made)
    before = exr.read(folder / "out.0001.exr", ["R"]).planes["R"]
    write_corrections(folder / "one.cc", [Correction(offset=(0.25, 0, 0))])
    os.utime(folder / "one.cc", ns=(1, 1))
    assert inputs_hash(folder, made) != first
    assert exr.read(folder / "out.0001.exr", ["R"]).planes["R"][0, 0] != before[0, 0]
    # Where it lies does not matter, only what is in it; which correction is taken does.
    (folder / "moved").mkdir()
    os.rename(folder / "one.cc", folder / "moved" / "one.cc")
    moved = delivering(file="moved/one.cc")
    assert graph_hash(moved.document()) == graph_hash(made.document())
    assert graph_hash(delivering(file="one.cc", id=0).document()) != graph_hash(made.document())


def test_it_is_never_written_over(folder):
    os.link(folder / "one.cc", folder / "grade.exr")
    (problem,) = Composition(delivering("grade.exr", file="grade.exr"), root=folder).check()
    assert problem.rule == "overwrites-input"
    assert 'over what node "graded" reads' in str(problem)
    with pytest.raises(CheckError, match="would write"):
        Composition(delivering("grade.exr", file="grade.exr"), root=folder).deliver()
    assert read_corrections(folder / "one.cc") == [GRADE]
