"""Movies: pictures one after the other into an H.264 or ProRes-class file, tagged ITU-R BT.709.

Pictures are display-encoded R'G'B'. They are converted to Y'CbCr by `stackcomp.files.movie_planes`; matrix, range,
transfer and primaries are tagged as BT.709, limited range, on every frame, in the stream and in the container, so
that no player has to guess. Nothing is scaled, and the frame rate is exact and constant.

A movie has its name only when it is complete: it is written under a hidden name, read back and counted. The same
pictures give the same bytes on any number of cores: encoders use a fixed number of threads, and no time is
recorded.

PyAV, which brings the codecs, is an optional dependency: ``pip install 'stackcomp[movie]'``.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.frame_rate import nominal_rate, parse_frame_rate
from stackcomp.data.timecode import Timecode
from stackcomp.errors import ArgumentError, BadValueError, FileError, RequestError, cut
from stackcomp.files.atomic import library_write, whole_file
from stackcomp.files.mark import ATTRIBUTE, Mark, seal
from stackcomp.files.movie_formats import MovieFormat, OddSize, check_odd_size, movie_format
from stackcomp.files.movie_planes import Clipped, ycbcr

__all__ = ["MovieReport", "MovieWriter", "check_available"]

_ENCODERS = {"h264": "libx264", "prores": "prores_ks"}
# The number changes what the encoder of H.264 writes, so that it must not depend on the machine.
_THREADS = 4
# Names that the container uses itself.
_RESERVED = (ATTRIBUTE, "timecode", "creation_time", "encoder", "rotate")
# The field for it has 8 bits.
_FASTEST_TIMECODE = 255


@dataclass(frozen=True)
class MovieReport:
    """Result of writing a movie.

    Attributes:
        path: the movie.
        frames: number of pictures.
        size: width and height in pixels.
        clipped: finite values outside 0 to 1, clipped.
        nan: values that are not a number, written as 0.
        above: values of +infinity, written as 1.
        below: values of −infinity, written as 0.
    """

    path: Path
    frames: int
    size: tuple[int, int]
    clipped: int = 0
    nan: int = 0
    above: int = 0
    below: int = 0

    @property
    def not_finite(self) -> int:
        """Number of values that were not finite."""
        return self.nan + self.above + self.below


def check_available(codec: str | None = None) -> None:
    """Raise RequestError, which says what to install, if movies (of a codec) cannot be written."""
    try:
        import av
    except ImportError:
        raise RequestError("movie", "PyAV is not installed", "pip install 'stackcomp[movie]'") from None
    if not hasattr(av.VideoFrame, "color_trc"):
        message = f"the installed PyAV {av.__version__} is too old: it cannot tag frames with their transfer"
        raise RequestError("movie", message, "pip install --upgrade 'stackcomp[movie]'")
    if codec is not None and _ENCODERS[codec] not in av.codecs_available:
        message = f'the installed PyAV has no encoder {_ENCODERS[codec]}, which codec "{codec}" needs'
        raise RequestError("codec", message, "install PyAV as a wheel: pip install --force-reinstall av")


class MovieWriter:
    """Writes one movie, picture by picture.

    ::

        with MovieWriter("review.mp4", 24) as movie:
            for picture in pictures:
                movie.add(picture)
        print(movie.report.frames)

    If the body of the ``with`` statement raises, no movie is written, and an older one under that name stays.

    Args:
        path: the movie, ``.mp4`` or ``.mov``; a missing folder is created. The caller asks
            `stackcomp.check.originals` before whether it may be replaced.
        frame_rate: frames a second, as in `stackcomp.data.frame_rate.parse_frame_rate`.
        codec: ``h264`` for review; ``prores`` for editing, an intermediate of the ProRes class.
        chroma: ``4:2:0``, ``4:2:2`` or ``4:4:4``; 4:2:0 for h264 and 4:2:2 for prores when None.
        bits: of a code value: 8 or 10 for h264, 10 for prores; the fewest when None.
        quality: of h264: 100 is nearly lossless, 75 is good for review. Changes nothing in prores.
        odd_size: where chroma needs an even size and a picture has none: ``refuse`` raises, ``pad`` repeats its
            last row or column, ``crop`` leaves it out.
        timecode: of the first picture, as text or timecode; no timecode when None.
        metadata: name → text, readable by anyone, such as ``{"title": "lantern", "shot": "l010"}``.
        mark: the mark of the program, or None.

    Attributes:
        path: the movie.
        format: codec, chroma and bits.
        frame_rate: exact.

    Raises:
        RequestError: PyAV is not installed, or has no such encoder.
        ArgumentError: an argument that makes no sense.
        FileError: the ending of the path is not that of a movie, or not one of that codec.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        frame_rate: Any,
        *,
        codec: str = "h264",
        chroma: str | None = None,
        bits: int | None = None,
        quality: int = 75,
        odd_size: OddSize = "refuse",
        timecode: Timecode | str | None = None,
        metadata: Mapping[str, str] | None = None,
        mark: Mark | None = None,
    ) -> None:
        self.path = Path(path)
        self.format: MovieFormat = movie_format(path, codec, chroma, bits)
        check_odd_size(odd_size)
        self._odd_size = odd_size
        try:
            self.frame_rate = parse_frame_rate(frame_rate)
        except BadValueError as error:
            raise ArgumentError("frame_rate", error.message, error.way_out) from None
        if isinstance(quality, bool) or not isinstance(quality, int) or not 1 <= quality <= 100:
            raise ArgumentError(
                "quality", f"{cut(repr(quality), 60)} is not a whole number from 1 to 100", "give 75"
            )
        self._quality = quality
        self._timecode = _timecode(timecode, self.frame_rate)
        self._metadata = _texts(metadata or {})
        if mark is not None:
            self._metadata = {ATTRIBUTE: mark.line(), **self._metadata}
        self._marked = mark is not None
        check_available(codec)
        self._report: MovieReport | None = None
        self._given: tuple[int, int] | None = None
        self._size = (0, 0)
        self._count = 0
        self._clipped = Clipped()
        self._failure = ""
        self._file = contextlib.ExitStack()
        self._unfinished = Path()
        self._container: Any = None
        self._stream: Any = None

    def __enter__(self) -> MovieWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            if self._report is None:
                self.close()
        else:
            self.discard()

    @property
    def report(self) -> MovieReport:
        """The result. Raises FileError until the movie is complete."""
        if self._report is None:
            raise FileError(self.path, "the movie is not complete", "close it first")
        return self._report

    def add(self, picture: npt.ArrayLike) -> None:
        """Add a picture.

        Args:
            picture: float ``(height, width, 3)``, display-encoded R'G'B' from 0 to 1. Values outside are clipped,
                NaN becomes 0, +infinity 1, −infinity 0, each counted in the report. All pictures have one size.

        Raises:
            FileError: not such a picture, of another size, or it cannot be written. The movie is given up then.
        """
        self._check_open()
        with self._whole_or_nothing():
            pixels = self._pixels(picture)
            if self._container is None:
                self._start(pixels.shape[1], pixels.shape[0])
            planes, clipped = ycbcr(pixels, self.format.steps, self.format.bits)
            frame = self._frame(planes)
            with _writing():
                for packet in self._stream.encode(frame):
                    self._mux(packet)
            self._clipped.add(clipped)
            self._count += 1

    def close(self) -> MovieReport:
        """Complete the movie and give it its name. Leaving a ``with`` statement does it too.

        Raises:
            FileError: there are no pictures, one of them could not be written, or the movie cannot be completed.
        """
        self._check_open()
        with self._whole_or_nothing():
            if self._count == 0:
                raise FileError(self.path, "there are no pictures to write", "add a picture before closing it")
            with _writing():
                for packet in self._stream.encode(None):
                    self._mux(packet)
                self._container.close()
            if self._marked:
                seal(self._unfinished)
            self._check()
            # Gives the file its name.
            self._file.close()
        self._container = self._stream = None
        counts = self._clipped
        self._report = MovieReport(
            self.path, self._count, self._size, counts.outside, counts.nan, counts.above, counts.below
        )
        return self._report

    def discard(self) -> None:
        """Give the movie up: nothing is left of it, and an older file under its name stays. Never raises."""
        if self._report is None and not self._failure:
            self._failure = "it was given up"
            with contextlib.suppress(_GivenUpError):
                self._abandon(_GivenUpError())

    def _check_open(self) -> None:
        if self._report is not None:
            raise FileError(self.path, "the movie is complete already", "write another one")
        if self._failure:
            raise FileError(
                self.path, f"no movie is written, because of an earlier error: {self._failure}", "begin it again"
            )

    @contextlib.contextmanager
    def _whole_or_nothing(self) -> Iterator[None]:
        """Give the movie up if the body raises."""
        try:
            yield
        except BaseException as error:
            self._failure = (
                error.reason if isinstance(error, FileError) else cut(str(error), 200) or "an interruption"
            )
            self._abandon(error)
            raise

    def _abandon(self, error: BaseException) -> None:
        """Remove the unfinished file. Raises the error in the words of `whole_file` if it has some for it."""
        if self._container is not None:
            # It ends the file, which may fail for the same reason again.
            with contextlib.suppress(Exception):
                self._container.close()
        self._container = self._stream = None
        try:
            self._file.__exit__(type(error), error, error.__traceback__)
        except FileError as worded:
            self._failure = worded.reason
            raise

    def _pixels(self, picture: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """The picture in the size of the movie."""
        array = np.asarray(picture)
        number = self._count + 1
        if array.ndim != 3 or array.shape[2] != 3 or 0 in array.shape or array.dtype.kind != "f":
            raise FileError(
                self.path,
                f"picture {number} is an array {array.shape} of {array.dtype}, not a picture",
                "give floats (height, width, 3)",
            )
        height, width = array.shape[:2]
        if self._given is not None and self._given != (width, height):
            before = f"{self._given[0]} × {self._given[1]}"
            raise FileError(
                self.path,
                f"picture {number} is {width} × {height}, but those before are {before}",
                "give pictures of one size",
            )
        columns, rows = self.format.fitted(self.path, width, height, self._odd_size)
        self._given = (width, height)
        array = array[:rows, :columns].astype(np.float32, copy=False)
        if (columns, rows) == (width, height) or self._odd_size == "crop":
            return array
        return np.pad(array, ((0, rows - height), (0, columns - width), (0, 0)), mode="edge")

    def _start(self, width: int, height: int) -> None:
        """Open the file and the encoder."""
        import av

        self._unfinished = self._file.enter_context(whole_file(self.path))
        # Before the library can fail: it reports a missing folder, or one that is a file, in its own words.
        self._unfinished.touch()
        # A name may hold a colon, which the library would take for the end of a protocol.
        url = f"file:{self._unfinished.absolute()}"
        # The index goes to the front, so that a movie on a server starts at once; free names of metadata are kept.
        flags = {"movflags": "+faststart+use_metadata_tags", "fflags": "+bitexact"}
        with _writing():
            container = av.open(url, "w", format=self.format.container, options=flags)
            self._container = container
            stream = container.add_stream(
                _ENCODERS[self.format.codec], rate=self.frame_rate, options=self._options()
            )
            stream.width, stream.height, stream.pix_fmt = width, height, self.format.pixel_format
            stream.time_base = 1 / self.frame_rate
            codec = stream.codec_context
            codec.time_base = 1 / self.frame_rate
            codec.thread_count = _THREADS
            # Whole pictures side by side: slices of a picture cost bits, and prores_ks has no threads for them.
            codec.thread_type = "FRAME"
            codec.flags |= _bitexact()
            _tag(codec)
            if self._timecode is not None:
                stream.metadata["timecode"] = str(self._timecode)
            container.metadata.update(self._metadata)
        self._stream = stream
        self._size = (width, height)

    def _options(self) -> dict[str, str]:
        if self.format.codec == "prores":
            # Profiles of the encoder: 3 is its best of 4:2:2, 4 that of 4:4:4.
            return {"profile": "4" if self.format.chroma == "4:4:4" else "3"}
        return {
            "crf": f"{_crf(self._quality):.2f}",
            "preset": "medium",
            # A picture of its own every second, so that a reviewer can step backwards quickly.
            "g": str(nominal_rate(self.frame_rate)),
            # Without it the encoder chooses faster algorithms by processor, whose results differ.
            "x264-params": "cpu-independent=1",
        }

    def _frame(self, planes: list[Any]) -> Any:
        import av

        frame = av.VideoFrame(*self._size, self.format.pixel_format)
        for codes, plane in zip(planes, frame.planes, strict=True):
            # Rows of the library are padded.
            rows = np.frombuffer(plane, codes.dtype).reshape(plane.height, plane.line_size // codes.itemsize)
            rows[:, : codes.shape[1]] = codes
        frame.pts = self._count
        frame.time_base = 1 / self.frame_rate
        _tag(frame)
        return frame

    def _mux(self, packet: Any) -> None:
        # The encoders leave it open how long the last picture is shown.
        packet.duration = packet.duration or 1
        self._container.mux(packet)

    def _check(self) -> None:
        """Read the finished file back: as many pictures, of that size and rate, as were added."""
        import av

        step = 1 / self.frame_rate
        try:
            with av.open(f"file:{self._unfinished.absolute()}") as container:
                stream = container.streams.video[0]
                packets = [packet for packet in container.demux(stream) if packet.size]
                times = sorted(packet.pts * packet.time_base for packet in packets)
                damaged = sum(packet.is_corrupt for packet in packets)
                size, rate = (stream.width, stream.height), stream.average_rate
                container.seek(0)
                first = next(container.decode(stream))
        except (av.FFmpegError, IndexError, StopIteration) as error:
            raise FileError(
                self._unfinished, "the finished movie cannot be read back", "check the disk"
            ) from error
        if len(times) != self._count or damaged:
            raise FileError(
                self._unfinished,
                f"the finished movie has {len(times) - damaged} pictures, but {self._count} were added",
                "check the disk",
            )
        if times != [k * step for k in range(self._count)] or rate != self.frame_rate:
            raise FileError(self._unfinished, f"the finished movie is not at {self.frame_rate} frames a second")
        if size != self._size or (first.width, first.height) != size:
            raise FileError(self._unfinished, f"the finished movie is {size[0]} × {size[1]}")


class _GivenUpError(Exception):
    """Ends `whole_file` without a result."""


@contextlib.contextmanager
def _writing() -> Iterator[None]:
    """Report errors of the library inside `whole_file`; those of the system with their number."""
    import av

    try:
        with library_write(ValueError):
            yield
    except av.FFmpegError as error:
        number = int(getattr(error, "errno", None) or 0)
        if number in errno.errorcode:
            raise OSError(number, os.strerror(number)) from error
        with library_write(av.FFmpegError):
            raise


def _bitexact() -> Any:
    from av.codec.context import Flags

    return Flags.bitexact


def _tag(tagged: Any) -> None:
    """Tag a frame or a stream: BT.709, limited range."""
    from av.video.reformatter import ColorPrimaries, ColorRange, Colorspace, ColorTrc

    tagged.colorspace = Colorspace.ITU709
    tagged.color_range = ColorRange.MPEG
    tagged.color_primaries = ColorPrimaries.BT709
    tagged.color_trc = ColorTrc.BT709


def _crf(quality: int) -> float:
    """Return the constant rate factor of H.264: 100 gives 1, 75 gives 18, 1 gives 51."""
    return 1 + 17 * (100 - quality) / 25 if quality >= 75 else 18 + 33 * (75 - quality) / 74


def _timecode(given: Timecode | str | None, rate: Fraction) -> Timecode | None:
    if given is None:
        return None
    nominal = nominal_rate(rate)
    try:
        timecode = Timecode.parse(given, nominal) if isinstance(given, str) else given
    except BadValueError as error:
        raise ArgumentError("timecode", error.message, error.way_out) from None
    if not isinstance(timecode, Timecode):
        raise ArgumentError("timecode", f"{cut(repr(given), 60)} is not a timecode", 'such as "01:00:00:00"')
    if not timecode.fits(rate):
        counted = f"{timecode.nominal} frames a second{', drop-frame' if timecode.drop_frame else ''}"
        raise ArgumentError(
            "timecode",
            f"{timecode} counts {counted}, but the movie has {rate}",
            "give a timecode of the frame rate of the movie",
        )
    if nominal > _FASTEST_TIMECODE:
        raise ArgumentError(
            "timecode", f"a movie of {rate} frames a second cannot hold a timecode", "leave it out"
        )
    return timecode


def _texts(metadata: Mapping[str, str]) -> dict[str, str]:
    texts = {}
    for name, text in metadata.items():
        if name in _RESERVED:
            raise ArgumentError("metadata", f'the container uses the name "{name}" itself', "choose another name")
        for word in (name, text):
            if not isinstance(word, str) or "\0" in word or not name:
                raise ArgumentError("metadata", f"{cut(repr(word), 60)} is not a text", "give names and texts")
            try:
                word.encode()
            except UnicodeEncodeError:
                raise ArgumentError(
                    "metadata", f"{cut(repr(word), 60)} cannot be encoded", "use other characters"
                ) from None
        texts[name] = text
    return texts
