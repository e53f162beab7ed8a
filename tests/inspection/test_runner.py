"""Files: what is opened, what checks get of it, and what becomes of files that cannot be read."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
import pytest

from stackcomp import Colour, Image, Matte, Window
from stackcomp.errors import BugError, FileError
from stackcomp.files import exr, stills
from stackcomp.files.mark import Mark
from stackcomp.inspection.check import PictureCheck, Stream, StreamCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.in_order import in_order
from stackcomp.inspection.limits import Limits
from stackcomp.inspection.material import pictures_of
from stackcomp.inspection.opening import opened
from stackcomp.inspection.runner import inspect_files
from stackcomp.inspection.seen import Seen
from stackcomp.inspection.setting import Setting


class _Seeing(Stream):
    """Notes what it is told."""

    def __init__(self) -> None:
        self.told: list[Any] = []

    def look(self, picture: Seen) -> Any:
        return float(picture.image["R"].mean()), picture.channels, picture.alpha

    def see(self, frame, path, looked):
        self.told.append((frame, looked[0]))
        yield Finding(check="seeing", frame=frame, message="it was seen", cure="", level="note")

    def miss(self, frame, path, reason):
        self.told.append((frame, reason.partition(" ")[0] or "gone"))
        yield from ()

    def end(self):
        yield Finding(check="seeing", message=f"{len(self.told)} told", cure="", level="note", sort="end")


def check_of(find, of="colour", name="own"):
    return PictureCheck(name="nonfinite", limits=Limits, find=find, of=of, summary="s", cure="c", source="s")


def write(path, value=0.5, size=(8, 6), window=None, display=None, channels="RGBA", pixel_type="half"):
    window = window or Window.of_size(*size)
    planes = {name: np.full(window.shape, value, np.float32) for name in channels}
    exr.write(path, planes, window=window, display=display or window, pixel_type=pixel_type)


def test_a_file_that_cannot_be_read_is_a_finding_and_the_others_go_on(tmp_path):
    for frame in range(1, 6):
        write(tmp_path / f"cg.{frame:04d}.exr", frame / 10)
    (tmp_path / "cg.0003.exr").write_bytes((tmp_path / "cg.0003.exr").read_bytes()[:-40])
    (tmp_path / "cg.0004.exr").unlink()
    seeing = _Seeing()
    made = StreamCheck(
        name="nonfinite", limits=Limits, start=lambda limits, rate: seeing, summary="s", cure="c", source="s"
    )
    steps = []
    found = inspect_files(
        pictures_of(["cg.{frame:04d}.exr"], root=tmp_path), Setting((made,)), step=lambda: steps.append(1)
    )
    assert [frame for frame, _ in seeing.told] == [1, 2, 3, 4, 5]
    assert [value for _, value in seeing.told][:2] == [pytest.approx(0.1, abs=1e-3), pytest.approx(0.2, abs=1e-3)]
    assert [value for _, value in seeing.told][2:4] == ["it", "gone"]
    faults = [finding for finding in found.findings if finding.level == "fault"]
    assert [(fault.check, fault.frame) for fault in faults] == [("file", 3)]
    assert not found.clean
    assert found.pictures == {"cg.{frame:04d}.exr": 5}
    assert {finding.picture for finding in found.findings} == {"cg.{frame:04d}.exr"}
    assert found.findings[-1].message == "5 told"
    assert len(steps) == 5


def test_what_a_check_gets_of_a_file(tmp_path):
    window, display = Window(-4, 2, 12, 10), Window.of_size(10, 12)
    write(tmp_path / "cg.exr", window=window, display=display, channels=["R", "G", "B", "A", "depth.Z", "b.R"])
    got: dict[str, Image] = {}

    def remember(name):
        def find(image, limits):
            got[name] = image
            return iter(())

        return find

    checks = (check_of(remember("colour")), check_of(remember("layers"), of="layers"))
    inspect_files(pictures_of([str(tmp_path / "cg.exr")]), Setting(checks))
    assert got["colour"].channels == ("R", "G", "B", "A")
    assert {plane.dtype for plane in got["colour"].values()} == {np.dtype(np.float32)}
    assert (got["colour"].window, got["colour"].display) == (window, display)
    assert set(got["layers"].channels) == {"R", "G", "B", "A", "depth.Z", "b.R"}
    assert {plane.dtype for plane in got["layers"].values()} == {np.dtype(np.float16)}


@pytest.mark.parametrize(
    ("channels", "type_", "planes"),
    [
        (["R", "G", "B"], Colour, "RGB"),
        (["beauty.R", "beauty.G", "beauty.B", "A"], Colour, "RGBA"),
        (["diffuse.R", "diffuse.G", "diffuse.B", "beauty.red", "beauty.green", "beauty.blue"], Colour, "RGB"),
        (["a.R", "a.G", "a.B", "R", "G", "B"], Colour, "RGB"),
        (["Y"], Colour, "RGB"),
        (["A"], Matte, "A"),
        (["depth.Z"], None, ("depth.Z",)),
    ],
)
def test_which_channels_are_the_colour(tmp_path, channels, type_, planes):
    write(tmp_path / "file.exr", channels=channels)
    picture = opened(tmp_path / "file.exr")
    assert picture.seen.image.channels == tuple(planes)
    assert picture.colour is None if type_ is None else isinstance(picture.colour.type, type_)


def test_of_several_colours_the_own_one_is_taken_or_else_the_beauty(tmp_path):
    window = Window.of_size(4, 4)

    def level(**levels):
        planes = {
            f"{layer}.{c}" if layer != "own" else c: np.full((4, 4), value, np.float32)
            for layer, value in levels.items()
            for c in "RGB"
        }
        exr.write(tmp_path / "file.exr", planes, window=window, display=window, pixel_type="float")
        return float(opened(tmp_path / "file.exr").seen.image["R"][0, 0])

    assert level(diffuse=1, own=2, beauty=3) == 2
    assert level(albedo=1, beauty=3, specular=4) == 3
    assert level(diffuse=1) == 1


def test_encoding_and_alpha_of_files(tmp_path):
    write(tmp_path / "plain.exr")
    assert opened(tmp_path / "plain.exr").seen.image.type.encoding.name == "Linear Rec.709 (sRGB)"
    told = opened(tmp_path / "plain.exr", encoding="ACEScct", alpha="straight").seen.image.type
    assert (told.encoding.name, told.alpha) == ("ACEScct", "straight")
    assert opened(tmp_path / "plain.exr", alpha="none").seen.image.channels == ("R", "G", "B")
    pixels = np.full((6, 8, 4), 0.5, np.float32)
    stills.write(tmp_path / "still.png", pixels, bits=8, mark=Mark("picture"))
    type_ = opened(tmp_path / "still.png").seen.image.type
    assert (type_.encoding.family, type_.alpha) == ("display", "straight")


def test_a_still_has_no_frames_and_no_streams(tmp_path):
    write(tmp_path / "a.exr", np.nan, pixel_type="float")
    found = inspect_files(pictures_of([str(tmp_path / "a.exr")]), Setting())
    assert {finding.check for finding in found.findings} == {"nonfinite"}
    assert {finding.frame for finding in found.findings} == {None}


def test_a_bug_in_a_check_says_in_which(tmp_path):
    write(tmp_path / "a.exr")

    def broken(image, limits):
        yield from ()
        raise ZeroDivisionError("no")

    with pytest.raises(BugError, match=r'check "nonfinite" of .*a\.exr'):
        inspect_files(pictures_of([str(tmp_path / "a.exr")]), Setting((check_of(broken),)))


def test_a_text_that_is_called_exr(tmp_path):
    (tmp_path / "a.exr").write_text("hello")
    found = inspect_files(pictures_of([str(tmp_path / "a.exr")]), Setting())
    assert [(one.check, one.level) for one in found.findings] == [("file", "fault")]
    with pytest.raises(FileError):
        opened(tmp_path / "a.exr")


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_work_side_by_side_comes_in_order_and_holds_few(workers):
    alive, most, lock = set(), [0], threading.Lock()

    def items():
        for k in range(30):
            with lock:
                alive.add(k)
                most[0] = max(most[0], len(alive))
            yield k

    def work(k):
        with lock:
            alive.discard(k)
        return k * k

    assert list(in_order(work, items(), workers)) == [k * k for k in range(30)]
    assert most[0] <= workers + 1


def test_an_error_in_the_work_is_raised_and_ends_it():
    begun = []

    def work(k):
        begun.append(k)
        if k == 3:
            raise ValueError("three")
        return k

    with pytest.raises(ValueError, match="three"):
        list(in_order(work, range(1000), 2))
    assert len(begun) < 10
