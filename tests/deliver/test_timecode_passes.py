"""Timecode and frame rate of the plate in delivered files, read back with OpenImageIO."""

import json
from fractions import Fraction

import numpy as np
import OpenEXR
import OpenImageIO
import pytest

from stackcomp import Composition, DocumentError, Graph
from stackcomp.data.frame_rate import nominal_rate
from stackcomp.data.timecode import Timecode
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError
from stackcomp.files import exr
from stackcomp.files.exr_attributes import timecode_attribute, timecode_of

FRAME = Window.of_size(8, 4)
NTSC = Fraction(30000, 1001)


def write(path, **metadata):
    planes = {name: np.full(FRAME.shape, 0.5, np.float32) for name in "RGBA"}
    exr.write(path, planes, window=FRAME, display=FRAME, metadata=metadata)


def deliver(folder, frames="1-3", **head):
    nodes = {
        "cg": {"kind": "read", "path": "cg.exr", "encoding": "ACEScg"},
        "plate": {"kind": "read", "path": "plate.{frame:04d}.exr", "encoding": "ACEScg"},
        "matte": {"kind": "flat", "like": "plate", "as": "matte", "coverage": 0.5},
        "held": {"kind": "holdout", "image": "cg", "matte": "matte"},
        "lit": {"kind": "blend", "source": "held", "backdrop": "plate", "mode": "screen"},
        "brighter": {"kind": "exposure", "image": "lit", "stops": 0.5},
        "out": {"kind": "deliver", "image": "brighter", "path": "out.{frame:04d}.exr"},
    }
    graph = {"stackcomp": 1, "frames": frames, **head, "nodes": nodes}
    return Composition(Graph.from_json(json.dumps(graph)), root=folder).deliver()


def attribute(path, name):
    spec = OpenImageIO.ImageInput.open(str(path)).spec()
    return spec.getattribute(name)


def test_every_frame_gets_the_timecode_and_the_rate_of_its_plate(tmp_path):
    first = Timecode.parse("01:00:59;29", 30)
    write(tmp_path / "cg.exr", framesPerSecond=Fraction(25), timeCode=timecode_attribute(first - 500))
    for k in range(3):
        write(tmp_path / f"plate.{k + 1:04d}.exr", timeCode=timecode_attribute(first + k), framesPerSecond=NTSC)
    paths = deliver(tmp_path)
    assert [attribute(path, "framesPerSecond") for path in paths] == [(30000, 1001)] * 3
    codes = [attribute(path, "smpte:TimeCode")[0] for path in paths]
    # 01:01:00;00 and 01:01:00;01 do not exist; bit 6 is the drop-frame flag.
    assert codes == [0x01005969, 0x01010042, 0x01010043]
    assert [str(timecode_of(exr.read_header(path).metadata["timeCode"], 30)) for path in paths] == [
        "01:00:59;29",
        "01:01:00;02",
        "01:01:00;03",
    ]


def test_every_bit_of_the_timecode_passes(tmp_path):
    write(tmp_path / "cg.exr")
    timecode = OpenEXR.TimeCode(23, 59, 58, 29, 0, 1, 1, 1, 0, 1, 1, 2, 3, 4, 5, 6, 7, 8)
    write(tmp_path / "plate.0001.exr", timeCode=timecode)
    (path,) = deliver(tmp_path, "1")
    before = attribute(tmp_path / "plate.0001.exr", "smpte:TimeCode")
    assert (
        attribute(path, "smpte:TimeCode")
        == before
        == (0x23595829 | 1 << 7 | 1 << 15 | 1 << 23 | 1 << 31, 0x87654321)
    )


@pytest.mark.parametrize("written", [24, 24.0, "24", "24/1"])
def test_the_rate_of_the_graph_goes_before_that_of_the_plate(tmp_path, written):
    write(tmp_path / "cg.exr")
    write(tmp_path / "plate.0001.exr", framesPerSecond=NTSC)
    (path,) = deliver(tmp_path, "1", frame_rate=written)
    assert attribute(path, "framesPerSecond") == (24, 1)


def test_nothing_is_invented(tmp_path):
    write(tmp_path / "cg.exr", timeCode=timecode_attribute(Timecode(1, 0, 0, 0, 24)), framesPerSecond=Fraction(24))
    write(tmp_path / "plate.0001.exr")
    (path,) = deliver(tmp_path, "1")
    assert attribute(path, "framesPerSecond") is None
    assert attribute(path, "smpte:TimeCode") is None
    (path,) = deliver(tmp_path, "1", frame_rate="23.976")
    assert attribute(path, "framesPerSecond") == (24000, 1001)
    assert attribute(path, "smpte:TimeCode") is None


@pytest.mark.parametrize("written", ["23,976", 0, "24000/0", True, [24]])
def test_a_graph_with_a_wrong_rate_is_refused(tmp_path, written):
    with pytest.raises(DocumentError, match="frame_rate") as caught:
        deliver(tmp_path, frame_rate=written)
    (problem,) = caught.value.problems
    assert problem.pointer == "/frame_rate"
    assert problem.way_out


def test_a_picture_from_python_keeps_them(tmp_path):
    timecode = timecode_attribute(Timecode(1, 2, 3, 4, 24))
    write(tmp_path / "plate.exr", timeCode=timecode, framesPerSecond=NTSC, owner="bench")
    graph = Graph(frames="1")
    graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    Composition(graph, root=tmp_path).render("plate", 1).save(tmp_path / "saved.exr")
    assert attribute(tmp_path / "saved.exr", "framesPerSecond") == (30000, 1001)
    assert attribute(tmp_path / "saved.exr", "smpte:TimeCode") == (0x01020304, 0)


class TestAttribute:
    @pytest.mark.parametrize(("text", "rate"), [("23:59:59:23", 24), ("01:00:00;02", 30), ("10:00:00:49", 50)])
    def test_both_ways(self, tmp_path, text, rate):
        code = Timecode.parse(text, rate)
        write(tmp_path / "a.exr", timeCode=timecode_attribute(code))
        value = exr.read_header(tmp_path / "a.exr").metadata["timeCode"]
        assert timecode_of(value, rate) == code
        assert attribute(tmp_path / "a.exr", "smpte:TimeCode")[0] == code.pack()

    def test_what_it_cannot_hold(self):
        with pytest.raises(BadValueError, match="frame 59 is above 29"):
            timecode_attribute(Timecode(1, 0, 0, 119, 120))
        with pytest.raises(BadValueError, match="has 24 frames; give 0 to 23"):
            timecode_of(OpenEXR.TimeCode(1, 2, 3, 24, *[0] * 14), nominal_rate(Fraction(24000, 1001)))
        with pytest.raises(BadValueError, match="the timecode in its header is a str"):
            timecode_of("01:00:00:00", 24)
