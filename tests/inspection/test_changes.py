"""What changes in the middle of a sequence that should stay the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from inspection.made_pictures import LINEAR, coloured
from inspection.made_sequences import seen

from stackcomp import Colour, Encoding, Window
from stackcomp.files.exr_write import write
from stackcomp.inspection.changes import ChangesLimits, ChangesStream
from stackcomp.inspection.seen import Seen

SRGB = Encoding("sRGB Encoded Rec.709 (sRGB)", "display")
SIZE = Window.of_size(40, 30)


def plate(size=SIZE, window=None, encoding=LINEAR, **metadata):
    window = size if window is None else window
    made = coloured(np.full((*window.shape, 3), 0.2, np.float32), encoding=encoding)
    return replace(made, window=window, display=size, metadata=metadata)


def cg(window=SIZE, display=SIZE):
    return replace(coloured(np.full((*window.shape, 4), 0.2, np.float32)), window=window, display=display)


def found(pictures, paths=None, **limits):
    """Of pictures, or of pictures as they are seen."""
    stream = ChangesStream(ChangesLimits(**limits))
    findings = []
    for k, picture in enumerate(pictures):
        looked = stream.look(picture if isinstance(picture, Seen) else seen(picture))
        findings += stream.see(1001 + k, paths[k] if paths else f"plate.{1001 + k}.png", looked)
    return findings + list(stream.end())


def with_one(usual, other, at=4, count=10):
    return [other if k == at else usual for k in range(count)]


def test_nothing_changes():
    assert found([plate()] * 10) == []
    assert found([]) == []
    assert found([plate()]) == []


def test_resolution():
    (finding,) = found(
        with_one(plate(), plate(Window.of_size(20, 15))),
    )
    assert (finding.check, finding.sort, finding.level, finding.frame) == ("changes", "resolution", "fault", 1005)
    assert finding.message == "it has 20×15 pixels, most frames have 40×30"


def test_where_no_value_is_that_of_most():
    findings = found([plate()] * 3 + [plate(Window.of_size(20, 15))] * 3)
    assert {finding.message for finding in findings} == {"it has 20×15 pixels, other frames have 40×30"}


def test_most_frames_are_right():
    small, large = plate(Window.of_size(20, 15)), plate()
    findings = [finding for finding in found([small] * 3 + [large] * 7) if finding.sort == "resolution"]
    assert [finding.frame for finding in findings] == [1001, 1002, 1003]


def test_a_change_for_good():
    findings = found([plate()] * 6 + [plate(encoding=SRGB)] * 4)
    assert [finding.frame for finding in findings] == [1007, 1008, 1009, 1010]
    assert {finding.sort for finding in findings} == {"encoding"}
    assert findings[0].message == ("its colour space is sRGB Encoded Rec.709 (sRGB), that of most frames ACEScg")


def test_two_halves():
    """Neither is more than the other: the first is taken as right."""
    findings = found([plate()] * 5 + [plate(encoding=SRGB)] * 5)
    assert [finding.frame for finding in findings] == [1006, 1007, 1008, 1009, 1010]


def test_the_corner_of_the_display_window():
    moved = plate(SIZE.shift(3, 0))
    sorts = {finding.sort for finding in found(with_one(plate(), moved))}
    assert sorts == {"window"}


def test_the_data_window_of_a_plate():
    (finding,) = found(with_one(plate(), plate(window=Window(0, 2, 40, 30))))
    assert (finding.sort, finding.level, finding.value, finding.unit) == ("data window", "doubt", 2, "px")
    assert found(with_one(plate(), plate(window=Window(0, 2, 40, 30))), shift=2) == []


def test_a_pass_without_alpha_whose_data_window_follows_what_is_there():
    assert found([plate(window=Window(k, 5, k + 10, 20)) for k in range(10)]) == []


def test_the_data_window_of_cg_follows_it():
    assert found([cg(Window(k, 5, k + 10, 20)) for k in range(10)]) == []
    assert [f.sort for f in found(with_one(cg(), cg(display=Window.of_size(80, 60))))] == ["resolution"]


def test_channels():
    usual = Seen(cg(), ("R", "G", "B", "A", "depth.Z"), "premultiplied")
    lacks = Seen(cg(), ("R", "G", "B", "A"), "premultiplied")
    more = Seen(cg(), ("A", "B", "G", "R", "depth.Z", "N.x", "N.y", "N.z"), "premultiplied")
    first, second = found([usual] * 5 + [lacks, more])
    assert (first.frame, first.message, first.value, first.limit) == (1006, "it lacks depth.Z", 4, None)
    assert second.message == "it has N.x, N.y, N.z that most frames do not have"


def test_the_order_of_channels_does_not_matter():
    a, b = (Seen(plate(), names, "none") for names in (("R", "G", "B"), ("B", "G", "R")))
    assert found([a, a, b]) == []


def test_alpha():
    straight = replace(cg(), type=Colour("straight", LINEAR))
    (finding,) = found(with_one(cg(), straight))
    assert (finding.sort, finding.level) == ("alpha", "fault")
    assert finding.message == "its alpha is straight, that of most frames premultiplied"


@pytest.mark.parametrize(
    ("name", "sort"), [("pixelAspectRatio", "pixel aspect"), ("framesPerSecond", "frame rate")]
)
def test_numbers_of_the_header(name, sort):
    (finding,) = found(with_one(plate(**{name: 1.0}), plate(**{name: 2.0})))
    assert (finding.sort, finding.value, finding.limit) == (sort, 2.0, None)
    # What some headers do not state is no change.
    assert found(with_one(plate(**{name: 1.0}), plate())) == []


def test_pixel_types(tmp_path):
    paths = [str(tmp_path / f"plate.{k}.exr") for k in range(5)]
    for k, path in enumerate(paths):
        picture = plate()
        write(path, picture.planes, window=SIZE, display=SIZE, pixel_type="float" if k == 3 else "half")
    (finding,) = found([plate()] * 5, paths)
    assert (finding.sort, finding.frame) == ("pixel type", 1004)
    assert finding.message == "B, G, R are float, unlike most frames"
