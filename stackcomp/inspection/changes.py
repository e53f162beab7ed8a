"""What changes in the middle of a sequence that should stay the same: size, windows, channels, encoding.

==============  ===================================================================================================
resolution      the size of the display window
window          the corner of the display window; the data window of a plate
pixel aspect    ``pixelAspectRatio``
channels        channels that are missing or that the others do not have
pixel type      half, float, whole numbers
alpha           premultiplied, straight or none
encoding        the colour space, by tags or by what was said
frame rate      ``framesPerSecond``
==============  ===================================================================================================

Most frames are taken as right, and the others are findings. Only plates (colour without alpha, cropped alike
in more than half of the frames) are expected to keep their data window: renders and mattes are cropped to what is
there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field

from stackcomp.data.port_types import Colour
from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.inspection.check import Stream, StreamCheck
from stackcomp.inspection.finding import Finding, Level
from stackcomp.inspection.limits import Count, Limits
from stackcomp.inspection.seen import Seen

__all__ = ["CHECK", "ChangesLimits", "ChangesStream"]

_CURE = "render or convert these frames again with the settings of the others"
_MOST_NAMED = 6


class ChangesLimits(Limits):
    """Limits of the check of changes."""

    shift: Annotated[
        Count,
        Field(
            description="Pixels by which an edge of a plate's data window may move. 0: plates are cropped alike, "
            "or not at all."
        ),
    ] = 0


@dataclass(frozen=True)
class _Looked:
    """What is compared: name → value; and the data window, which is where all frames are plates."""

    values: Mapping[str, Any]
    window: Window
    plate: bool


class ChangesStream(Stream):
    """Keeps what headers say."""

    def __init__(self, limits: ChangesLimits) -> None:
        self._limits = limits
        self._seen: list[tuple[int, _Looked]] = []

    def look(self, picture: Seen) -> _Looked:
        """What the header says."""
        image = picture.image
        encoding = getattr(image.type, "encoding", None)
        values: dict[str, Any] = {
            "resolution": (image.display.width, image.display.height),
            "window": (image.display.x0, image.display.y0),
            "pixel aspect": _number(image.metadata.get("pixelAspectRatio")),
            "channels": tuple(sorted(picture.channels or image.channels)),
            "alpha": picture.alpha,
            "encoding": "" if encoding is None else encoding.name,
            "frame rate": _number(image.metadata.get("framesPerSecond")),
        }
        plate = isinstance(image.type, Colour) and picture.alpha == "none"
        return _Looked(values, image.window, plate)

    def see(self, frame: int, path: str, looked: _Looked) -> Iterator[Finding]:
        """Remember it."""
        types = _pixel_types(path)
        self._seen.append((frame, _Looked({**looked.values, "pixel type": types}, looked.window, looked.plate)))
        yield from ()

    def end(self) -> Iterator[Finding]:
        """Say which frames differ from most."""
        for sort in self._seen[0][1].values if self._seen else ():
            yield from self._of(sort)
        if all(looked.plate for _, looked in self._seen):
            yield from self._windows()

    def _of(self, sort: str) -> Iterator[Finding]:
        values = [(frame, looked.values[sort]) for frame, looked in self._seen]
        usual = _usual(value for _, value in values)
        most = 2 * sum(value == usual for _, value in values) > len(values)
        for frame, value in values:
            if value != usual and value is not None and usual is not None:
                if sort == "pixel type":
                    # Channels that only one of them has are another finding.
                    expected = dict(usual)
                    value = tuple(item for item in value if expected.get(item[0], item[1]) != item[1])
                    if not value:
                        continue
                number, limit, unit, message = _said(sort, value, usual)
                message = message if most else message.replace("most frames", "other frames")
                level: Level = "fault" if sort in ("resolution", "encoding", "alpha") else "doubt"
                yield _finding(frame, sort, number, limit, unit, message, level)

    def _windows(self) -> Iterator[Finding]:
        usual = _usual(looked.window for _, looked in self._seen)
        alike = sum(looked.window == usual for _, looked in self._seen)
        if usual is None or 2 * alike <= len(self._seen):
            return
        frames = [_usual(looked.values[sort] for _, looked in self._seen) for sort in ("resolution", "window")]
        for frame, looked in self._seen:
            if [looked.values[sort] for sort in ("resolution", "window")] != frames:
                continue
            window = looked.window
            edges = zip(_edges(window), _edges(usual), strict=True)
            moved = max(abs(a - b) for a, b in edges)
            if moved > self._limits.shift:
                message = f"its data window is {window}, that of most frames is {usual}"
                yield _finding(frame, "data window", moved, self._limits.shift, "px", message, "doubt")


def _edges(window: Window) -> tuple[int, int, int, int]:
    return window.x0, window.y0, window.x1, window.y1


def _usual(values: Iterator[Any] | Any) -> Any:
    """The value of most; the first of several."""
    counts = Counter(values)
    return max(counts, key=lambda value: counts[value]) if counts else None


def _number(value: Any) -> float | None:
    try:
        return round(float(value), 4)
    except (TypeError, ValueError):
        return None


def _pixel_types(path: str) -> Any:
    """Pixel types by channel in a file; None where it is no OpenEXR file, such as a node's name."""
    from pathlib import Path

    from stackcomp.files import exr

    if not path.lower().endswith(".exr"):
        return None
    try:
        return tuple(sorted(exr.read_header(Path(path)).pixel_types.items()))
    except (FileError, OSError):
        return None


def _said(sort: str, value: Any, usual: Any) -> tuple[float | None, float | None, str, str]:
    """Number, limit, unit and message."""
    if sort == "resolution":
        return (
            value[0],
            None,
            "px",
            f"it has {value[0]}×{value[1]} pixels, most frames have {usual[0]}×{usual[1]}",
        )
    if sort == "window":
        return None, None, "", f"its display window begins at {value}, that of most frames at {usual}"
    if sort == "channels":
        lost, more = sorted(set(usual) - set(value)), sorted(set(value) - set(usual))
        parts = [f"it lacks {_names(lost)}"] if lost else []
        parts += [f"it has {_names(more)} that most frames do not have"] if more else []
        return len(value), None, "channels", " and ".join(parts)
    if sort == "pixel type":
        stored = sorted({kind for _, kind in value})
        names = _names([name for name, _ in value])
        return (
            None,
            None,
            "",
            f"{names} {'is' if len(value) == 1 else 'are'} {' and '.join(stored)}, unlike most frames",
        )
    if sort in ("pixel aspect", "frame rate"):
        return value, None, "", f"its {sort} is {value:g}, that of most frames {usual:g}"
    what = "colour space" if sort == "encoding" else sort
    return None, None, "", f"its {what} is {value or 'not known'}, that of most frames {usual or 'not known'}"


def _names(names: list[str]) -> str:
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _finding(
    frame: int, sort: str, value: float | None, limit: float | None, unit: str, message: str, level: Level
) -> Finding:
    return Finding(
        check="changes",
        sort=sort,
        frame=frame,
        value=value,
        limit=limit,
        unit=unit,
        message=message,
        cure=_CURE,
        level=level,
    )


CHECK = StreamCheck(
    name="changes",
    limits=ChangesLimits,
    start=lambda limits, rate: ChangesStream(limits),
    summary="Size, windows, channels, pixel types, alpha or encoding that change in the middle of a sequence.",
    cure=_CURE,
    source="common practice, no source",
)
