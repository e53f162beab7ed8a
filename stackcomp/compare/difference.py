"""A picture of where two pictures differ."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from os import PathLike
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.check.originals import Reading, Writing, refusals
from stackcomp.compare.files import Opened
from stackcomp.compare.layers import Side, in_strips
from stackcomp.compare.pictures import ids_of
from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError
from stackcomp.files import stills
from stackcomp.files.mark import Mark
from stackcomp.kernels.difference import add_differences

__all__ = ["MARK", "difference_picture", "refuse_pictures", "write_difference"]

Shown = npt.NDArray[np.uint8]
#: Differences below the first are black, those of the second and more are white; between them by their logarithm.
_LEAST, _MOST = 1e-5, 1.0
#: What these pictures are marked as.
MARK = Mark("picture")
#: Largest number of pixels of such a picture, beyond 8K; a header may state any frame around a few pixels.
_LARGEST = 1 << 26
_NOT_FINITE = (255, 0, 255)
_ALONE = (0, 90, 200)


def difference_picture(result: Image | Opened, expected: Image | Opened) -> Shown:
    """Return where two pictures differ, and by how much.

    Args:
        result: the first picture, or a file.
        expected: the second; channels that only one of them has are left out, ids count as differences of 1.

    Returns:
        uint8 ``(height, width, 3)`` over the window around both frames and both data windows. The largest
        difference of a pixel, measured as by `stackcomp.compare.Tolerance`, is grey by its logarithm: black up to
        1e-5, white from 1. Magenta: not finite in the same way. Blue: no difference, but a pixel that only one
        of the data windows covers.

    Raises:
        RequestError: the window around all four has more than 2**26 pixels.
    """
    window = result.window | expected.window | result.display | expected.display
    if window.width * window.height > _LARGEST:
        message = f"the window around both is {window}; a picture of differences has at most {_LARGEST} pixels"
        raise RequestError(Problem("window", message, "compare without a picture"))
    (first, ids), (second, other_ids) = _side(result), _side(expected)
    shared = [name for name in first.planes if name in second.planes]
    exact = {
        name
        for name in shared
        if name in ids | other_ids or np.uint32 in (first.planes[name].dtype, second.planes[name].dtype)
    }
    strips = in_strips(window, lambda strip: _strip(first, second, strip, shared, exact))
    return np.concatenate([np.zeros((0, window.width, 3), np.uint8), *strips])


def _side(picture: Image | Opened) -> tuple[Side, frozenset[str]]:
    if isinstance(picture, Image):
        return Side(picture.planes, picture.window, picture.type.outside), ids_of(picture)
    return picture.side, picture.ids


def _strip(first: Side, second: Side, strip: Window, shared: Sequence[str], exact: Collection[str]) -> Shown:
    largest, odd = np.zeros(strip.shape), np.zeros(strip.shape, bool)
    for name in shared:
        a, b = first.over(name, strip), second.over(name, strip)
        if name in exact:
            bits = [np.ascontiguousarray(plane).view(f"u{plane.dtype.itemsize}") for plane in (a, b)]
            np.maximum(largest, bits[0] != bits[1], out=largest)
            continue
        a, b = np.ascontiguousarray(a, np.float32), np.ascontiguousarray(b, np.float32)
        if add_differences(a, b, largest)[2]:
            odd |= ~((a == b) | (np.isfinite(a) & np.isfinite(b)) | (np.isnan(a) & np.isnan(b)))
    with np.errstate(divide="ignore"):
        grey = np.log(largest / _LEAST) / np.log(_MOST / _LEAST)
    shown = np.repeat(np.rint(np.clip(grey, 0, 1) * 255).astype(np.uint8)[..., None], 3, axis=2)
    covered = [np.zeros(strip.shape, bool) for _ in range(2)]
    for mask, side in zip(covered, (first, second), strict=True):
        inside = side.window & strip
        if not inside.empty:
            mask[inside.slices_in(strip)] = True
    shown[(covered[0] != covered[1]) & (largest == 0)] = _ALONE
    shown[odd] = _NOT_FINITE
    return shown


def refuse_pictures(
    paths: Collection[Path], readings: Collection[Reading] = (), *, replace_foreign: bool = False
) -> None:
    """Make sure that pictures may be written, before anything is compared.

    Args:
        paths: the files to be written.
        readings: what is compared, which is never written over.
        replace_foreign: whether files that this program did not write may be replaced.

    Raises:
        RequestError: a file that must stay is there.
    """
    allow = "--replace-foreign lets it be replaced"
    writings = [Writing(path, MARK) for path in paths]
    if problems := refusals(writings, readings, replace_foreign=replace_foreign, allow=allow):
        raise RequestError(problems)


def write_difference(
    path: str | PathLike[str],
    result: Image | Opened,
    expected: Image | Opened,
    *,
    replace_foreign: bool = False,
    readings: Collection[Reading] = (),
) -> Path:
    """Write `difference_picture` as PNG, with the mark of the program.

    Args:
        path: the file.
        result: as there.
        expected: as there.
        replace_foreign: as in `refuse_pictures`.
        readings: as there.

    Raises:
        RequestError: a file that must stay is there.
        FileError: it cannot be written.
    """
    path = Path(path)
    refuse_pictures([path], readings, replace_foreign=replace_foreign)
    stills.write(path, difference_picture(result, expected) / np.float32(255), mark=MARK)
    return path
