"""Movies and contact sheets of a sequence: what is wrong with them, when they are made, and what is in them."""

import json
import shutil
import subprocess
from fractions import Fraction

import numpy as np
import pytest
from PIL import Image as Pillow
from small_sequence import Project, write_plate

from stackcomp import CheckError, Problem
from stackcomp.files import mark

SHEET = {"kind": "contact_sheet", "shows": "png", "path": "out/${shot_name}.png", "width": 400}
MOVIE = {"kind": "movie", "shows": "png", "path": "out/${shot_name}.mp4", "frame_rate": 24, "quality": 100}

pytest.importorskip("av")
needs_ffmpeg = pytest.mark.skipif(shutil.which("ffprobe") is None, reason="Debian's ffmpeg is not installed")


@pytest.fixture
def project(tmp_path):
    return Project(tmp_path, frames=(1, 2, 3), shots=("wide", "close"))


def run(project, deliveries, **options):
    project.write(deliveries=deliveries)
    outcome = project.run(**options)
    made = sorted(path.relative_to(project.folder).as_posix() for path in outcome.summary.deliveries)
    return outcome, made


def problems(project, **delivery) -> list[Problem]:
    project.write(deliveries={"review": delivery})
    found = project.open().planned()[1]
    for problem in found:
        assert problem.place == str(project.file)
        assert problem.message.startswith('delivery "review": ')
        assert problem.pointer.startswith("/deliveries/review")
        assert problem.way_out
    return found


def probed(path):
    """What ffprobe, which shares no code with the library that wrote it, tells of a movie."""
    command = ["ffprobe", "-v", "error", "-show_streams", "-show_format", "-of", "json", str(path)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def decoded(path, size):
    """Frames of a movie as R'G'B', decoded by ffmpeg."""
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    data = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(data, np.uint8).reshape(-1, size[1], size[0], 3)


# -- what is wrong -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "rule", "said"),
    [
        ({"path": "out/review.avi"}, "delivery", "does not end in one of .mp4, .mov"),
        ({"path": "out/review"}, "delivery", "does not end in one of"),
        ({"shows": "brighter"}, "delivery", '"brighter" is not a deliver node'),
        ({"shows": "pgn"}, "delivery", '"pgn" is not a deliver node'),
        ({"path": "out/${shto_name}.mp4"}, "variable-unknown", 'variable "shto_name" has no value'),
        ({"path": "out/review.mp4"}, "output-twice", 'as delivery "review" does'),
        ({"frame_rate": None}, "delivery", "the frame rate of the movie is not known"),
        ({"codec": "prores"}, "delivery", ".mp4"),
        ({"codec": "prores", "path": "out/${shot_name}.mov", "chroma": "4:2:0"}, "delivery", "4:2:0"),
    ],
)
def test_mistakes_are_found_before_a_frame_is_rendered(project, change, rule, said):
    found = problems(project, **{**MOVIE, **change})
    assert found
    assert found[0].rule == rule
    assert said in found[0].message
    with pytest.raises(CheckError):
        project.run()
    assert not (project.folder / "out").exists()


def test_a_sheet_that_would_be_written_over_a_frame_is_refused(project):
    found = problems(project, **{**SHEET, "path": "out/wide/comp.0001.png", "each": "sequence"})
    assert [one.rule for one in found] == ["output-twice"]
    found = problems(project, **{**SHEET, "path": "plates/wide/plate.0001.png", "each": "sequence"})
    assert found == []


def test_what_is_read_and_what_others_made_is_not_replaced(project):
    Pillow.new("RGB", (8, 8)).save(project.folder / "mine.png")
    found = problems(project, **{**SHEET, "path": "mine.png", "each": "sequence"})
    assert [one.rule for one in found] == ["replaces-foreign"]
    assert problems(project, **{**SHEET, "path": "mine.png", "each": "sequence", "replace": "anything"}) == []


# -- when they are made --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_they_are_made_once_and_again_when_a_frame_or_a_setting_changes(project):
    deliveries = {"sheet": SHEET, "all": {**SHEET, "each": "sequence", "path": "out/all.png"}}
    assert run(project, deliveries)[1] == ["out/all.png", "out/close.png", "out/wide.png"]
    assert run(project, deliveries)[1] == []
    write_plate(project.plate("wide", 2), 99)
    assert run(project, deliveries)[1] == ["out/all.png", "out/wide.png"]
    deliveries["sheet"] = {**SHEET, "columns": 1}
    assert run(project, deliveries)[1] == ["out/close.png", "out/wide.png"]
    deliveries["sheet"]["about"] = "a note changes nothing"
    assert run(project, deliveries)[1] == []
    (project.folder / "out" / "wide.png").unlink()
    assert run(project, deliveries)[1] == ["out/wide.png"]
    (project.folder / "out" / "wide.png").write_bytes(b"")
    assert run(project, deliveries)[1] == ["out/wide.png"]


def test_a_shot_that_is_not_complete_waits(project):
    outcome, made = run(project, {"sheet": SHEET, "all": {**SHEET, "each": "sequence", "path": "out/all.png"}},
                        shots=("wide",))  # fmt: skip
    assert made == ["out/wide.png"]
    assert any("all.png is not made yet: close 1-3 are not rendered" in note for note in outcome.notes)
    project.plate("close", 2).unlink()
    outcome, made = run(project, {"sheet": SHEET})
    assert made == []
    assert not outcome.summary.ok


def test_a_delivery_that_fails_does_so_alone(project):
    # The frames are 32 by 18 pixels; 31 wide ones do not fit 4:2:0.
    for frame in (1, 2, 3):
        write_plate(project.plate("close", frame), frame, size=(31, 18))
    outcome, made = run(project, {"review": MOVIE, "sheet": SHEET})
    assert made == ["out/close.png", "out/wide.mp4", "out/wide.png"]
    ((name, shot, reason),) = outcome.summary.deliveries_failed
    assert (name, shot) == ("review", "close")
    assert "31" in reason
    assert not outcome.summary.ok
    assert not (project.folder / "out" / "close.mp4").exists()


# -- what is in them -----------------------------------------------------------------------------------------


@needs_ffmpeg
@pytest.mark.parametrize("codec", ["h264", "prores"])
def test_a_movie_holds_the_frames_in_order_at_its_rate_with_its_tags(project, codec):
    ending = "mp4" if codec == "h264" else "mov"
    path = f"out/${{shot_name}}.{ending}"
    run(project, {"review": {**MOVIE, "codec": codec, "path": path, "chroma": None, "frame_rate": "24000/1001"}})
    movie = project.folder / "out" / f"wide.{ending}"
    (stream,) = [stream for stream in probed(movie)["streams"] if stream["codec_type"] == "video"]
    told = {name: stream[name] for name in ("codec_name", "nb_frames", "r_frame_rate", "avg_frame_rate")}
    assert told == {
        "codec_name": codec,
        "nb_frames": "3",
        "r_frame_rate": "24000/1001",
        "avg_frame_rate": "24000/1001",
    }
    # ITU-R BT.709, limited range: figures and names of the recommendation, as ffprobe spells them.
    assert {stream[name] for name in ("color_space", "color_transfer", "color_primaries")} == {"bt709"}
    assert stream["color_range"] == "tv"
    for number, frame in enumerate(decoded(movie, (32, 18)), start=1):
        with Pillow.open(project.output("wide", number, "png")) as still:
            expected = np.asarray(still.convert("RGB"), np.float32)
        # The frames are noise: chroma at half the resolution keeps its mean, but for what is clipped.
        assert np.abs(frame.mean((0, 1)) - expected.mean((0, 1))).max() < 5
    assert mark.read(movie).kind == "delivery"


@needs_ffmpeg
def test_slate_and_burn_in(project):
    plain = {"plain": {**MOVIE, "path": "out/plain/${shot_name}.mp4"}}
    burned = {"burned": {**MOVIE, "slate": True, "burn_in": ["shot", "frame"], "version": "v1"}}
    run(project, plain | burned)
    without = decoded(project.folder / "out" / "plain" / "wide.mp4", (32, 18)).astype(int)
    frames = decoded(project.folder / "out" / "wide.mp4", (32, 18)).astype(int)
    assert len(frames) == len(without) + 1
    upper = np.abs(frames[1:, :8] - without[:, :8]).mean()
    lower = np.abs(frames[1:, -3:] - without[:, -3:]).mean()
    assert upper < 6 < lower


@needs_ffmpeg
def test_timecode_and_rate_come_from_the_plate(project):
    import OpenEXR

    from stackcomp.files import exr

    for number in (1, 2, 3):
        path = project.plate("wide", number)
        picture = exr.read(path)
        header = {
            "compression": OpenEXR.ZIP_COMPRESSION,
            "type": OpenEXR.scanlineimage,
            "timeCode": OpenEXR.TimeCode(10, 20, 30, number, *[0] * 14),
            "framesPerSecond": Fraction(25),
        }
        OpenEXR.File(header, {name: plane.copy() for name, plane in picture.planes.items()}).write(str(path))
    deliveries = {"review": {**MOVIE, "path": "out/${shot_name}.mov", "frame_rate": None, "slate": True}}
    project.write(shots={"wide": {}}, deliveries=deliveries)
    assert project.run().summary.ok
    told = probed(project.folder / "out" / "wide.mov")
    (video,) = [stream for stream in told["streams"] if stream["codec_type"] == "video"]
    assert video["avg_frame_rate"] == "25/1"
    # The slate is one frame before the first picture, whose timecode is 10:20:30:01.
    assert {stream["tags"]["timecode"] for stream in told["streams"] if "timecode" in stream.get("tags", {})} == {
        "10:20:30:00"
    }


@pytest.mark.slow
def test_a_sheet_of_many_frames_shows_some_with_first_and_last(tmp_path):
    project = Project(tmp_path, frames=range(1, 31), shots=("wide",))
    project.write_graph(frames="1-30")
    few = {**SHEET, "frames": 4, "columns": 4}
    project.write(shots={"wide": {}}, deliveries={"few": few, "many": {**SHEET, "path": "out/every.png"}})
    project.run()
    with Pillow.open(tmp_path / "out" / "wide.png") as few, Pillow.open(tmp_path / "out" / "every.png") as many:
        assert few.size[0] == many.size[0] == 400
        assert few.size[1] < many.size[1]


def test_a_sheet_of_openexr_goes_through_the_view(project):
    sheets = {"still": SHEET, "light": {**SHEET, "shows": "exr", "path": "out/light/${shot_name}.png"}}
    run(project, sheets)
    still, light = (
        np.asarray(Pillow.open(project.folder / "out" / name).convert("RGB"), int)
        for name in ("wide.png", "light/wide.png")
    )
    assert still.shape == light.shape
    # The still was rounded to 8 bits before it was enlarged.
    assert np.abs(still - light).max() <= 4
