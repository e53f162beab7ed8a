"""File names for nodes of any name."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.review.names import file_names


def test_recognisable():
    names = [
        "plate",
        "<script>",
        "a/b",
        "../up",
        "licht_grün",
        "提灯",
        "two words",
        "a.b",
        "%04d",
        "{frame}",
        "-x",
    ]
    assert list(file_names(names).values()) == [
        "plate", "_script_", "a_b", "___up", "licht_grün", "提灯", "two_words", "a_b-2", "_04d", "_frame_", "_-x",
    ]  # fmt: skip


def test_the_same_file_is_never_two_nodes():
    names = ["a/b", "a_b", "a:b", "A_B", "a_b-2", "é", "e\u0301", "ﬁ", "fi", "CON", "con"]
    found = file_names(names)
    assert found["a/b"] == "a_b"
    assert len({name.casefold() for name in found.values()}) == len(names)
    assert "con" not in {name.casefold() for name in found.values()}


def test_names_behind_do_not_matter():
    assert file_names(["a", "b"])["a"] == file_names(["a", "b", "A", "a!"])["a"]


@given(st.lists(st.text(min_size=1, max_size=300), unique=True, max_size=12))
def test_always_safe_and_unique(nodes):
    names = list(file_names(nodes).values())
    assert len({name.casefold() for name in names}) == len(nodes)
    for name in names:
        assert name
        assert len(name.encode()) <= 120
        assert name[0] != "-"
        assert not set(name) & set('/\\:*?"<>|.%{} \0\n')


@pytest.mark.parametrize("name", ["x" * 200, "提" * 200])
def test_long_names_fit_a_file_system(name, tmp_path):
    (short,) = file_names([name]).values()
    (tmp_path / f"{short}.exr").write_bytes(b"")
