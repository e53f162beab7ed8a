from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.errors import RequestError
from stackcomp.testing.claims import Claims
from stackcomp.testing.reference_names import default_name, reference_path


@pytest.mark.parametrize(
    ("parts", "name"),
    [
        (["test_final"], "test_shot.test_final"),
        (["test_final[wide-1001]"], "test_shot.test_final-wide-1001"),
        (["TestLantern", "TestClose", "test_final"], "test_shot.TestLantern.TestClose.test_final"),
        (["test_größe[1.5]"], "test_shot.test_größe-1.5"),
    ],
)
def test_plain_names_stay(parts, name):
    assert default_name("test_shot", parts) == name


@pytest.mark.parametrize(
    "parameters", ["a/b", "a::b", "[x]", "caf\\xe9", "a b", "x" * 300, "*", "ünü/" * 60, "a\0b"]
)
def test_other_names_get_a_hash(parameters):
    name = default_name("test_shot", [f"test_final[{parameters}]"])
    assert len(f"{name}.exr".encode()) < 150
    assert not set("/\\:*?[]<>|\"'\0 ") & set(name)
    assert name[-9] == "-"


names = st.lists(st.text(min_size=1, max_size=12), min_size=1, max_size=2)


@given(names, names)
def test_two_tests_never_share_a_name(first, second):
    one, other = (default_name("m", [f"test_it[{p}]" for p in parts]) for parts in (first, second))
    # The hash has 32 bits; tests of one file do not meet by chance.
    assert (one == other) == (first == second)
    assert Path(one).name == one


def test_names_that_a_test_gives(tmp_path):
    file = tmp_path / "test_shot.py"
    for given_name, expected in {
        "final": "renders/final.exr",
        "final.EXR": "renders/final.EXR",
        "wide/final.v2": "renders/wide/final.v2.exr",
        Path("wide/final"): "renders/wide/final.exr",
        str(tmp_path / "elsewhere/it.exr"): "elsewhere/it.exr",
        None: "renders/test_shot.test_a.exr",
    }.items():
        assert reference_path(given_name, file, "test_shot", ["test_a"]) == tmp_path / expected


@pytest.mark.parametrize(
    "name", ["aux:b", "dir\\it", "CON", "lpt1.wide", "nul /it", "wide./it", "wide /it", "a?", "a\nb", "x" * 300]
)
def test_names_that_no_file_can_have_on_all_systems(name, tmp_path):
    """A project is checked out on Windows as well."""
    with pytest.raises(RequestError, match=r"on Windows|longer than 200 bytes"):
        reference_path(name, tmp_path / "test_shot.py", "test_shot", ["test_a"])


@pytest.mark.parametrize("name", ["", "../it", "a/../../it", "it.png", "it.TIF", "a\0b", 7])
def test_names_that_are_refused(name, tmp_path):
    with pytest.raises(RequestError, match="reference: "):
        reference_path(name, tmp_path / "test_shot.py", "test_shot", ["test_a"])


def test_claims(tmp_path):
    claims, reference = Claims(tmp_path / "run"), tmp_path / "renders/it.exr"
    claims.claim(reference, "a.py::test_a")
    claims.claim(reference, "a.py::test_a")  # run again, as after a failure
    claims.claim(tmp_path / "renders/other.exr", "a.py::test_b")
    # Another process of the same run, and another spelling of the file.
    for spelling in ("renders/it.exr", "renders/IT.exr", "renders/../renders/it.exr"):
        with pytest.raises(RequestError, match=r"by two tests: a\.py::test_a and a\.py::test_c"):
            Claims(tmp_path / "run").claim(tmp_path / spelling, "a.py::test_c")


def test_references_that_are_used_written_and_not_used(tmp_path):
    claims = Claims(tmp_path / "run")
    assert (claims.used, claims.unused, claims.written) == (set(), [], [])
    for name in ("a", "b", "deep/c"):
        path = tmp_path / f"renders/{name}.exr"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    claims.claim(tmp_path / "renders/a.exr", "test_a")
    claims.note_written(tmp_path / "renders/a.exr", "test_a")
    assert claims.unused == [tmp_path / "renders/b.exr", tmp_path / "renders/deep/c.exr"]
    assert claims.written == [tmp_path / "renders/a.exr"]
