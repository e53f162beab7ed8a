"""Charts and cards that are cut below white: clipped patches are named, left out or refused, never fitted."""

from __future__ import annotations

import numpy as np
import pytest
from painted_chart import CORNERS, grainy, measured, paint

from stackcomp.measure.area import AreaError, parse_rectangle
from stackcomp.measure.chart_data import NAMES, published
from stackcomp.measure.chart_match import Chart, match_chart
from stackcomp.measure.grey import match_grey
from stackcomp.measure.level import PatchError

PLANTED = np.array([[0.95, 0.04, 0.01], [0.02, 1.0, -0.02], [-0.02, 0.07, 1.3]])


@pytest.mark.parametrize("limit", [0.45, 0.6, 0.8])
def test_a_chart_cut_below_white_is_fitted_without_its_brightest_patches(limit):
    source = published() @ np.linalg.inv(PLANTED).T
    whole = grainy(paint(source))
    found = match_chart(Chart(measured(np.minimum(whole, np.float32(limit))), CORNERS))
    assert any("clipped" in warning and "white 9.5" in warning for warning in found.doubts)
    # Patches well under the limit are all there, those well above it none.
    used = {NAMES[k] for k in np.flatnonzero(~found.other.too_clipped)}
    assert {name for name, colour in zip(NAMES, source, strict=True) if max(colour) < limit * 0.9} <= used
    assert not {name for name, colour in zip(NAMES, source, strict=True) if max(colour) > limit * 1.05} & used
    np.testing.assert_allclose(found.fit.matrix, PLANTED, atol=0.02)


def test_a_chart_of_which_half_is_cut_is_refused():
    picture = np.minimum(grainy(paint(published())), np.float32(0.25))
    with pytest.raises(AreaError, match="are clipped; 12 at least are needed"):
        match_chart(Chart(measured(picture), CORNERS))


@pytest.mark.parametrize("limit", [0.2, 0.5, 0.85, 1.2])
def test_a_grey_card_at_the_limit_is_refused(limit):
    rng = np.random.default_rng(3)
    scene = 0.4 * limit * (1 + 0.02 * rng.standard_normal((60, 80, 3)))
    scene[10:40, 20:60] = limit * (1 + 0.02 * rng.standard_normal((30, 40, 3)))
    cut = measured(np.minimum(scene, limit).astype(np.float32))
    good = measured(scene.astype(np.float32))
    area = parse_rectangle("20,10,40,30")
    match_grey(good, area, good, area)
    for plate, other in ((cut, good), (good, cut)):
        with pytest.raises(PatchError, match="clipped"):
            match_grey(plate, area, other, area)
