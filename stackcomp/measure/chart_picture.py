"""A picture of two charts, patch for patch.

Each patch is three bands without a gap, so that the smallest difference is visible: at the top the picture to be
changed, at the target's exposure; in the middle the target; at the bottom the changed picture. Below are its name,
and ΔE 2000 of the upper and of the lower band to the middle one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.files import colour
from stackcomp.files.colorimetry import D50, adapted, xyz_d50_matrix
from stackcomp.measure.chart_data import COLUMNS, NAMES, ROWS
from stackcomp.measure.chart_match import ChartMatch
from stackcomp.measure.given import instance

__all__ = ["chart_picture"]

Array = npt.NDArray[np.float64]

# Chromaticity of D65 and the matrix from X Y Z to linear R G B: IEC 61966-2-1.
_D65 = (0.3127, 0.3290)
_XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])

_WIDTH, _BAND, _CAPTION, _GAP, _LEGEND = 116, 26, 34, 10, 46
_GROUND, _INK, _FAINT = (38, 38, 38), (222, 222, 222), (150, 150, 150)
_LEGEND_LINES = (
    "top: unchanged, at the target's exposure      middle: target      bottom: after the matrix",
    "numbers: colour difference (CIEDE2000) to the target before, and after; about 1 is just visible",
)


def chart_picture(
    match: ChartMatch, *, working_space: str = "ACEScg", colour_config: str = colour.DEFAULT_CONFIG
) -> npt.NDArray[np.uint8]:
    """Draw a match.

    Args:
        match: the result of `match_chart`.
        working_space: of the match.
        colour_config: name or path of an OCIO config with that space.

    Returns:
        sRGB, 8 bits, ``(height, width, 3)``. The target's greys are as bright as those of a well lit chart.

    Raises:
        RequestError: the primaries of the working space are not known from the config.
        ArgumentError: not a `ChartMatch`.
    """
    from PIL import Image, ImageDraw, ImageFont

    fit = instance(match, ChartMatch, "match", "give the result of match_chart").fit
    bands = np.stack([match.source * fit.exposure, match.target, fit.mapped], axis=1) * fit.scale
    shown = _srgb(np.nan_to_num(bands), working_space, colour_config)
    width = COLUMNS * (_WIDTH + _GAP) + _GAP
    height = ROWS * (3 * _BAND + _CAPTION + _GAP) + _GAP + _LEGEND
    picture = Image.new("RGB", (width, height), _GROUND)
    draw = ImageDraw.Draw(picture)
    small, font = ImageFont.load_default(11), ImageFont.load_default(12)
    for k, name in enumerate(NAMES):
        row, column = divmod(k, COLUMNS)
        x = _GAP + column * (_WIDTH + _GAP)
        y = _GAP + row * (3 * _BAND + _CAPTION + _GAP)
        for band in range(3):
            low = y + band * _BAND
            red, green, blue = (int(value) for value in shown[k, band])
            draw.rectangle((x, low, x + _WIDTH - 1, low + _BAND - 1), fill=(red, green, blue))
        below = y + 3 * _BAND + 3
        draw.text((x, below), name, fill=_FAINT, font=small)
        label = f"{fit.exposed[k]:.1f}, then {fit.after[k]:.1f}" if fit.used[k] else "left out"
        draw.text((x, below + 14), label, fill=_INK, font=font)
    for line, text in enumerate(_LEGEND_LINES):
        draw.text((_GAP, height - _LEGEND + 4 + 18 * line), text, fill=_FAINT, font=font)
    return np.asarray(picture, np.uint8)


def _srgb(values: Array, working_space: str, config: str) -> npt.NDArray[np.uint8]:
    """Encoded for a screen by IEC 61966-2-1; colours out of its gamut are clipped."""
    to_linear = _XYZ_TO_SRGB @ adapted(D50, _D65) @ xyz_d50_matrix(working_space, config)
    linear = np.clip(values @ to_linear.T, 0, 1)
    curved = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(curved * 255), np.uint8)
