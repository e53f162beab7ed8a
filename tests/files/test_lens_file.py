"""Lens files: what is written comes back, and mistakes are named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stackcomp.errors import FileError
from stackcomp.files import mark
from stackcomp.files.lens_file import read_lens, write_lens

LENS = {
    "about": "35 mm at 2 m",
    "model": "rational",
    "size": [3840, 2160],
    "focal": [3712.4, 3711.9],
    "centre": [1921.3, 1078.8],
    "coefficients": {"k1": -0.112, "k4": 0.03, "s1": 1e-4},
    "lateral": [0.8, -0.6],
    "residual": 0.14,
    "overscan": {"left": 61, "top": 36, "right": 60, "bottom": 35},
}


def test_what_is_written_comes_back(tmp_path):
    path = tmp_path / "lens.json"
    write_lens(path, LENS)
    lens = read_lens(path)
    assert (lens.model, lens.size, lens.focal, lens.centre) == (
        "rational",
        (3840, 2160),
        (3712.4, 3711.9),
        (1921.3, 1078.8),
    )
    assert (lens.distortion.k1, lens.distortion.k4, lens.distortion.s1, lens.distortion.k2) == (
        -0.112,
        0.03,
        1e-4,
        0,
    )
    assert (lens.lateral, lens.residual) == ((0.8, -0.6), 0.14)
    assert lens.overscan is not None
    assert lens.overscan.sides == LENS["overscan"]
    assert mark.read(path).kind == "lens"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"model": "brown"}, 'the coefficient "k4", which the model "brown" lacks'),
        ({"coefficients": {"k11": 1}}, '"k11"'),
        ({"coefficients": {"k1": 1e9}}, "1000000000"),
        ({"focal": [0, 1]}, "/focal"),
        ({"size": [3840]}, "/size"),
        ({"centre": None}, "/centre"),
        ({"stackcomp_lens": 2}, "/stackcomp_lens"),
        ({"squeeze": 2}, "squeeze"),
        ({"overscan": {"left": -1, "top": 0, "right": 0, "bottom": 0}}, "/overscan/left"),
    ],
    ids=lambda value: str(value)[:30],
)
def test_mistakes_are_named(tmp_path, change, says):
    path = tmp_path / "lens.json"
    path.write_text(json.dumps({"stackcomp_lens": 1, **LENS, **change}))
    with pytest.raises(FileError) as raised:
        read_lens(path)
    assert says in str(raised.value)


def test_a_file_that_is_none(tmp_path):
    for text in ("", "[1]", '{"stackcomp_track": 1}'):
        (tmp_path / "lens.json").write_text(text)
        with pytest.raises(FileError):
            read_lens(tmp_path / "lens.json")
    with pytest.raises(FileError, match="no such file"):
        read_lens(Path(tmp_path, "other.json"))
