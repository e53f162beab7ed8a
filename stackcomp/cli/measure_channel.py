"""``stackcomp measure`` of one channel: depth in metres, or the coverage of a matte."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stackcomp.cli.endings import DONE, announce, print_json, say
from stackcomp.cli.request import count
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area
    from stackcomp.measure.channel import What
    from stackcomp.measure.depth import DepthStatistics
    from stackcomp.measure.matte import MatteStatistics
    from stackcomp.measure.source import Source

__all__ = ["measure_channel"]


def measure_channel(
    source: Source,
    area: Area | None,
    layer: str,
    channel: str,
    what: What | None,
    unit: str | None,
    picture: str | None,
    colour_config: str,
    as_json: bool,
) -> int:
    """Measure a channel, and say what was found; the arguments are the options of ``stackcomp measure``.

    Returns:
        The exit code.

    Raises:
        RequestError: no such channel, an area that leaves the picture, a unit for a matte.
        FileError: the file is damaged, or the picture cannot be written.
    """
    from stackcomp.measure.area import whole
    from stackcomp.measure.channel import open_channel
    from stackcomp.measure.depth import depth_statistics
    from stackcomp.measure.matte import matte_statistics

    opened = open_channel(
        source.path,
        channel=channel,
        layer=layer,
        what=what,
        frame=source.frame,
        root=source.root,
        names=source.names,
    )
    if unit is not None and opened.what != "depth":
        message = f"--unit belongs to depth, and {opened.channel} is measured as a matte"
        raise RequestError(Problem("request", message, "add --as depth, or leave it out"))
    where = area or whole(opened.image)
    if opened.what == "depth":
        found: DepthStatistics | MatteStatistics = depth_statistics(opened.image, where, unit=unit or "m")
    else:
        found = matte_statistics(opened.image, where)
    if picture is not None:
        from stackcomp.measure.draw import draw_areas, write_png

        write_png(picture, draw_areas(opened.image, [(where, f"{found.pixels} px")], config=colour_config))
    if as_json:
        print_json(
            {
                "file": source.path,
                "frame": source.frame,
                "layer": layer,
                "channel": opened.channel,
                "as": opened.what,
                **({"unit": unit or "m"} if opened.what == "depth" else {}),
                "area": where.text,
                **found.as_dict(),
                "picture": picture,
            }
        )
        return DONE
    say(f"{source.path}, {opened.channel} as {opened.what}, area {where.text}: {count(found.pixels, 'pixel')}")
    _show(found)
    for doubt in found.doubts:
        announce(f"note: {doubt}", style="yellow")
    if picture is not None:
        say(f"picture: {picture}")
    return DONE


def _show(found: DepthStatistics | MatteStatistics) -> None:
    from stackcomp.measure.depth import DepthStatistics

    if isinstance(found, DepthStatistics):
        _row("in metres", mean=found.mean, median=found.median, min=found.min, max=found.max)
        counts = {"covered": found.covered, "at 0": found.nothing, "below 0": found.below_zero}
        _row("pixels", **counts, **{"not finite": found.non_finite})
        if found.median is not None:
            node = f'{{"kind": "defocus", "focus_distance": {found.median:.5g}}}'
            say(f"the median is a distance to focus on: {node}")
        return
    _row("coverage", mean=found.mean, min=found.min, max=found.max, area=found.covered_area)
    counts = {"at 0": found.zero, "at 1": found.one, "between": found.between}
    _row("pixels", **counts, **{"out of range": found.out_of_range, "not finite": found.non_finite})


def _row(what: str, **figures: float | None) -> None:
    say(" " * 10 + "".join(f"{title:>14}" for title in figures))
    shown = ["–" if n is None else str(n) if isinstance(n, int) else f"{n:.6g}" for n in figures.values()]
    say(f"{what:<10}" + "".join(f"{text:>14}" for text in shown))
