"""id_matte: the specification's sample files, files written by OpenImageIO, and pixels of all sorts."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenEXR
import OpenImageIO
import pytest
from id_files import FRAME, header, matte, plain, planes, write

from stackcomp import CheckError, Image, Window
from stackcomp.data.port_types import Ids, Layers
from stackcomp.files import exr
from stackcomp.files.id_hash import id_of
from stackcomp.kernels import id_coverage as kernel
from stackcomp.nodes import read

SAMPLES = {
    "special_chars.exr": ("cryptomatte", "sample_images", "debug_images"),
    "sidecar_manifest.exr": ("cryptomatte", "sample_images", "debug_images"),
    "cryptoasset.exr": ("oiio-tests", "testsuite", "cryptomatte", "src"),
}

# -- files of others --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
def test_sample_files_by_a_plain_decode(material, name):
    """Every name of a sample, alone; pixels by OpenImageIO, which reads floats bit for bit; float64."""
    folder = material.joinpath(*SAMPLES[name])
    spec = OpenImageIO.ImageBuf(str(folder / name)).spec()
    pixels = OpenImageIO.ImageBuf(str(folder / name)).get_pixels(OpenImageIO.FLOAT)
    channels = list(spec.channelnames)
    attributes = {
        a.name.rpartition("/")[2]: a.value for a in spec.extra_attribs if a.name.startswith("cryptomatte/")
    }
    text = attributes.get("manifest") or (folder / attributes["manif_file"]).read_text()
    total = np.zeros(pixels.shape[:2])
    for object_name, bits in json.loads(text).items():
        expected = np.zeros(pixels.shape[:2])
        for k in range(3):
            for one, two in (("red", "green"), ("blue", "alpha")):
                ids = np.ascontiguousarray(pixels[..., channels.index(f"{attributes['name']}{k:02d}.{one}")])
                cover = pixels[..., channels.index(f"{attributes['name']}{k:02d}.{two}")].astype(np.float64)
                expected += np.where(ids.view(np.uint32) == int(bits, 16), cover, 0)
        got = matte(folder, path=name, names=[object_name])["A"]
        np.testing.assert_allclose(got, np.minimum(expected, 1), atol=1e-6)
        total += got
    every = matte(folder, path=name, names=["*"])["A"]
    np.testing.assert_allclose(every, np.minimum(total, 1), atol=1e-6)
    # In these files the background is id 0 with coverage; with it all coverage is 1.
    np.testing.assert_allclose(every + matte(folder, path=name, names=["#00000000"])["A"], 1, atol=2e-5)
    assert every.max() > 0.99


def test_coverage_of_the_demo_is_its_alpha():
    """There the background is no object, so that all coverage adds up to the alpha of the path-traced render."""
    folder = Path(__file__).parents[2] / "demo_shot" / "lamp"
    every = matte(folder, path="cg.{frame:04d}.exr", frames="1003", frame=1003, names=["*"])["A"]
    alpha = exr.read(folder / "cg.1003.exr", ["A"]).planes["A"]
    np.testing.assert_allclose(every, np.clip(alpha, 0, 1), atol=0.01)


def test_files_of_openimageio(tmp_path):
    """Written by an independent library, with two types, and ids that are NaN or subnormal as floats."""
    made = planes(3) | planes(4, type="CryptoMaterial", names=("brass", "glass"), layers=1)
    for name, bits in (("CryptoObject01.r", 0x7F800001), ("CryptoObject01.b", 0x80000000)):
        made[name][:4] = np.uint32(bits).view(np.float32)
    spec = OpenImageIO.ImageSpec(FRAME.width, FRAME.height, len(made), OpenImageIO.FLOAT)
    spec.channelnames = tuple(made)
    for name, value in (header() | header(("brass", "glass"), "CryptoMaterial", "aaaaaaa")).items():
        spec.attribute(name, value)
    spec.attribute("compression", "zip")
    output = OpenImageIO.ImageOutput.create(str(tmp_path / "cg.exr"))
    assert output.open(str(tmp_path / "cg.exr"), spec)
    assert output.write_image(np.ascontiguousarray(np.stack(list(made.values()), -1)))
    output.close()
    got = matte(tmp_path, type="CryptoMaterial", names=["brass"])["A"]
    np.testing.assert_allclose(got, plain(made, ["brass"], "CryptoMaterial"), atol=1e-6)
    got = matte(tmp_path, type="CryptoObject", names=["lamp", "bench"])["A"]
    np.testing.assert_allclose(got, plain(made, ["lamp", "bench"]), atol=1e-6)
    for bits, channel in ((0x7F800001, "CryptoObject01.g"), (0x80000000, "CryptoObject01.a")):
        got = matte(tmp_path, type="CryptoObject", names=[f"#{bits:08x}"])["A"]
        np.testing.assert_array_equal(got[:4], made[channel][:4])
        assert not got[4:].any()


def test_a_file_of_several_parts(tmp_path):
    """Each type in a part of its own, with its own window, as some renderers write; written by OpenImageIO."""
    objects = planes(5)
    materials = planes(6, Window.of_size(7, 5), "CryptoMaterial", ("brass",), 1)
    # Both parts declare their type under the same key.
    parts = [
        ("rgba", Window(0, 0, 12, 8), {"R": np.ones(FRAME.shape, np.float32)}, {}),
        ("CryptoObject00", FRAME, {n: p for n, p in objects.items() if "00." in n}, header()),
        ("CryptoObject01", FRAME, {n: p for n, p in objects.items() if "01." in n}, header()),
        ("CryptoMaterial00", Window(3, 2, 10, 7), materials, header(("brass",), "CryptoMaterial")),
    ]
    specs = []
    for name, window, made, attributes in parts:
        spec = OpenImageIO.ImageSpec(window.width, window.height, len(made), OpenImageIO.FLOAT)
        spec.channelnames = tuple(channel.rpartition(".")[2] for channel in made)
        spec.x, spec.y, spec.full_width, spec.full_height = window.x0, window.y0, 12, 8
        for attribute, value in {**attributes, "oiio:subimagename": name, "compression": "zip"}.items():
            spec.attribute(attribute, value)
        specs.append(spec)
    output = OpenImageIO.ImageOutput.create(str(tmp_path / "cg.exr"))
    assert output.open(str(tmp_path / "cg.exr"), tuple(specs)), output.geterror()
    for k, (_, _, made, _) in enumerate(parts):
        assert k == 0 or output.open(str(tmp_path / "cg.exr"), specs[k], "AppendSubimage")
        assert output.write_image(np.ascontiguousarray(np.stack(list(made.values()), -1)))
    output.close()
    got = matte(tmp_path, type="CryptoObject", names=["lamp*"])["A"]
    np.testing.assert_allclose(got, plain(objects, ["lamp", "lamp_2"]), atol=1e-6)
    got = matte(tmp_path, type="CryptoMaterial", names=["brass"])["A"]
    expected = np.zeros(FRAME.shape)
    expected[2:7, 3:10] = plain(materials, ["brass"], "CryptoMaterial")
    np.testing.assert_allclose(got, expected, atol=1e-6)


@pytest.mark.parametrize(
    "order", [("CryptoObject00", "CryptoObject01", "rgba"), ("CryptoObject00", "CryptoObject01")]
)
def test_parts_of_ids_before_the_picture(tmp_path, order):
    """Parts that are layers of ids and call their channels R G B A; written by OpenEXR's own library."""
    objects = planes(22)
    parts = []
    for name in order:
        own = {f"{n[-1].upper()}": plane.copy() for n, plane in objects.items() if n.startswith(name)}
        own = own or {c: np.ones(FRAME.shape, np.float32) for c in "RGBA"}
        attributes = {**header(), "compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        parts.append(OpenEXR.Part(attributes, own, name))
    OpenEXR.File(parts).write(str(tmp_path / "cg.exr"))
    got = matte(tmp_path, names=["lamp*"])["A"]
    np.testing.assert_allclose(got, plain(objects, ["lamp", "lamp_2"]), atol=1e-6)
    assert ("R" in exr.read_header(tmp_path / "cg.exr").channels) == ("rgba" in order)


# -- pixels -------------------------------------------------------------------------------------------------------


def test_windows_and_tiles(tmp_path):
    window, frame = Window(-3, 2, 9, 11), Window.of_size(16, 10)
    made = planes(7, window)
    write(tmp_path / "cg.exr", made, header(), window, frame)
    whole = matte(tmp_path, names=["lamp", "bench"])
    assert (whole.window, whole.display) == (window, frame)
    np.testing.assert_allclose(whole["A"], plain(made, ["lamp", "bench"]), atol=1e-6)
    part = matte(tmp_path, names=["lamp", "bench"], window=(1, 3, 5, 4))
    assert part.window == Window(1, 3, 6, 7)
    np.testing.assert_array_equal(part["A"], whole["A"][1:5, 4:9])


def test_previews_average_coverage_and_not_ids(tmp_path):
    made = planes(8)
    write(tmp_path / "cg.exr", made, header())
    full = plain(made, ["lamp"])
    expected = full.reshape(4, 2, 6, 2).mean((1, 3))
    np.testing.assert_allclose(matte(tmp_path, scale=0.5, names=["lamp"])["A"], expected, atol=1e-6)
    # Also where the channels were chosen by hand.
    pick = {"id0": "CryptoObject00.r", "cover0": "CryptoObject00.g"}
    rank = np.where(made["CryptoObject00.r"].view(np.uint32) == id_of("lamp"), made["CryptoObject00.g"], 0)
    got = matte(tmp_path, scale=0.5, pick=pick, names=["lamp"])["A"]
    np.testing.assert_allclose(got, rank.reshape(4, 2, 6, 2).mean((1, 3)), atol=1e-6)


def test_coverage_is_limited_before_it_is_averaged(tmp_path):
    made = planes(9, layers=1)
    for name, plane in made.items():
        plane[:] = np.uint32(id_of("lamp")).view(np.float32) if name[-1] in "rb" else 0.0
    made["CryptoObject00.g"][:, ::2] = 0.75
    made["CryptoObject00.a"][:, ::2] = 0.75
    write(tmp_path / "cg.exr", made, header())
    said = []
    assert (matte(tmp_path, scale=0.5, names=["lamp"])["A"] == 0.5).all()
    full = matte(tmp_path, names=["lamp"], warn=lambda *text: said.append(text))
    assert full["A"].max() == 1
    assert said == [("matte", "coverage of the ids adds up to 1.5, and was limited to 1")]


def test_coverage_that_is_no_number(tmp_path):
    made = planes(10, layers=1)
    made["CryptoObject00.r"][:] = np.uint32(id_of("lamp")).view(np.float32)
    made["CryptoObject00.b"][:] = 0
    made["CryptoObject00.g"][0, :4] = [np.nan, np.inf, -0.25, 0.5]
    made["CryptoObject00.a"][0, :4] = np.nan
    write(tmp_path / "cg.exr", made, header())
    said = []
    got = matte(tmp_path, names=["lamp"], warn=lambda *text: said.append(text))
    assert got["A"][0, :4].tolist() == [0, 0, 0, 0.5]
    assert said == [("matte", "3 coverages that are negative or not finite were taken as 0")]


def test_half_coverage_beside_float_ids(tmp_path):
    made = planes(11)
    types = {name: "half" if name[-1] in "ga" else "float" for name in made}
    write(tmp_path / "cg.exr", made, header(), pixel_type=types)
    got = matte(tmp_path, names=["lamp"])["A"]
    np.testing.assert_allclose(got, plain(made, ["lamp"]), atol=1e-3)


def test_ids_that_are_given(render):
    ids = Image(
        {"id0": np.full((2, 3), 7, np.uint32), "cover0": np.full((2, 3), 0.25, np.float32)},
        Window.of_size(3, 2), Window.of_size(3, 2), Ids(1, (("lamp", 7),)),
    )  # fmt: skip
    assert (render("id_matte", {"i": ids}, layers="i", names=["lam?"])["A"] == 0.25).all()
    bare = replace(ids, type=Ids(1))
    assert (render("id_matte", {"i": bare}, layers="i", names=["#00000007"])["A"] == 0.25).all()
    with pytest.raises(CheckError, match="have none"):
        render("id_matte", {"i": bare}, layers="i", names=["lam?"])
    with pytest.raises(CheckError, match="have one type"):
        render("id_matte", {"i": bare}, layers="i", names=["lamp"], type="CryptoObject")


def test_a_picture_that_is_given_knows_no_file_beside_it(render):
    made = planes(12)
    attributes = header(None, manif_file="names.json")
    image = Image(made, FRAME, FRAME, Layers(tuple(made), metadata=attributes), attributes)
    got = render("id_matte", {"i": image}, layers="i", names=["lamp"])
    np.testing.assert_allclose(got["A"], plain(made, ["lamp"]), atol=1e-6)
    with pytest.raises(CheckError, match="where that is is not known"):
        render("id_matte", {"i": image}, layers="i", names=["lamp*"])


def test_only_channels_of_ids_are_read_and_none_is_copied(tmp_path, monkeypatch):
    made = planes(21) | {name: np.zeros(FRAME.shape, np.float32) for name in ("R", "CryptoMaterial00.r")}
    write(tmp_path / "cg.exr", made, header())
    from_file, summed = [], []
    read_planes, id_coverage = read.planes, kernel.id_coverage

    def watched_read(path, names, state):
        from_file.append(read_planes(path, names, state))
        return from_file[-1]

    def watched_sum(pairs, *others):
        summed.extend(plane for pair in pairs for plane in pair)
        return id_coverage(pairs, *others)

    monkeypatch.setattr(read, "planes", watched_read)
    monkeypatch.setattr(kernel, "id_coverage", watched_sum)
    matte(tmp_path, names=["lamp"])
    ((found, _),) = from_file
    assert set(found) == {name for name in made if name.startswith("CryptoObject")}
    assert len(summed) == len(found) == 8
    for plane in summed:
        assert any(np.shares_memory(plane, other) for other in found.values())
