"""A picture as checks of a sequence see it."""

from __future__ import annotations

from dataclasses import dataclass

from stackcomp.data.image import Image

__all__ = ["Seen"]


@dataclass(frozen=True, eq=False)
class Seen:
    """A picture of a sequence.

    Attributes:
        image: its colour (R G B, A where there is one) or a single plane, float32; its type says the encoding.
        channels: full names of all channels of the file, in its order; those of the image for a rendered picture.
        alpha: state of A by the header: ``"premultiplied"``, ``"straight"`` or ``"none"``.
    """

    image: Image
    channels: tuple[str, ...] = ()
    alpha: str = "none"
