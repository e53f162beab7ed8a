"""A check that the corners of a chart are in the chart's order.

A chart that is upside down, or whose corners start at another one, still gives 24 colours, but a wrong matrix. So
the patches are measured in all eight orders of the corners (four turns, and the same mirrored) and compared with
the published colours. The measure is the correlation over all patches and channels of logarithms minus their mean
for each channel, so that neither exposure nor the colour of the light counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.measure.area import Area, AreaError
from stackcomp.measure.chart_data import published
from stackcomp.measure.chart_patches import Patches, measure_chart

__all__ = ["check_order", "likeness"]

Array = npt.NDArray[np.float64]

_ALIKE = 0.75  # the least correlation of a chart; in the demo it is 0.99, in other orders 0.4
# A correlation at which the order is not in doubt. In half a turn or mirrored, the chart correlates with itself
# by 0.15 at most; a picture this near to it (26 degrees, as vectors) then does by 0.57 at most.
_CERTAIN = 0.9
_FLOOR = 1e-3  # share of the brightest value; values below count as black
_ORDER = ("top left", "top right", "bottom right", "bottom left")


def likeness(patches: Patches) -> float:
    """Correlation of measured patches with the published ones, from -1 to 1; 1 is a perfect chart.

    The working space of the numbers hardly matters here; the published ones are in ACEScg.
    """
    used = patches.usable
    if np.count_nonzero(used) < 3:
        return 0.0
    first, second = (_relief(values[used]) for values in (patches.values, published()))
    size = float(np.sqrt((first**2).sum() * (second**2).sum()))
    return float((first * second).sum()) / size if size > 0 else 0.0


def check_order(
    image: Image,
    patches: Patches,
    which: str,
    *,
    clipped: Callable[[Area], npt.NDArray[np.bool_]] | None = None,
    black: Sequence[float] = (0.0, 0.0, 0.0),
) -> None:
    """Refuse a chart whose corners are in the wrong order.

    Args:
        image: the picture in which it was measured.
        patches: its patches.
        which: name of the picture, for the message.
        clipped: as for `measure_chart`.
        black: likewise.

    Raises:
        AreaError: another order of the corners fits better (the message gives it), or none fits.
    """
    given = likeness(patches)
    if given >= _CERTAIN:
        return
    rated = []
    for behind in (False, True):
        around = (0, 3, 2, 1) if behind else (0, 1, 2, 3)
        for first in range(4):
            order = around[first:] + around[:first]
            again = measure_chart(image, [patches.corners[k] for k in order], clipped=clipped, black=black)
            rated.append((likeness(again), order, behind))
    best, order, behind = max(rated)
    if order == (0, 1, 2, 3) and best >= _ALIKE:
        return
    if best < _ALIKE:
        raise AreaError(
            f"the area between the corners of {which} does not look like the 24-patch chart "
            f"(its patches correlate with the published ones by {given:.2f}, and those of a chart by {_ALIKE})",
            "give the corners of the block of 24 patches alone, without the frame of the chart",
        )
    points = ";".join(f"{x:g},{y:g}" for x, y in (patches.corners[k] for k in order))
    turn = "mirrored" if behind else "turned"
    raise AreaError(
        f"the chart of {which} is {turn}: its top left corner, beside the dark skin tone, was given as the "
        f"{_ORDER[order[0]]} one",
        f"give the corners as {points}" + ("; is the picture mirrored?" if behind else ""),
    )


def _relief(values: Array) -> Array:
    logs = np.log(np.maximum(values, _FLOOR * values.max()))
    return np.asarray(logs - logs.mean(axis=0))
