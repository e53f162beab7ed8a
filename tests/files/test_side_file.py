"""Small JSON files that nodes take numbers from: what is read, when, and what is said of mistakes."""

import json
import os
from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from stackcomp.data.numbers import Number
from stackcomp.errors import FileError
from stackcomp.files.file_state import FileChangedError, file_state
from stackcomp.files.side_file import side_file


class Lamp(BaseModel):
    model_config = ConfigDict(extra="forbid")

    version: Annotated[Literal[1], Field(alias="stackcomp_track")]
    lit: Annotated[float, Number("how bright", low=0, high=1)]
    about: str = ""


def written(path, content):
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    return path


def test_a_file_is_read_once_for_each_of_its_states(tmp_path):
    path = written(tmp_path / "lamp.json", {"stackcomp_track": 1, "lit": 0.5})
    first = side_file(path, Lamp, "track")
    assert first.lit == 0.5
    assert side_file(path, Lamp, "track") is first
    other = written(tmp_path / "other.json", {"stackcomp_track": 1, "lit": 0.7})
    os.replace(other, path)
    assert side_file(path, Lamp, "track").lit == 0.7


def test_all_of_a_frame_comes_from_one_state(tmp_path):
    path = written(tmp_path / "lamp.json", {"stackcomp_track": 1, "lit": 0.5})
    opened = {}
    side_file(path, Lamp, "track", opened)
    assert opened == {path: file_state(path)}
    os.replace(written(tmp_path / "other.json", {"stackcomp_track": 1, "lit": 0.7}), path)
    with pytest.raises(FileChangedError, match="replaced or written to while it was used"):
        side_file(path, Lamp, "track", opened)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "the file is empty"),
        ("[1]", "the file holds a list, not an object — a track is written"),
        ({"stackcomp_track": 1}, 'a track needs the field "lit" — add "lit": how bright'),
        (
            {"stackcomp_track": 1, "lit": 2},
            '/lit: "lit" is 2, above the largest value 1 — give a value from 0 to 1',
        ),
        (
            {"stackcomp_track": 2, "lit": 1},
            '/stackcomp_track: "stackcomp_track" is 2, which is not one of its choices',
        ),
        ({"stackcomp_track": 1, "lit": 1, "lid": 1}, '/lid: a track has no field "lid" — did you mean "lit"'),
        ('{"stackcomp_track": 1, "lit": 1, "lit": 1}', 'the key "lit" stands twice'),
        (
            {"stackcomp_track": 1, "lit": "1", "about": 3},
            '/lit: "lit" is "1", .*; /about: "about" is the number 3',
        ),
    ],
)
def test_mistakes_name_the_file_the_place_and_the_way_out(tmp_path, content, said):
    path = written(tmp_path / "lamp.json", content)
    with pytest.raises(FileError, match=f"lamp.json: .*{said}"):
        side_file(path, Lamp, "track")


def test_a_missing_file_offers_names_alike(tmp_path):
    written(tmp_path / "lamps.json", {})
    with pytest.raises(FileError, match=r"lamp.json: there is no such file — did you mean .*lamps.json"):
        side_file(tmp_path / "lamp.json", Lamp, "track")
