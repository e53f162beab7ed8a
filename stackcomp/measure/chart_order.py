"""Whether the corners of a chart were given in its own order.

A chart that was held upside down, or whose corners were named from another one, still gives 24 colours, and a
matrix that is nonsense. So the patches are measured in all eight orders of the corners (four turns, and these seen
from behind) and compared with the published colours: logarithms less their mean per channel, so that neither
exposure nor the colour of the light counts, correlated over all patches and channels.
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

_ALIKE = 0.75  # the least correlation of a chart; in the demo charts reach 0.99, other orders 0.4
_FLOOR = 1e-3  # of the brightest value; what lies below is black
_ORDER = ("top left", "top right", "bottom right", "bottom left")


def likeness(patches: Patches) -> float:
    """Correlation of measured patches with the published ones, from -1 to 1; 1 is a perfect chart.

    Which working space the numbers are in hardly matters here; the published ones are taken in ACEScg.
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
    """Make sure that a measured chart stands the way its corners say.

    Args:
        image: the picture that it was measured in.
        patches: what was measured.
        which: what the user calls this chart, for the message.
        clipped: as it was given to `measure_chart`.
        black: likewise.

    Raises:
        AreaError: another order fits better, with the right one; or none fits.
    """
    found = likeness(patches)
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
            f"what the corners of {which} enclose does not look like the 24-patch chart "
            f"(its patches correlate by {found:.2f} with the published ones; a chart does by {_ALIKE} and more)",
            "give the corners of the block of 24 patches alone, without the frame of the chart",
        )
    points = ";".join(f"{x:g},{y:g}" for x, y in (patches.corners[k] for k in order))
    turn = "mirrored" if behind else "turned"
    raise AreaError(
        f"the chart of {which} is {turn}: its top left corner, beside the dark skin tone, is the one that was "
        f"given as {_ORDER[order[0]]}",
        f"give the corners as {points}" + ("; is the picture mirrored?" if behind else ""),
    )


def _relief(values: Array) -> Array:
    logs = np.log(np.maximum(values, _FLOOR * values.max()))
    return np.asarray(logs - logs.mean(axis=0))
