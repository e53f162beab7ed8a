"""``--page-size``: the size that a proof page should not exceed."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from stackcomp.errors import Problem, RequestError

__all__ = ["PageSize", "bytes_of_page"]

PageSize = Annotated[
    float | None,
    typer.Option(
        "--page-size",
        metavar="MB",
        help="Size that the page should not exceed, in 1000000 bytes; 38 if left out. What does not fit is kept "
        "coarser, and the page says so.",
    ),
]


def bytes_of_page(megabytes: float | None, *, page_asked: bool) -> int:
    """Understand ``--page-size``, before anything is computed.

    Args:
        megabytes: what was given.
        page_asked: whether there will be a page.

    Returns:
        Bytes, at least 1; the usual size when nothing was given.

    Raises:
        RequestError: no page is asked for, or the number is not finite and above 0.
    """
    from stackcomp.review.proof_page import MOST_BYTES

    if megabytes is None:
        return MOST_BYTES
    if not page_asked:
        raise RequestError(Problem("page", "--page-size is for pages", "add --page, or leave it out"))
    if not (math.isfinite(megabytes) and megabytes > 0):
        message = f"--page-size: {megabytes:g} is not a number of megabytes above 0"
        raise RequestError(
            Problem("page", message, f"leave it out for {MOST_BYTES / 1e6:g} MB, or give more than 0")
        )
    return max(1, round(megabytes * 1e6))
