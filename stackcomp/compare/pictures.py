"""Two pictures: windows, channels and types first, then the numbers of each layer.

Windows: the frame and the data window are part of a picture, so other ones are a difference; empty data windows
are alike wherever they lie. Where data windows differ, numbers are compared over the pixels that both have. With
``windows_may_differ`` they are compared over all that one of the two has: a pixel outside a data window is nothing
(0, or 1 in a ratio), and has to be that in the other picture as well, within the tolerance.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from stackcomp.compare.layers import LayerComparison, Side, compare_layer
from stackcomp.compare.tolerance import Tolerances, require_known, tolerance_for
from stackcomp.data.image import Image
from stackcomp.data.port_types import Layers
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError
from stackcomp.files.id_channels import id_channels

__all__ = [
    "LARGEST",
    "LayerComparison",
    "PictureComparison",
    "compare_layers",
    "compare_pictures",
    "ids_of",
    "layers_of",
    "whole_window",
]

LARGEST = 1 << 30
"""Largest number of pixels of a window around two pictures whose data windows may differ."""


@dataclass(frozen=True)
class PictureComparison:
    """How two pictures differ.

    Attributes:
        differences: what is not equal, in words, the first the most important; none where the pictures are equal.
        layers: numbers for each layer that both have, in the order of the first picture.
        notes: what else is to be known about them; no differences.
    """

    differences: tuple[str, ...]
    layers: tuple[LayerComparison, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def equal(self) -> bool:
        """Whether they are equal within the tolerance."""
        return not self.differences

    @property
    def worst(self) -> LayerComparison | None:
        """The layer with the largest difference, or None where no number differs."""
        changed = [layer for layer in self.layers if layer.worst is not None]
        return max(changed, key=lambda layer: layer.largest, default=None)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "equal": self.equal,
            "differences": list(self.differences),
            "layers": [layer.as_dict() for layer in self.layers],
            "notes": list(self.notes),
        }

    def __str__(self) -> str:
        if self.differences:
            return "\n".join((f"different: {self.differences[0]}", *self.differences[1:]))
        worst = self.worst
        if worst is None or worst.worst is None:
            return "equal"
        x, y = worst.worst
        return f"equal within the tolerance; largest difference {worst.largest:.3g} ({worst.name} at {x},{y})"


def compare_pictures(
    result: Image,
    expected: Image,
    tolerance: Tolerances | None = None,
    *,
    types: bool = True,
    windows_may_differ: bool = False,
) -> PictureComparison:
    """Compare two pictures in memory. Ids are compared bit by bit, also those in float planes of `Layers`.

    Args:
        result: the first picture.
        expected: the second.
        tolerance: for all layers, or by name of a layer or channel (see `layers_of`); `Tolerance`'s defaults
            when None.
        types: whether the types have to be equal.
        windows_may_differ: whether data windows may differ where pixels outside one of them are what its type
            defines there (nothing; 1 for a ratio).

    Returns:
        The comparison. Where windows or channels differ, what both have is compared all the same.

    Raises:
        RequestError: a tolerance for a layer or channel that neither has; or the data windows may differ, and lie
            too far apart for that.
    """
    require_known(tolerance, [*result.channels, *expected.channels])
    differences: list[str] = []
    window = compare_windows(
        (result.window, result.display), (expected.window, expected.display), differences, windows_may_differ
    )
    shared = compare_channels(result.channels, expected.channels, differences)
    if types and result.type != expected.type:
        differences.append(f"the type is {result.type} / {expected.type}")
    layers = layers_of(shared, tolerance, whole=not isinstance(result.type, Layers))
    first, second = (Side(image.planes, image.window, image.type.outside) for image in (result, expected))
    ids = ids_of(result) | ids_of(expected)
    return compare_layers(layers, first, second, window, tolerance, differences, ids)


def ids_of(image: Image) -> frozenset[str]:
    """Float planes of the layers of a file whose bits are ids, by what its header says; none of other types."""
    if not isinstance(image.type, Layers):
        return frozenset()
    return id_channels(image.channels, image.type.metadata)


def compare_layers(
    layers: Mapping[str, Collection[str]],
    first: Side,
    second: Side,
    window: Window,
    tolerance: Tolerances | None,
    differences: Iterable[str],
    ids: Collection[str] = (),
    notes: Iterable[str] = (),
) -> PictureComparison:
    """Compare the numbers of all layers, when everything else has been compared.

    Args:
        layers: channels of each layer that both have.
        first: the first picture.
        second: the other.
        window: pixels to compare.
        tolerance: as in `compare_pictures`.
        differences: what has been found before.
        ids: float planes whose bits are ids.
        notes: of the result.
    """
    found = [
        compare_layer(layer, names, first, second, window, tolerance_for(layer, tolerance), ids)
        for layer, names in layers.items()
    ]
    parts = (
        finding
        for kind in ("mask_findings", "id_findings", "number_findings")
        for layer in found
        for finding in getattr(layer, kind)
    )
    return PictureComparison((*differences, *parts), tuple(found), tuple(notes))


def compare_windows(
    first: tuple[Window, Window], second: tuple[Window, Window], differences: list[str], may_differ: bool
) -> Window:
    """Compare data and display windows; what differs is added.

    Returns:
        The window over which numbers are compared: where both have pixels, or, if data windows may differ, where
        one of them has.
    """
    (data, frame), (other_data, other_frame) = first, second
    if frame != other_frame:
        differences.append(f"the frame is {frame} / {other_frame}")
    if data != other_data and not may_differ and not (data.empty and other_data.empty):
        words = ("empty" if window.empty else str(window) for window in (data, other_data))
        differences.append(f"the data window is {' / '.join(words)}")
    return whole_window(data, other_data) if may_differ else data & other_data


def whole_window(*windows: Window) -> Window:
    """The window around several.

    Raises:
        RequestError: it has more pixels than `LARGEST`.
    """
    whole = windows[0]
    for window in windows[1:]:
        whole |= window
    if whole.width * whole.height > LARGEST:
        message = f"the window around both is {whole}; the limit is {LARGEST} pixels"
        raise RequestError(Problem("window", message, "compare them without --windows-may-differ"))
    return whole


def compare_channels(first: Collection[str], second: Collection[str], differences: list[str]) -> list[str]:
    """Compare names of channels; what one alone has is added. Those that both have are returned."""
    for names, others, which in ((first, second, "first"), (second, first, "second")):
        alone = [name for name in names if name not in others]
        if alone:
            listed = ", ".join(alone[:12]) + (f" and {len(alone) - 12} more" if len(alone) > 12 else "")
            differences.append(f"channel{'s' if len(alone) > 1 else ''} {listed} only in the {which}")
    return [name for name in first if name in second]


def layers_of(
    channels: Iterable[str], tolerances: Tolerances | None = None, *, whole: bool = False
) -> dict[str, list[str]]:
    """Channels by layer: the text before the last dot, or empty.

    Args:
        channels: full names.
        tolerances: a channel that has a tolerance of its own, by its full name, is compared by itself.
        whole: whether all the others are one layer.
    """
    layers: dict[str, list[str]] = {}
    alone = tolerances if isinstance(tolerances, Mapping) else {}
    for name in channels:
        layer = "" if whole else name.rpartition(".")[0]
        layers.setdefault(name if name in alone else layer, []).append(name)
    return {layer: sorted(names, key=_place) for layer, names in layers.items()}


def _place(channel: str) -> int:
    """R G B A come first, as a person lists them; files store them by the alphabet."""
    last = channel.rpartition(".")[2]
    return "RGBA".index(last) if last in tuple("RGBA") else len("RGBA")
