"""Published colours of the 24 patches of the colour chart, in any working space.

The chart is the trade's usual one: 4 rows of 6 patches, the dark skin tone first, greys from white to black in the
last row. Its colours changed slightly in November 2014. These are the colours of charts made since then.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from stackcomp.files import colour
from stackcomp.files.colorimetry import xyz_d50_matrix

__all__ = ["COLUMNS", "NAMES", "NEUTRALS", "ROWS", "published"]

Array = npt.NDArray[np.float64]

ROWS, COLUMNS = 4, 6

# Chromaticity x, y and luminance Y (a perfect white is 1) under D50, two-degree observer: the maker's reference
# data for charts from November 2014 on, as tabled by colour-science 0.4.7
# (CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]), rounded to eight places.
_PATCHES = (
    ("dark skin", 0.43748360, 0.37852284, 0.09832436),
    ("light skin", 0.42224944, 0.37249369, 0.33620230),
    ("blue sky", 0.27614744, 0.29838157, 0.17855193),
    ("foliage", 0.37331613, 0.45116914, 0.13467927),
    ("blue flower", 0.30289052, 0.28628691, 0.22871760),
    ("bluish green", 0.28640483, 0.38971778, 0.41435547),
    ("orange", 0.52814772, 0.40533497, 0.31264162),
    ("purplish blue", 0.23238585, 0.21120372, 0.10910902),
    ("moderate red", 0.50444755, 0.32706475, 0.18899996),
    ("purple", 0.33347115, 0.25055230, 0.06276663),
    ("yellow green", 0.39889345, 0.50414915, 0.43317594),
    ("orange yellow", 0.49357600, 0.44428320, 0.42933776),
    ("blue", 0.20522077, 0.16866548, 0.05596214),
    ("green", 0.32303796, 0.51041818, 0.22334376),
    ("red", 0.56287232, 0.33556281, 0.12780083),
    ("yellow", 0.46775935, 0.47602443, 0.59929768),
    ("magenta", 0.42131089, 0.26692462, 0.18951146),
    ("cyan", 0.20912872, 0.30265801, 0.18060991),
    ("white 9.5", 0.34891449, 0.36421258, 0.88069032),
    ("neutral 8", 0.34558386, 0.35988061, 0.58997097),
    ("neutral 6.5", 0.34414983, 0.35918507, 0.36486521),
    ("neutral 5", 0.34576922, 0.35909383, 0.19062288),
    ("neutral 3.5", 0.34264843, 0.35758352, 0.08817235),
    ("black 2", 0.34376747, 0.35605763, 0.03151319),
)

NAMES = tuple(name for name, *_ in _PATCHES)
"""Names of the patches, row by row."""

NEUTRALS = tuple(range(18, 24))
"""Indices of the greys, white first."""


def published(working_space: str = "ACEScg", config: str = colour.DEFAULT_CONFIG) -> Array:
    """R G B of the patches, scene-linear, under a light for which a perfect white is 1, 1, 1.

    The published data are for D50. They are adapted to the white of the working space by Bradford's matrix.

    Returns:
        ``(24, 3)``.

    Raises:
        RequestError: the primaries of the working space are not known from the config.
    """
    x, y, luminance = np.array([numbers for _, *numbers in _PATCHES], np.float64).T
    xyz = np.stack([x / y, np.ones_like(y), (1 - x - y) / y], axis=-1) * luminance[:, None]
    return np.asarray(np.linalg.solve(xyz_d50_matrix(working_space, config), xyz.T).T)
