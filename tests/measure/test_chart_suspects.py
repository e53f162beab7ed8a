"""A single wrong patch, and swapped neighbours: planted and found; no false alarm on charts that are right."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from painted_chart import CORNERS, MATRIX, grainy, measured, paint
from slow_cases import few_fast

from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.measure.chart_data import COLUMNS, NAMES, ROWS, published
from stackcomp.measure.chart_fit import difference_under
from stackcomp.measure.chart_match import Chart, match_chart
from stackcomp.measure.chart_suspects import find_suspects
from stackcomp.measure.picture import open_measured

DEMO = Path(__file__).parents[2] / "demo_shot"
PATCHES = published()
SEEN = PATCHES @ np.linalg.inv(MATRIX).T
ALL = np.ones(24, bool)
DIFFERENCE = difference_under(1.0, "ACEScg", DEFAULT_CONFIG)
NEIGHBOURS = [(k, k + 1) for k in range(24) if k % COLUMNS < COLUMNS - 1]
NEIGHBOURS += [(k, k + COLUMNS) for k in range((ROWS - 1) * COLUMNS)]


def swapped(patches, *pairs):
    changed = patches.copy()
    for one, other in pairs:
        changed[[one, other]] = changed[[other, one]]
    return changed


def suspects(source, target=PATCHES, error=0.002):
    return find_suspects(source, target, ALL, np.full((24, 3), error), DIFFERENCE)


def test_the_worst_three_are_named_with_their_place():
    wrong = SEEN.copy()
    wrong[8] *= [1.15, 1.0, 0.9]  # a touch of shine, far below the limit of the mean
    found = match_chart(Chart(measured(grainy(paint(wrong))), CORNERS))
    assert np.nanmean(found.fit.after) < 1
    worst = found.as_dict()["worst_patches"]
    assert [(worst[0][key]) for key in ("patch", "number", "row", "column")] == ["moderate red", 9, 2, 3]
    after = np.sort(found.fit.after)[::-1]
    assert [one["delta_e_2000"] for one in worst] == pytest.approx(after[:3])
    (warning,) = found.doubts
    assert warning.startswith("moderate red (row 2, column 3) does not fit the other patches: ΔE ")


def test_patches_that_were_left_out_are_not_among_the_worst():
    cut = np.minimum(grainy(paint(SEEN)), 0.45)
    found = match_chart(Chart(measured(cut), CORNERS))
    left_out = {NAMES[k] for k in np.flatnonzero(~found.fit.used)}
    assert left_out
    assert len(found.worst) == 3
    assert not left_out & {one["patch"] for one in found.worst}


def check_that_a_swap_is_found(pair):
    rng = np.random.default_rng(sum(pair))
    noisy = swapped(SEEN, pair) * (1 + 0.002 * rng.standard_normal((24, 3)))
    assert suspects(noisy).swapped == (pair,)
    assert suspects(swapped(SEEN, pair), error=0).swapped == (pair,)
    assert suspects(noisy).after_swap < 0.5
    # The published data is the one that is wrong, or the plate's chart.
    assert suspects(SEEN * (1 + 0.002 * rng.standard_normal((24, 3))), swapped(PATCHES, pair)).swapped == (pair,)


@pytest.mark.parametrize("pair", NEIGHBOURS[::9], ids=str)
def test_swapped_neighbours_are_found_under_noise(pair):
    check_that_a_swap_is_found(pair)


@pytest.mark.slow
def test_all_swapped_neighbours_are_found_under_noise():
    for pair in NEIGHBOURS:
        check_that_a_swap_is_found(pair)


def test_a_swap_in_a_picture_is_said_with_both_numbers():
    found = match_chart(Chart(measured(grainy(paint(swapped(SEEN, (4, 5))))), CORNERS))
    (warning,) = [doubt for doubt in found.doubts if "swapped" in doubt]
    assert warning.startswith("patches 5 and 6 look swapped (blue flower and bluish green): with them exchanged")
    assert [[one["number"] for one in pair] for pair in found.as_dict()["look_swapped"]] == [[5, 6]]
    assert not any("does not fit the other" in doubt for doubt in found.doubts)


def test_two_swaps_at_once():
    assert set(suspects(swapped(SEEN, (4, 5), (13, 19))).swapped) == {(4, 5), (13, 19)}


def test_neighbours_that_hardly_differ_are_not_called_swapped():
    """Two patches of one colour: which is which is not known, and does not matter."""
    rng = np.random.default_rng(3)
    alike = PATCHES.copy()
    alike[9] = alike[8] * 1.001
    for _ in range(10):
        seen = swapped(alike, (8, 9)) * (1 + 0.002 * rng.standard_normal((24, 3)))
        assert suspects(seen, alike).swapped == ()


@pytest.mark.parametrize("spread", few_fast([0.0, 0.01, 0.03, 0.06, 0.1], 2))
@pytest.mark.parametrize("heavy", [False, True], ids=["normal", "heavy tails"])
@pytest.mark.parametrize("seed", [8, *(pytest.param(k, marks=pytest.mark.slow) for k in (9, 10, 11))])
def test_colours_that_no_matrix_reaches_do_not_look_swapped(spread, heavy, seed):
    """Mean ΔE from 0.1 to 8: another camera sees each patch a little otherwise, some much."""
    rng = np.random.default_rng(seed)
    for _ in range(3):
        off = spread * (rng.standard_t(3, (24, 3)) if heavy else rng.standard_normal((24, 3)))
        seen = SEEN * np.exp(off) * (1 + 0.002 * rng.standard_normal((24, 3)))
        assert suspects(seen).swapped == ()


@pytest.mark.parametrize("fall", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("sigma", [0.0, 0.02, 0.05])
def test_no_false_alarm_on_painted_charts(sigma, fall):
    picture = grainy(paint(SEEN, light=lambda right, down: 1 + fall * right), sigma, seed=int(100 * fall))
    for even in (False, True):
        found = match_chart(Chart(measured(picture), CORNERS), even=even)
        assert found.suspects.swapped == ()
        assert found.suspects.stands_out is None


@pytest.mark.slow
def test_no_false_alarm_on_the_demos_charts():
    charts = []
    for shot in ("wide", "close", "lamp"):
        values = json.loads((DEMO / shot / "shot.json").read_text())
        picture = open_measured(DEMO / shot / "chart.exr", encoding="ACEScct")
        corners = tuple((x, y) for x, y in values["chart_corners"])
        charts.append(Chart(picture, corners, [values["black_lift"]] * 3))
    for other, neighbour in zip(charts, charts[1:] + charts[:1], strict=True):
        for plate in (None, neighbour):
            for even in (False, True):
                found = match_chart(other, plate, even=even)
                assert found.suspects.swapped == ()
                assert found.suspects.stands_out is None, found.doubts
