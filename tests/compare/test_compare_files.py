"""Two files: what must be found, and what must not."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from compare_pictures import WINDOW, picture, write

from stackcomp import RequestError, Window
from stackcomp.compare import EXACT, HALF, Opened, Tolerance, compare_files, compare_opened, open_file
from stackcomp.errors import FileError
from stackcomp.files import exr, stills
from stackcomp.kernels.strips import thread_count

WIDE = Tolerance(1e9, 1.0, 1e9)


def at(name, y, x, value):
    """The fault that one pixel of a channel has another value."""

    def fault(planes):
        planes[name][y, x] = value
        return planes

    return fault


def moved(planes):
    return {name: np.roll(plane, 1, axis=1) for name, plane in planes.items()}


def without(name):
    return lambda planes: {key: plane for key, plane in planes.items() if key != name}


def renamed(planes):
    return {name.replace("shadow.", "shade."): plane for name, plane in planes.items()}


def with_alpha(planes):
    return {**planes, "A": np.full(WINDOW.shape, 0.5, np.float32)}


def extra(planes):
    return {**planes, "depth.back": planes["depth.Z"]}


#: What is done to the second file; what it is stored with; the tolerance; and what must be found.
FAULTS = {
    "one pixel": (at("R", 8, 15, 0.5), {}, None, "R, G, B: pixel 15,8 differs by"),
    "one pixel of a layer": (at("shadow.B", 0, 0, 2), {}, None, "layer shadow: pixel 0,0 differs by"),
    "depth alone": (at("depth.Z", 3, 3, 50), {}, None, "layer depth: pixel 3,3 differs by"),
    "shifted": (moved, {}, Tolerance(0.01, 0.01, 0.1), "R, G, B: pixel"),
    "nan": (at("R", 2, 3, np.nan), {}, WIDE, "R: not finite in the same way at 1 pixel, first 3,2 ("),
    "inf": (at("depth.Z", 2, 3, np.inf), {}, WIDE, "depth.Z: not finite in the same way at 1 pixel, first 3,2"),
    "-inf": (at("shadow.G", 2, 3, -np.inf), {}, WIDE, "shadow.G: not finite in the same way at 1 pixel"),
    "missing channel": (without("shadow.G"), {}, WIDE, "channel shadow.G only in the first"),
    "extra channel": (extra, {}, WIDE, "channel depth.back only in the second"),
    "missing alpha": (with_alpha, {}, WIDE, "channel A only in the second"),
    "renamed layer": (renamed, {}, WIDE, "channels shadow.B, shadow.G, shadow.R only in the first"),
    "float": (lambda planes: planes, {"pixel_type": "float"}, WIDE, "are stored as half / float"),
    "frame": (lambda planes: planes, {"display": Window(0, 0, 16, 10)}, WIDE, "the frame is 16×9 at (0, 0) / 16×"),
    "moved window": (lambda planes: planes, {"window": Window(1, 0, 17, 9)}, WIDE, "the data window is 16×9 at"),
    "empty window": (
        lambda planes: {name: np.zeros((0, 0), np.float32) for name in planes},
        {"window": Window(0, 0, 0, 0)},
        WIDE,
        "the data window is 16×9 at (0, 0) / 1×1",
    ),
    "type": (lambda planes: planes, {"metadata": {"stackcomp/type": "matte"}}, WIDE, "the type is ratio / matte"),
    "colour space": (
        lambda planes: planes,
        {"metadata": {"chromaticities": (0.7, 0.3, 0.2, 0.7, 0.1, 0.1, 0.3, 0.3)}},
        WIDE,
        "chromaticities is",
    ),
    "pixel aspect": (lambda planes: planes, {"metadata": {"pixelAspectRatio": 2.0}}, WIDE, "pixelAspectRatio is"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_and_only_that(tmp_path, name):
    fault, stored, tolerance, finding = FAULTS[name]
    known = {
        "stackcomp/type": "ratio",
        "chromaticities": (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329),
    }
    half = {key: plane.astype(np.float16).astype(np.float32) for key, plane in picture().items()}
    a = write(tmp_path / "a.exr", planes=half, metadata=known)
    copies = {key: plane.copy() for key, plane in half.items()}
    b = write(tmp_path / "b.exr", planes=fault(copies), **{"metadata": known, **stored})
    same = write(tmp_path / "same.exr", planes=half, metadata=known)
    assert compare_files(a, same, EXACT).equal
    for pair in ((a, b), (b, a)):
        compared = compare_files(*pair, tolerance)
        assert not compared.equal
        assert any(finding in line for line in compare_files(a, b, tolerance).differences)
    if name not in ("shifted", "renamed layer", "moved window", "empty window"):
        assert len({line.partition(":")[0] for line in compared.differences}) == 1


def test_alpha_alone(tmp_path):
    planes = {c: np.full(WINDOW.shape, 0.25, np.float32) for c in "RGBA"}
    a = write(tmp_path / "a.exr", planes=planes)
    b = write(tmp_path / "b.exr", planes={**planes, "A": planes["A"] + 0.01})
    compared = compare_files(a, b)
    assert compared.differences[0].startswith("R, G, B, A: pixel 0,0 differs by 0.01")
    assert compared.differences[0].endswith("(A 0.25 / 0.26001)")
    assert compared.layers[0].share == 1


def test_minus_0_and_nan_at_the_same_place_are_equal(tmp_path):
    planes = {c: np.zeros(WINDOW.shape, np.float32) for c in "RGB"}
    planes["R"][3, 3], planes["G"][3, 3] = np.nan, np.inf
    a = write(tmp_path / "a.exr", planes=planes, pixel_type="float")
    # NaN has many bit patterns; all of them say the same.
    planes["R"].view(np.uint32)[3, 3] ^= 0x80000001
    planes["B"][...] = -0.0
    b = write(tmp_path / "b.exr", planes=planes, pixel_type="float")
    compared = compare_files(a, b, EXACT)
    assert str(compared) == "equal"
    assert compared.layers[0].over == 0


def test_pictures_of_one_pixel(tmp_path):
    one = Window.of_size(1, 1)
    planes = {"Y": np.full((1, 1), 0.5, np.float32)}
    a = write(tmp_path / "a.exr", planes=planes, window=one, display=one)
    b = write(tmp_path / "b.exr", planes={"Y": planes["Y"] * 2}, window=one, display=one)
    assert compare_files(a, a, EXACT).equal
    assert compare_files(a, b).worst.worst == (0, 0)


def test_whole_numbers_are_exact(tmp_path):
    numbers = np.arange(WINDOW.width * WINDOW.height, dtype=np.uint32).reshape(WINDOW.shape) + (1 << 24)
    a = write(tmp_path / "a.exr", planes={"object": numbers})
    off = numbers.copy()
    off[8, 15] += 1
    b = write(tmp_path / "b.exr", planes={"object": off})
    c = write(tmp_path / "c.exr", planes={"object": numbers.astype(np.float32)}, pixel_type="float")
    assert compare_files(a, a, EXACT).equal
    assert (
        compare_files(a, b, WIDE)
        .differences[0]
        .startswith("object: ids differ at 1 pixel, first 15,8 (0100008f /")
    )
    compared = compare_files(a, c, WIDE)
    assert compared.differences[0] == "object is stored as uint / float"
    assert not compare_files(a, c, WIDE, types=False).equal
    d = write(tmp_path / "d.exr", planes={"object": np.zeros(WINDOW.shape, np.float16)})
    (finding,) = compare_files(a, d, WIDE, types=False).differences
    assert finding.startswith("object: ids differ at 144 pixels, first 0,0 (")


def test_windows_that_may_differ(tmp_path):
    planes = {c: np.zeros(WINDOW.shape, np.float32) for c in "RG"}
    planes["R"][2:5, 3:7] = 0.5
    inner = Window(3, 2, 7, 5)
    cropped = {name: plane[inner.slices_in(WINDOW)] for name, plane in planes.items()}
    a = write(tmp_path / "a.exr", planes=planes)
    b = write(tmp_path / "b.exr", planes=cropped, window=inner)
    assert compare_files(a, b).differences == ("the data window is 16×9 at (0, 0) / 4×3 at (3, 2)",)
    assert compare_files(a, b, EXACT, windows_may_differ=True).equal
    planes["G"][8, 15] = 0.25
    compared = compare_files(write(tmp_path / "a.exr", planes=planes), b, EXACT, windows_may_differ=True)
    assert compared.worst.worst == (15, 8)
    assert compared.worst.values["G"] == (0.25, 0)
    # A ratio is 1 where it has no pixels.
    notes = {"stackcomp/type": "ratio"}
    ones = {"R": np.ones(WINDOW.shape, np.float32)}
    whole = write(tmp_path / "c.exr", planes=ones, metadata=notes)
    part = write(tmp_path / "d.exr", planes={"R": ones["R"][:4]}, window=Window(0, 0, 16, 4), metadata=notes)
    assert compare_files(whole, part, EXACT, windows_may_differ=True).equal


@pytest.mark.parametrize("scale", [1e-3, 1.0, 30.0, 6e4])
def test_rounding_to_half_is_within_what_it_is_said_to_change(tmp_path, scale):
    values = (np.random.default_rng(1).random(WINDOW.shape) * scale).astype(np.float32)
    a = write(tmp_path / "a.exr", planes={"Y": values}, pixel_type="float")
    b = write(tmp_path / "b.exr", planes={"Y": values})
    assert compare_files(a, b, HALF, types=False).equal
    assert not compare_files(a, b, EXACT, types=False).equal


def test_a_layer_that_is_not_there_has_no_tolerance(tmp_path):
    a = write(tmp_path / "a.exr")
    with pytest.raises(RequestError) as caught:
        compare_files(a, a, {"shado": EXACT})
    (problem,) = caught.value.problems
    assert problem.message == 'there is no layer or channel "shado", for which a tolerance is given'
    assert problem.way_out.startswith('did you mean "shadow"')


def test_stills(tmp_path):
    pixels = np.random.default_rng(0).random((9, 16, 4)).astype(np.float32)
    for name, bits, alpha in (("a.png", 8, "straight"), ("b.png", 16, "straight"), ("c.tif", 16, "premultiplied")):
        stills.write(tmp_path / name, pixels, bits, alpha=alpha)
    a, b, c = (tmp_path / name for name in ("a.png", "b.png", "c.tif"))
    assert compare_files(a, a, EXACT).equal
    assert compare_files(a, b, Tolerance(1 / 255, 0)).differences == ("R, G, B, A are stored as 8 bits / 16 bits",)
    assert compare_files(b, c, EXACT).differences == ("alpha is straight / premultiplied",)


def test_what_cannot_be_read_is_not_equal(material, tmp_path):
    a = open_file(write(tmp_path / "a.exr"))
    odd = replace(a, planes={k: v for k, v in a.planes.items() if k != "G"}, unusable={"G": "subsampled"})
    assert compare_opened(odd, odd, EXACT).differences == ("channel G cannot be compared, it is subsampled",)
    (tmp_path / "b.exr").write_bytes((tmp_path / "a.exr").read_bytes()[:400])
    with pytest.raises(FileError, match=r"b\.exr"):
        compare_files(tmp_path / "a.exr", tmp_path / "b.exr")


def test_what_is_odd_about_a_file_is_a_note(tmp_path):
    a = write(tmp_path / "a.exr")
    (tmp_path / "b.png").write_bytes(a.read_bytes())
    compared = compare_files(a, tmp_path / "b.png", EXACT)
    assert compared.equal
    assert [note.partition(": ")[2] for note in compared.notes] == ['it is OpenEXR, but its name ends in ".png"']


def test_ids_of_which_only_one_header_knows(tmp_path):
    planes = {"id0": np.full(WINDOW.shape, 0x7F800123, np.uint32).view(np.float32)}
    options = {"planes": planes, "bits_as_float": ["id0"]}
    a = write(tmp_path / "a.exr", metadata={"stackcomp/type": "ids"}, **options)
    b = write(tmp_path / "b.exr", **options)
    assert compare_files(a, b, WIDE).differences == ("only the header of the first says that id0 is ids",)
    # As numbers, all of these are NaN; the bits differ.
    planes["id0"] = np.full(WINDOW.shape, 0x7F800124, np.uint32).view(np.float32)
    c = write(tmp_path / "c.exr", **options)
    for pair in ((a, c), (c, a)):
        assert not compare_files(*pair, WIDE, types=False).equal
    assert compare_files(b, c, WIDE, types=False).equal


def test_layers_are_compared_by_themselves(tmp_path):
    a = write(tmp_path / "a.exr")
    b = write(tmp_path / "b.exr", {"shadow.G": 3.0})
    compared = compare_files(a, b)
    assert [layer.layer for layer in compared.layers if not layer.equal] == ["shadow"]
    assert compared.worst.worst == (5, 4)
    assert compare_files(a, b, {"shadow": Tolerance(10, 1, 10), "*": EXACT}).equal
    assert not compare_files(a, b, {"depth": Tolerance(10, 1, 10), "*": EXACT}).equal
    assert compare_files(a, a, EXACT).equal


def test_the_way_of_storing_is_a_difference(tmp_path):
    a, b = tmp_path / "a.exr", tmp_path / "b.exr"
    exr.write(a, {"Y": np.full(WINDOW.shape, np.float32(0.5))}, window=WINDOW, display=WINDOW, pixel_type="half")
    exr.write(b, {"Y": np.full(WINDOW.shape, np.float32(0.5))}, window=WINDOW, display=WINDOW, pixel_type="float")
    compared = compare_files(a, b)
    assert compared.differences == ("Y is stored as half / float",)
    assert compared.layers[0].equal
    assert compare_files(a, b, EXACT, types=False).equal


def test_channels_that_one_alone_has(tmp_path):
    a = write(tmp_path / "a.exr", layers=("", "shadow."))
    b = write(tmp_path / "b.exr", layers=("", "shade."))
    compared = compare_files(a, b)
    assert compared.differences == (
        "channels shadow.B, shadow.G, shadow.R only in the first",
        "channels shade.B, shade.G, shade.R only in the second",
    )


def test_ids_of_the_open_specification_are_compared_bit_by_bit(material, tmp_path):
    folder = material / "cryptomatte"
    path = next(path for path in sorted(folder.rglob("*.exr")))
    opened = open_file(path)
    assert opened.ids
    assert compare_files(path, path, EXACT).equal
    name = sorted(opened.ids)[0]
    bits = opened.planes[name].view(np.uint32).copy()
    y, x = np.argwhere(bits)[0]
    bits[y, x] ^= 1
    planes = {**opened.planes, name: bits.view(np.float32)}
    header = {key: value for key, value in exr.read_header(path).metadata.items() if key.startswith("crypto")}
    for target, content in (("same.exr", opened.planes), ("off.exr", planes)):
        exr.write(tmp_path / target, dict(content), window=opened.window, display=opened.display,
                  pixel_type="float", metadata=header, bits_as_float=sorted(opened.ids))  # fmt: skip
    wide = Tolerance(1e30, 1, 1e30)
    compared = compare_files(tmp_path / "same.exr", tmp_path / "off.exr", wide)
    place = f"{x + opened.window.x0},{y + opened.window.y0}"
    assert compared.differences == (
        f"{name}: ids differ at 1 pixel, first {place} ({bits[y, x] ^ 1:08x} / {bits[y, x]:08x})",
    )


@pytest.mark.parametrize("part_of_header", ["beauty", "crypto"])
def test_ids_in_a_part_with_a_name_of_its_own(tmp_path, part_of_header):
    """Files written by OpenEXR's library; the name of the part comes before the names of its layers."""
    bits = np.full(WINDOW.shape, 0x3F123456, np.uint32)
    off = bits.copy()
    off[5, 6] ^= 1

    def part(name, planes):
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        if name == part_of_header:
            header["cryptomatte/abcdef0/name"] = "object"
        return OpenEXR.Part(header, planes, name)

    for name, ids in (("a", bits), ("b", off)):
        beauty = {c: np.ones(WINDOW.shape, np.float32) for c in "RGB"}
        ranks = {f"object00.{c}": np.ones(WINDOW.shape, np.float32) for c in "RGBA"}
        ranks["object00.R"] = ids.view(np.float32)
        parts = [part("beauty", beauty), part("crypto", ranks)]
        OpenEXR.File(parts).write(str(tmp_path / f"{name}.exr"))
    a, b = tmp_path / "a.exr", tmp_path / "b.exr"
    assert open_file(a).ids == {"crypto.object00.R", "crypto.object00.B"}
    assert compare_files(a, b, WIDE).differences == (
        "crypto.object00.R: ids differ at 1 pixel, first 6,5 (3f123456 / 3f123457)",
    )


def test_numbers_need_no_memory_beyond_strips():
    window = Window.of_size(1500, 1200)
    planes = {
        name: np.random.default_rng(k).random(window.shape).astype(np.float16) for k, name in enumerate("RGBA")
    }
    other = {name: plane + np.float16(0.01) for name, plane in planes.items()}
    stored = dict.fromkeys(planes, "half")
    a, b = (Opened(Path("a"), one, window, window, stored, frozenset()) for one in (planes, other))
    narrow = replace(b, window=window.shift(3, 0))
    compare_opened(a, b)
    tracemalloc.start()
    try:
        assert not compare_opened(a, b).equal
        assert not compare_opened(a, narrow, windows_may_differ=True).equal
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # A plane as float32 has 7 MB; a strip of 32 rows has 0.2 MB, and each thread works on one.
    assert peak < 1e6 * (1 + 2 * thread_count())


@pytest.mark.slow
def test_parts_are_layers(material):
    """A file of one part and one of several, with the same pictures under other names (OpenEXR's test images)."""
    folder = material / "openexr-images" / "Beachball"
    single, multi = folder / "singlepart.0001.exr", folder / "multipart.0001.exr"
    assert compare_files(multi, multi, EXACT).equal
    compared = compare_files(single, multi, EXACT)
    assert len(compared.differences) == 2
    assert all("only in the" in line for line in compared.differences)
    assert {layer.layer for layer in compared.layers} == {"", "disparityL", "disparityR"}
    assert all(layer.equal for layer in compared.layers)
    a = open_file(multi)
    off = a.planes["rgba_left.A"].copy()
    off[100, 100] += np.float16(0.25)
    compared = compare_opened(a, replace(a, planes={**a.planes, "rgba_left.A": off}))
    assert [layer.layer for layer in compared.layers if not layer.equal] == ["rgba_left"]
