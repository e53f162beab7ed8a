"""Pictures by node, as callers give them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import numpy as np

from stackcomp.data.arguments import value_text
from stackcomp.data.image import Image
from stackcomp.errors import ArgumentError

__all__ = ["pictures"]


def pictures(replace: Any) -> dict[str, Image]:
    """Pictures by node."""
    if replace is None:
        return {}
    if not isinstance(replace, Mapping):
        raise ArgumentError("replace", f"{value_text(replace)} is not a mapping", 'give {"node": image}')
    for name, image in replace.items():
        if not isinstance(name, str):
            raise ArgumentError("replace", f"{value_text(name)} is not the name of a node", 'give {"node": image}')
        if isinstance(image, np.ndarray):
            raise ArgumentError(
                "replace",
                f'"{name}" is a numpy array, which does not say what its numbers are',
                'make a picture of it: Image.from_array(array, encoding="ACEScg"), or with type=Matte() or '
                "type=Depth()",
            )
        if not isinstance(image, Image):
            raise ArgumentError(
                "replace", f'"{name}" is {value_text(image)}, not an Image', "make one with Image.from_array"
            )
    return {str(name): cast(Image, image) for name, image in replace.items()}
