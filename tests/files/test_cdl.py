"""Colour correction files, against OpenColorIO and its test files; damaged and hostile files."""

from __future__ import annotations

import contextlib
from xml.etree import ElementTree

import numpy as np
import PyOpenColorIO
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.errors import ArgumentError, FileError, StackcompError
from stackcomp.files import mark
from stackcomp.files.cdl import Correction, choose, read_corrections, write_corrections

BODY = "<SOPNode><Slope>1 2 3</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>"


@pytest.fixture(autouse=True, scope="module")
def quiet():
    before = PyOpenColorIO.GetLoggingLevel()
    PyOpenColorIO.SetLoggingLevel(PyOpenColorIO.LOGGING_LEVEL_NONE)
    yield
    PyOpenColorIO.SetLoggingLevel(before)


def by_opencolorio(path):
    # It caches files by name.
    PyOpenColorIO.ClearAllCaches()
    return [
        (
            correction.getID(),
            correction.getSlope(),
            correction.getOffset(),
            correction.getPower(),
            correction.getSat(),
        )
        for correction in PyOpenColorIO.CDLTransform.CreateGroupFromFile(str(path))
    ]


def plain(corrections):
    return [(c.id, list(c.slope), list(c.offset), list(c.power), c.saturation) for c in corrections]


@pytest.mark.parametrize("name", ["cdl_test1.cc", "cdl_test1.ccc", "cdl_test1.cdl", "cdl_test_SATNode.cc"])
def test_opencolorio_reads_the_same(material, name):
    path = material / "ocio-tests" / "tests" / "data" / "files" / name
    assert plain(read_corrections(path)) == by_opencolorio(path)


def test_all_names_of_the_saturation_element(material):
    folder = material / "ocio-tests" / "tests" / "data" / "files"
    for name, expected in (("cdl_test1.cc", 0.7), ("cdl_test_SATNode.cc", 0.42), ("cdl_test_ASC_SAT.cc", 0.42)):
        (correction,) = read_corrections(folder / name)
        assert correction.saturation == expected
        assert correction.slope == (1.1, 1.2, 1.3)
        assert correction.description == "this is a description"


numbers = st.floats(0, 1e4) | st.sampled_from([1 / 3, 1e-7, 0.1 + 0.2, 5e-324])
three = st.tuples(numbers, numbers, numbers)
positive = st.floats(1e-3, 100)
texts = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), max_size=12).map(str.strip)
corrections = st.builds(
    Correction,
    slope=three,
    offset=st.tuples(*[st.floats(-1e4, 1e4)] * 3),
    power=st.tuples(positive, positive, positive),
    saturation=numbers,
    id=texts,
    description=texts,
)
several = st.lists(corrections, min_size=1, max_size=4, unique_by=lambda c: c.id)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(several, st.sampled_from([".cc", ".ccc", ".cdl"]))
def test_written_files_are_read_back_by_us_and_by_opencolorio(tmp_path_factory, some, ending):
    path = tmp_path_factory.getbasetemp() / f"written{ending}"
    some = some[:1] if ending == ".cc" else some
    write_corrections(path, some)
    assert read_corrections(path) == some
    for (_, *theirs), (_, *ours) in zip(by_opencolorio(path), plain(some), strict=True):
        # Its parser of numbers does not round to the last bit.
        np.testing.assert_allclose(np.hstack(theirs), np.hstack(ours), rtol=1e-14, atol=1e-300)
    assert all(element.tag.startswith("{urn:ASC:CDL:v1.01}") for element in ElementTree.parse(path).iter())


@pytest.mark.parametrize("name", ["ColorCorrection", "ColorCorrectionCollection", "ColorDecisionList"])
def test_files_by_opencolorio_are_read(tmp_path, name):
    transform = PyOpenColorIO.CDLTransform([1.1, 0.9, 0.071], [0.05, -0.23, 0.11], [0.93, 0.81, 1.27], 1.23)
    path = tmp_path / "theirs.xml"
    config = PyOpenColorIO.Config.CreateRaw()
    path.write_text(PyOpenColorIO.GroupTransform([transform]).write(name, config))
    (correction,) = read_corrections(path)
    assert correction == Correction((1.1, 0.9, 0.071), (0.05, -0.23, 0.11), (0.93, 0.81, 1.27), 1.23)


def test_missing_elements_change_nothing(tmp_path):
    path = tmp_path / "a.ccc"
    path.write_text(
        "<ColorCorrectionCollection><Other/><ColorCorrection><SatNode><Saturation>2</Saturation></SatNode>"
        f"</ColorCorrection><ColorCorrection id='x'>{BODY}<Note>for people</Note></ColorCorrection>"
        "</ColorCorrectionCollection>"
    )
    assert read_corrections(path) == [Correction(saturation=2), Correction(slope=(1, 2, 3), id="x")]


def test_prefixes_encodings_and_endings(tmp_path):
    path = tmp_path / "grade.txt"
    prefixed = BODY.replace("</", "@").replace("<", "<c:").replace("@", "</c:")
    text = f'<c:ColorCorrection xmlns:c="urn:ASC:CDL:v1.01" id="Möwe">{prefixed}</c:ColorCorrection>'
    for encoding in ("utf-8", "utf-16", "iso-8859-1"):
        path.write_bytes(f'<?xml version="1.0" encoding="{encoding}"?>{text}'.encode(encoding))
        assert read_corrections(path) == [Correction(slope=(1, 2, 3), id="Möwe")]


def test_choosing():
    some = [Correction(saturation=k, id=name) for k, name in enumerate(["dusk", "noon", "", "dusk"])]
    assert choose(some, "noon", "f").saturation == 1
    assert choose(some, 2, "f").saturation == 2
    assert choose(some[:1], None, "f").saturation == 0
    assert choose([some[0], some[0]], "dusk", "f") == some[0]  # identical corrections are not ambiguous
    for wanted, message in (
        (None, '4 corrections, and none was chosen — choose one by "id": "dusk", "noon"'),
        ("non", 'no correction with the id "non" — did you mean "noon"'),
        ("dusk", '2 of its corrections have the id "dusk"'),
        (4, "no correction at position 4 — positions are 0 to 3"),
        (-1, "no correction at position -1"),
    ):
        with pytest.raises(FileError) as caught:
            choose(some, wanted, "f.ccc")
        assert message in str(caught.value)


def node(inner):
    return f"<ColorCorrection>\n{inner}\n</ColorCorrection>"


BOMB = "<!DOCTYPE a [<!ENTITY a 'ha'>" + "".join(
    f"<!ENTITY {chr(98 + k)} '{10 * f'&{chr(97 + k)};'}'>" for k in range(12)
) + "]>"  # fmt: skip


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: it is not XML: no element found"),
        ("<ColorCorrection>\n<SOPNode>\n", "line 3: it is not XML"),
        ("no XML", "line 1: it is not XML"),
        (
            "<ColorCorrections/>",
            'line 1: <ColorCorrections> is not a colour correction — did you mean "ColorCorrection"',
        ),
        ("<ColorDecisionList>\n<ColorDecision/></ColorDecisionList>", "has no ColorCorrection"),
        (node(BODY + "\n" + BODY), "line 3: a second <SOPNode>"),
        (node(BODY.replace("<Offset>0 0 0</Offset>", "")), "line 2: <SOPNode> has no Offset"),
        (node(BODY.replace("1 2 3", "1 2")), 'line 2: <Slope> contains "1 2", not 3 numbers'),
        (node(BODY.replace("1 2 3", "1 2 3 x")), 'line 2: <Slope> contains "1 2 3 x", not 3 numbers'),
        (node(BODY.replace("1 2 3", "1, 2, 3")), 'line 2: <Slope> contains "1, 2, 3", not 3 numbers'),
        (node(BODY.replace("1 2 3", "1 nan 3")), 'line 2: <Slope> contains "1 nan 3"'),
        (node(BODY.replace("1 2 3", "1 1_0 3")), 'line 2: <Slope> contains "1 1_0 3"'),
        (node(BODY.replace("1 2 3", "1 1e999 3")), 'line 2: <Slope> contains "1 1e999 3"'),
        (node(BODY.replace("1 2 3", "9" * 100)), "9…"),
        (
            node(BODY.replace("1 2 3", "1 -2 3")),
            "line 1: the slope is 1 -2 3 — the standard requires numbers of 0 or more",
        ),
        (
            node(BODY.replace("1 1 1", "1 0 1")),
            "line 1: the power is 1 0 1 — the standard requires numbers above 0",
        ),
        (node("<SatNode><Saturation>-1</Saturation></SatNode>"), "line 1: the saturation is -1"),
        (
            node("<SatNode><Saturation>1,5</Saturation></SatNode>"),
            'line 2: <Saturation> contains "1,5", not one number',
        ),
        (node("<SatNode/>"), "line 2: <SatNode> has no Saturation"),
        (BOMB + node("&m;"), "line 1: it has a DOCTYPE"),
        ('<!DOCTYPE a SYSTEM "file:///etc/hostname">' + node(BODY), "line 1: it has a DOCTYPE"),
        (node("&undefined;"), "line 2: it is not XML: undefined entity"),
        ('<?xml version="1.0" encoding="no-such"?>' + node(BODY), "line 1: it"),
        ('<?xml version="1.0" encoding="shift_jis"?>' + node(BODY), "line 1: it"),
        ("<a>" * 100_000, "it is not XML"),
    ],
)
def test_errors_name_the_line(tmp_path, text, message):
    path = tmp_path / "grade.cc"
    path.write_text(text)
    with pytest.raises(FileError) as caught:
        read_corrections(path)
    assert message in str(caught.value)
    assert str(path) in str(caught.value)


def test_missing_and_too_large_files(tmp_path):
    (tmp_path / "grade.cc").write_text(node(BODY))
    with pytest.raises(FileError, match=r'did you mean "grade.cc"'):
        read_corrections(tmp_path / "grad.cc")
    with pytest.raises(FileError, match="folder"):
        read_corrections(tmp_path)
    with (tmp_path / "large.cc").open("wb") as file:
        file.truncate(2**25)
    with pytest.raises(FileError, match="too large"):
        read_corrections(tmp_path / "large.cc")


@given(st.data())
def test_damaged_files_raise_only_file_errors(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "damaged.cc"
    text = bytearray(node(BODY).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        text[data.draw(st.integers(0, len(text) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(text)
    with contextlib.suppress(FileError):
        assert read_corrections(path)


@pytest.mark.parametrize(
    ("name", "some", "message"),
    [
        ("a.xml", [Correction()], "is not a suffix of correction files"),
        ("a.ccc", [], "give at least one"),
        ("a.cc", [Correction(), Correction()], "use .ccc or .cdl for several"),
        ("a.ccc", [Correction(id="x"), Correction(id="x")], 'two corrections have the id "x"'),
        ("a.cc", [Correction(slope=(1, -1, 1))], "the slope is 1 -1 1"),
        ("a.cc", [Correction(power=(1, 0, 1), id="x")], 'the power of "x" is 1 0 1'),
        ("a.cc", [Correction(offset=(float("nan"), 0, 0))], "the offset is nan 0 0"),
        ("a.cc", [Correction(saturation=float("inf"))], "the saturation is inf"),
        ("a.cc", [Correction(id="bell\x07")], "a character that XML does not allow"),
        ("a.cc", [Correction(id="half \ud800")], "a character that XML does not allow"),
    ],
)
def test_corrections_that_cannot_be_written(tmp_path, name, some, message):
    with pytest.raises(FileError) as caught:
        write_corrections(tmp_path / name, some)
    assert message in str(caught.value)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("ending", [".cc", ".ccc", ".cdl"])
def test_written_files_have_the_mark_of_the_program(tmp_path, ending):
    path = tmp_path / f"grade{ending}"
    write_corrections(path, [Correction(slope=(1, 2, 3), id="dusk")])
    assert mark.read(path) == mark.Mark("corrections")
    write_corrections(path, [Correction(id="dusk")])  # its own file may be replaced
    assert read_corrections(path) == [Correction(id="dusk")]
    path.write_bytes(path.read_bytes().replace(b"1.0 1.0 1.0", b"1.0 1.0 1.05", 1))
    assert mark.read(path) is None, "an edited file is a foreign file"


def test_a_foreign_file_is_replaced_only_on_request(tmp_path):
    path = tmp_path / "grade.cc"
    path.write_text(node(BODY))
    with pytest.raises(FileError, match=r"would replace .*grade\.cc, which stackcomp did not write.*replace=True"):
        write_corrections(path, [Correction()])
    assert path.read_text() == node(BODY)
    with pytest.raises(ArgumentError, match="replace: 1 is not a bool"):
        write_corrections(path, [Correction()], replace=1)
    write_corrections(path, [Correction()], replace=True)
    assert read_corrections(path) == [Correction()]


@pytest.mark.parametrize(
    "call",
    [
        lambda folder: read_corrections(None),
        lambda folder: read_corrections("a\0.cc"),
        lambda folder: read_corrections(folder / "half \ud800.cc"),
        lambda folder: read_corrections(folder / ("x" * 300)),
        lambda folder: write_corrections(3, [Correction()]),
        lambda folder: write_corrections(folder / "half \ud800.cc", [Correction()]),
        lambda folder: write_corrections(folder / ("x" * 300 + ".cc"), [Correction()]),
        lambda folder: write_corrections(folder / "a.cc", None),
        lambda folder: write_corrections(folder / "a.cc", [None]),
        lambda folder: Correction(slope=(10**400, 1, 1)),
        lambda folder: Correction(saturation=10**400),
        lambda folder: Correction(power=None),
        lambda folder: Correction(id=1),
    ],
)
def test_public_functions_raise_only_errors_of_the_package(tmp_path, call):
    with pytest.raises(StackcompError):
        call(tmp_path)
    assert not list(tmp_path.iterdir())
