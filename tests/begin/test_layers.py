"""Layers by name, as renderers and studios write them; files by an outside writer."""

import numpy as np
import pytest

from stackcomp.begin.layer_words import role_of
from stackcomp.begin.layers import layers_of
from stackcomp.begin.material import locate


@pytest.mark.parametrize(
    ("layer", "role"),
    [
        ("shadow", "shadow"),
        ("Shadows", "shadow"),
        ("shadow_catcher", "shadow"),
        ("ShadowCatcher", "shadow"),
        ("matte_shadow", "shadow"),
        ("KEY VIEW.Shadow", "shadow"),
        ("shadow.beauty", "shadow"),
        ("unshadowed_diffuse", "component"),
        ("emission", "emission"),
        ("Emissive", "emission"),
        ("self_illumination", "emission"),
        ("lights", "emission"),
        ("lights_key", "unknown"),
        ("depth", "depth"),
        ("Z", "depth"),
        ("key view.Depth", "depth"),
        ("N", "normals"),
        ("P", "position"),
        ("motionVector", "motion"),
        ("AO", "occlusion"),
        ("key view.Beauty", "beauty"),
        ("beauty", "beauty"),
        ("diffuse_direct", "component"),
        ("CryptoMaterial00", "ids"),
        ("banana", "unknown"),
    ],
)
def test_words(layer, role):
    assert role_of(layer)[0] == role


def test_the_plainest_name_wins():
    ranks = [role_of(name)[1] for name in ("shadow", "shadow_catcher", "key_shadow")]
    assert ranks == [0, 1, 2]


def test_planes_are_found_in_any_case():
    (layer,) = layers_of(["shadow.red", "shadow.Green", "shadow.BLUE"], {})
    assert layer.planes == {"R": "shadow.red", "G": "shadow.Green", "B": "shadow.BLUE"}
    assert not layer.plain
    own, depth = layers_of(["r", "g", "b", "a", "Z"], {})
    assert (own.name, own.role, own.has_colour) == ("", "beauty", True)
    assert (depth.name, depth.role) == ("Z", "depth")


def test_id_mattes_are_known_by_the_header(material):
    # From the material of the open ID-matte specification (Cryptomatte 1.2): layers of a name that says nothing.
    path = material / "cryptomatte/sample_images/debug_images/special_chars.exr"
    header = locate(str(path), "--cg").header
    layers = {layer.name: layer for layer in layers_of(header.channels, header.metadata)}
    assert {name for name, layer in layers.items() if layer.declared} == {
        "special_chars", "special_chars00", "special_chars01", "special_chars02",
    }  # fmt: skip
    assert layers[""].role == "beauty"
    without = layers_of(header.channels, {})
    assert not any(layer.role == "ids" for layer in without)


def test_layers_of_a_stereo_file_with_several_parts(material):
    # A sample file of the OpenEXR project.
    header = locate(str(material / "openexr-images/Beachball/multipart.0001.exr"), "--cg").header
    layers = {layer.name: layer for layer in layers_of(header.channels, header.metadata)}
    assert layers[""].planes == {"R": "R", "G": "G", "B": "B", "A": "A"}
    assert layers["depth_left"].role == "depth"
    assert layers["forward_left.forward"].role == "motion"


def test_forty_channels_in_parts_by_an_outside_writer(tmp_path):
    oiio = pytest.importorskip("OpenImageIO")
    path = write_forty(tmp_path / "forty.0001.exr", oiio)
    header = locate(str(path), "--cg").header
    assert len(header.channels) == 40
    layers = {layer.name: layer for layer in layers_of(header.channels, header.metadata)}
    assert {name: layer.role for name, layer in layers.items() if layer.role not in ("component", "unknown")} == {
        "": "beauty", "ShadowCatcher": "shadow", "Emissive": "emission", "Depth": "depth", "Normal": "normals",
        "Position": "position", "motion": "motion", "AO": "occlusion", "CryptoObject00": "ids",
        "uv": "coordinates",
    }  # fmt: skip


def write_forty(path, oiio):
    """A file of 15 parts as a renderer writes it, by OpenImageIO: 64 × 36 pixels."""
    from begin.small_shot import HEIGHT, WIDTH, disc, shade

    cg, ratio = disc(), shade()
    parts = {
        "rgba": [("R", cg["R"]), ("G", cg["G"]), ("B", cg["B"]), ("A", cg["A"])],
        "ShadowCatcher": [(f"ShadowCatcher.{c}", ratio) for c in "RGB"],
        "Emissive": [(f"Emissive.{c}", cg["A"] * (cg["A"] > 0.99)) for c in "RGB"],
        "Depth": [("Depth.V", cg["A"])],
        "Normal": [(f"Normal.{c}", cg["A"]) for c in "XYZ"],
        "Position": [(f"Position.{c}", cg["A"]) for c in "XYZ"],
        "motion": [(f"motion.{c}", cg["A"]) for c in "XY"],
        "AO": [("AO.V", ratio)],
        "CryptoObject00": [(f"CryptoObject00.{c}", cg["A"]) for c in "rgba"],
        **{name: [(f"{name}.{c}", cg[c]) for c in "RGB"] for name in ("diffuse_direct", "coat", "transmission")},
        **{name: [(f"{name}.{c}", cg[c]) for c in "RGB"] for name in ("key_lamp_1", "banana")},
        "uv": [("uv.U", cg["A"])],
    }
    specs, data = [], []
    for name, channels in parts.items():
        spec = oiio.ImageSpec(WIDTH, HEIGHT, len(channels), "half")
        spec.channelnames = [channel for channel, _ in channels]
        spec.attribute("oiio:subimagename", name)
        if name == "rgba":
            spec.attribute("chromaticities", oiio.TypeDesc("float[8]"),
                           (0.713, 0.293, 0.165, 0.83, 0.128, 0.044, 0.32168, 0.33767))  # fmt: skip
        specs.append(spec)
        data.append(np.ascontiguousarray(np.stack([plane for _, plane in channels], axis=-1).astype(np.float32)))
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), tuple(specs)), out.geterror()
    for k, (spec, pixels) in enumerate(zip(specs, data, strict=True)):
        if k:
            assert out.open(str(path), spec, "AppendSubimage"), out.geterror()
        assert out.write_image(pixels), out.geterror()
    out.close()
    return path
