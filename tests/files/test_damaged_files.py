"""Files with flipped bits and cut at the end: they are read, or refused with a message of our own.

No other exception, no output of a library, and no long wait.
"""

import random
import signal
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
import tifffile
from PIL import Image as Pillow

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files import exr, stills
from stackcomp.files.picture_file import header_of, planes

WINDOW = Window.of_size(20, 18)
RANDOM = np.random.default_rng(1)
EIGHT = RANDOM.integers(0, 256, (18, 20, 3), dtype=np.uint8)
SIXTEEN = RANDOM.integers(0, 65536, (18, 20, 4), dtype=np.uint16)
# Words of messages of the libraries, which must not be passed on.
FOREIGN = ("Traceback", "Error", "Exception", "tifffile", "libpng", "<", "EXR_ERR", "errno", "b'")


def by_tifffile(array, **options):
    return lambda path: tifffile.imwrite(path, array, photometric="rgb", metadata=None, **options)


def by_pillow(picture, **options):
    return lambda path: picture.save(path, **options)


def by_us(compression):
    pixels = {name: RANDOM.random((18, 20), np.float32) for name in "RGBA"}
    metadata = {"owner": "Joe", "chromaticities": (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)}
    return lambda path: exr.write(
        path, pixels, window=WINDOW, display=WINDOW, compression=compression, metadata=metadata
    )


def parts(path):
    made = [
        OpenEXR.Part({}, {c: RANDOM.random((18, 20), np.float32) for c in names}, names) for names in ("RG", "Z")
    ]
    OpenEXR.File(made).write(str(path))


def upright():
    exif = Pillow.Exif()
    exif[0x0112] = 6
    return exif


WRITERS = {
    "zip.exr": by_us("zip"),
    "piz.exr": by_us("piz"),
    "none.exr": by_us("none"),
    "parts.exr": parts,
    "16.png": lambda path: stills.write(path, SIXTEEN / 65535, 16),
    "palette.png": by_pillow(Pillow.fromarray(EIGHT).convert("P"), transparency=b"\0\1"),
    "base.jpg": by_pillow(Pillow.fromarray(EIGHT), exif=upright()),
    "progressive.jpg": by_pillow(Pillow.fromarray(EIGHT), progressive=True),
    "plain.tif": by_tifffile(EIGHT),
    "lzw.tif": by_tifffile(SIXTEEN, compression="lzw", predictor=True),
    "tiles.tif": by_tifffile(EIGHT, compression="zlib", tile=(16, 16)),
    "big.tif": by_tifffile(SIXTEEN, byteorder=">", bigtiff=True),
    "jpeg.tif": by_tifffile(EIGHT, compression="jpeg"),
    "bits.tif": by_pillow(Pillow.fromarray(EIGHT).convert("1"), compression="group4"),
    "palette.tif": by_pillow(Pillow.fromarray(EIGHT).convert("P")),
}


def damaged(whole, count, seed):
    """Yield copies cut at any length, with a few flipped bits, or with four bytes of a header set to extremes."""
    chance = random.Random(seed)
    for _ in range(count):
        yield whole[: chance.randrange(len(whole))]
        flipped = bytearray(whole)
        for _ in range(chance.choice((1, 1, 2, 8))):
            at = chance.randrange(min(len(whole), chance.choice((64, 400, len(whole)))))
            flipped[at] ^= 1 << chance.randrange(8)
        yield bytes(flipped)
        extreme = bytearray(whole)
        at = chance.randrange(min(len(whole), 400))
        extreme[at : at + 4] = chance.choice((b"\xff" * 4, bytes(4), b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f"))
        yield bytes(extreme[: len(whole)])


@contextmanager
def ended_within(seconds):
    """Interrupt what takes longer, because a loop without end would never come to an assertion."""

    def late(signum, frame):
        pytest.fail(f"not done after {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def attack(tmp_path, name, count, seed, capfd):
    path = Path(tmp_path, name)
    WRITERS[name](path)
    whole = path.read_bytes()
    assert planes(path, header_of(path)[0].channels, header_of(path)[1])
    refused = 0
    capfd.readouterr()
    for data in damaged(whole, count, seed):
        path.write_bytes(data)
        failure = None
        try:
            with ended_within(10):
                header, state = header_of(path)
                planes(path, [name for name in header.channels if name not in header.unusable], state)
        except FileError as error:
            failure = error
        if failure is not None:
            refused += 1
            assert failure.path == str(path)
            assert not any(word in failure.reason for word in FOREIGN), failure.reason
        assert capfd.readouterr() == ("", "")
    assert refused > count / 2


@pytest.mark.parametrize("name", WRITERS)
def test_damaged_files(tmp_path, name, capfd):
    attack(tmp_path, name, 25, 0, capfd)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("name", WRITERS)
def test_many_damaged_files(tmp_path, name, seed, capfd):
    attack(tmp_path, name, 400, seed, capfd)
