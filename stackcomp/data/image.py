"""The picture that travels on wires and that users get in their hands.

An `Image` is a mapping of named planes over one data window, inside one display window, with a type. Planes
are C-contiguous arrays of shape ``(height, width)``, float32 (uint32 for object ids). They are shared, not
copied: treat them as read-only. Those of rendered pictures are.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar, Literal

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import EncodingLike, PathLike, WindowLike, some_window
from stackcomp.data.array_values import Integers, float_values
from stackcomp.data.planes import Plane, plane_over
from stackcomp.data.port_types import Alpha, Colour, Encoding, Ids, Layers, Matte, PortType
from stackcomp.data.services import service
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError, ChannelError, Problem, RequestError, cut, did_you_mean

__all__ = ["Held", "Image", "Plane", "all_finite", "times"]

#: Names of channels that a representation shows.
_MOST_NAMED = 12


def all_finite(plane: Plane) -> bool:
    """Whether a plane holds neither NaN nor infinity: its sum tells in one pass."""
    with np.errstate(invalid="ignore", over="ignore"):
        # A sum of float32 takes a quarter of the time, but large numbers overflow it; one of float64 they cannot.
        if plane.dtype == np.float32 and np.isfinite(plane.sum()):
            return True
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


@dataclass(frozen=True, eq=False, repr=False)
class Image(Mapping[str, Plane]):
    """Named planes, the window they cover, the frame they belong to, and what they mean.

    It is a mapping of channel names to planes, and an array ``(height, width, channels)`` of float32 for numpy:
    ``image["R"]``, ``image.items()``, ``np.asarray(image)``, ``np.mean(image, axis=(0, 1))``. Two pictures are
    equal only if they are the same object.

    Args:
        planes: channel name → array of shape ``window.shape``, float32 (or uint32 ids), C-contiguous; exactly the
            planes of the type, or some of the channels of a file's layers.
        window: data window, where there are pixels; a `Window`, or x, y, width and height.
        display: display window, the frame; likewise.
        type: what the planes are.
        metadata: header attributes that belong to the picture.

    Raises:
        ArgumentError: a plane of another shape or dtype, or not the planes of the type. It is a ValueError.
    """

    __eq__ = object.__eq__
    __hash__ = object.__hash__

    _dtypes: ClassVar[tuple[type[np.generic], ...]] = (np.float32, np.uint32)

    planes: Mapping[str, Plane]
    window: Window
    display: Window
    type: PortType
    metadata: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("window", "display"):
            if not isinstance(value := getattr(self, name), Window):
                object.__setattr__(self, name, some_window(value, name))
        _check_type(self.type)
        if not isinstance(self.planes, Mapping) or not isinstance(self.metadata, Mapping):
            what = "metadata" if isinstance(self.planes, Mapping) else "planes"
            type_name = type(getattr(self, what)).__name__
            raise ArgumentError(
                what, f"{type_name} is not a mapping", "give {name: …}; Image.from_array takes one array"
            )
        odd = next((name for name in self.metadata if not isinstance(name, str)), None)
        if odd is not None:
            raise ArgumentError(
                "metadata", f"{cut(repr(odd), 60)} is not the name of an attribute", "names are texts"
            )
        for name, plane in self.planes.items():
            self._check_plane(name, plane)
        self._check_names()

    def _check_names(self) -> None:
        order = self.type.planes
        if tuple(self.planes) == order:
            return
        odd = [name for name in self.planes if name not in order]
        if odd or (len(self.planes) < len(order) and not isinstance(self.type, Layers)):
            raise ArgumentError(
                "planes",
                f"{self.type} has planes {_named(list(order))}, not {_named(odd or list(self.planes)) or 'none'}",
                "make the picture with these, or of another type",
            )
        if not isinstance(self.type, Layers):
            # Whoever stacks the planes relies on their order.
            object.__setattr__(self, "planes", {name: self.planes[name] for name in order})

    def _check_plane(self, name: Any, plane: Any) -> None:
        if not isinstance(name, str) or not isinstance(plane, np.ndarray):
            description = f"{cut(repr(name), 40)}: {type(plane).__name__}"
            raise ArgumentError("planes", f"{description} is not a plane", 'give "name": a numpy array')
        if plane.shape != self.window.shape:
            raise ArgumentError(
                "planes",
                f'plane "{name}" is {plane.shape}, but its window is {self.window.shape}',
                "both are (height, width)",
            )
        if plane.dtype not in self._dtypes:
            raise ArgumentError(
                "planes",
                f'plane "{name}" is {plane.dtype}; planes are float32, or uint32 for ids',
                'give plane.astype("float32"), or use Image.from_array',
            )
        if not plane.flags.c_contiguous:
            raise ArgumentError(
                "planes", f'plane "{name}" is not C-contiguous', "give numpy.ascontiguousarray(plane)"
            )

    @classmethod
    def from_array(
        cls,
        array: npt.ArrayLike,
        *,
        encoding: EncodingLike | None = None,
        alpha: Alpha = "premultiplied",
        display: WindowLike | None = None,
        type: PortType | None = None,
        origin: tuple[int, int] = (0, 0),
        integers: Integers | None = None,
    ) -> Image:
        """From one array ``(height, width)`` or ``(height, width, channels)``, values copied as float32.

        Args:
            array: pixels; three channels are colour without alpha, four have alpha. Floats are taken as they
                are, NaN too. Unsigned integers are taken where ``encoding`` or ``integers`` says what they
                stand for, and booleans as a matte.
            encoding: of colour: an `Encoding`, or the name of one in the default colour config; scene-linear
                ACEScg when not given. Unsigned integers then mean 0 to 1 over their full range (255, 65535).
            alpha: state of the fourth channel: ``"premultiplied"`` or ``"straight"``.
            display: the frame, as a `Window` or as x, y, width and height; the array's own extent when not
                given.
            type: any other type; its planes are taken in order.
            origin: x and y of the array's first pixel.
            integers: what integers mean: ``"scaled"``, 0 to 1 over the full range of an unsigned type;
                ``"plain"``, the numbers as they are.

        Raises:
            ArgumentError: not two or three axes, values of no plain meaning, a number of channels that does not
                fit the type, an alpha state or encoding that there is not, ids (whose bits an array of float32
                would lose). It is a ValueError.
        """
        if type is not None:
            _check_type(type)
        if type is not None and encoding is not None:
            raise ArgumentError(
                "encoding", "it goes with colour, but there is a type", f"leave it out, or say it in {type.name}"
            )
        if isinstance(type, Ids):
            raise ArgumentError(
                "type", "ids are bit patterns beside coverage", "give Image their planes, uint32 and float32"
            )
        if isinstance(array, Image):
            raise ArgumentError("array", "it is an Image already", "use it as it is")
        encoded = encoding is not None or isinstance(type, Colour)
        pixels = float_values(array, encoded=encoded, truth=isinstance(type, Matte), integers=integers)
        pixels = pixels[..., None] if pixels.ndim == 2 else pixels
        if pixels.ndim != 3:
            raise ArgumentError(
                "array",
                f"one of shape {pixels.shape} is not a picture",
                "its axes are (height, width) or (height, width, channels)",
            )
        if type is None:
            space = Encoding("ACEScg", "scene-linear") if encoding is None else service("encoding")(encoding)
            # Looked at here, since without a fourth channel it is not used.
            state = Colour(alpha, space).alpha
            type = Colour(state if pixels.shape[2] == 4 else "none", space)
        if len(type.planes) != pixels.shape[2]:
            raise ArgumentError(
                "array",
                f"{type} has planes {', '.join(type.planes)}, but the array has {pixels.shape[2]} channels",
                "say what they are by type=, such as Matte()",
            )
        window = Window.of_size(pixels.shape[1], pixels.shape[0]).shift(*_corner(origin))
        # Copied even where one plane would do as it is: what the caller does to the array later is not seen.
        planes = {name: np.array(pixels[..., k], order="C") for k, name in enumerate(type.planes)}
        return cls(planes, window, window if display is None else some_window(display, "display"), type)

    def __getitem__(self, channel: str) -> Plane:
        if channel not in self:
            names = list(self.planes)
            near = did_you_mean(str(channel)[:60], names) if len(names) > _MOST_NAMED else ""
            there = f"there are {_named(names)}" + (f"; {near}" if near else "")
            raise ChannelError(Problem("channel", f"no channel {cut(repr(channel), 60)}", there))
        return self.planes[channel]

    def __iter__(self) -> Iterator[str]:
        return iter(self.planes)

    def __contains__(self, channel: object) -> bool:
        return isinstance(channel, str) and channel in self.planes

    def __len__(self) -> int:
        return len(self.planes)

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        """The pixels of the data window as one new array ``(height, width, channels)``; float32 by default.

        Raises:
            ArgumentError: ids, whose bits are not numbers; a copy cannot be avoided, but ``copy`` is False.
        """
        if copy is False:
            raise ArgumentError(
                "copy", "a picture's planes are separate arrays, so a copy is made", "leave it out"
            )
        array = self.to_array(self.window)
        try:
            return array if dtype is None else array.astype(dtype, copy=False)
        except TypeError as error:
            raise ArgumentError(
                "dtype", cut(str(error), 80), "give a numpy type of numbers, such as numpy.float64"
            ) from None

    @property
    def shape(self) -> tuple[int, int, int]:
        """Height and width of the data window, and the number of channels: the shape as an array."""
        return (*self.window.shape, len(self.planes))

    @property
    def channels(self) -> tuple[str, ...]:
        """Channel names in order."""
        return tuple(self.planes)

    def to_array(self, window: WindowLike | None = None) -> npt.NDArray[np.float32]:
        """All planes as one new float32 array ``(height, width, channels)`` over ``window`` (default: the frame).

        Raises:
            ArgumentError: ids, whose bits are not numbers.
        """
        bits = [name for name, plane in self.planes.items() if plane.dtype != np.float32]
        if bits:
            raise ArgumentError(
                "array", f"{_named(bits)} holds ids, whose bits are not numbers", f'use image["{bits[0]}"], uint32'
            )
        over = self.over(self.display if window is None else window)
        array = np.empty(over.shape, np.float32)
        for k, plane in enumerate(over.planes.values()):
            array[..., k] = plane
        return array

    def with_planes(self, planes: Mapping[str, npt.ArrayLike] | None = None, **named: npt.ArrayLike) -> Image:
        """A new picture with some planes replaced; the others are shared.

        Args:
            planes: channel name → numbers of shape ``window.shape``, taken as float32 (ids as uint32).
            named: the same as keywords: ``image.with_planes(R=red * 2)``.

        Raises:
            ChannelError: there is no channel of that name.
            ArgumentError: numbers of another shape or kind.
        """
        if planes is not None and not isinstance(planes, Mapping):
            raise ArgumentError("planes", f"{type(planes).__name__} is not a mapping", 'give {"R": array}')
        changed = dict(self.planes)
        for name, values in {**(planes or {}), **named}.items():
            dtype = self[name].dtype
            if dtype == np.uint32 and getattr(values, "dtype", None) != dtype:
                message = f'"{name}" is made of ids, and these are {type(values).__name__}'
                raise ArgumentError("planes", message, "give an array of uint32")
            try:
                with np.errstate(over="ignore", invalid="ignore"):
                    changed[name] = np.ascontiguousarray(values, dtype)
            except (TypeError, ValueError, OverflowError):
                message = f'"{name}" is {cut(repr(values), 60)}, not an array of numbers'
                raise ArgumentError("planes", message, "give an array (height, width)") from None
        return replace(self, planes=changed)

    def to_xarray(self) -> Any:
        """The pixels of the data window as an `xarray.DataArray` with dimensions y, x and channel.

        Coordinates x and y are pixel numbers, counted from the corner of the frame: pixel 0 covers 0 to 1. The
        attributes ``type``, ``encoding`` and ``alpha`` are texts, ``display`` is the frame: x, y, width, height.

        Raises:
            RequestError: xarray is not installed.
            ArgumentError: as in `to_array`.
        """
        try:
            import xarray
        except ImportError:
            message = "xarray is not installed"
            raise RequestError("to_xarray", message, "install stackcomp[xarray], or use to_array") from None
        window, frame = self.window, self.display
        return xarray.DataArray(
            self.to_array(window),
            dims=("y", "x", "channel"),
            coords={
                "y": np.arange(window.y0, window.y1),
                "x": np.arange(window.x0, window.x1),
                "channel": list(self.planes),
            },
            attrs={
                "type": self.type.name,
                "encoding": str(getattr(self.type, "encoding", None) or ""),
                "alpha": getattr(self.type, "alpha", ""),
                "display": [frame.x0, frame.y0, frame.width, frame.height],
            },
        )

    def over(self, window: WindowLike, *, edges: bool = False) -> Image:
        """The same picture over exactly ``window``, cropped or padded; shares memory where it can.

        Args:
            window: the new data window, as a `Window` or as x, y, width and height.
            edges: pad by repeating the outermost pixels instead of the type's outside value.
        """
        if not isinstance(window, Window):
            window = some_window(window)
        if window == self.window:
            return self
        planes = {
            name: plane_over(plane, self.window, window, outside=self.type.outside, edges=edges)
            for name, plane in self.planes.items()
        }
        return replace(self, planes=planes, window=window)

    def plane_over(self, name: str, window: Window) -> Plane:
        """One plane over exactly ``window``, cropped or padded; shares memory where it can."""
        return plane_over(self[name], self.window, window, outside=self.type.outside)

    def __repr__(self) -> str:
        frame = "" if self.window == self.display else f" in a frame of {self.display}"
        return f"<Image {self.type}: {_named(list(self.planes))}; {self.window}{frame}>"

    def save(
        self,
        path: PathLike,
        *,
        pixel_type: Literal["float", "half"] = "float",
        bits: Literal[8, 16, 32] = 8,
        quality: int = 95,
        display: str | None = None,
        view: str | None = None,
        viewing_stops: float = 0.0,
        colour_config: str | None = None,
        replace: bool = False,
    ) -> Path:
        """Write the picture to a file, as a deliver node would; the ending says the format.

        OpenEXR (``.exr``) holds every type with both windows. Stills (``.png``, ``.tif``, ``.jpg``) hold the
        frame of colour or of a matte: colour is encoded for a display, with straight alpha in PNG and TIFF and
        over black in JPEG. A picture of that name that was written like this is replaced, once the new one is
        whole.

        Args:
            path: the file; its folder is made where missing.
            pixel_type: OpenEXR: 32 or 16 bits a value. Depth and ids are 32 bits always.
            bits: stills: bits a value; 16 for PNG and TIFF, 32 (float) for TIFF.
            quality: JPEG: 1 to 100.
            display: stills: of the colour config; its default when None.
            view: stills: of the display; its default when None.
            viewing_stops: stills: exposure before the view, for looking.
            colour_config: name or path of the colour config; the default one when None.
            replace: take the place of a delivery, or of a file that this program did not write, too.

        Returns:
            The path.

        Raises:
            FileError: it cannot be written, another file is there, or the format cannot hold the picture: straight
                alpha in OpenEXR, a type that a still has no encoding for.
            ArgumentError: an argument that makes no sense.
        """
        return service("save")(  # type: ignore[no-any-return]
            self,
            path,
            pixel_type=pixel_type,
            bits=bits,
            quality=quality,
            display=display,
            view=view,
            viewing_stops=viewing_stops,
            colour_config=colour_config,
            replace=replace,
        )

    def _repr_png_(self) -> bytes | None:
        """The picture as PNG bytes, for notebooks."""
        if self.display.empty:
            return None
        import imageio.v3 as imageio

        buffer = io.BytesIO()
        imageio.imwrite(buffer, service("viewable")(self), extension=".png")
        return buffer.getvalue()


class Held(Image):
    """A picture inside the engine: its planes may also be 16-bit floats, as a file holds them.

    Loops read and write them as they are. Whoever else needs numbers has them widened first; no user and no area
    node ever gets one.
    """

    _dtypes = (np.float32, np.uint32, np.float16)

    @classmethod
    def of_made(
        cls,
        planes: Mapping[str, Plane],
        window: Window,
        display: Window,
        type: PortType,
        metadata: Mapping[str, Any],
    ) -> Held:
        """Of planes in order that the engine has just made for this window and type: they are not looked at."""
        held = object.__new__(cls)
        vars(held).update(planes=planes, window=window, display=display, type=type, metadata=metadata)
        return held


def _check_type(value: Any) -> None:
    if isinstance(value, PortType) and type(value) is not PortType:
        return
    if isinstance(value, type) and issubclass(value, PortType):
        raise ArgumentError("type", f"{value.__name__} is a class", f"give one of its values: {value.__name__}(…)")
    description = cut(repr(value), 60)
    raise ArgumentError(
        "type", f"{description} is not a type of picture", "give one, such as Matte(), Depth() or Ratio()"
    )


def _corner(origin: Any) -> tuple[int, int]:
    try:
        x, y = origin
    except (TypeError, ValueError):
        description = cut(repr(origin), 60)
        raise ArgumentError(
            "origin", f"{description} is not a corner", "give x and y of the first pixel"
        ) from None
    return x, y


def _named(names: list[str]) -> str:
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
