"""Hashes, manifests and chosen names of ID mattes, against the specification and independent libraries."""

from __future__ import annotations

import fnmatch
import json
import os
import re
import struct

import mmh3
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.errors import FileError
from stackcomp.files.file_state import file_state
from stackcomp.files.id_hash import id_of, id_text, number_of
from stackcomp.files.id_manifest import (
    embedded_manifest,
    manifest_of,
    sidecar_manifest,
    sidecar_path,
    sidecar_paths,
)
from stackcomp.files.id_names import chosen_ids, chosen_name, escaped_name, nearest_names, written_name
from stackcomp.files.id_types import IdType

BUNNY = ("cryptomatte", "sample_images", "sidecar_manifest", "bunny_CryptoObject_manifest.json")
COLLIDING = ("flowerA.flowerA_stem.:2841", "plant.smallLeaf2.:133")
WORDS = st.text(alphabet="ab*?[]\\#!-ü\n", max_size=8)


# -- hash -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "bits", "number"),
    [
        # The open ID-matte specification 1.2.0 and its sample files.
        ("torus", 0xF19C73FD, -1.54943624832e30),
        ("равнина", 0x9623511E, -1.31926312124e-25),
        ("default", 0x42C9679F, 100.70238494873047),
        ("bunny", 0x13851A76, 3.360001e-27),
        ("", 0x00800000, None),
        ("flowerA.flowerA_petal11.:778", 0x008586A5, None),
        ("flowerA.flowerA_petal1.:1065", 0x7F0E5296, None),
    ],
)
def test_ids_of_the_specification(name, bits, number):
    assert id_of(name) == bits
    if number is not None:
        assert struct.unpack("<f", struct.pack("<I", id_of(name)))[0] == pytest.approx(number, rel=1e-6)


@given(st.text(max_size=20))
def test_no_id_is_0_and_none_is_subnormal_infinite_or_nan(name):
    assert 0 < (id_of(name) >> 23) & 255 < 255


def test_every_id_of_a_large_manifest(material):
    # The specification's sample: 32,166 names, 249 of them with a toggled bit.
    manifest = sidecar_manifest(material.joinpath(*BUNNY))
    assert len(manifest.ids) == 32166
    assert all(id_of(name) == bits for name, bits in manifest.ids.items())
    assert sum(mmh3.hash(name, 0, signed=False) != bits for name, bits in manifest.ids.items()) == 249
    shared = [names for names in manifest.names.values() if len(names) > 1]
    assert shared == [COLLIDING]
    assert id_of(COLLIDING[0]) == id_of(COLLIDING[1]) == 0x4FDA530C


def test_ids_by_number():
    assert number_of(id_text(0xF19C73FD)) == 0xF19C73FD
    assert id_text(0x123) == "#00000123"
    for text in ("f19c73fd", "#f19c73f", "#f19c73fdd", "#f19c73fg", "# f19c73f", "#-19c73fd"):
        assert number_of(text) is None


# -- names ----------------------------------------------------------------------------------------------------


@given(WORDS, WORDS)
def test_wildcards_are_those_of_fnmatch(text, name):
    """Python's fnmatch, told that brackets are plain; without backslashes, which it does not know."""
    text = text.replace("\\", "").replace("#", "")
    chosen = chosen_name(text)
    plain = text.replace("[", "[[]")
    got = chosen.pattern.fullmatch(name) is not None if chosen.pattern else chosen.exact == name
    assert got == fnmatch.fnmatchcase(name, plain)


@given(WORDS, st.sampled_from(["", "#0123abcd", "\\#0123abcd"]))
def test_every_name_can_be_chosen_exactly(name, before):
    name = before + name
    assert chosen_name(escaped_name(name)).exact == name
    assert chosen_name(json.loads(f'"{written_name(name)}"')).exact == name


def test_near_names_are_told_as_a_graph_has_them():
    assert nearest_names("bolt", ["bolt*"]) == r'did you mean "bolt\\*"?'
    assert nearest_names("bolt a", ["bolt\na"]) == r'did you mean "bolt\na"?'


@pytest.mark.parametrize(
    ("text", "exact"),
    [
        (r"bolt\*", "bolt*"),
        (r"bolt\?", "bolt?"),
        (r"\#f19c73fd", "#f19c73fd"),
        (r"C:\boat\lamp", r"C:\boat\lamp"),
        (r"a\\", "a\\"),
        ("a\\", "a\\"),
        ("[brass]", "[brass]"),
        ('a "quoted" name,  with comma', 'a "quoted" name,  with comma'),
        ("#f19c73f", "#f19c73f"),
    ],
)
def test_a_backslash_takes_away_a_meaning(text, exact):
    assert chosen_name(text).exact == exact


def test_many_stars_take_no_time():
    # A pattern that backtracks would take longer than the universe has existed.
    chosen = chosen_name("*a" * 40 + "b")
    assert chosen.pattern.fullmatch("a" * 5000) is None
    assert chosen.pattern.fullmatch("a" * 5000 + "b") is not None


def test_chosen_ids(material):
    manifest = sidecar_manifest(material.joinpath(*BUNNY))
    texts = ["bunny", "lantern", "flowerA.flowerA_petal1?.:1015", "nothing*", "#00000007", COLLIDING[0]]
    found = chosen_ids([chosen_name(text) for text in texts], manifest)
    pattern = re.compile(r"flowerA\.flowerA_petal1.\.:1015")
    assert found == {
        "bunny": {0x13851A76},
        "lantern": {id_of("lantern")},
        texts[2]: {bits for name, bits in manifest.ids.items() if pattern.fullmatch(name)},
        "nothing*": set(),
        "#00000007": {7},
        COLLIDING[0]: {0x4FDA530C},
    }
    assert len(found[texts[2]]) > 3
    # Without a manifest names are hashed and wildcards choose nothing; another hash is not known.
    assert chosen_ids([chosen_name("bunny"), chosen_name("b*")], None) == {"bunny": {0x13851A76}, "b*": set()}
    assert chosen_ids([chosen_name("bunny")], None, "Other_64") == {"bunny": set()}


def test_nearest_names_of_a_large_manifest(material):
    names = list(sidecar_manifest(material.joinpath(*BUNNY)).ids)
    assert nearest_names("bunnny", names).startswith('did you mean "bunny"')
    assert '"flowerA.flowerA_petal1.:1015"' in nearest_names("flowera.flowerA_petl1.:1015", names)


# -- manifests ------------------------------------------------------------------------------------------------


def type_with(**more):
    return IdType("CryptoObject", (), **more)


def test_a_manifest_in_the_header(tmp_path):
    text = json.dumps({'a "b", *?[c]': "0000002a", "равнина": "9623511E", "old": "0x7", "half \ud800": "00000008"})
    manifest = manifest_of(type_with(manifest=text), tmp_path / "a.exr")
    assert manifest.ids == {'a "b", *?[c]': 0x2A, "равнина": 0x9623511E, "old": 7, "half ?": 8}
    assert manifest.doubts == ()
    assert manifest_of(type_with(), tmp_path / "a.exr") is None


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "the manifest of T in its header is no JSON (Expecting value: line 1, character 1)"),
        ('{"bunny": "13851a76"', "the manifest of T in its header is no JSON"),
        ("[1]", "the manifest of T in its header holds a list, not an object"),
        ('{"bunny": 1.5, "plant": "zz"}', "the manifest of T in its header has no id in it"),
        ("[" * 100000, "the manifest of T in its header is no JSON"),
    ],
)
def test_what_is_no_manifest(text, reason):
    with pytest.raises(FileError) as caught:
        embedded_manifest(text, None, "T")
    assert caught.value.reason.startswith(reason)


def test_doubts_about_a_manifest():
    text = '{"lamp": "00000001", "bolt": "xyz", "cord": null, "lamp": "00000002", "rope": "00000003"}'
    manifest = embedded_manifest(text, None, "T")
    assert manifest.ids == {"lamp": 2, "rope": 3}
    assert manifest.doubts == (
        """the id of "bolt" is 'xyz', and 1 more have none either""",
        'the name "lamp" stands there with two ids; the last one is used',
    )
    assert embedded_manifest('{"a": "00000001", "a": "00000001"}', None, "T").doubts == ()
    assert embedded_manifest("{}", None, "T").ids == {}


def test_names_that_become_one_when_half_a_character_is_replaced():
    # Two names of the file, of which one cannot be written; the last id counts, as for any name that is repeated.
    assert embedded_manifest('{"a\\ud800": "00000001", "a?": "00000002"}', None, "T").ids == {"a?": 2}


@pytest.mark.parametrize("bits", ["", "1,2", ",", " 1", "1\\n", "+1", "1_0", "0x", "123456789", "\u0661"])
def test_what_is_no_id(bits):
    manifest = embedded_manifest(f'{{"lamp": "{bits}", "bolt": "0X1f"}}', None, "T")
    assert manifest.ids == {"bolt": 31}
    assert manifest.doubts[0].startswith('the id of "lamp" is ')


def test_names_that_share_an_id():
    # So many that a search of each among all would take minutes.
    text = json.dumps({**{f"bolt_{k}": "00000001" for k in range(50000)}, "lamp": "00000002"})
    manifest = embedded_manifest(text, None, "T")
    assert list(manifest.shared) == [1]
    assert manifest.shared[1] == tuple(f"bolt_{k}" for k in range(50000))
    assert embedded_manifest('{"lamp": "00000001"}', None, "T").shared == {}


def test_a_manifest_beside_the_picture(tmp_path):
    (tmp_path / "names").mkdir()
    for name in ("a.json", "names/b.json", "names\\c.json"):
        (tmp_path / name).write_text('\ufeff{"lamp": "00000001"}')
    picture, opened = tmp_path / "a.exr", {}
    for name in ("a.json", "names/b.json", "names\\c.json", "./a.json"):
        assert manifest_of(type_with(manifest_file=name), picture, opened).ids == {"lamp": 1}
    # A backslash of another system's path.
    assert sidecar_path(picture, "names\\b.json") == tmp_path / "names" / "b.json"
    assert opened[tmp_path / "a.json"] == file_state(tmp_path / "a.json")
    # A manifest in the header comes first, as the specification has one or the other.
    both = type_with(manifest_file="a.json", manifest='{"bolt": "00000002"}')
    assert manifest_of(both, picture).ids == {"bolt": 2}


OUTSIDE = ["../a.json", "/a.json", "sub/../../a.json", "C:\\a.json", "..\\a.json", "", "a\0b", "C:a.json"]


@pytest.mark.parametrize("name", [*OUTSIDE, "\\\\server\\share\\a.json"])
def test_a_manifest_must_not_leave_the_folder(tmp_path, name):
    (tmp_path / "a.json").write_text('{"lamp": "00000001"}')
    (tmp_path / "shot").mkdir()
    with pytest.raises(FileError, match=r"its header names the manifest .* which leads out of the folder"):
        sidecar_path(tmp_path / "shot" / "a.exr", name)
    assert sidecar_paths(tmp_path / "shot" / "a.exr", {"cryptomatte/1/manif_file": name}) == []


def test_a_link_must_not_lead_out_of_the_folder(tmp_path):
    (tmp_path / "shot").mkdir()
    (tmp_path / "a.json").write_text('{"lamp": "00000001"}')
    os.symlink(tmp_path / "a.json", tmp_path / "shot" / "b.json")
    with pytest.raises(FileError, match="a link that leads out of the folder"):
        sidecar_path(tmp_path / "shot" / "a.exr", "b.json")


def test_files_that_are_not_there_are_no_inputs(tmp_path):
    picture, header = tmp_path / "a.exr", {"cryptomatte/1/manif_file": "a.json"}
    assert sidecar_paths(picture, header) == []
    (tmp_path / "a.json").mkdir()
    assert sidecar_paths(picture, header) == []
    (tmp_path / "b.json").write_text("{}")
    assert sidecar_paths(picture, {**header, "cryptomatte/2/manif_file": "b.json"}) == [tmp_path / "b.json"]
    assert sidecar_paths(picture, {"cryptomatte/1/manif_file": "a" * 300}) == []


def test_a_manifest_that_is_missing_or_no_text(tmp_path):
    (tmp_path / "renders.json").write_text("{}")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="there is no such manifest"):
        manifest_of(type_with(manifest_file="render.json"), tmp_path / "a.exr")
    with pytest.raises(FileError, match="the manifest is not UTF-8 text"):
        manifest_of(type_with(manifest_file="b.json"), tmp_path / "a.exr")
    with pytest.raises(FileError, match="where that is is not known"):
        manifest_of(type_with(manifest_file="b.json"), None)
