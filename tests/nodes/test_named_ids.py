"""Names of objects in graphs: what they choose, how manifests and headers differ, and what is said of mistakes."""

from __future__ import annotations

import gc
import json
import weakref

import numpy as np
import OpenImageIO
import pytest
from id_files import FRAME, NAMES, composition, header, matte, plain, planes, problems, write

from stackcomp import CheckError, DocumentError
from stackcomp.files.file_state import NoFileError
from stackcomp.files.id_hash import HASH, id_of
from stackcomp.files.id_manifest import Manifest
from stackcomp.files.id_names import chosen_name
from stackcomp.nodes.named_ids_found import Found

# -- names ----------------------------------------------------------------------------------------------------


def test_names_and_wildcards(tmp_path):
    made = planes(13)
    write(tmp_path / "cg.exr", made, header())
    for names, chosen in (
        (["lamp*"], ["lamp", "lamp_2"]), (["lamp?"], []), (["lamp??"], ["lamp_2"]), (["*"], NAMES),
        ([r"bolt\*"], ["bolt*"]), (["#" + f"{id_of('bench'):08X}", "lamp", "lamp"], ["bench", "lamp"]),
    ):  # fmt: skip
        if chosen:
            got = matte(tmp_path, names=names)["A"]
            np.testing.assert_allclose(got, plain(made, chosen), atol=1e-6)
        else:
            with pytest.raises(CheckError, match='no object of CryptoObject fits "lamp\\?"'):
                matte(tmp_path, names=names)


def test_an_unknown_name_is_an_error_with_the_nearest(tmp_path):
    write(tmp_path / "cg.exr", planes(), header())
    (found,) = problems(tmp_path, names=["lamp", "lmap_2"])
    assert found == ("error", "object-unknown", "names.1", 'there is no object "lmap_2" of CryptoObject',
                     'did you mean "lamp_2" or "lamp"?')  # fmt: skip


def test_without_a_manifest_exact_names_are_hashed(tmp_path):
    made = planes(14)
    write(tmp_path / "cg.exr", made, header(None))
    np.testing.assert_allclose(matte(tmp_path, names=["bench"])["A"], plain(made, ["bench"]), atol=1e-6)
    assert [found[:3] for found in problems(tmp_path, names=["bench"])] == [("warning", "ids-manifest", "names")]
    assert problems(tmp_path, names=["#00000001"]) == []
    (found,) = problems(tmp_path, names=["bench", "b*"])
    assert found[:3] == ("error", "ids-manifest", "names.1")
    assert found[3:] == (
        'the header names no manifest of CryptoObject; "b*" has wildcards, so a manifest is needed',
        "name the objects in full, or by number such as #1a2b3c4d",
    )


def test_a_hash_that_is_not_known_needs_a_manifest(tmp_path):
    made = planes(15)
    write(tmp_path / "cg.exr", made, header(hash="Other_64"))
    np.testing.assert_allclose(matte(tmp_path, names=["bench"])["A"], plain(made, ["bench"]), atol=1e-6)
    write(tmp_path / "bare.exr", made, header(None, hash="Other_64"))
    assert "cannot be hashed by Other_64" in problems(tmp_path, path="bare.exr", names=["bench"])[0][3]
    assert problems(tmp_path, path="bare.exr", names=["#00000001"]) == []


def test_names_whose_ids_collide(tmp_path):
    # The pair of the specification's sample, which share 4fda530c.
    pair = ("flowerA.flowerA_stem.:2841", "plant.smallLeaf2.:133")
    write(tmp_path / "cg.exr", planes(names=pair), header(pair))
    (found,) = problems(tmp_path, names=[pair[0]])
    assert found[:2] == ("warning", "ids-collide")
    assert all(f'"{name}"' in found[3] for name in pair)
    assert "#4fda530c" in found[3]
    assert problems(tmp_path, names=list(pair)) == problems(tmp_path, names=["*"]) == []


def test_many_names_with_one_id(tmp_path):
    # As a renderer writes them that fails to hash. The message must stay short.
    write(tmp_path / "cg.exr", planes(), header({f"bolt_{k}": "00000001" for k in range(5000)}))
    (found,) = problems(tmp_path, names=["bolt_1*"])
    assert found[3].startswith('"bolt_0", "bolt_1", ')
    assert found[3].endswith("and 4988 more have the same id, #00000001: all are covered")


@pytest.mark.slow
def test_manifests_of_many_frames_are_not_kept():
    found, manifest = Found(), Manifest({"lamp": 42, "bolt": 42})
    held = weakref.ref(manifest)
    found.add(manifest, [chosen_name("lamp"), chosen_name("b*"), chosen_name("cord")], HASH)
    del manifest
    gc.collect()
    assert held() is None
    assert (found.known, list(found.every)) == ({"lamp", "b*"}, ["lamp", "bolt"])
    assert (found.other_ids, found.collisions) == ({"lamp": 42}, {("lamp", "bolt"): "#0000002a"})


def test_an_id_that_is_not_the_hash(tmp_path):
    made = planes(16)
    made["CryptoObject00.r"][:] = np.uint32(42).view(np.float32)
    write(tmp_path / "cg.exr", made, header({"lamp": "0000002a"}))
    np.testing.assert_array_equal(matte(tmp_path, names=["lamp"])["A"], made["CryptoObject00.g"])
    (found,) = problems(tmp_path, names=["lamp"])
    assert found[:2] == ("warning", "ids-hash")


# -- manifests and headers ------------------------------------------------------------------------------------


def test_a_manifest_beside_the_picture(tmp_path):
    made = planes(17)
    write(tmp_path / "cg.exr", made, header(None, manif_file="names.json"))
    (found,) = problems(tmp_path, names=["lamp*"])
    assert found[:2] == ("error", "ids-manifest")
    assert "names.json: there is no such manifest" in found[3]
    assert [found[0] for found in problems(tmp_path, names=["lamp"])] == ["warning"]
    (tmp_path / "names.json").write_text('{"lamp": ')
    assert "names.json: the manifest is no JSON" in problems(tmp_path, names=["lamp*"])[0][3]
    (tmp_path / "names.json").write_text(json.dumps({"lamp": f"{id_of('lamp'):08x}"}))
    np.testing.assert_allclose(matte(tmp_path, names=["lam*"])["A"], plain(made, ["lamp"]), atol=1e-6)


def test_a_manifest_file_is_an_input(tmp_path):
    write(tmp_path / "cg.exr", planes(), header(None, manif_file="names.json"))
    (tmp_path / "names.json").write_text("{}")
    node = composition(tmp_path, names=["lamp"]).document.nodes["cg"]
    assert node.files(1, tmp_path) == [tmp_path / "cg.exr", tmp_path / "names.json"]


def test_a_manifest_that_goes_away_stops_a_render_that_needs_it(tmp_path):
    write(tmp_path / "cg.exr", planes(), header(None, manif_file="names.json"))
    (tmp_path / "names.json").write_text(json.dumps({"lamp": f"{id_of('lamp'):08x}"}))
    executor = composition(tmp_path, names=["l*"]).executor(["matte"])
    (tmp_path / "names.json").unlink()
    with pytest.raises(Exception, match="there is no such manifest") as caught:
        list(executor.results(1))
    assert isinstance(caught.value.__cause__, NoFileError)


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"pixel_type": "half"}, "channel CryptoObject00.r holds ids, and is stored as 16-bit floats"),
        (
            {"compression": "pxr24"},
            "channel CryptoObject00.r holds ids, and is compressed by PXR24, which loses bits",
        ),
    ],
)
def test_ids_that_have_lost_bits_are_refused(tmp_path, how, words):
    made = planes()
    if "compression" in how:
        spec = OpenImageIO.ImageSpec(FRAME.width, FRAME.height, len(made), OpenImageIO.FLOAT)
        spec.channelnames = tuple(made)
        for name, value in {**header(), **how}.items():
            spec.attribute(name, value)
        output = OpenImageIO.ImageOutput.create(str(tmp_path / "cg.exr"))
        output.open(str(tmp_path / "cg.exr"), spec)
        output.write_image(np.ascontiguousarray(np.stack(list(made.values()), -1)))
        output.close()
    else:
        write(tmp_path / "cg.exr", made, header(), **how)
    (found,) = problems(tmp_path, names=["lamp"])
    assert found[:2] == ("error", "ids-bits")
    assert found[3].startswith(words)
    picked = problems(
        tmp_path, pick={"id0": "CryptoObject00.r", "cover0": "CryptoObject00.g"}, names=["#00000001"]
    )
    assert [found[:3] for found in picked] == [("error", "ids-bits", "channels.id0")]


def test_names_among_ids_that_were_chosen_by_hand(tmp_path):
    write(tmp_path / "cg.exr", planes(), header())
    pick = {"id0": "CryptoObject00.r", "cover0": "CryptoObject00.g"}
    # They have no manifest, so a name that is misspelt covers nothing: that must not go unsaid.
    (found,) = problems(tmp_path, pick=pick, names=["lmap"])
    assert found[:3] == ("warning", "ids-manifest", "names.0")
    assert problems(tmp_path, pick=pick, names=["#00000001"]) == []


def test_ranks_that_are_missing(tmp_path):
    made = {name: plane for name, plane in planes(layers=3).items() if not name.startswith("CryptoObject01")}
    write(tmp_path / "cg.exr", made, header())
    (found,) = problems(tmp_path, names=["lamp"])
    assert found[:3] == ("error", "ids-type", "layers")
    assert "it has layer CryptoObject02, but no layer CryptoObject01" in found[3]


def test_types_of_a_file(tmp_path):
    made = planes() | planes(2, type="CryptoMaterial", names=("brass",), layers=1)
    both = header() | header(("brass",), "CryptoMaterial", "aaaaaaa")
    write(tmp_path / "cg.exr", made, both)
    (found,) = problems(tmp_path, names=["lamp"])
    assert found[:3] == ("error", "ids-type", "layers")
    assert found[3] == '"cg": it has ids of "CryptoObject", "CryptoMaterial", and none is chosen'
    (found,) = problems(tmp_path, names=["lamp"], type="CryptoObjekt")
    assert found[2:] == ("type", '"cg": it has no ids of type "CryptoObjekt"', 'did you mean "CryptoObject"?')
    # A type that is declared, but has no layers, is no choice.
    write(tmp_path / "one.exr", planes(), both)
    assert problems(tmp_path, path="one.exr", names=["lamp"]) == []
    assert "but it has no layers" in problems(tmp_path, path="one.exr", names=["b*"], type="CryptoMaterial")[0][3]
    write(tmp_path / "none.exr", {"R": made["CryptoObject00.g"]}, {})
    (found,) = problems(tmp_path, path="none.exr", names=["lamp"])
    assert found[3] == '"cg": its header declares no ids'


def test_a_header_that_lost_its_attributes(tmp_path):
    made = planes(18)
    write(tmp_path / "cg.exr", made, {})
    assert 'name it with "type": "CryptoObject"' in problems(tmp_path, names=["lamp"])[0][4]
    got = matte(tmp_path, names=["lamp"], type="CryptoObject")["A"]
    np.testing.assert_allclose(got, plain(made, ["lamp"]), atol=1e-6)
    lonely = {"CryptoObject00.r": made["CryptoObject00.r"]}
    write(tmp_path / "lonely.exr", lonely, header())
    assert "their coverage is missing" in problems(tmp_path, path="lonely.exr", names=["lamp"])[0][3]


# -- sequences ------------------------------------------------------------------------------------------------


def write_sequence(folder):
    """The lamp appears at frame 3; the bench is there always."""
    made = {}
    for frame in range(1, 5):
        names = ("bench",) if frame < 3 else ("bench", "lamp", "lamp_2")
        made[frame] = planes(20 + frame, names=names)
        write(folder / f"cg.{frame}.exr", made[frame], header(names))
    return made


def test_an_object_that_appears_later(tmp_path):
    made = write_sequence(tmp_path)
    sequence = {"path": "cg.{frame}.exr", "frames": "1-4"}
    for names, chosen in ((["lamp"], ["lamp"]), (["lamp*"], ["lamp", "lamp_2"])):
        assert problems(tmp_path, names=names, **sequence) == []
        for frame in (2, 3):
            got = matte(tmp_path, frame, names=names, **sequence)["A"]
            np.testing.assert_allclose(got, plain(made[frame], chosen), atol=1e-6)
            assert bool(got.any()) == (frame == 3)


def test_one_frame_without_the_object(tmp_path):
    write_sequence(tmp_path)
    # What is rendered alone has none of it, but the sequence has.
    (found,) = problems(tmp_path, names=["lamp"], path="cg.{frame}.exr", frames="1-2")
    assert found[:3] == ("warning", "object-absent", "names.0")
    assert found[3] == 'no frame that is rendered has "lamp", so nothing is covered; cg.3.exr has it'
    (found,) = problems(tmp_path, names=["lmap"], path="cg.{frame}.exr", frames="1-2")
    assert found[:2] == ("error", "object-unknown")


def test_frames_that_differ(tmp_path):
    write_sequence(tmp_path)
    sequence = {"path": "cg.{frame}.exr", "frames": "1-4"}
    write(tmp_path / "cg.2.exr", planes(), header(None))
    (found,) = problems(tmp_path, names=["lamp*"], **sequence)
    assert found[3].startswith("frame 2: the header names no manifest of CryptoObject;")
    write(tmp_path / "cg.2.exr", planes(layers=3), header())
    assert [found[1] for found in problems(tmp_path, names=["lamp*"], **sequence)] == ["frame-channels"]
    write(tmp_path / "cg.2.exr", planes(), header(), pixel_type="half")
    (found,) = problems(tmp_path, names=["lamp*"], **sequence)
    assert found[3].startswith("frame 2: channel CryptoObject00.r holds ids, and is stored as 16-bit floats")


# -- fields -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ([], '"names" is an empty list'),
        ("lamp", '"names" is "lamp", a text'),
        ([3], '"names" .*3'),
        (None, '"names" is missing|needs "names"|names'),
    ],
)
def test_names_are_a_list(tmp_path, names, words):
    with pytest.raises(DocumentError, match=words):
        composition(tmp_path, **({} if names is None else {"names": names}))
