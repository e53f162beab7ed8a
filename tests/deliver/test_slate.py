"""Slates: code values of the patches against published tables, and that texts keep to their places."""

from __future__ import annotations

import dataclasses
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slow_cases import few_fast

from stackcomp.deliver.slate import Slate, slate_patches, slate_picture
from stackcomp.errors import ArgumentError
from stackcomp.files import stills

FULL = Slate(
    "The signal lantern on the boatbuilder's bench", "wide", "1001–1005", "5", "24", "01:00:00:00", "v003",
    "2025-03-04", "512 × 288", "sRGB - Display, ACES 1.0 - SDR Video", "For the review",
)  # fmt: skip
LONG = Slate(**{field.name: f"{field.name} Größe日 " * 12 for field in dataclasses.fields(Slate)})
SIZES = [(512, 288), (3840, 2160), (1920, 1080), (1080, 1920), (1000, 1000), (640, 480), (2048, 858)]
GROUND = np.float32(0.13)
#: Y', Cb, Cr of white, yellow, cyan, green, magenta, red and blue at 75 %, 8 bits: SMPTE RP 219-1, as in the
#: source `smptehdbars` of FFmpeg.
RP219 = (
    (180, 128, 128), (168, 44, 136), (145, 147, 44), (133, 63, 52), (63, 193, 204), (51, 109, 212), (28, 212, 120),
)  # fmt: skip


def pixels(picture, patch):
    window = patch.window
    return picture[window.y0 : window.y1, window.x0 : window.x1]


class TestPatches:
    @pytest.mark.parametrize(("width", "height"), SIZES)
    @pytest.mark.parametrize("slate", few_fast([FULL, Slate(), LONG], 1))
    def test_every_pixel_has_its_code_value(self, width, height, slate):
        """No letter lies on a patch, whatever the texts are."""
        picture = slate_picture(width, height, slate)
        patches = slate_patches(width, height)
        assert len(patches) == 18
        for patch in patches:
            assert patch.window.width > width / 20
            assert patch.window.height > height / 40
            assert (pixels(picture, patch) == np.float32(patch.values)).all()

    def test_bars_are_the_75_per_cent_bars_of_bt_709(self):
        """In order, as Y'CbCr by the matrix of BT.709 in colour-science: the table of SMPTE RP 219-1."""
        with warnings.catch_warnings():
            # It warns of optional packages when it is loaded.
            warnings.simplefilter("ignore")
            import colour

        picture = slate_picture(1920, 1080, FULL)
        bars = np.array([pixels(picture, patch)[5, 5] for patch in slate_patches(1920, 1080)[:7]], np.float64)
        weights = colour.WEIGHTS_YCBCR["ITU-R BT.709"]
        codes = colour.RGB_to_YCbCr(bars, weights, in_bits=8, out_bits=8, out_legal=True, out_int=True)
        assert [tuple(map(int, code)) for code in codes] == list(RP219)

    def test_grey_steps_are_even(self):
        picture = slate_picture(1920, 1080, FULL)
        greys = [pixels(picture, patch)[3, 3] for patch in slate_patches(1920, 1080)[7:]]
        np.testing.assert_allclose(greys, np.repeat(np.arange(11)[:, None] / 10, 3, axis=1), atol=1e-7)

    def test_a_still_of_it_has_the_values_said(self, tmp_path):
        stills.write(tmp_path / "slate.png", slate_picture(640, 360, FULL))
        back = np.rint(stills.read(tmp_path / "slate.png").pixels * 255)
        assert set(np.unique(pixels(back, slate_patches(640, 360)[1]))) == {0, 191}

    def test_patches_do_not_overlap_and_fill_their_rows(self):
        picture = np.zeros((288, 512), int)
        for patch in slate_patches(512, 288):
            picture[patch.window.y0 : patch.window.y1, patch.window.x0 : patch.window.x1] += 1
        rows, columns = np.nonzero(picture)
        assert (picture[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1] == 1).all()


class TestTexts:
    def test_all_but_the_bars_is_neutral(self):
        picture = slate_picture(1280, 720, FULL)
        for patch in slate_patches(1280, 720)[:7]:
            pixels(picture, patch)[...] = 0
        assert (picture == picture[..., :1]).all()

    @pytest.mark.parametrize(("width", "height"), SIZES)
    def test_texts_keep_to_the_margins(self, width, height):
        picture = slate_picture(width, height, LONG)
        first, last = slate_patches(width, height)[0].window.x0, slate_patches(width, height)[6].window.x1
        assert (picture[:, : first - 2] == GROUND).all()
        assert (picture[:, last + 2 :] == GROUND).all()
        assert (picture[: first // 2] == GROUND).all()

    @pytest.mark.parametrize(("width", "height"), SIZES)
    def test_fields_do_not_touch_the_caption(self, width, height):
        """Between the last field and the caption of the patches there is an empty row."""
        fields = slate_picture(width, height, LONG) != slate_picture(width, height, Slate())
        caption = slate_picture(width, height, Slate())[: slate_patches(width, height)[0].window.y0] != GROUND
        assert np.nonzero(fields.any(axis=(1, 2)))[0].max() < np.nonzero(caption.any(axis=(1, 2)))[0].min()

    def test_an_empty_field_leaves_neither_label_nor_hole(self):
        for field in dataclasses.fields(Slate):
            without = slate_picture(960, 540, dataclasses.replace(FULL, **{field.name: ""}))
            blank = slate_picture(960, 540, dataclasses.replace(FULL, **{field.name: " \n "}))
            assert np.array_equal(without, blank)
            assert not np.array_equal(without, slate_picture(960, 540, FULL))
        top = slate_patches(960, 540)[0].window.y0
        assert (slate_picture(960, 540, Slate())[: top - 60] == GROUND).all()

    def test_only_one_field_moves_to_the_front(self):
        def first_column(slate):
            rows = slate_picture(960, 540, slate)[:250]
            return np.nonzero((rows != GROUND).any(axis=(0, 2)))[0].min()

        starts = [first_column(Slate(**{name: "Hx"})) for name in ("frames", "count", "version", "note")]
        assert max(starts) - min(starts) <= 3

    @pytest.mark.slow
    @settings(max_examples=40)
    @given(st.integers(1, 300), st.integers(1, 300), st.text(max_size=30))
    def test_any_size(self, width, height, text):
        picture = slate_picture(width, height, dataclasses.replace(FULL, shot=text))
        assert picture.shape == (height, width, 3)
        assert picture.dtype == np.float32
        assert np.isfinite(picture).all()


@pytest.mark.parametrize("size", [(0, 10), (10, -1), (10.0, 10), (True, 10), (100_000, 10)])
def test_mistakes(size):
    with pytest.raises(ArgumentError, match="is not a number of pixels"):
        slate_picture(*size, FULL)
