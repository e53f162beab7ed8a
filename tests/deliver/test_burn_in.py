"""Burn-in: contrast by the formula of WCAG 2.2, what is touched, and that fields never meet."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.deliver.burn_in import FIELDS, Labels, burned_in, strip_height
from stackcomp.errors import ArgumentError

LABELS = Labels("wide", 1003, "01:00:00:02", "2025-03-04", "v003")
LONG = Labels("Laterne_auf_der_Werkbank_" * 20, 1003, "01:00:00:02", "2025-03-04", "v003")
SIZES = [(288, 512), (720, 1280), (2160, 3840), (1920, 1080), (436, 1024)]


def flat(shape, value):
    return np.full((*shape, 3), value, np.float32)


def contrast(first, second):
    """Contrast ratio of display values, as WCAG 2.2 defines it with relative luminance."""

    def luminance(rgb):
        light = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return light @ np.array([0.2126, 0.7152, 0.0722])

    pair = luminance(np.asarray(first, np.float64)), luminance(np.asarray(second, np.float64))
    return (np.maximum(*pair) + 0.05) / (np.minimum(*pair) + 0.05)


def test_the_formula_gives_published_ratios():
    """21:1 for black on white (WCAG 2.2, note to contrast ratio); #767676 on white is 4.54:1, #777777 fails."""
    assert contrast([0, 0, 0], [1, 1, 1]) == pytest.approx(21)
    assert contrast([0x76 / 255] * 3, [1, 1, 1]) == pytest.approx(4.54, abs=0.005)
    assert contrast([0x77 / 255] * 3, [1, 1, 1]) < 4.5


def backdrops(shape):
    random = np.random.default_rng(7).random((*shape, 3)).astype(np.float32)
    return {
        "black": flat(shape, 0), "white": flat(shape, 1), "mid grey": flat(shape, 0.5), "random": random,
        "pixels of black and white": np.rint(random),
        "beyond white": flat(shape, 7), "not finite": np.where(random < 0.5, np.inf, np.nan).astype(np.float32),
    }  # fmt: skip


class TestContrast:
    @pytest.mark.parametrize("name", backdrops((1, 1)))
    @pytest.mark.parametrize("shape", [(288, 512), pytest.param((1080, 1920), marks=pytest.mark.slow)])
    def test_letters_are_readable_on_anything(self, shape, name):
        picture = backdrops(shape)[name]
        result = burned_in(picture, LABELS)
        rows = strip_height(LABELS, FIELDS, *shape)
        strip = result[-rows:]
        # Pixels that letters cover wholly have the grey of letters, which is above .8; those of a margin none.
        letters = strip[(strip.min(axis=-1) > 0.8)]
        assert len(letters) > 150
        backing = np.concatenate([strip[:, :4], strip[:, -4:]], axis=1).reshape(-1, 3)
        assert contrast(letters[:, None], backing[None, ::7]).min() >= 4.5

    def test_the_backing_is_translucent(self):
        picture = flat((288, 512), 0)
        picture[:, ::2] = 1
        strip = burned_in(picture, LABELS)[-5:-1, :8, 0]
        assert strip[0, 0] - strip[0, 1] > 0.15


class TestWhatIsTouched:
    @pytest.mark.parametrize("place", ["bottom", "top"])
    @pytest.mark.parametrize("shape", SIZES)
    def test_outside_the_strip_all_bits_stay(self, shape, place):
        picture = np.random.default_rng(3).random((*shape, 3)).astype(np.float32)
        picture[::50, ::50] = np.nan
        picture[1::50, ::50] = -3
        before = picture.copy()
        result = burned_in(picture, LABELS, place=place)
        assert np.array_equal(picture.view(np.uint32), before.view(np.uint32))
        rows = strip_height(LABELS, FIELDS, *shape)
        outside = slice(None, -rows) if place == "bottom" else slice(rows, None)
        assert np.array_equal(result[outside].view(np.uint32), before[outside].view(np.uint32))
        inside = slice(-rows, None) if place == "bottom" else slice(None, rows)
        assert (result[inside] != before[inside]).all()
        assert np.isfinite(result[inside]).all()
        assert 0.04 < rows / shape[0] < 0.1

    def test_nothing_to_say_changes_nothing(self):
        picture = backdrops((100, 200))["not finite"]
        for labels, fields in ((Labels(), FIELDS), (LABELS, []), (Labels(shot="  \n"), ["shot"])):
            assert np.array_equal(burned_in(picture, labels, fields), picture, equal_nan=True)

    @settings(max_examples=60)
    @given(
        st.integers(1, 300),
        st.integers(1, 400),
        st.lists(st.sampled_from(FIELDS), unique=True),
        st.builds(
            Labels, st.text(max_size=40), st.integers(-5, 10**9), st.text(max_size=40), st.text(), st.text()
        ),
    )
    def test_any_size_and_any_text(self, height, width, fields, labels):
        result = burned_in(flat((height, width), 0.5), labels, fields)
        rows = strip_height(labels, fields, height, width)
        assert rows <= max(1, height / 3)
        assert (result[: height - rows] == 0.5).all()
        assert np.isfinite(result).all()


def gaps(strip, least):
    """Runs of columns without letters, inside the first and last letter."""
    empty = (strip == strip[0, 0]).all(axis=(0, 2))
    runs = [(key, len(list(run))) for key, run in itertools.groupby(empty)]
    return [length for key, length in runs[1:-1] if key and length >= least]


class TestFields:
    @pytest.mark.parametrize("shape", [(288, 512), (288, 700), (1080, 1920), (2160, 3840)])
    @pytest.mark.parametrize("labels", [LABELS, LONG])
    def test_fields_never_meet(self, shape, labels):
        """On a flat picture, five fields leave four wide gaps."""
        rows = strip_height(labels, FIELDS, *shape)
        size = max(12, round(shape[0] / 40))
        assert rows < 2.5 * size
        assert len(gaps(burned_in(flat(shape, 0), labels)[-rows:], 0.9 * size)) == 4

    def test_two_lines_where_one_is_too_narrow(self):
        one, two = (strip_height(LONG, FIELDS, 288, width) for width in (512, 200))
        assert two > 1.5 * one
        strip = burned_in(flat((288, 200), 0), LONG)[-two:]
        # Names in the upper line, numbers in the lower one.
        assert len(gaps(strip[: two // 2], 10)) == 1
        assert len(gaps(strip[two // 2 :], 10)) == 2

    def test_only_what_is_chosen_in_its_own_place(self):
        frame = burned_in(flat((288, 512), 0), LABELS, ["frame"])[-20:]
        shot = burned_in(flat((288, 512), 0), LABELS, ["shot"])[-20:]
        assert not (frame[:, :256] > 0.5).any()
        assert not (shot[:, 256:] > 0.5).any()
        both = burned_in(flat((288, 512), 0), LABELS, ["frame", "shot"])[-20:]
        assert np.array_equal(both, np.maximum(frame, shot))

    def test_an_absent_timecode_leaves_no_hole(self):
        without = burned_in(flat((288, 512), 0), Labels("wide", 1003, "", "2025-03-04", "v003"))
        chosen = burned_in(flat((288, 512), 0), LABELS, ["version", "shot", "frame", "date"])
        assert np.array_equal(without, chosen)

    def test_frames_have_four_digits(self):
        assert [Labels(frame=n).text("frame") for n in (7, 1003, 123456, -3, None)] == [
            "0007", "1003", "123456", "-003", ""
        ]  # fmt: skip

    def test_letters_grow_with_the_picture(self):
        heights = [strip_height(LABELS, FIELDS, h, 16 * h // 9) for h in (288, 540, 1080, 2160)]
        assert heights[0] >= 22
        assert heights[3] == pytest.approx(2 * heights[2], abs=2)


@pytest.mark.parametrize(
    ("picture", "fields", "place", "message"),
    [
        (np.zeros((4, 4)), FIELDS, "bottom", "is not a picture"),
        (np.zeros((0, 4, 3)), FIELDS, "bottom", "is not a picture"),
        (np.zeros((4, 4, 3)), ["frames"], "bottom", 'did you mean "frame"'),
        (np.zeros((4, 4, 3)), "frame", "bottom", "is not a list"),
        (np.zeros((4, 4, 3)), FIELDS, "left", "'left' is not known"),
    ],
)
def test_mistakes(picture, fields, place, message):
    with pytest.raises(ArgumentError, match=message):
        burned_in(picture, LABELS, fields, place=place)
