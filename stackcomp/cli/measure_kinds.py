"""What ``stackcomp measure`` measures: colour, depth in metres, or the coverage of a matte."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stackcomp.cli.measure_files import window_numbers
from stackcomp.cli.request import count
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.data.image import Image
    from stackcomp.measure.area import Area
    from stackcomp.measure.channel import What
    from stackcomp.measure.depth import DepthStatistics
    from stackcomp.measure.matte import MatteStatistics
    from stackcomp.measure.source import Source
    from stackcomp.measure.statistics import Statistics

__all__ = ["Result", "measured_channel", "measured_colour"]


@dataclass(frozen=True)
class Result:
    """A measured area.

    Attributes:
        record: as JSON data.
        lines: the same for people, without the doubts.
        image: the picture in which the area is.
        area: where.
        pixels: how many it holds.
    """

    record: dict[str, Any]
    lines: list[str]
    image: Image
    area: Area
    pixels: int


def measured_colour(source: Source, area: Area | None, layer: str) -> Result:
    """Measure an area of colour; the whole picture where ``area`` is None.

    Raises:
        RequestError: no such file, layer or colour space, or an area that leaves the picture.
        FileError: the file is damaged.
    """
    from stackcomp.measure.picture import open_source
    from stackcomp.measure.statistics import area_statistics

    opened = open_source(source, layer)
    where = _where(area, opened.light)
    figures = area_statistics(opened, where)
    record = _record(
        source,
        layer,
        where,
        opened.light,
        figures,
        opened.doubts,
        what="colour",
        encoding=str(getattr(opened.stored.type, "encoding", "")),
        working_space=source.working_space,
    )
    pixels = count(figures.pixels, "pixel")
    first = f"{source.path}, area {where.text}: {pixels}, scene-linear {source.working_space}"
    return Result(record, [first, *_colour_lines(figures)], opened.light, where, figures.pixels)


def measured_channel(
    source: Source, area: Area | None, layer: str, channel: str, what: What | None, unit: str | None
) -> Result:
    """Measure an area of a channel; the whole picture where ``area`` is None.

    Raises:
        RequestError: no such channel, an area that leaves the picture, a unit for a matte.
        FileError: the file is damaged.
    """
    from stackcomp.measure.channel import open_channel_of
    from stackcomp.measure.depth import depth_statistics
    from stackcomp.measure.matte import matte_statistics

    opened = open_channel_of(source, channel=channel, layer=layer, what=what)
    if unit is not None and opened.what != "depth":
        message = f"--unit belongs to depth, and {opened.channel} is measured as a matte"
        raise RequestError(Problem("request", message, "add --as depth, or leave it out"))
    where = _where(area, opened.image)
    figures: DepthStatistics | MatteStatistics
    if opened.what == "depth":
        unit = unit or "m"
        figures = depth = depth_statistics(opened, where, unit=unit)
        lines = _depth_lines(depth)
    else:
        figures = matte = matte_statistics(opened, where)
        lines = _matte_lines(matte)
    record = _record(
        source,
        layer,
        where,
        opened.image,
        figures,
        opened.doubts,
        what=opened.what,
        channel=opened.channel,
        unit=unit,
    )
    pixels = count(figures.pixels, "pixel")
    first = f"{source.path}, {opened.channel} as {opened.what}, area {where.text}: {pixels}"
    return Result(record, [first, *lines], opened.image, where, figures.pixels)


def _where(area: Area | None, image: Image) -> Area:
    from stackcomp.measure.area import whole

    return whole(image) if area is None else area


def _record(
    source: Source,
    layer: str,
    area: Area,
    image: Image,
    figures: Statistics | DepthStatistics | MatteStatistics,
    doubts: Sequence[str],
    *,
    what: str,
    channel: str | None = None,
    unit: str | None = None,
    encoding: str | None = None,
    working_space: str | None = None,
) -> dict[str, Any]:
    measured = figures.as_dict()
    own_doubts = measured.pop("doubts")
    return {
        "command": "measure",
        "as": what,
        "file": source.path,
        "layer": layer,
        "channel": channel,
        "unit": unit,
        "encoding": encoding,
        "areas": [area.text],
        "window": window_numbers(image.window),
        "frame": source.frame,
        "working_space": working_space,
        "colour_config": source.colour_config,
        **measured,
        "doubts": [*doubts, *own_doubts],
    }


def _colour_lines(figures: Statistics) -> list[str]:
    titles = ("mean", "median", "min", "max", "std dev", "std error", "clipped", "not finite")
    lines = ["     " + "".join(f"{title:>12}" for title in titles)]
    for name, channel in figures.channels.items():
        values = (
            channel.mean,
            channel.median,
            channel.min,
            channel.max,
            channel.standard_deviation,
            channel.standard_error,
        )
        texts = "".join(f"{'–' if value is None else f'{value:.5g}':>12}" for value in values)
        lines.append(f"  {name:<3}{texts}{channel.clipped:>12}{channel.non_finite:>12}")
    return lines


def _depth_lines(figures: DepthStatistics) -> list[str]:
    lines = _row("in metres", mean=figures.mean, median=figures.median, min=figures.min, max=figures.max)
    counts = {"covered": figures.covered, "at 0": figures.nothing, "below 0": figures.below_zero}
    lines += _row("pixels", **counts, **{"not finite": figures.non_finite})
    if figures.median is not None:
        node = f'{{"kind": "defocus", "focus_distance": {figures.median:.5g}}}'
        lines.append(f"the median is a focus distance: {node}")
    return lines


def _matte_lines(figures: MatteStatistics) -> list[str]:
    lines = _row("coverage", mean=figures.mean, min=figures.min, max=figures.max, area=figures.covered_area)
    counts = {"at 0": figures.zero, "at 1": figures.one, "between": figures.between}
    return [
        *lines,
        *_row("pixels", **counts, **{"out of range": figures.out_of_range}, **{"not finite": figures.non_finite}),
    ]


def _row(what: str, **figures: float | None) -> list[str]:
    texts = ["–" if n is None else str(n) if isinstance(n, int) else f"{n:.6g}" for n in figures.values()]
    return [
        " " * 10 + "".join(f"{title:>14}" for title in figures),
        f"{what:<10}" + "".join(f"{text:>14}" for text in texts),
    ]
