"""A picture of where two pictures differ."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.check.originals import Writing, refusals
from stackcomp.compare.layers import difference
from stackcomp.data.image import Image
from stackcomp.data.planes import plane_over
from stackcomp.errors import RequestError
from stackcomp.files import stills
from stackcomp.files.mark import Mark

__all__ = ["difference_picture", "write_difference"]

Shown = npt.NDArray[np.uint8]
#: Differences below the first are black, those of the second and more are white; between them by their logarithm.
_LEAST, _MOST = 1e-5, 1.0
_MARK = Mark("picture")
_NOT_FINITE = (255, 0, 255)
_ALONE = (0, 90, 200)


def difference_picture(result: Image, expected: Image) -> Shown:
    """Return where two pictures differ, and by how much.

    Args:
        result: the first picture.
        expected: the second; channels that only one of them has are left out, ids count as differences of 1.

    Returns:
        uint8 ``(height, width, 3)`` over the window that both frames and both data windows lie in. The largest
        difference of a pixel, measured as by `stackcomp.compare.Tolerance`, is grey by its logarithm: black up to
        1e-5, white from 1. Magenta: finite on one side alone. Blue: a pixel that only one of them has.
    """
    window = result.window | expected.window | result.display | expected.display
    largest = np.zeros(window.shape)
    odd = np.zeros(window.shape, bool)
    for name, plane in result.planes.items():
        if name not in expected:
            continue
        a, b = (
            plane_over(image.planes[name], image.window, window, outside=image.type.outside)
            for image in (result, expected)
        )
        if plane.dtype == np.uint32:
            largest = np.maximum(largest, a != b)
            continue
        with np.errstate(invalid="ignore"):
            _, relative, not_finite = difference(a.astype(np.float64), b.astype(np.float64))
        largest = np.maximum(largest, relative)
        if not_finite is not None:
            odd |= not_finite
    with np.errstate(divide="ignore"):
        grey = np.log(largest / _LEAST) / np.log(_MOST / _LEAST)
    shown = np.repeat(np.rint(np.clip(grey, 0, 1) * 255).astype(np.uint8)[..., None], 3, axis=2)
    covered = [np.zeros(window.shape, bool) for _ in range(2)]
    for mask, image in zip(covered, (result, expected), strict=True):
        mask[image.window.slices_in(window)] = True
    alone = (covered[0] != covered[1]) & (largest == 0)
    shown[alone] = _ALONE
    shown[odd] = _NOT_FINITE
    return shown


def write_difference(
    path: str | PathLike[str], result: Image, expected: Image, *, replace_foreign: bool = False
) -> Path:
    """Write `difference_picture` as PNG.

    Raises:
        RequestError: a file is there that this program did not write.
        FileError: it cannot be written.
    """
    path = Path(path)
    allow = "--replace-foreign lets it be replaced"
    problems = refusals([Writing(path, _MARK)], [], replace_foreign=replace_foreign, allow=allow)
    if problems:
        raise RequestError(problems)
    stills.write(path, difference_picture(result, expected) / np.float32(255), mark=_MARK)
    return path
