"""The same numbers from libraries that this project did not write."""

from __future__ import annotations

import numpy as np
import pytest

from stackcomp import Image, Window
from stackcomp.compare import Tolerance, compare_files, compare_pictures
from stackcomp.files import exr

SIZE = (12, 20)


def noise(seed, channels):
    return Image.from_array(np.random.default_rng(seed).random((*SIZE, channels), np.float32))


def test_the_ratio_is_that_of_scikit_image():
    """Source: skimage.metrics.peak_signal_noise_ratio, data range as stated in the comparison."""
    from skimage.metrics import mean_squared_error, peak_signal_noise_ratio

    for scale in (1.0, 30.0):
        a = noise(1, 3).to_array() * np.float32(scale)
        b = a + np.random.default_rng(2).normal(0, 0.01, a.shape).astype(np.float32)
        (layer,) = compare_pictures(*map(Image.from_array, (a, b))).layers
        assert layer.peak == pytest.approx(max(1, np.abs(a).max(), np.abs(b).max()))
        wide = [array.astype(np.float64) for array in (a, b)]
        assert layer.psnr == pytest.approx(peak_signal_noise_ratio(*wide, data_range=layer.peak), rel=1e-6)
        square = layer.peak**2 / 10 ** (layer.psnr / 10)
        assert square == pytest.approx(mean_squared_error(*wide), rel=1e-6)


def test_channels_that_are_alike_count_as_well():
    """Source: scikit-image on all channels, of which one differs and another holds the brightest value."""
    from skimage.metrics import mean_squared_error, peak_signal_noise_ratio

    a = noise(1, 3).to_array() * np.float32([1, 1, 30])
    b = a.copy()
    b[..., 0] += np.float32(0.01)
    (layer,) = compare_pictures(*map(Image.from_array, (a, b))).layers
    assert layer.peak == a.max() > 1
    wide = [array.astype(np.float64) for array in (a, b)]
    assert layer.psnr == pytest.approx(peak_signal_noise_ratio(*wide, data_range=layer.peak), rel=1e-6)
    assert layer.peak**2 / 10 ** (layer.psnr / 10) == pytest.approx(mean_squared_error(*wide), rel=1e-6)
    assert layer.mean == pytest.approx(np.abs(wide[0] - wide[1]).mean(), rel=1e-6)


def test_numbers_are_those_of_openimageio():
    """Source: OpenImageIO's ImageBufAlgo.compare on the same pairs, 0 to 1, where nothing is relative."""
    oiio = pytest.importorskip("OpenImageIO")
    a = noise(3, 3).to_array()
    draw = np.random.default_rng(4)
    for sigma in (1e-4, 1e-3, 1e-2):
        b = np.clip(a + draw.normal(0, sigma, a.shape), 0, 1).astype(np.float32)
        (layer,) = compare_pictures(*map(Image.from_array, (a, b)), Tolerance(0.001, 1, 1)).layers
        theirs = oiio.ImageBufAlgo.compare(oiio.ImageBuf(a), oiio.ImageBuf(b), 0.001, 0.001)
        assert layer.largest == pytest.approx(theirs.maxerror, rel=1e-5)
        assert layer.over == theirs.nfail
        assert layer.mean == pytest.approx(theirs.meanerror, rel=1e-4)
        assert layer.worst == (theirs.maxx, theirs.maxy)


@pytest.mark.parametrize("other", ["src/b.exr", "ref/a_over_b.exr"])
@pytest.mark.parametrize("small", [1e-4, 0.01, 0.3])
def test_files_with_other_windows_are_compared_as_openimageio_does(material, other, small):
    """Source: OpenImageIO's ImageBufAlgo.compare on its own test files; their data windows differ.

    It compares over all pixels that one of the two has, and those that one lacks are 0. Its error is the plain
    difference, so counts are compared where no value above 1 makes ours relative.
    """
    oiio = pytest.importorskip("OpenImageIO")
    folder = material / "oiio-tests" / "testsuite" / "oiiotool-composite"
    paths = [folder / "src" / "a.exr", folder / other]
    compared = compare_files(*paths, Tolerance(small, 1, 1e9), types=False, windows_may_differ=True)
    (layer,) = compared.layers
    theirs = oiio.ImageBufAlgo.compare(*(oiio.ImageBuf(str(path)) for path in paths), small, small)
    union = oiio.union(*(oiio.get_roi(oiio.ImageBuf(str(path)).spec()) for path in paths))
    assert layer.pixels == union.npixels
    assert layer.mean == pytest.approx(theirs.meanerror, rel=1e-6)
    # Its peak is the largest magnitude of both, as ours is.
    assert layer.psnr == pytest.approx(theirs.PSNR, rel=1e-6)
    assert layer.over == theirs.nfail


def test_masks_are_those_that_openimageio_reads(material):
    """Source: OpenEXR's test image with NaN and infinities beside the same without, read by OpenImageIO."""
    oiio = pytest.importorskip("OpenImageIO")
    folder = material / "openexr-images" / "TestImages"
    paths = [folder / "BrightRings.exr", folder / "BrightRingsNanInf.exr"]
    compared = compare_files(*paths, Tolerance(1e9, 1, 1e9))
    assert compare_files(paths[1], paths[1], Tolerance(0, 0, 0)).equal
    pixels = [oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT) for path in paths]
    found = compared.layers[0].not_finite
    for k, name in enumerate("RGB"):
        y, x = np.nonzero(np.isfinite(pixels[0][..., k]) != np.isfinite(pixels[1][..., k]))
        assert (found[name].count, found[name].first) == (len(y), (x[0], y[0]))


def test_a_worst_pixel_at_the_edge_of_a_window_is_the_one_of_openimageio(tmp_path):
    """Source: OpenImageIO's ImageBufAlgo.compare on files whose windows begin elsewhere than at 0."""
    oiio = pytest.importorskip("OpenImageIO")
    window, display = Window(-7, 5, 33, 45), Window.of_size(40, 40)
    a = np.random.default_rng(7).random(window.shape, np.float32)
    for y, x in ((0, 0), (39, 39), (17, 0)):
        b = a.copy()
        b[y, x] += 0.5
        paths = [tmp_path / "a.exr", tmp_path / "b.exr"]
        for path, plane in zip(paths, (a, b), strict=True):
            exr.write(path, {"Y": plane}, window=window, display=display, pixel_type="float")
        (layer,) = compare_files(*paths).layers
        theirs = oiio.ImageBufAlgo.compare(*(oiio.ImageBuf(str(path)) for path in paths), 1e-3, 1e-3)
        assert layer.worst == (theirs.maxx, theirs.maxy)
