"""R'G'B' to Y'CbCr, against colour-science, and against the zimg library inside FFmpeg."""

import shutil
import subprocess
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.files.movie_planes import ycbcr

ALL = ((1, 1), (2, 1), (2, 2))


@pytest.fixture(scope="module")
def science():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


@pytest.mark.parametrize("bits", [8, 10])
def test_full_resolution_is_that_of_colour_science(science, bits):
    """`colour.RGB_to_YCbCr` of colour-science 0.4 with the weights of ITU-R BT.709."""
    rgb = np.random.default_rng(0).random((37, 51, 3)).astype(np.float32)
    rgb[0, :8] = [(r, g, b) for r in (0, 1) for g in (0, 1) for b in (0, 1)]
    planes, clipped = ycbcr(rgb, (1, 1), bits)
    theirs = science.RGB_to_YCbCr(
        rgb.astype(np.float64), K=science.WEIGHTS_YCBCR["ITU-R BT.709"], in_legal=False, out_bits=bits,
        out_legal=True, out_int=True,
    )  # fmt: skip
    # It rounds a half to even; nothing random lies on one to within float32.
    difference = np.abs(np.stack(planes, axis=-1).astype(int) - theirs.astype(int))
    assert difference.max() <= 1
    assert np.count_nonzero(difference) < 10
    assert vars(clipped) == {"outside": 0, "nan": 0, "above": 0, "below": 0}


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("steps", ALL)
def test_a_ramp_has_at_each_chroma_sample_the_value_of_its_place(bits, steps):
    """Chroma samples lie on the first of two pixels, and midway between two rows."""
    across, down = steps
    height, width = 24, 64
    y, x = np.mgrid[:height, :width]
    blue = 0.2 + x / 200 + y / 100
    rgb = np.stack([np.full_like(blue, 0.3), np.full_like(blue, 0.4), blue], axis=-1).astype(np.float32)
    (_, cb, _), _ = ycbcr(rgb, steps, bits)
    rows = np.arange(height // down) * down + (down - 1) / 2
    columns = np.arange(width // across) * across
    b = 0.2 + columns[None] / 200 + rows[:, None] / 100
    exact = (224 * (b - (0.2126 * 0.3 + 0.7152 * 0.4 + 0.0722 * b)) / 1.8556 + 128) * 2 ** (bits - 8)
    inner = np.s_[3:-3, 3:-3]
    assert np.abs(cb[inner] - exact[inner]).max() <= 0.51


@pytest.mark.skipif(not shutil.which("ffmpeg"), reason="ffmpeg is not installed")
@pytest.mark.parametrize(
    ("steps", "bits", "name"), [((2, 2), 8, "yuv420p"), ((2, 1), 10, "yuv422p10le"), ((1, 1), 8, "yuv444p")]
)
def test_smooth_pictures_are_within_one_code_value_of_zimg(tmp_path, steps, bits, name):
    """The filter `zscale` of FFmpeg: BT.709, limited range, chroma at the left, bicubic, no dither."""
    height, width = 96, 128
    y, x = np.mgrid[:height, :width]
    waves = [np.sin(x / 17 + y / 29), np.cos(x / 23 - y / 13), np.sin(x / 31) * np.cos(y / 19)]
    sixteen = np.rint((0.5 + 0.45 * np.stack(waves, axis=-1)) * 65535).astype("<u2")
    path = tmp_path / "rgb.raw"
    path.write_bytes(np.moveaxis(sixteen[..., [1, 2, 0]], -1, 0).tobytes())
    chain = (
        "setparams=range=pc:color_primaries=bt709:color_trc=bt709:colorspace=gbr,"
        f"zscale=matrix=709:range=limited:chromal=left:filter=bicubic:dither=none,format={name}"
    )
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", "gbrp16le", "-s", f"{width}x{height}", "-i", path,
         "-vf", chain, "-f", "rawvideo", "-"], capture_output=True, check=False,
    )  # fmt: skip
    if b"zscale" in done.stderr:
        pytest.skip("this ffmpeg has no filter zscale")
    assert done.returncode == 0, done.stderr
    theirs = np.frombuffer(done.stdout, np.uint8 if bits == 8 else "<u2").astype(int)
    ours, _ = ycbcr((sixteen / np.float32(65535)).astype(np.float32), steps, bits)
    start = 0
    for plane in ours:
        other = theirs[start : start + plane.size].reshape(plane.shape)
        start += plane.size
        assert np.abs(plane.astype(int) - other)[3:-3, 3:-3].max() <= 2 ** (bits - 8)
        assert np.abs(plane.astype(int) - other)[3:-3, 3:-3].mean() < 0.5
    assert start == theirs.size


@given(st.sampled_from(ALL), st.integers(1, 9), st.integers(1, 9), st.sampled_from((8, 10)), st.integers(0, 99))
def test_codes_stay_in_the_limited_range_and_flat_pictures_flat(steps, columns, rows, bits, seed):
    random = np.random.default_rng(seed)
    size = rows * steps[1], columns * steps[0]
    unit = 2 ** (bits - 8)
    hard = random.integers(0, 2, (*size, 3)).astype(np.float32)
    (luma, *chroma), _ = ycbcr(hard, steps, bits)
    assert luma.min() >= 16 * unit
    assert luma.max() <= 235 * unit
    for plane in chroma:
        assert plane.shape == (rows, columns)
        assert plane.min() >= 16 * unit
        assert plane.max() <= 240 * unit
    colour_of_all = random.random(3).astype(np.float32)
    for plane in ycbcr(np.broadcast_to(colour_of_all, (*size, 3)), steps, bits)[0]:
        assert plane.max() - plane.min() <= 1  # a value on the edge between two codes


def test_grey_has_no_colour_and_black_and_white_their_levels():
    for bits in (8, 10):
        for steps in ALL:
            grey = np.repeat(np.linspace(0, 1, 64, dtype=np.float32)[None, :, None], 3, axis=2)
            (luma, cb, cr), _ = ycbcr(np.repeat(grey, 4, axis=0), steps, bits)
            assert (luma[0, 0], luma[0, -1]) == (16 * 2 ** (bits - 8), 235 * 2 ** (bits - 8))
            assert set(cb.flat) == set(cr.flat) == {128 * 2 ** (bits - 8)}


def test_the_result_does_not_depend_on_threads():
    from stackcomp.kernels.strips import set_threads

    rgb = np.random.default_rng(0).random((134, 62, 3)).astype(np.float32) * 1.1
    results = []
    for count in (1, 2, 5):
        set_threads(count)
        try:
            results.append(ycbcr(rgb, (2, 2), 8))
        finally:
            set_threads(None)
    for planes, clipped in results[1:]:
        assert clipped == results[0][1]
        assert all(np.array_equal(a, b) for a, b in zip(planes, results[0][0], strict=True))
