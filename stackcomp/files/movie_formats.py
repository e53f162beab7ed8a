"""What movies can be: codecs, chroma, bits, endings and sizes. Nothing here needs PyAV.

======  =======================  ===========  ==============  =================================================
codec   what it is               ending       chroma          bits
======  =======================  ===========  ==============  =================================================
h264    H.264, for review        .mp4, .mov   4:2:0, 4:2:2,   8 or 10; most players read 4:2:0 with 8 bits only
                                              4:4:4
prores  an intermediate of the   .mov         4:2:2, 4:4:4    10
        ProRes class
======  =======================  ===========  ==============  =================================================

Chroma at half the width needs an even width, and at half the height an even height. A picture of another size is
never scaled: it is refused, or padded or cropped by a row or column on request.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from stackcomp.errors import ArgumentError, FileError, cut, did_you_mean

__all__ = ["CODECS", "ENDINGS", "Chroma", "Codec", "MovieFormat", "OddSize", "movie_format"]

Codec = Literal["h264", "prores"]
Chroma = Literal["4:2:0", "4:2:2", "4:4:4"]
OddSize = Literal["refuse", "pad", "crop"]

#: Codec → its chroma, the usual one first.
CODECS: dict[str, tuple[Chroma, ...]] = {"h264": ("4:2:0", "4:2:2", "4:4:4"), "prores": ("4:2:2", "4:4:4")}
#: Ending → codecs that its container is written with.
ENDINGS: dict[str, tuple[str, ...]] = {".mp4": ("h264",), ".mov": ("h264", "prores")}
_BITS = {"h264": (8, 10), "prores": (10,)}
_ODD_SIZES = ("refuse", "pad", "crop")
# The encoders, libx264 and prores_ks, refuse larger pictures.
_LARGEST = {"h264": 16384, "prores": 65535}
_NAMES = {"h264": "H.264", "prores": "ProRes"}


@dataclass(frozen=True)
class MovieFormat:
    """A codec with its chroma and bits.

    Attributes:
        codec: one of `CODECS`.
        chroma: resolution of colour.
        bits: of a code value.
        container: ``mov`` or ``mp4``.
    """

    codec: str
    chroma: str
    bits: int
    container: str

    @property
    def steps(self) -> tuple[int, int]:
        """Pixels of a chroma sample across and down."""
        return (1 if self.chroma == "4:4:4" else 2), (2 if self.chroma == "4:2:0" else 1)

    @property
    def pixel_format(self) -> str:
        """The name by which FFmpeg knows it, such as ``yuv422p10le``."""
        return f"yuv{self.chroma.replace(':', '')}p{'' if self.bits == 8 else f'{self.bits}le'}"

    def fitted(
        self, path: str | os.PathLike[str], width: int, height: int, odd_size: OddSize = "refuse"
    ) -> tuple[int, int]:
        """Return the size of a movie of pictures of that size.

        Args:
            path: the movie, for errors.
            width: of the pictures, in pixels.
            height: likewise.
            odd_size: what happens to a width or height that must be even and is not.

        Raises:
            FileError: it does not fit, and ``odd_size`` is ``refuse``; or no codec of this kind is that large.
        """
        across, down = self.steps
        odd = [f"width {width}"] * (width % across > 0) + [f"height {height}"] * (height % down > 0)
        if odd and odd_size == "refuse":
            needs = "an even width" + (" and height" if down == 2 else "")
            raise FileError(
                path,
                f"pictures of {width} × {height} do not fit: {self.chroma} needs {needs}, but {' and '.join(odd)} "
                f"{'is' if len(odd) == 1 else 'are'} odd",
                f'choose odd_size "pad" to repeat the last {_edges(odd)}, "crop" to leave it out, '
                'or chroma "4:4:4"',
            )
        more = -1 if odd_size == "crop" else 1
        fitted = width + more * (width % across), height + more * (height % down)
        if min(fitted) < 1:
            raise FileError(path, f"pictures of {width} × {height} are too small to crop", 'choose odd_size "pad"')
        largest = _LARGEST[self.codec]
        if max(fitted) > largest:
            raise FileError(
                path,
                f"pictures of {width} × {height} are too large: {_NAMES[self.codec]} has up to {largest} pixels "
                "across and down",
                "make them smaller",
            )
        return fitted


def movie_format(
    path: str | os.PathLike[str], codec: str = "h264", chroma: str | None = None, bits: int | None = None
) -> MovieFormat:
    """Return the format of a movie file.

    Args:
        path: the movie; its ending says the container.
        codec: ``h264`` or ``prores``.
        chroma: the usual one of the codec when None: 4:2:0 of h264, 4:2:2 of prores.
        bits: of a code value; the fewest of the codec when None: 8 of h264, 10 of prores.

    Raises:
        FileError: an ending that is no movie's, or not one of that codec.
        ArgumentError: a codec, chroma or number of bits that is not supported.
    """
    if codec not in CODECS:
        raise ArgumentError(
            "codec", f"{cut(repr(codec), 60)} is not a codec", did_you_mean(str(codec), list(CODECS))
        )
    ending = Path(path).suffix.lower()
    if ending not in ENDINGS:
        raise FileError(
            path,
            f'files that end in "{ending}" are not movies' if ending else "its name has no ending",
            "choose from " + ", ".join(name for name, codecs in ENDINGS.items() if codec in codecs),
        )
    if codec not in ENDINGS[ending]:
        choices = [name for name, codecs in ENDINGS.items() if codec in codecs]
        raise FileError(path, f'codec "{codec}" cannot be stored in {ending}', f"choose {' or '.join(choices)}")
    chroma = CODECS[codec][0] if chroma is None else chroma
    if chroma not in CODECS[codec]:
        raise ArgumentError(
            "chroma", f'codec "{codec}" has no chroma {cut(repr(chroma), 60)}', _choices(CODECS[codec])
        )
    bits = _BITS[codec][0] if bits is None else bits
    if isinstance(bits, bool) or bits not in _BITS[codec]:
        raise ArgumentError("bits", f'codec "{codec}" has no {cut(repr(bits), 60)} bits', _choices(_BITS[codec]))
    return MovieFormat(codec, chroma, bits, ending[1:])


def check_odd_size(odd_size: str) -> None:
    """Raise ArgumentError for a word that is not one of the choices."""
    if odd_size not in _ODD_SIZES:
        raise ArgumentError(
            "odd_size", f"{cut(repr(odd_size), 60)} is not one of its choices", _choices(_ODD_SIZES)
        )


def _edges(odd: list[str]) -> str:
    return " and ".join("column" if text.startswith("width") else "row" for text in odd)


def _choices(words: tuple[object, ...]) -> str:
    return "choose from " + ", ".join(f'"{word}"' if isinstance(word, str) else str(word) for word in words)
