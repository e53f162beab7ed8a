"""How values stand for light: the log curve, and the bend of curves that are published."""

import numpy as np
import pytest

from stackcomp.files.colour import encoding
from stackcomp.track.light import bend_of, log_curve


def test_the_log_curve_against_published_figures():
    """ACEScct: the break of the Academy's specification, and 18 % grey as colour-science 0.4.7 computes it."""
    assert log_curve(np.array([0.0078125]))[0] == pytest.approx(0.155251141552511, abs=1e-12)
    assert log_curve(np.array([0.18]))[0] == pytest.approx(0.4135884025, abs=1e-9)


def test_the_log_curve_has_no_step_and_goes_on_below_black():
    light = np.linspace(-0.02, 0.03, 2001)
    steps = np.diff(log_curve(light))
    assert (steps > 0).all()
    assert steps.max() < 1.2 * 10.6 * (light[1] - light[0])


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        # Light is 2^(17.52 v), and scene-linear plates are tracked through that curve (Academy S-2016-001).
        ("ACEScct", 17.52 * np.log(2)),
        ("ACEScg", 17.52 * np.log(2)),
        # 10^(v / 0.247190), EI 800 (the curve's published constant, from memory).
        ("ARRI LogC3 (EI800)", np.log(10) / 0.247190),
        # A power of 2.2 has 1.2 / v.
        ("Gamma 2.2 Rec.709 - Texture", 1.2 / 0.6),
    ],
)
def test_the_bend_of_published_curves(name, expected):
    assert np.interp(0.6, *bend_of(encoding(name))) == pytest.approx(expected, rel=0.01)


def test_below_the_break_a_log_curve_is_straight_and_data_tell_nothing():
    assert np.interp(0.1, *bend_of(encoding("ACEScct"))) == pytest.approx(0, abs=0.01)
    assert bend_of(encoding("Raw")) is None
