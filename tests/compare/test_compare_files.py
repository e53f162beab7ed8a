"""Files, sequences and dumps."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from stackcomp import Composition, Graph, RequestError, Window
from stackcomp.compare import (
    EXACT,
    Tolerance,
    compare_dumps,
    compare_files,
    compare_sequences,
    write_difference,
)
from stackcomp.compare.dumps import data_order
from stackcomp.compare.files import open_file
from stackcomp.files import exr
from stackcomp.review.dump import dump

WINDOW = Window.of_size(16, 9)


def write(path, change=None, *, pixel_type="half", window=WINDOW, layers=("", "shadow."), seed=0, notes=None):
    draw = np.random.default_rng(seed)
    planes = {f"{layer}{c}": draw.random(window.shape, np.float32) for layer in layers for c in "RGB"}
    planes["depth.Z"] = draw.random(window.shape, np.float32) * 40
    for name, value in (change or {}).items():
        planes[name][4, 5] = value
    exr.write(path, planes, window=window, display=WINDOW, pixel_type=pixel_type, metadata=notes or {})
    return path


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


def test_channels_that_one_alone_has(tmp_path):
    a = write(tmp_path / "a.exr", layers=("", "shadow."))
    b = write(tmp_path / "b.exr", layers=("", "shade."))
    compared = compare_files(a, b)
    assert "channels shadow.B, shadow.G, shadow.R only in the first" in compared.differences
    assert "channels shade.B, shade.G, shade.R only in the second" in compared.differences


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
    assert compared.differences == (f"{name}: 1 pixel with another id, first {place}",)


def test_sequences(tmp_path):
    for frame in (1, 2, 3, 4):
        write(tmp_path / f"a.{frame:04d}.exr", seed=frame)
        if frame != 2:
            write(tmp_path / f"b.{frame:04d}.exr", {"R": 9.0} if frame == 3 else None, seed=frame)
    a, b = (str(tmp_path / f"{name}.{{frame:04d}}.exr") for name in "ab")
    compared = compare_sequences(a, b)
    assert compared.missing == ((), (2,))
    assert compared.first_different == 2
    assert [frame for frame, one in compared.frames.items() if not one.equal] == [3]
    assert compare_sequences(a, b, [1, 4]).equal
    (tmp_path / "b.0004.exr").write_bytes((tmp_path / "b.0004.exr").read_bytes()[:200])
    broken = compare_sequences(a, b, [1, 4])
    assert broken.first_different == 4
    assert "b.0004.exr" in broken.unreadable[4]
    with pytest.raises(RequestError, match="no frame of"):
        compare_sequences(a, str(tmp_path / "c.%04d.exr"))


@pytest.fixture
def graph() -> Graph:
    graph = Graph(frames="1")
    graph.add("flat", "wall", size=[16, 9], colour=0.2)
    graph.add("ramp", "matte", size=[16, 9], as_="matte")
    graph.add("exposure", "lit", image="wall", stops=0.5)
    graph.add("exposure", "final", image="lit", stops=0.1, within="matte")
    return graph


def dumped(graph, folder):
    dump(Composition(graph), 1, folder)
    return folder


def test_the_first_node_that_differs_is_the_cause(tmp_path, graph):
    a = dumped(graph, tmp_path / "a")
    graph.set("lit", stops=0.6)
    graph.add("exposure", "more", image="final", stops=1)
    b = dumped(graph, tmp_path / "b")
    compared = compare_dumps(a, b)
    assert compared.first_different.node == "lit"
    assert compared.first_different.changes == {"stops": (0.5, 0.6)}
    assert [node.node for node in compared.different] == ["lit", "final", "more"]
    assert compared.different[-1].state == "second"
    assert compare_dumps(a, a, EXACT).equal
    assert json.dumps(compared.as_dict(), allow_nan=False)


def test_dumps_of_frames_and_of_one_frame(tmp_path, graph):
    for frame in ("0001", "0002"):
        dumped(graph, tmp_path / "a" / frame)
        report = tmp_path / "a" / frame / "nodes.json"
        report.write_text(report.read_text().replace('"frame": 1', f'"frame": {int(frame)}'))
    shutil.copytree(tmp_path / "a" / "0001", tmp_path / "b" / "0001")
    compared = compare_dumps(tmp_path / "a", tmp_path / "b")
    assert compared.missing == ((), (2,))
    assert not compared.equal
    with pytest.raises(RequestError, match="holds no dump"):
        compare_dumps(tmp_path, tmp_path / "a")


def test_nodes_in_the_order_of_the_data():
    entries = [{"name": "c", "inputs": {"image": "a"}}, {"name": "b", "inputs": {"x": "c"}}, {"name": "a"}]
    assert data_order({"nodes": entries}) == ["a", "c", "b"]
    other = [{"name": "a", "inputs": {"image": "b"}}, {"name": "b"}]
    assert sorted(data_order({"nodes": entries}, {"nodes": other})) == ["a", "b", "c"]


def test_a_foreign_file_is_not_replaced_by_a_picture(tmp_path):
    a = open_file(write(tmp_path / "a.exr")).all_channels()
    path = tmp_path / "difference.png"
    path.write_bytes(b"somebody's")
    with pytest.raises(RequestError, match=r"difference\.png"):
        write_difference(path, a, a)
    assert path.read_bytes() == b"somebody's"
    write_difference(path, a, a, replace_foreign=True)
    write_difference(path, a, a)
