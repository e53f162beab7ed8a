"""Objects of ids and their areas, against sums of OpenImageIO's pixels and figures worked out by hand."""

from __future__ import annotations

import json

import numpy as np
import OpenImageIO
import pytest

from stackcomp import ArgumentError, RequestError, Window
from stackcomp.files import exr
from stackcomp.files.id_hash import id_of, id_text
from stackcomp.measure import measure_ids

FRAME = Window.of_size(4, 3)


def bits(name):
    return np.uint32(id_of(name)).view(np.float32)


@pytest.fixture
def lamp(tmp_path):
    """A lamp over the left half, a bolt that covers a quarter of one pixel more; two pixels beyond the frame."""
    window = Window(-1, 0, 4, 3)
    ids, cover = np.zeros((2, *window.shape), np.float32), np.zeros((2, *window.shape), np.float32)
    ids[0, :, :3], cover[0, :, :3] = bits("lamp"), 1
    ids[0, 1, 3], cover[0, 1, 3] = bits("rope"), 0.5
    ids[1, 1, 3], cover[1, 1, 3] = bits("bolt"), 0.25
    planes = {
        f"CryptoObject00.{c}": plane for c, plane in zip("rgba", (ids[0], cover[0], ids[1], cover[1]), strict=True)
    }
    names = {name: f"{id_of(name):08x}" for name in ("lamp", "bolt", "cord")}
    metadata = {"cryptomatte/k/name": "CryptoObject", "cryptomatte/k/manifest": json.dumps(names)}
    exr.write(tmp_path / "cg.7.exr", planes, window=window, display=FRAME, pixel_type="float", metadata=metadata)
    return tmp_path


def test_by_hand(lamp):
    (found,) = measure_ids("cg.{frame}.exr", frame=7, root=lamp, at=(2, 1))
    assert (found.type, found.ranks, found.frame) == ("CryptoObject", 2, FRAME)
    assert [(one.names, one.area, one.pixels) for one in found.objects] == [
        (("lamp",), 6.0, 6), ((), 0.5, 1), (("bolt",), 0.25, 1)
    ]  # fmt: skip
    assert found.objects[1].id == id_text(id_of("rope"))
    assert found.objects[0].share == 0.5
    assert found.absent == ("cord",)
    assert [(one.names, one.coverage) for one in found.under] == [((), 0.5), (("bolt",), 0.25)]
    assert measure_ids(lamp / "cg.7.exr", at=(-1, 0))[0].under[0].names == ("lamp",)
    assert measure_ids(lamp / "cg.7.exr", at=(3, 2))[0].under == ()
    assert measure_ids(lamp / "cg.7.exr")[0].under is None
    assert json.dumps(found.as_dict())


def test_the_sum_over_a_sample_file(material):
    path = material.joinpath("cryptomatte", "sample_images", "debug_images", "special_chars.exr")
    (found,) = measure_ids(path)
    pixels = OpenImageIO.ImageBuf(str(path)).get_pixels(OpenImageIO.FLOAT)
    names = list(OpenImageIO.ImageBuf(str(path)).spec().channelnames)
    expected: dict[int, float] = {}
    for k in range(3):
        for one, two in (("red", "green"), ("blue", "alpha")):
            ids = np.ascontiguousarray(pixels[..., names.index(f"special_chars{k:02d}.{one}")]).view(np.uint32)
            cover = pixels[..., names.index(f"special_chars{k:02d}.{two}")].astype(np.float64)
            for value in np.unique(ids):
                expected[int(value)] = expected.get(int(value), 0) + cover[ids == value].sum()
    assert {one.id: pytest.approx(one.area) for one in found.objects} == {
        id_text(value): area for value, area in expected.items() if area
    }
    assert [one.names for one in found.objects[:2]] == [(), ("name_containing/slash",)]
    assert sum(one.share for one in found.objects) == pytest.approx(1, abs=1e-5)


def test_what_is_refused(lamp):
    path = lamp / "cg.7.exr"
    for how, words in (
        ({"type": "CryptoMaterial"}, 'no ids of type "CryptoMaterial"'),
        ({"at": (4, 0)}, "the pixel 4,0 lies outside of the picture"),
        ({"at": (0, -1)}, "lies outside of the picture"),
    ):
        with pytest.raises(RequestError, match=words):
            measure_ids(path, **how)
    for how in ({"at": 3}, {"at": (1.5, 2)}, {"at": (1, 2, 3)}, {"type": 3}):
        with pytest.raises(ArgumentError):
            measure_ids(path, **how)
    with pytest.raises(RequestError, match="no frame was named"):
        measure_ids("cg.{frame}.exr", root=lamp)
    with pytest.raises(RequestError, match="there is no file"):
        measure_ids(lamp / "none.exr")
    planes = {
        "CryptoObject00.r": np.ones(FRAME.shape, np.float32),
        "CryptoObject00.g": np.ones(FRAME.shape, np.float32),
    }
    metadata = {"cryptomatte/k/name": "CryptoObject"}
    exr.write(lamp / "half.exr", planes, window=FRAME, display=FRAME, pixel_type="half", metadata=metadata)
    with pytest.raises(RequestError, match="stored as 16-bit floats, so they mean nothing any more"):
        measure_ids(lamp / "half.exr")
    exr.write(lamp / "plain.exr", planes, window=FRAME, display=FRAME, pixel_type="float")
    with pytest.raises(RequestError, match="its header declares no ids"):
        measure_ids(lamp / "plain.exr")
    assert measure_ids(lamp / "plain.exr", type="CryptoObject")[0].objects[0].area == 12


def test_doubts(lamp):
    cover = np.full(FRAME.shape, 1.5, np.float32)
    cover[0, 0], cover[0, 1] = np.nan, -1
    planes = {"T00.r": np.full(FRAME.shape, bits("lamp")), "T00.g": cover}
    metadata = {"cryptomatte/k/name": "T", "cryptomatte/k/manif_file": "gone.json"}
    exr.write(lamp / "odd.exr", planes, window=FRAME, display=FRAME, pixel_type="float", metadata=metadata)
    (found,) = measure_ids(lamp / "odd.exr")
    assert [one.area for one in found.objects] == [15]
    assert found.doubts[0].startswith("there are no names: ")
    assert "gone.json: there is no such manifest" in found.doubts[0]
    assert found.doubts[1:] == (
        "2 coverages are negative or not finite, and were left out",
        "all coverage adds up to 125.0 % of the frame, more than there is",
    )


def test_a_picture_outside_of_its_frame(tmp_path):
    planes = {"T00.r": np.full((2, 2), bits("lamp")), "T00.g": np.ones((2, 2), np.float32)}
    window = Window(20, 20, 22, 22)
    exr.write(tmp_path / "a.exr", planes, window=window, display=FRAME, pixel_type="float",
              metadata={"cryptomatte/k/name": "T"})  # fmt: skip
    (found,) = measure_ids(tmp_path / "a.exr")
    assert found.objects == ()
