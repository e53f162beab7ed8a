"""Grain files: written and read again; each mistake in words, with its place."""

from __future__ import annotations

import json
import re

import pytest

from stackcomp import FileError
from stackcomp.files import mark
from stackcomp.files.grain_file import GrainFile, read_grain, write_grain

NEAR = dict.fromkeys("RGB", ((0.2, 1.0, 0.2), (0.05, 0.1, 0.05)))


def content():
    return {
        "stackcomp_grain": 1,
        "space": "ACEScg",
        "floor": [0.1, 0.1, 0.1],
        "slope": [0.2, 0.2, 0.2],
        "autocorrelation": {name: [[0.2, 1, 0.2], [0.05, 0.1, 0.05]] for name in "RGB"},
    }


def test_written_and_read_again(tmp_path):
    given = GrainFile(
        version=1, about="Laterne am Höft", space="ACEScg", black=(0.002,) * 3, floor=(1e-3, 2e-3, 3e-3),
        slope=(1e-5,) * 3, levels={"G": ((0.1, 0.02), (1.0, 0.05))}, autocorrelation=NEAR,
        correlation=((1, 0.5, 0), (0.5, 1, 0), (0, 0, 1)),
    )  # fmt: skip
    write_grain(tmp_path / "grain.json", given)
    read = read_grain(tmp_path / "grain.json")
    assert read.program.startswith("stackcomp ")
    assert read.model_copy(update={"program": ""}) == given
    assert read.half("R").tolist() == [list(row) for row in NEAR["R"]]
    found = mark.read(tmp_path / "grain.json")
    assert found is not None
    assert found.kind == "grain"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stackcomp_grain": 2}, "stackcomp_grain"),
        ({"floor": [0.1, -0.1, 0.1]}, "/floor: .*below 0, -0.1"),
        ({"slope": [0.1, 0.1]}, "/slope"),
        ({"black": [0, 0, "x"]}, "/black"),
        ({"levels": {"A": [[0, 1]]}}, 'channel "A"'),
        ({"levels": {"R": []}}, "0 levels of R"),
        ({"levels": {"R": [[k, 1] for k in range(17)]}}, "17 levels of R.*"),
        ({"levels": {"R": [[0, 1], [0, 2]]}}, "levels of R that do not rise"),
        ({"levels": {"R": [[0, -1]]}}, "deviation below 0 in R"),
        ({"correlation": [[1, 0, 0], [0, 1, 0]]}, "not 3×3"),
        ({"correlation": [[1, 0.5, 0], [0, 1, 0], [0, 0, 1]]}, "not 3×3, symmetric"),
        ({"correlation": [[1, 0, 0], [0, 2, 0], [0, 0, 1]]}, "/correlation"),
        ({"autocorrelation": {"R": [[1]], "G": [[1]]}}, "no autocorrelation of B"),
        ({"autocorrelation": {name: [[1, 0.5], [0.2, 0]] for name in "RGB"}}, "of 2 rows of 2 numbers"),
        ({"autocorrelation": {name: [] for name in "RGB"}}, "of 0 rows of no numbers"),
        ({"autocorrelation": {name: [[0.5]] for name in "RGB"}}, "with 0.5 where a pixel meets itself"),
        ({"autocorrelation": dict.fromkeys("RGB", [[0.0] * 19] * 10)}, "of 10 rows of 19 numbers"),
        ({"autocorrelation": {name: [[0.9, 1, 0], [0, 0, 0]] for name in "RGB"}}, "not the same to both sides"),
        ({"floor": [1e200, 0, 0]}, "/floor: .*beyond all light, 1e\\+200"),
        ({"black": [0, -1e300, 0]}, "/black: .*beyond all light, -1e\\+300"),
        ({"levels": {"R": [[0, 1e200]]}}, "beyond all light in R"),
        ({"levels": {"R": [[0, 0], [5e-324, 1], [1, 2]]}}, "levels of R that do not rise"),
        ({"space": " "}, "no name of a colour space"),
        ({"stackcomp_grain": "1"}, "choose from 1"),
        ({"size": 3}, "size"),
    ],
)
def test_mistakes(tmp_path, change, words):
    path = tmp_path / "grain.json"
    path.write_text(json.dumps(content() | change))
    with pytest.raises(FileError) as error:
        read_grain(path)
    assert error.value.way_out
    assert re.search(words, str(error.value))


def test_what_is_no_grain_file(tmp_path):
    with pytest.raises(FileError, match="there is no such file"):
        read_grain(tmp_path / "none.json")
    (tmp_path / "picture.json").write_bytes(b"\x76\x2f\x31\x01" + bytes(40))
    with pytest.raises(FileError, match="is a picture"):
        read_grain(tmp_path / "picture.json")
    (tmp_path / "list.json").write_text("[]")
    with pytest.raises(FileError, match="not an object"):
        read_grain(tmp_path / "list.json")
