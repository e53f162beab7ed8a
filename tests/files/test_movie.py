"""Movies, judged by another build of FFmpeg than the one that writes them: bars, tags, rate, timecode.

Tests that need the commands ``ffmpeg`` and ``ffprobe`` are skipped where these are not installed.
"""

import contextlib
import json
import os
import resource
import shutil
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
from slow_cases import few_fast

from stackcomp.data.timecode import Timecode
from stackcomp.errors import ArgumentError, FileError, RequestError
from stackcomp.files import mark, movie
from stackcomp.files.mark import Mark
from stackcomp.files.movie import MovieWriter, check_available
from stackcomp.files.movie_formats import movie_format
from stackcomp.kernels.strips import set_threads

av = pytest.importorskip("av", reason="PyAV is not installed")

needs_ffmpeg = pytest.mark.skipif(
    not (shutil.which("ffmpeg") and shutil.which("ffprobe")), reason="ffmpeg and ffprobe are not installed"
)

#: Ending, codec, chroma, bits: everything that can be written.
FORMATS = [
    (".mp4", "h264", "4:2:0", 8),
    (".mov", "h264", "4:2:0", 8),
    (".mp4", "h264", "4:2:2", 8),
    (".mp4", "h264", "4:4:4", 8),
    (".mp4", "h264", "4:2:0", 10),
    (".mov", "h264", "4:2:2", 10),
    (".mov", "h264", "4:4:4", 10),
    (".mov", "prores", "4:2:2", 10),
    (".mov", "prores", "4:4:4", 10),
]
#: White, yellow, cyan, green, magenta, red, blue, black: Recommendation ITU-R BT.471, with its names below.
COLOURS = ((1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0))
BARS = {
    "100/0/100/0": [tuple(map(float, colour)) for colour in COLOURS],
    "100/0/75/0": [(1.0, 1.0, 1.0), *[tuple(0.75 * k for k in colour) for colour in COLOURS[1:]]],
}
#: Y', Cb, Cr of the first seven at 75 %: the source `smptehdbars` of FFmpeg, after SMPTE RP 219-1.
RP219 = (
    (180, 128, 128), (168, 44, 136), (145, 147, 44), (133, 63, 52), (63, 193, 204), (51, 109, 212), (28, 212, 120),
)  # fmt: skip
RATES = [
    Fraction(24),
    Fraction(24000, 1001),
    Fraction(25),
    Fraction(30000, 1001),
    Fraction(50),
    Fraction(60000, 1001),
]
MOVIES = [("a.mp4", "h264"), pytest.param("a.mov", "h264", marks=pytest.mark.slow), ("b.mov", "prores")]
BAR, HEIGHT = 24, 32


def bars(colours, height=HEIGHT):
    row = np.repeat(np.array(colours, np.float32), BAR, axis=0)
    return np.repeat(row[None], height, axis=0)


def codes_of(rgb, bits):
    """Y', Cb, Cr by the figures of BT.709-6, items 3.2 to 3.4, in whole fractions."""
    red, green, blue = (Fraction(value) for value in rgb)
    y = Fraction(2126, 10000) * red + Fraction(7152, 10000) * green + Fraction(722, 10000) * blue
    cb, cr = (blue - y) / Fraction(18556, 10000), (red - y) / Fraction(15748, 10000)
    unit = 2 ** (bits - 8)
    return [
        int((219 * y + 16) * unit + Fraction(1, 2)),
        *(int((224 * c + 128) * unit + Fraction(1, 2)) for c in (cb, cr)),
    ]


def write(path, pictures, rate=24, **options):
    with MovieWriter(path, rate, **options) as writer:
        for picture in pictures:
            writer.add(picture)
    return writer.report


def run(*command):
    done = subprocess.run([str(word) for word in command], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    assert done.stderr == b"", done.stderr.decode()
    return done.stdout


def planes_of(path, width, height, chroma, bits):
    """Code values of every picture as the other FFmpeg decodes them; no conversion takes place."""
    # Of the 4:4:4 profile that decoder gives 12 bits.
    deep = 12 if bits == 10 and chroma == "4:4:4" and probe(path)["codec_name"] == "prores" else bits
    name = f"yuv{chroma.replace(':', '')}p" + ("" if deep == 8 else f"{deep}le")
    assert probe(path)["pix_fmt"] == name
    raw = run("ffmpeg", "-v", "error", "-i", path, "-map", "0:v", "-f", "rawvideo", "-pix_fmt", name, "-")
    across, down = {"4:2:0": (2, 2), "4:2:2": (2, 1), "4:4:4": (1, 1)}[chroma]
    shapes = [(height, width)] + [(height // down, width // across)] * 2
    values = np.frombuffer(raw, np.uint8 if deep == 8 else "<u2").astype(np.float64) / 2 ** (deep - bits)
    size = sum(rows * columns for rows, columns in shapes)
    assert values.size % size == 0
    frames = []
    for frame in values.reshape(-1, size):
        cuts = np.split(frame, np.cumsum([rows * columns for rows, columns in shapes])[:-1])
        frames.append([cut.reshape(shape) for cut, shape in zip(cuts, shapes, strict=True)])
    return frames


def probe(path, *entries):
    listed = run("ffprobe", "-v", "error", "-show_streams", "-show_format", "-of", "json", *entries, path)
    known = json.loads(listed)
    (video,) = [stream for stream in known["streams"] if stream["codec_type"] == "video"]
    return {**video, "all": known}


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 64 KiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    command = [mount or "", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no disk can be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@needs_ffmpeg
class TestBars:
    @pytest.mark.parametrize(("ending", "codec", "chroma", "bits"), few_fast(FORMATS, 4, pairs=True))
    @pytest.mark.parametrize("name", ["100/0/75/0", pytest.param("100/0/100/0", marks=pytest.mark.slow)])
    def test_flat_areas_have_the_code_values_of_bt709(self, tmp_path, ending, codec, chroma, bits, name):
        path = tmp_path / f"bars{ending}"
        # One code value of 10 bits is less than what H.264 loses at the usual quality.
        write(
            path, [bars(BARS[name])] * 2, codec=codec, chroma=chroma, bits=bits, quality=75 if bits == 8 else 100
        )
        width = 8 * BAR
        for planes in planes_of(path, width, HEIGHT, chroma, bits):
            for number, colour in enumerate(BARS[name]):
                for plane, expected in zip(planes, codes_of(colour, bits), strict=True):
                    step = width // plane.shape[1]
                    # The middle third: filters and the codec change what is near the edge of a bar.
                    flat = plane[:, (number * BAR + 8) // step : (number * BAR + 16) // step]
                    assert np.abs(flat - expected).max() <= 1, (colour, expected, np.unique(flat))

    @pytest.mark.parametrize(("codec", "chroma", "bits"), [("h264", "4:2:2", 8), ("prores", "4:2:2", 10)])
    def test_they_are_those_that_ffmpeg_makes_itself(self, tmp_path, codec, chroma, bits):
        """`smptehdbars` is a table of code values, after SMPTE RP 219-1."""
        size = 1920, 16
        source = f"smptehdbars=size={size[0]}x1080"
        raw = run("ffmpeg", "-v", "error", "-f", "lavfi", "-i", source, "-frames:v", 1, "-vf", "crop=1920:16:0:0",
                  "-f", "rawvideo", "-pix_fmt", "yuv420p", "-")  # fmt: skip
        luma = np.frombuffer(raw, np.uint8)[: size[0] * size[1]].reshape(16, 1920)[8]
        chroma_rows = np.frombuffer(raw, np.uint8)[size[0] * size[1] :].reshape(2, 8, 960)[:, 4]
        found = list(zip(luma[::2].tolist(), *chroma_rows.tolist(), strict=True))
        assert set(RP219) <= set(found)
        levels = [tuple(0.75 * k for k in colour) for colour in COLOURS[:7]]
        path = tmp_path / "bars.mov"
        write(path, [bars([*levels, (0, 0, 0)])], codec=codec, chroma=chroma, bits=bits)
        (planes,) = planes_of(path, 8 * BAR, HEIGHT, chroma, bits)
        for number, expected in enumerate(RP219):
            for plane, code in zip(planes, expected, strict=True):
                middle = (number * BAR + BAR // 2) * plane.shape[1] // (8 * BAR)
                # The table of 8 bits is rounded.
                assert abs(plane[10, middle] / 2 ** (bits - 8) - code) <= 1

    @pytest.mark.parametrize(("ending", "codec", "chroma", "bits"), FORMATS)
    def test_there_and_back_the_picture_is_as_before(self, tmp_path, ending, codec, chroma, bits):
        """Through the other FFmpeg to R'G'B', by the tags in the file alone."""
        y, x = np.mgrid[:64, :96].astype(np.float32)
        picture = np.stack([x / 95, y / 63, 0.5 + 0.4 * np.sin((x + y) / 20)], axis=-1)
        path = tmp_path / f"a{ending}"
        write(path, [picture], codec=codec, chroma=chroma, bits=bits, quality=95)
        # The filter of the zimg library takes the place of chroma into account.
        chain = "zscale=matrix=gbr:range=full:filter=bicubic:dither=none,format=gbrp16le"
        raw = run("ffmpeg", "-v", "error", "-i", path, "-map", "0:v", "-vf", chain, "-f", "rawvideo", "-")
        green, blue, red = np.frombuffer(raw, "<u2").reshape(3, 64, 96) / 65535
        difference = np.abs(np.stack([red, green, blue], axis=-1) - picture)[4:-4, 4:-4]
        assert difference.mean() < 1 / 255
        assert difference.max() < 7 / 255


@needs_ffmpeg
class TestTags:
    @pytest.mark.parametrize(("ending", "codec", "chroma", "bits"), FORMATS)
    def test_bt709_in_the_stream_on_its_frames_and_in_the_container(self, tmp_path, ending, codec, chroma, bits):
        path = tmp_path / f"a{ending}"
        write(path, [bars(COLOURS)] * 3, codec=codec, chroma=chroma, bits=bits)
        wanted = {
            "color_range": "tv", "color_space": "bt709", "color_transfer": "bt709", "color_primaries": "bt709",
        }  # fmt: skip
        stream = probe(path)
        assert {name: stream[name] for name in wanted} == wanted
        listed = run("ffprobe", "-v", "error", "-select_streams", "v", "-show_frames", "-of", "json", path)
        frames = json.loads(listed)["frames"]
        assert [{name: frame[name] for name in wanted} for frame in frames] == [wanted] * 3
        # ISO/IEC 14496-12, 12.1.5: primaries, transfer and matrix, 1 for BT.709; then the flag for full range.
        kind = b"nclx\0\1\0\1\0\1\0" if ending == ".mp4" else b"nclc\0\1\0\1\0\1"
        assert path.read_bytes().count(b"colr" + kind) == 1

    def test_the_stream_alone_is_tagged_too(self, tmp_path):
        write(tmp_path / "a.mp4", [bars(COLOURS)])
        run("ffmpeg", "-v", "error", "-i", tmp_path / "a.mp4", "-map", "0:v", "-c", "copy", tmp_path / "a.h264")
        stream = probe(tmp_path / "a.h264")
        assert [stream[f"color_{name}"] for name in ("range", "space", "transfer", "primaries")] == [
            "tv", "bt709", "bt709", "bt709",
        ]  # fmt: skip

    def test_metadata_and_mark(self, tmp_path):
        ours = Mark("delivery", "8c1f0a52b7d94e36")
        for name, codec in (("a.mp4", "h264"), ("a.mov", "prores")):
            path = tmp_path / name
            texts = {"title": "Laterne auf der Werkbank – Nº 1", "shot": "l010", "stackcomp/version": "9"}
            write(path, [bars(COLOURS)], codec=codec, metadata=texts, mark=ours)
            assert mark.read(path) == ours
            tags = probe(path)["all"]["format"]["tags"]
            assert {name: tags[name] for name in texts} == texts
            assert tags["stackcomp/mark"] == ours.line(path.stat().st_size)
            assert "creation_time" not in tags
            assert "encoder" not in tags


@needs_ffmpeg
class TestTime:
    @pytest.mark.parametrize("rate", few_fast(RATES, 3))
    @pytest.mark.parametrize(("name", "codec"), MOVIES)
    def test_the_rate_is_exact_and_every_picture_lasts_as_long(self, tmp_path, rate, name, codec):
        path = tmp_path / name
        assert write(path, [bars(COLOURS, 16)] * 7, rate, codec=codec).frames == 7
        stream = probe(path)
        assert Fraction(stream["r_frame_rate"]) == Fraction(stream["avg_frame_rate"]) == rate
        assert (stream["nb_frames"], stream["start_pts"]) == ("7", 0)
        assert stream["duration_ts"] * Fraction(stream["time_base"]) == 7 / rate
        listed = run("ffprobe", "-v", "error", "-select_streams", "v", "-show_frames", "-of", "json", path)
        times = [frame["pts"] for frame in json.loads(listed)["frames"]]
        assert times == [k * times[1] for k in range(7)]
        assert Fraction(stream["time_base"]) * times[1] == 1 / rate

    @pytest.mark.parametrize(("name", "codec"), [("a.mp4", "h264"), ("b.mov", "prores")])
    def test_pictures_come_in_their_order(self, tmp_path, name, codec):
        levels = [(7 * k % 30) / 30 for k in range(30)]
        path = tmp_path / name
        write(path, [np.full((16, 32, 3), level, np.float32) for level in levels], codec=codec)
        bits, chroma = (8, "4:2:0") if codec == "h264" else (10, "4:2:2")
        decoded = [planes[0].mean() for planes in planes_of(path, 32, 16, chroma, bits)]
        assert decoded == pytest.approx([(16 + 219 * level) * 2 ** (bits - 8) for level in levels], abs=1.1)

    @pytest.mark.parametrize(
        ("rate", "text"),
        [
            (24, "01:00:00:00"),
            ("24000/1001", "23:59:59:23"),
            (25, "10:11:12:13"),
            (29.97, "01:00:00;02"),
            (29.97, "01:01:00;02"),
            (29.97, "01:01:00:00"),
            (50, "10:00:00:49"),
            (59.94, "01:00:59;59"),
        ],
    )
    @pytest.mark.parametrize(("name", "codec"), MOVIES)
    def test_the_timecode_of_the_first_picture(self, tmp_path, rate, text, name, codec):
        path = tmp_path / name
        write(path, [bars(COLOURS, 16)], rate, codec=codec, timecode=text)
        stream = probe(path)
        (track,) = [track for track in stream["all"]["streams"] if track["codec_tag_string"] == "tmcd"]
        assert stream["tags"]["timecode"] == track["tags"]["timecode"] == text

    def test_without_timecode_none_is_invented(self, tmp_path):
        write(tmp_path / "a.mov", [bars(COLOURS)], codec="prores")
        assert [s["codec_type"] for s in probe(tmp_path / "a.mov")["all"]["streams"]] == ["video"]

    @pytest.mark.parametrize(
        ("rate", "given", "message"),
        [
            (24, "01:00:00;00", "drop-frame timecode is defined for 29.97 and 59.94"),
            (24, "01:00:00:24", "has 24 frames"),
            (24, "an hour", '"an hour" is not a timecode'),
            (24, 3600, "3600 is not a timecode"),
            (30, "01:00:00;00", "01:00:00;00 counts 30 frames a second, drop-frame, but the movie has 30"),
            (24, Timecode(1, 0, 0, 0, 25), "01:00:00:00 counts 25 frames a second, but the movie has 24"),
            (300, "01:00:00:00", "cannot hold a timecode; leave it out|cannot hold a timecode"),
        ],
    )
    def test_a_timecode_that_does_not_fit(self, tmp_path, rate, given, message):
        with pytest.raises(ArgumentError, match=message):
            MovieWriter(tmp_path / "a.mov", rate, timecode=given)


class TestSizes:
    @pytest.mark.parametrize(
        ("chroma", "size", "message"),
        [
            ("4:2:0", (33, 16), "33 × 16 do not fit: 4:2:0 needs an even width and height, but width 33 is odd"),
            ("4:2:0", (32, 17), "32 × 17 do not fit: .* but height 17 is odd"),
            ("4:2:0", (33, 17), "but width 33 and height 17 are odd .* last column and row"),
            ("4:2:2", (33, 17), "4:2:2 needs an even width, but width 33 is odd .* repeat the last column,"),
        ],
    )
    def test_an_odd_size_is_refused(self, tmp_path, chroma, size, message):
        with pytest.raises(FileError, match=message) as caught:
            write(tmp_path / "a.mov", [np.zeros((size[1], size[0], 3))], chroma=chroma)
        assert 'odd_size "pad"' in caught.value.way_out
        assert list(tmp_path.iterdir()) == []

    @needs_ffmpeg
    @pytest.mark.parametrize(
        ("chroma", "way", "size"),
        [
            ("4:2:0", "pad", (34, 18)),
            ("4:2:0", "crop", (32, 16)),
            ("4:2:2", "pad", (34, 17)),
            ("4:2:2", "crop", (32, 17)),
            ("4:4:4", "refuse", (33, 17)),
            ("4:4:4", "pad", (33, 17)),
        ],
    )
    def test_on_request_the_last_row_or_column_is_repeated_or_left_out(self, tmp_path, chroma, way, size):
        picture = np.full((17, 33, 3), 0.25, np.float32)
        picture[16] = picture[:, 32] = 0.75
        report = write(tmp_path / "a.mov", [picture], chroma=chroma, odd_size=way, quality=100)
        assert report.size == size
        stream = probe(tmp_path / "a.mov")
        assert (stream["width"], stream["height"]) == size
        ((luma, _, _),) = planes_of(tmp_path / "a.mov", *size, chroma, 8)
        dark, bright = 16 + 219 / 4, 16 + 219 * 3 / 4
        shown = np.full((17, 33), dark)
        shown[16] = shown[:, 32] = bright
        expected = np.pad(shown, 1, mode="edge")[1 : size[1] + 1, 1 : size[0] + 1]
        assert np.abs(luma - expected).max() <= 2

    @pytest.mark.parametrize(("chroma", "size"), [("4:2:0", (2, 2)), ("4:2:2", (2, 1)), ("4:4:4", (1, 1))])
    def test_the_smallest_pictures(self, tmp_path, chroma, size):
        report = write(tmp_path / "a.mov", [np.full((size[1], size[0], 3), 0.5)], chroma=chroma)
        assert report.size == size

    def test_a_picture_that_is_too_large_or_too_small(self):
        with pytest.raises(FileError, match=r"16386 × 2 are too large: H\.264 has up to 16384 pixels"):
            movie_format("a.mp4").fitted("a.mp4", 16386, 2)
        with pytest.raises(FileError, match="1 × 2 are too small to crop"):
            movie_format("a.mp4").fitted("a.mp4", 1, 2, "crop")

    def test_all_pictures_have_one_size(self, tmp_path):
        with pytest.raises(FileError, match=r"picture 3 is 34 × 16, but those before are 32 × 16 — give pictures"):
            write(tmp_path / "a.mp4", [np.zeros((16, 32, 3))] * 2 + [np.zeros((16, 34, 3))])
        assert list(tmp_path.iterdir()) == []


def test_values_that_a_movie_cannot_hold_are_clipped_and_counted(tmp_path):
    picture = np.full((16, 32, 3), 0.5, np.float32)
    picture[0, 0] = (np.nan, np.inf, -np.inf)
    picture[0, 1] = (-0.5, 1.5, 0.5)
    picture[15, 31, 1] = np.nan
    report = write(tmp_path / "a.mp4", [picture] * 3)
    assert (report.clipped, report.nan, report.above, report.below, report.not_finite) == (6, 6, 3, 3, 12)


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((16, 32)),
        np.zeros((16, 32, 4)),
        np.zeros((0, 32, 3)),
        np.zeros((16, 32, 3), np.uint8),
        np.zeros((16, 32, 3), complex),
        "picture",
        None,
    ],
)
def test_what_is_no_picture(tmp_path, picture):
    with pytest.raises(FileError, match=r"picture 1 is an array .*, not a picture — give floats"):
        write(tmp_path / "a.mp4", [picture])


def test_float64_and_half_and_slices_are_pictures(tmp_path):
    base = np.random.default_rng(1).random((32, 64, 3)).astype(np.float16)
    given = [base, base.astype(np.float32), base.astype(np.float64), np.asfortranarray(base)]
    assert write(tmp_path / "a.mp4", given).frames == 4
    write(tmp_path / "b.mp4", [base[::-1, ::2]])
    write(tmp_path / "c.mp4", [np.ascontiguousarray(base[::-1, ::2])])
    assert (tmp_path / "b.mp4").read_bytes() == (tmp_path / "c.mp4").read_bytes()


def test_pictures_are_not_changed(tmp_path):
    for chroma in ("4:2:0", "4:4:4"):
        picture = np.random.default_rng(1).random((32, 64, 3)).astype(np.float32) * 1.5
        # One that can be used as it is, and one plane of it that is contiguous already.
        planes = np.moveaxis(np.random.default_rng(2).random((3, 32, 64)).astype(np.float32), 0, -1)
        before = picture.copy(), planes.copy()
        write(tmp_path / "a.mp4", [picture, planes], chroma=chroma)
        assert np.array_equal(picture, before[0])
        assert np.array_equal(planes, before[1])


class TestArguments:
    @pytest.mark.parametrize(
        ("options", "message"),
        [
            ({"codec": "h265"}, r"codec: 'h265' is not a codec\n  did you mean \"h264\""),
            ({"codec": "prores", "chroma": "4:2:0"}, 'codec "prores" has no chroma \'4:2:0\'\n.*"4:2:2", "4:4:4"'),
            ({"chroma": "420"}, 'codec "h264" has no chroma'),
            ({"bits": 12}, 'bits: codec "h264" has no 12 bits\n  choose from 8, 10'),
            ({"codec": "prores", "bits": 8}, 'codec "prores" has no 8 bits'),
            ({"quality": 0}, "quality: 0 is not a whole number from 1 to 100"),
            ({"quality": 75.5}, "quality: 75.5 is not"),
            ({"odd_size": "scale"}, "odd_size: 'scale' is not one of its choices"),
            ({"frame_rate": 0}, "frame_rate: 0 frames a second is outside"),
            ({"frame_rate": "fast"}, '"fast" is not a frame rate'),
            ({"metadata": {"timecode": "01:00:00:00"}}, 'uses the name "timecode" itself'),
            ({"metadata": {"stackcomp/mark": "x"}}, 'uses the name "stackcomp/mark" itself'),
            ({"metadata": {"shot": 10}}, "metadata: 10 is not a text"),
            ({"metadata": {"": "x"}}, "is not a text"),
            ({"metadata": {"shot": "a\0b"}}, "is not a text"),
            ({"metadata": {"shot": "\udc80"}}, "cannot be encoded"),
        ],
    )
    def test_what_makes_no_sense(self, tmp_path, options, message):
        with pytest.raises(ArgumentError, match=message):
            MovieWriter(tmp_path / "a.mov", **{"frame_rate": 24, **options})
        assert list(tmp_path.iterdir()) == []

    @pytest.mark.parametrize(
        ("name", "codec", "message"),
        [
            ("a.avi", "h264", r'files that end in ".avi" are not movies — choose from .mp4, .mov'),
            ("a", "prores", r"its name has no ending — choose from .mov"),
            ("a.exr", "h264", "are not movies"),
            ("a.mp4", "prores", r'codec "prores" cannot be stored in .mp4 — choose .mov'),
        ],
    )
    def test_wrong_endings(self, tmp_path, name, codec, message):
        with pytest.raises(FileError, match=message):
            MovieWriter(tmp_path / name, 24, codec=codec)

    def test_an_ending_in_capitals(self, tmp_path):
        write(tmp_path / "A.MOV", [bars(COLOURS)], codec="prores")
        assert (tmp_path / "A.MOV").is_file()

    def test_without_pyav_the_way_out_is_named(self, tmp_path, monkeypatch):
        monkeypatch.setitem(sys.modules, "av", None)
        with pytest.raises(RequestError, match=r"PyAV is not installed\n  pip install 'stackcomp\[movie\]'"):
            MovieWriter(tmp_path / "a.mp4", 24)

    def test_an_old_pyav_is_named(self, monkeypatch):
        """Before version 17 frames have no tag for the transfer."""
        monkeypatch.setattr(av, "VideoFrame", object)
        with pytest.raises(RequestError, match=r"PyAV .* is too old: .*\n  pip install --upgrade"):
            check_available()

    def test_without_the_encoder_it_is_named(self, monkeypatch):
        monkeypatch.setattr(av, "codecs_available", {"prores_ks"})
        check_available("prores")
        with pytest.raises(RequestError, match='no encoder libx264, which codec "h264" needs'):
            check_available("h264")


def test_better_quality_makes_larger_files_that_are_nearer(tmp_path):
    y, x = np.mgrid[:64, :128].astype(np.float32)
    noise = np.random.default_rng(3).random((64, 128, 3)).astype(np.float32)
    picture = np.stack([x / 128, y / 64, x / 128], axis=-1) * 0.8 + noise * 0.2
    sizes = []
    for quality in (1, 40, 75, 90, 100):
        write(tmp_path / "a.mp4", [picture] * 3, quality=quality)
        sizes.append((tmp_path / "a.mp4").stat().st_size)
    assert sizes == sorted(set(sizes))


class TestWhole:
    def test_no_pictures(self, tmp_path):
        with pytest.raises(FileError, match="there are no pictures to write — add a picture before"):
            write(tmp_path / "a.mp4", [])
        assert list(tmp_path.iterdir()) == []

    def test_an_error_among_the_pictures_keeps_the_old_movie(self, tmp_path):
        path = tmp_path / "a.mp4"
        write(path, [bars(COLOURS)])
        before = path.read_bytes()

        def fail(error):
            with MovieWriter(path, 24) as writer:
                writer.add(bars(COLOURS))
                raise error

        for error in (RuntimeError("the renderer failed"), KeyboardInterrupt()):
            with pytest.raises(type(error)):
                fail(error)
            assert path.read_bytes() == before
            assert list(tmp_path.iterdir()) == [path]

    def test_nothing_can_be_added_after_an_error_or_the_end(self, tmp_path):
        writer = MovieWriter(tmp_path / "a.mp4", 24)
        writer.add(bars(COLOURS))
        with pytest.raises(FileError, match="not a picture"):
            writer.add(np.zeros((2, 2)))
        for call in (lambda: writer.add(bars(COLOURS)), writer.close):
            with pytest.raises(
                FileError, match="no movie is written, because of an earlier error: picture 2 is an"
            ):
                call()
        assert list(tmp_path.iterdir()) == []
        writer = MovieWriter(tmp_path / "a.mp4", 24)
        writer.add(bars(COLOURS))
        assert writer.close().frames == 1
        writer.discard()
        for call in (lambda: writer.add(bars(COLOURS)), writer.close):
            with pytest.raises(FileError, match="the movie is complete already"):
                call()
        assert (tmp_path / "a.mp4").is_file()

    def test_an_error_that_was_caught_inside_still_makes_no_movie(self, tmp_path):
        def swallow():
            with MovieWriter(tmp_path / "a.mp4", 24) as writer:
                writer.add(bars(COLOURS))
                with contextlib.suppress(FileError):
                    writer.add(np.zeros((2, 2)))

        with pytest.raises(FileError, match="because of an earlier error"):
            swallow()
        assert list(tmp_path.iterdir()) == []

    def test_discarded(self, tmp_path):
        writer = MovieWriter(tmp_path / "a.mp4", 24)
        writer.add(bars(COLOURS))
        assert len(list(tmp_path.iterdir())) == 1
        writer.discard()
        writer.discard()
        assert list(tmp_path.iterdir()) == []
        with pytest.raises(FileError, match="earlier error: it was given up"):
            writer.add(bars(COLOURS))

    def test_until_it_is_complete_the_movie_has_no_name(self, tmp_path):
        path = tmp_path / "a.mov"
        with MovieWriter(path, 24, codec="prores") as writer:
            writer.add(bars(COLOURS))
            assert not path.exists()
            with pytest.raises(FileError, match="the movie is not complete — close it first"):
                writer.report  # noqa: B018
        assert list(tmp_path.iterdir()) == [path]

    def test_a_missing_folder_is_made_and_a_file_is_no_folder(self, tmp_path):
        write(tmp_path / "new" / "shots" / "a.mp4", [bars(COLOURS)])
        (tmp_path / "file").write_text("x")
        with pytest.raises(FileError, match='file" is a file, not a folder'):
            write(tmp_path / "file" / "a.mp4", [bars(COLOURS)])
        (tmp_path / "folder.mp4").mkdir()
        with pytest.raises(FileError, match="it is a folder"):
            write(tmp_path / "folder.mp4", [bars(COLOURS)])

    @pytest.mark.parametrize("name", ["l010:review.mp4", "100%d.mp4", "Nº 1 – Übersicht.mp4", "a'b c#?.mov"])
    def test_names_that_mean_something_to_the_library(self, tmp_path, monkeypatch, name):
        monkeypatch.chdir(tmp_path)
        write(name, [bars(COLOURS)])
        assert [path.name for path in tmp_path.iterdir()] == [name]

    def test_a_name_that_is_not_unicode(self, tmp_path):
        path = tmp_path / os.fsdecode(b"W\xe4rme.mp4")
        write(path, [bars(COLOURS)])
        assert list(tmp_path.iterdir()) == [path]

    @pytest.mark.parametrize(("name", "codec"), [("a.mp4", "h264"), ("a.mov", "prores")])
    def test_a_disk_that_takes_no_more(self, tmp_path, name, codec, capfd):
        """The system's limit on the length of a file stands for a full disk: it fails in the same call."""
        random = np.random.default_rng(4)
        noise = [random.random((128, 128, 3)) for _ in range(8)]
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, hard))
        try:
            with pytest.raises(FileError, match="cannot be written: File too large") as caught:
                write(tmp_path / name, noise, codec=codec)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert caught.value.path == str(tmp_path / name)
        assert list(tmp_path.iterdir()) == []
        assert capfd.readouterr() == ("", "")

    @pytest.mark.parametrize(("name", "codec"), [("a.mp4", "h264"), ("a.mov", "prores")])
    def test_a_full_disk_is_named(self, small_disk, name, codec, capfd):
        random = np.random.default_rng(4)
        with pytest.raises(FileError, match="cannot be written: the disk is full") as caught:
            write(small_disk / name, [random.random((128, 128, 3)) for _ in range(12)], codec=codec)
        assert caught.value.path == str(small_disk / name)
        assert str(small_disk) in caught.value.way_out
        assert list(small_disk.iterdir()) == []
        assert capfd.readouterr() == ("", "")

    @pytest.mark.parametrize(("name", "codec"), [("a.mp4", "h264"), ("a.mov", "prores")])
    @pytest.mark.parametrize("lost", ["end", "picture", "index"])
    def test_what_is_read_back_must_be_whole(self, tmp_path, monkeypatch, name, codec, lost):
        """A file that lost something between writing and reading back."""
        check = MovieWriter._check

        def damaged(self):
            data = self._unfinished.read_bytes()
            if lost == "end":
                data = data[:-200]
            elif lost == "index":
                data = data.replace(b"moov", b"lost")
            else:
                self._count += 1
            self._unfinished.write_bytes(data)
            check(self)

        monkeypatch.setattr(MovieWriter, "_check", damaged)
        with pytest.raises(FileError, match=r"the finished movie (has|cannot be read back)"):
            write(tmp_path / name, [np.random.default_rng(k).random((32, 32, 3)) for k in range(3)], codec=codec)
        assert list(tmp_path.iterdir()) == []


class TestBytes:
    @pytest.mark.parametrize(("ending", "codec", "chroma", "bits"), few_fast(FORMATS, 4, pairs=True))
    def test_the_same_pictures_give_the_same_bytes(self, tmp_path, ending, codec, chroma, bits):
        """On one core and with one thread, as on all of them."""
        # Tall enough that the encoder would use more threads on more cores.
        pictures = [np.random.default_rng(k).random((256, 32, 3)).astype(np.float32) for k in range(8)]
        options = {
            "codec": codec,
            "chroma": chroma,
            "bits": bits,
            "timecode": "01:00:00:00",
            "mark": Mark("delivery"),
        }
        cores = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
        for name in ("a", "b", "c"):
            if name == "c" and cores:
                os.sched_setaffinity(0, {min(cores)})
                set_threads(1)
            try:
                write(tmp_path / f"{name}{ending}", pictures, **options)
            finally:
                set_threads(None)
                if cores:
                    os.sched_setaffinity(0, cores)
        one, other, alone = ((tmp_path / f"{name}{ending}").read_bytes() for name in "abc")
        assert one == other == alone

    def test_a_changed_or_cut_movie_has_no_mark(self, tmp_path):
        path, changed = tmp_path / "a.mov", tmp_path / "b.mov"
        write(path, [bars(COLOURS, 16)], codec="prores", mark=Mark("delivery"), metadata={"a": "b"})
        whole = path.read_bytes()
        for length in {*range(0, len(whole), 97), *range(64), len(whole) - 1}:
            changed.write_bytes(whole[:length])
            assert mark.read(changed) is None
        changed.write_bytes(whole + b"\0")
        assert mark.read(changed) is None
        random = np.random.default_rng(5)
        for _ in range(300):
            spoilt = bytearray(whole)
            at = whole.index(b"moov") - 4 + int(random.integers(0, len(whole) - whole.index(b"moov") + 4))
            spoilt[at] = int(random.integers(256))
            changed.write_bytes(spoilt)
            mark.read(changed)  # raises nothing

    @needs_ffmpeg
    def test_a_movie_saved_by_another_program_has_no_mark(self, tmp_path):
        """Such a program copies the metadata into the file that it saves."""
        write(tmp_path / "a.mp4", [bars(COLOURS)] * 3, mark=Mark("delivery"))
        run("ffmpeg", "-v", "error", "-i", tmp_path / "a.mp4", "-c", "copy", "-movflags", "use_metadata_tags",
            tmp_path / "b.mp4")  # fmt: skip
        assert b"stackcomp/mark" in (tmp_path / "b.mp4").read_bytes()
        assert mark.read(tmp_path / "b.mp4") is None
        assert mark.read(tmp_path / "a.mp4") == Mark("delivery")

    def test_movies_are_known_by_their_mark(self, tmp_path):
        from stackcomp.check.originals import Writing, refusals

        write(tmp_path / "ours.mp4", [bars(COLOURS)], mark=Mark("delivery", "1f"))
        write(tmp_path / "other.mp4", [bars(COLOURS)])
        asked = [Writing(tmp_path / name, Mark("delivery", "1f")) for name in ("ours.mp4", "other.mp4", "new.mp4")]
        (problem,) = refusals(asked, [])
        assert problem.rule == "replaces-foreign"
        assert "other.mp4" in problem.message


def test_the_encoder_is_told_what_the_result_depends_on(tmp_path):
    with MovieWriter(tmp_path / "a.mp4", 24) as writer:
        writer.add(bars(COLOURS))
        assert writer._stream.codec_context.thread_count == movie._THREADS
