"""Letters: where they stand, what they cover, and what happens to characters that the font lacks."""

from __future__ import annotations

import importlib.resources
import unicodedata

import numpy as np
import OpenImageIO
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.deliver import lettering
from stackcomp.deliver.lettering import CAPITAL, cleaned, draw, shortened, text_width
from stackcomp.errors import RequestError

FONT = str(importlib.resources.files("fontpkg_noto_sans") / "files" / "NotoSans[wdth,wght].ttf")


def drawn(text, size=40, x=20, baseline=60, shape=(90, 500), **how):
    picture = np.zeros((*shape, 3), np.float32)
    draw(picture, text, x, baseline, size, grey=1.0, **how)
    return picture


def ink(picture, least=0.5):
    """First and last row and column with letters."""
    rows, columns = np.nonzero(picture[..., 0] > least)
    return rows.min(), rows.max(), columns.min(), columns.max()


class TestPlace:
    @pytest.mark.parametrize("size", [20, 40, 70, 200])
    def test_capitals_stand_on_the_baseline_and_have_their_height(self, size):
        first, last, *_ = ink(drawn("H", size, shape=(300, 300), baseline=250))
        assert last == 249
        assert first == pytest.approx(250 - CAPITAL * size, abs=1)

    @pytest.mark.parametrize(("align", "begin"), [("left", 200), ("centre", 200 - 0.5), ("right", 200 - 1)])
    def test_alignment(self, align, begin):
        width = text_width("1003", 40)
        x = 200 - width * {"left": 0, "centre": 0.5, "right": 1}[align]
        assert np.array_equal(drawn("1003", x=200, align=align), drawn("1003", x=x))

    @pytest.mark.parametrize("text", ["The signal lantern", "1003", "Größe", "Щука", "λυχνία"])
    @pytest.mark.parametrize("size", [24, 80])
    def test_widths_are_those_of_another_renderer(self, text, size):
        """OpenImageIO has a text renderer of its own; it hints, so half a pixel a letter may differ."""
        roi = OpenImageIO.ImageBufAlgo.text_size(text, size, FONT)
        *_, left, right = ink(drawn(text, size, shape=(200, 1500)), 0.2)
        assert right - left + 1 == pytest.approx(roi.width, abs=1 + 0.5 * len(text))

    def test_letters_cover_what_those_of_another_renderer_cover(self):
        buffer = OpenImageIO.ImageBuf(OpenImageIO.ImageSpec(200, 120, 1, "float"))
        OpenImageIO.ImageBufAlgo.render_text(buffer, 20, 100, "ÄB", 80, FONT, (1.0,))
        other = buffer.get_pixels()[..., 0]
        ours = drawn("ÄB", 80, baseline=100, shape=(120, 200))[..., 0]
        assert ours.sum() == pytest.approx(other.sum(), rel=0.02)
        assert np.corrcoef(ours.ravel(), other.ravel())[0, 1] > 0.97

    def test_figures_have_one_width(self):
        widths = {round(text_width(figure * 10, 12), 3) for figure in "0123456789"}
        assert len(widths) == 1

    def test_what_lies_outside_is_cut_off(self):
        whole = drawn("Laterne", x=20, baseline=40, shape=(60, 200))
        cut = drawn("Laterne", x=-10, baseline=20, shape=(25, 60))
        assert np.array_equal(cut[:25], whole[20:45, 30:90])
        for x, baseline in ((-9000, 30), (9000, 30), (10, -500), (10, 5000)):
            assert not drawn("Laterne", x=x, baseline=baseline).any()


class TestMixing:
    def test_whole_coverage_is_the_grey_and_none_leaves_the_bits(self):
        picture = np.random.default_rng(5).random((90, 300, 3)).astype(np.float32)
        picture[0, 0] = np.nan
        before = picture.copy()
        draw(picture, "HHH", 20, 70, 60, grey=0.9)
        cover = drawn("HHH", 60, 20, 70, (90, 300))
        assert (picture[cover == 1] == np.float32(0.9)).all()
        assert np.array_equal(picture[cover == 0], before[cover == 0], equal_nan=True)
        part = (cover > 0) & (cover < 1)
        assert part.sum() > 50
        np.testing.assert_allclose(picture[part], (0.9 * cover + (1 - cover) * before)[part], atol=1e-6)

    def test_edges_are_smooth(self):
        levels = np.unique(drawn("O", 40)[..., 0])
        assert len(levels) > 20
        assert levels[0] == 0
        assert levels[-1] == 1

    def test_semibold_covers_more(self):
        assert drawn("wide", weight="semibold").sum() > 1.2 * drawn("wide").sum()


class TestCharacters:
    @pytest.mark.parametrize("text", ["äöüßÄÖÜéèçñøåœæłžšőı", "ЩукаЖЇґѓђ", "λάμψηΩΣ", "×·—–…°′½€№"])
    def test_the_font_has_them(self, text):
        box = drawn("\u0378")
        assert not any(np.array_equal(drawn(letter), box) for letter in text)

    @pytest.mark.parametrize("text", ["日", "א", "\U0001f3ee", "\ue000", "\u0378"])
    def test_what_it_lacks_is_a_box(self, text):
        picture = drawn(text)
        first, last, left, right = ink(picture)
        assert last - first > 15
        # An outline: all four sides, and little inside.
        inside = picture[first + 5 : last - 4, left + 5 : right - 4, 0]
        assert picture[first : last + 1, left, 0].min() > 0.4
        assert inside.max() == 0

    def test_half_of_a_surrogate_pair_is_the_replacement_character(self):
        assert np.array_equal(drawn("\ud800"), drawn("\N{REPLACEMENT CHARACTER}"))
        assert drawn("\ud800").any()

    def test_decomposed_accents_are_composed(self):
        text = "Größe_É"
        assert np.array_equal(drawn(unicodedata.normalize("NFD", text)), drawn(text))

    def test_control_characters_are_spaces_and_invisible_ones_go(self):
        assert cleaned("a\nb\tc\x00d\u2028e") == "a b c d e"
        assert cleaned("\ufeffa\u200db\u202ec\ufe0f") == "abc"

    @given(st.text(max_size=40), st.sampled_from([1, 7.5, 12, 33]))
    def test_no_text_raises(self, text, size):
        picture = np.zeros((40, 120, 3), np.float32)
        draw(picture, text, 3, 25, size)
        assert np.isfinite(picture).all()
        assert picture.max() <= 1

    def test_a_text_without_end_is_cut(self):
        assert len(cleaned("x" * 10_000_000)) == 400
        draw(np.zeros((10, 10, 3), np.float32), "x" * 10_000_000, 0, 8, 12)


class TestShortened:
    @given(st.text(max_size=60), st.floats(0, 400), st.sampled_from([9, 12, 40]))
    def test_it_fits_and_is_as_long_as_it_can_be(self, text, width, size):
        short = shortened(text, width, size)
        assert text_width(short, size) <= width
        line = cleaned(text)
        if short == line:
            return
        assert text_width(line, size) > width
        assert short == "" or short.endswith("…")
        longer = line[: len(short.removesuffix("…")) + 1].rstrip() + "…"
        if line[len(short.removesuffix("…")) :][:1].strip():
            assert short == longer or text_width(longer, size) > width

    def test_example(self):
        assert shortened("Laterne_auf_der_Werkbank", 120, 20) == "Laterne_a…"
        assert shortened("wide", 120, 20) == "wide"
        assert shortened("wide", 2, 20) == ""


def test_a_missing_font_is_named(monkeypatch):
    monkeypatch.setattr(lettering, "_PACKAGE", "no_such_font")
    lettering._font.cache_clear()
    with pytest.raises(RequestError, match="the font for letters in pictures is missing"):
        text_width("a", 12)
    lettering._font.cache_clear()


def test_no_library_of_the_system_lays_text_out():
    from PIL import ImageFont

    assert lettering._font(40, "regular").layout_engine == ImageFont.Layout.BASIC
