"""Types of ids in a header, by the specification's names of layers and channels."""

from __future__ import annotations

import pytest

from stackcomp.files.id_manifest import embedded_manifest
from stackcomp.files.id_types import id_types, undeclared_types


def header(**types):
    made = {}
    for key, name in types.items():
        made |= {f"cryptomatte/{key}/name": name, f"cryptomatte/{key}/hash": "MurmurHash3_32"}
    return made


def test_types_of_a_header():
    channels = [f"{layer}.{c}" for layer in ("Crypto00", "Crypto01", "CryptoMat00") for c in "rgba"]
    channels += ["Crypto.r", "Crypto.g", "Crypto.b", "beauty00.r", "beauty00.g"]
    types = id_types(channels, header(any="Crypto", other="CryptoMat", gone="Asset"))
    assert types["Crypto"].pairs == tuple(
        (f"Crypto0{k}.{one}", f"Crypto0{k}.{two}") for k in (0, 1) for one, two in ("rg", "ba")
    )
    assert [len(types[name].pairs) for name in types] == [4, 2, 0]
    assert set(undeclared_types(channels)) == {"Crypto", "CryptoMat", "beauty"}


@pytest.mark.parametrize("names", ["r g b a", "R G B A", "red green blue alpha", "Red Green Blue Alpha"])
@pytest.mark.parametrize("before", ["", "part.", "left.part."])
def test_names_of_channels(names, before):
    channels = [f"{before}My.Type00.{name}" for name in names.split()]
    (type,) = id_types(channels, header(k="My.Type")).values()
    assert type.pairs == ((channels[0], channels[1]), (channels[2], channels[3]))
    assert type.name == "My.Type"


def test_numbers_of_layers_have_two_digits():
    # A type whose own name ends in a digit.
    channels = [f"{layer}.{c}" for layer in ("Object00", "Object000", "Object1", "Object") for c in "rg"]
    types = id_types(channels, header(a="Object", b="Object0"))
    assert types["Object"].pairs == (("Object00.r", "Object00.g"),)
    assert types["Object0"].pairs == (("Object000.r", "Object000.g"),)


def test_views_are_types_of_their_own():
    channels = [f"{view}.Object00.{c}" for view in ("left", "right") for c in "rgba"]
    types = id_types(channels, header(a="Object"))
    assert {name: len(type.pairs) for name, type in types.items()} == {"left.Object": 2, "right.Object": 2}


def test_an_odd_number_of_ranks_and_ids_without_coverage():
    assert id_types(["T00.r", "T00.g"], header(a="T"))["T"].pairs == (("T00.r", "T00.g"),)
    flaw = id_types(["T00.r", "T00.g", "T00.b"], header(a="T"))["T"].flaw
    assert flaw == ("channel T00.b has ids, but their coverage is missing", "render it with all channels")


@pytest.mark.parametrize(
    ("lost", "says"),
    [
        (["T01.r"], "channel T01.g has coverage, but its ids are missing"),
        (["T01.a"], "channel T01.b has ids, but their coverage is missing"),
        (
            ["T00.r", "T00.g", "T00.b", "T00.a"],
            "it has layer T01, but no layer T00, so ids of some ranks are missing",
        ),
        (
            ["T01.r", "T01.g", "T01.b", "T01.a"],
            "it has layer T02, but no layer T01, so ids of some ranks are missing",
        ),
    ],
)
def test_ranks_that_are_missing(lost, says):
    channels = [f"T{k:02d}.{c}" for k in range(3) for c in "rgba"]
    assert id_types(channels, header(a="T"))["T"].flaw is None
    assert id_types([name for name in channels if name not in lost], header(a="T"))["T"].flaw[0] == says


def test_a_type_whose_name_ends_like_another():
    channels = [f"{layer}00.{c}" for layer in ("Mat", "My.Mat", "left.Mat") for c in "rg"]
    for keys in ("ab", "ba"):
        types = id_types(channels, header(**dict(zip(keys, ("Mat", "My.Mat"), strict=True))))
        assert types["My.Mat"].pairs == (("My.Mat00.r", "My.Mat00.g"),)
        assert set(types) == {"Mat", "left.Mat", "My.Mat"}
    both = {
        **header(a="Mat", b="My.Mat"),
        "cryptomatte/a/manifest": "{}",
        "cryptomatte/b/manifest": '{"lamp": "1"}',
    }
    assert id_types(channels, both)["My.Mat"].manifest == '{"lamp": "1"}'


def test_text_that_is_not_utf8():
    foreign = {"cryptomatte/k/name": b"T\xff", "cryptomatte/k/manifest": b'{"lamp\xff": "00000001"}'}
    (type,) = id_types([], foreign).values()
    assert embedded_manifest(type.manifest, None, "T").ids == {"lamp�": 1}
