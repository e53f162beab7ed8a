"""Two pictures: windows, channels and types first, then the numbers of each layer."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from stackcomp.compare.layers import LayerComparison, compare_layer
from stackcomp.compare.tolerance import Tolerances, tolerance_for
from stackcomp.data.image import Image, Plane
from stackcomp.data.planes import plane_over
from stackcomp.data.port_types import Layers
from stackcomp.data.window import Window

__all__ = ["LayerComparison", "PictureComparison", "compare_pictures", "layers_of"]


@dataclass(frozen=True)
class PictureComparison:
    """How two pictures differ.

    Attributes:
        differences: what is not equal, in words, the first the most important; none where the pictures are equal.
        layers: numbers for each layer that both have, in the order of the first picture.
        names: what the two are called in words.
    """

    differences: tuple[str, ...]
    layers: tuple[LayerComparison, ...] = ()
    names: tuple[str, str] = ("first", "second")
    notes: tuple[str, ...] = field(default=())

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
        if not self.differences:
            worst = self.worst
            return "equal" if worst is None else f"equal within the tolerance, largest {worst.largest:.3g}"
        return "\n".join(self.differences)


def compare_pictures(
    result: Image,
    expected: Image,
    tolerance: Tolerances | None = None,
    *,
    types: bool = True,
    windows_may_differ: bool = False,
) -> PictureComparison:
    """Compare two pictures in memory.

    Args:
        result: the first picture.
        expected: the second.
        tolerance: for all layers, or by name of the layer (see `layers_of`); `Tolerance`'s defaults when None.
        types: whether the types have to be equal.
        windows_may_differ: whether data windows may differ where pixels outside one of them are what its type
            defines there (nothing; 1 for a ratio).

    Returns:
        The comparison. Where display windows or channels differ, what both have is compared all the same.
    """
    differences: list[str] = []
    if types and result.type != expected.type:
        differences.append(f"the type is {result.type} / {expected.type}")
    window = compare_windows(
        (result.window, result.display), (expected.window, expected.display), differences, windows_may_differ
    )
    shared = compare_channels(result.channels, expected.channels, differences)
    outsides = (result.type.outside, expected.type.outside)

    def planes(names: Iterable[str]) -> tuple[dict[str, Plane], dict[str, Plane]]:
        first, second = (
            {name: plane_over(image.planes[name], image.window, window, outside=outside) for name in names}
            for image, outside in zip((result, expected), outsides, strict=True)
        )
        return first, second

    found = []
    for layer, names in layers_of(shared, whole=not isinstance(result.type, Layers)).items():
        first, second = planes(names)
        found.append(compare_layer(layer, first, second, window, tolerance_for(layer, tolerance)))
    for compared in found:
        differences += compared.findings
    return PictureComparison(tuple(differences), tuple(found))


def compare_windows(
    first: tuple[Window, Window], second: tuple[Window, Window], differences: list[str], may_differ: bool
) -> Window:
    """Compare data and display windows; what differs is added.

    Returns:
        The window over which numbers are compared: where both have pixels, or, if data windows may differ, where
        one of them has.
    """
    if first[1] != second[1]:
        differences.append(f"the frame is {first[1]} / {second[1]}")
    if first[0] != second[0] and not may_differ:
        differences.append(f"the data window is {first[0]} / {second[0]}")
    return first[0] | second[0] if may_differ else first[0] & second[0]


def compare_channels(first: Collection[str], second: Collection[str], differences: list[str]) -> list[str]:
    """Compare names of channels; what one alone has is added. Those that both have are returned."""
    for names, others, which in ((first, second, "first"), (second, first, "second")):
        alone = [name for name in names if name not in others]
        if alone:
            listed = ", ".join(alone[:12]) + (f" and {len(alone) - 12} more" if len(alone) > 12 else "")
            differences.append(f"channel{'s' if len(alone) > 1 else ''} {listed} only in the {which}")
    return [name for name in first if name in second]


def layers_of(channels: Iterable[str], *, whole: bool = False) -> Mapping[str, list[str]]:
    """Channels by layer: the text before the last dot, or empty. ``whole``: all of them are one layer."""
    layers: dict[str, list[str]] = {}
    for name in channels:
        layers.setdefault("" if whole else name.rpartition(".")[0], []).append(name)
    return layers
