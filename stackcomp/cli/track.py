"""``stackcomp track``: follows points of a plate over its frames, and writes where they are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, FAILED, announce, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root
from stackcomp.cli.tables import table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stackcomp.track.sight import Sight
    from stackcomp.track.summary import Summary

__all__ = ["track"]


@guarded
def track(
    plate: Annotated[
        str,
        typer.Argument(
            metavar="PLATE", help="The plate: plate.{frame:04d}.exr, or one of its files.", show_default=False
        ),
    ],
    frames: Annotated[
        str,
        typer.Option(metavar="RANGE", help="Frames, as 1001-1008 or 1001-1100x2.", show_default=False),
    ],
    at: Annotated[
        list[str],
        typer.Option(
            metavar="NAME=X,Y",
            help="A point in pixels, with a name or without. Repeatable: 1 tells how a picture moves, 2 how it "
            "turns, 4 how a surface lies.",
            show_default=False,
        ),
    ],
    to: Annotated[str, typer.Option(metavar="JSON", help="The track file to be written.", show_default=False)],
    frame: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="The frame in which the points are given; the first if left out.", show_default=False
        ),
    ] = None,
    pattern: Annotated[
        int, typer.Option(metavar="PIXELS", help="Side of the square by which a point is known, odd.")
    ] = 31,
    search: Annotated[
        int, typer.Option(metavar="PIXELS", help="How far a point may move from one frame to the next.")
    ] = 64,
    disagreement: Annotated[
        float,
        typer.Option(
            metavar="PIXELS", help="How far there and back may lie apart; where it is more, a point is lost."
        ),
    ] = 0.5,
    smooth: Annotated[
        int | None,
        typer.Option(
            metavar="FRAMES",
            help="Smooth the tracks, by a parabola over so many frames, odd, 5 or more.",
            show_default=False,
        ),
    ] = None,
    picture: Annotated[
        str | None,
        typer.Option(
            metavar="PNG",
            help="Draw the tracks over the plate; one picture, or with {frame:04d} one a frame.",
            show_default=False,
        ),
    ] = None,
    encoding: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Colour space, if the header does not name it.", show_default=False),
    ] = None,
    replace_foreign: ReplaceForeign = False,
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Follow points of a plate over its frames.

    Each point is known by the square around it in the frame where it is given, and is looked for both ways from
    there; the square may turn, scale, shear, and become brighter, darker or softer. Positions are pixels of the
    frame, x to the right and y down, with pixel centres at half pixels. What was found is tracked back to the
    first frame; how far from the given point it ends is the disagreement.

    A point that is hidden or leaves the picture is lost: the file says null there, and no place is guessed. It is
    found again by its own pattern, unless something else in the picture looks like it. Give points in a frame that
    is as sharp as most others: in one that is much softer or sharper they are lost, or less exact.

    stackcomp track plate.{frame:04d}.exr --frames 1001-1005 --at joint=309.5,160.5 --to bench.json

    Log plates are tracked as they are, scene-linear ones through a log curve. It needs OpenCV: pip install
    'stackcomp[track]'.

    Exit codes: 0 all points were found at all frames; 1 some are lost at some frames (the file is written and says
    where), or a file failed; 2 the request is wrong.
    """
    from pathlib import Path

    from stackcomp.cli.track_request import Request
    from stackcomp.data.opencv import opencv
    from stackcomp.track.plate import open_plate
    from stackcomp.track.point import Options
    from stackcomp.track.smoothing import smoothed
    from stackcomp.track.summary import all_lost_at, summary_of
    from stackcomp.track.tracker import track as tracked
    from stackcomp.track.writing import write_pictures, write_track

    asked = Request(plate, frames, tuple(at), to, frame, pattern, search, disagreement, smooth, picture, root)
    numbers, points, first = asked.frames(), asked.points(), asked.first()
    asked.check_numbers()
    opencv()
    opened = open_plate(plate, numbers, encoding=encoding, root=root, config=colour_config)
    asked.refuse(opened, replace_foreign=replace_foreign)
    x0, y0 = opened.display.x0, opened.display.y0
    inside = {name: (x - x0, y - y0) for name, (x, y) in points.items()}
    options = Options(pattern, search, disagreement)
    not_finite: dict[int, int] = {}

    def sight_at(frame: int) -> Sight:
        sight = opened.sight(frame)
        if sight.not_finite:
            not_finite[frame] = sight.not_finite
        return sight

    with _shown_progress(len(opened.frames), as_json=as_json) as step:
        tracks = tracked(sight_at, opened.frames, first, inside, options, step)
    if smooth is not None:
        tracks = [smoothed(each, smooth) for each in tracks]
    write_track(Path(to), opened, tracks, first, f"points of {Path(opened.pattern).name}")
    pictures = [] if picture is None else write_pictures(picture, opened, tracks, first, pattern, colour_config)
    summaries = [summary_of(each, first) for each in tracks]
    cut = all_lost_at(tracks, first)
    if as_json:
        record: dict[str, Any] = {"command": "track", "plate": opened.pattern, "frames": list(opened.frames)}
        record |= {"frame": first, "encoding": opened.encoding.name, "written": to, "pictures": pictures}
        record |= {"all_lost_at": cut, "not_finite": {str(frame): n for frame, n in sorted(not_finite.items())}}
        print_json({**record, "points": [each.as_dict() for each in summaries]})
    else:
        _say(summaries, cut)
        _say_not_finite(not_finite)
        for path in (to, *pictures):
            say(path)
    return FAILED if any(each.lost for each in summaries) else DONE


def _say(summaries: Sequence[Summary], cut: int | None) -> None:
    """The table of points, and the sentences about them."""
    rows: list[tuple[str, ...]] = [("point", "found", "lost at", "disagreement, mean", "largest")]
    rows += [
        (
            each.name,
            f"{each.found} of {each.frames}",
            each.lost or "-",
            f"{each.mean:.3f} px",
            f"{each.largest:.3f} px at {each.largest_at}",
        )
        for each in summaries
    ]
    table(rows)
    for each in summaries:
        if each.doubt:
            announce(f"note: {each.doubt}", style="yellow")
    if cut is not None:
        announce(f"note: no point is found from frame {cut} on: is there a cut?", style="yellow")
    lost = [f"{each.name} ({each.lost})" for each in summaries if each.lost]
    if lost:
        announce(f"lost: {', '.join(lost)}; the file holds null there", style="yellow")


def _say_not_finite(counts: Mapping[int, int]) -> None:
    """A sentence about pixels that are no numbers."""
    from stackcomp.data.frames import format_frames

    if counts:
        frames = ("frame " if len(counts) == 1 else "frames ") + format_frames(counts)
        count = sum(counts.values())
        announce(
            f"note: {count:,} pixel{'s are' if count > 1 else ' is'} not finite at {frames}; the nearest finite "
            "pixel was taken instead",
            style="yellow",
        )


def _shown_progress(total: int, *, as_json: bool) -> Any:
    """A bar on a terminal; its context gives what is called with each frame that is done."""
    import contextlib
    from collections.abc import Callable, Iterator

    from rich.console import Console
    from rich.progress import Progress

    @contextlib.contextmanager
    def shown() -> Iterator[Callable[[int], None]]:
        console = Console(stderr=True)
        with Progress(console=console, disable=as_json or not console.is_terminal, transient=True) as bar:
            task = bar.add_task("tracking", total=total)
            yield lambda frame: bar.advance(task)

    return shown()
