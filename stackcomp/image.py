"""The picture that travels on wires and that users get in their hands.

An `Image` is a set of named planes over one data window, inside one display window, with a type. Planes
are C-contiguous arrays of shape ``(height, width)``, float32 (uint32 for object ids). They are shared, not
copied: treat them as read-only.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, get_args

import numpy as np
import numpy.typing as npt

from stackcomp.port_types import Alpha, Colour, Encoding, Ids, PortType
from stackcomp.window import Window

__all__ = ["Image", "Plane", "all_finite", "times"]

Plane = npt.NDArray[Any]


def all_finite(plane: Plane) -> bool:
    """Whether a plane holds neither NaN nor infinity: its sum tells in one pass, and cannot overflow."""
    with np.errstate(invalid="ignore"):
        return bool(np.isfinite(plane.sum(dtype=np.float64)))


def times(plane: Plane, factor: float) -> Plane:
    """A plane times a number, rounded to float32 once; with 1 the plane itself, bit for bit."""
    if factor == 1:
        return plane
    result = np.empty(plane.shape, np.float32)
    # What leaves float32's range becomes infinity or 0, and NaN stays what it is.
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        np.multiply(plane, factor, out=result, dtype=np.float64, casting="unsafe")
    return result


@dataclass(frozen=True, eq=False)
class Image:
    """Named planes, the window they cover, the frame they belong to, and what they mean.

    Args:
        planes: channel name → array of shape ``window.shape``, float32 (or uint32 ids), C-contiguous.
        window: data window, where there are pixels.
        display: display window, the frame.
        type: what the planes are.
        metadata: header attributes that belong to the picture.

    Raises:
        ValueError: a plane of another shape or dtype.
    """

    planes: Mapping[str, Plane]
    window: Window
    display: Window
    type: PortType
    metadata: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, plane in self.planes.items():
            if plane.shape != self.window.shape:
                raise ValueError(f'plane "{name}" is {plane.shape}, but its window is {self.window.shape}')
            if plane.dtype not in (np.float32, np.uint32):
                raise ValueError(f'plane "{name}" is {plane.dtype}; planes are float32, or uint32 for ids')
            if not plane.flags.c_contiguous:
                raise ValueError(f'plane "{name}" is not C-contiguous')

    @classmethod
    def from_array(
        cls,
        array: npt.ArrayLike,
        *,
        encoding: Encoding | None = None,
        alpha: str = "premultiplied",
        display: Window | None = None,
        type: PortType | None = None,
        origin: tuple[int, int] = (0, 0),
    ) -> Image:
        """From one array ``(height, width)`` or ``(height, width, channels)``, values copied as float32.

        Args:
            array: pixels; three channels are colour without alpha, four have alpha.
            encoding: of colour; scene-linear ACEScg when not given.
            alpha: state of the fourth channel: ``"premultiplied"`` or ``"straight"``.
            display: the frame; the array's own extent when not given.
            type: any other type; its planes are taken in order.
            origin: x and y of the array's first pixel.

        Raises:
            ValueError: not two or three axes, a number of channels that does not fit the type, an alpha state
                that there is not, ids (whose bits an array of float32 would lose).
        """
        if isinstance(type, Ids):
            raise ValueError("ids are bit patterns beside coverage: give Image their planes, uint32 and float32")
        pixels = np.asarray(array, dtype=np.float32)
        pixels = pixels[..., None] if pixels.ndim == 2 else pixels
        if pixels.ndim != 3:
            raise ValueError(
                f"an array of shape {pixels.shape} is not (height, width) or (height, width, channels)"
            )
        if type is None:
            if alpha not in get_args(Alpha):
                raise ValueError(f'alpha is "premultiplied", "straight" or "none", not {alpha!r}')
            state: Any = alpha if pixels.shape[2] == 4 else "none"
            type = Colour(state, encoding or Encoding("ACEScg", "scene-linear"))
        if len(type.planes) != pixels.shape[2]:
            raise ValueError(
                f"{type} has planes {', '.join(type.planes)}, but the array has {pixels.shape[2]} channels; "
                "say what they are by type=, such as Matte()"
            )
        window = Window.of_size(pixels.shape[1], pixels.shape[0]).shift(*origin)
        # Copied even where one plane would do as it is: what the caller does to the array later is not seen.
        planes = {name: np.array(pixels[..., k], order="C") for k, name in enumerate(type.planes)}
        return cls(planes, window, display or window, type)

    def __getitem__(self, channel: str) -> Plane:
        try:
            return self.planes[channel]
        except KeyError:
            raise KeyError(f"no channel {channel!r}; there are {', '.join(self.planes)}") from None

    def __iter__(self) -> Iterator[str]:
        return iter(self.planes)

    def __contains__(self, channel: object) -> bool:
        return channel in self.planes

    @property
    def channels(self) -> tuple[str, ...]:
        """Channel names in order."""
        return tuple(self.planes)

    def to_array(self, window: Window | None = None) -> npt.NDArray[np.float32]:
        """All planes as one array ``(height, width, channels)`` over ``window`` (default: the frame)."""
        over = self.over(window or self.display)
        return np.stack([np.asarray(plane, np.float32) for plane in over.planes.values()], axis=-1)

    def over(self, window: Window, *, edges: bool = False) -> Image:
        """The same picture over exactly ``window``, cropped or padded; shares memory where it can.

        Args:
            window: the new data window.
            edges: pad by repeating the outermost pixels instead of the type's outside value.
        """
        if window == self.window:
            return self
        return replace(
            self,
            planes={name: self._plane_over(plane, window, edges) for name, plane in self.planes.items()},
            window=window,
        )

    def _plane_over(self, plane: Plane, window: Window, edges: bool) -> Plane:
        inner = window & self.window
        if inner == window:
            return np.ascontiguousarray(plane[window.slices_in(self.window)])
        if edges and not self.window.empty:
            rows = np.clip(np.arange(window.y0, window.y1) - self.window.y0, 0, self.window.height - 1)
            columns = np.clip(np.arange(window.x0, window.x1) - self.window.x0, 0, self.window.width - 1)
            return np.ascontiguousarray(plane[rows[:, None], columns[None, :]])
        padded = np.full(window.shape, self.type.outside, dtype=plane.dtype)
        if not inner.empty:
            padded[inner.slices_in(window)] = plane[inner.slices_in(self.window)]
        return padded

    def __repr__(self) -> str:
        frame = "" if self.window == self.display else f" in a frame of {self.display}"
        return f"<Image {self.type}: {', '.join(self.planes)}; {self.window}{frame}>"

    def _repr_png_(self) -> bytes | None:
        """The picture as PNG bytes, for notebooks."""
        if self.display.empty:
            return None
        import imageio.v3 as imageio

        from stackcomp.files.viewable import viewable

        buffer = io.BytesIO()
        imageio.imwrite(buffer, viewable(self), extension=".png")
        return buffer.getvalue()
