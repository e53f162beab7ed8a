"""``stackcomp measure FILE --ids``: the objects of a file, by name and area."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from stackcomp.cli.endings import DONE, announce, print_json, say
from stackcomp.cli.measure_files import option_names
from stackcomp.errors import Problem, RequestError
from stackcomp.files.id_names import written_name

if TYPE_CHECKING:
    from stackcomp.measure.ids import IdAreas, ObjectArea, ObjectShare

__all__ = ["measured_ids"]

#: How many names that cover nothing, or share an id, are listed.
_MOST_LISTED = 12
_BACKGROUND = "#00000000"


def measured_ids(
    file: str, frame: int | None, root: str, layer: str, at: str | None, *, as_json: bool, others: Sequence[str]
) -> int:
    """Print the objects of a file and how much of the frame each covers.

    Args:
        file: the picture, or a sequence.
        frame: its frame.
        root: folder for relative paths.
        layer: type of ids; all where it is empty.
        at: a pixel as text.
        as_json: print JSON.
        others: options that were given and have no meaning for ids.

    Raises:
        RequestError: such options, no such file or type of ids, or no such pixel.
        FileError: the file is damaged.
    """
    from stackcomp.measure.ids import measure_ids

    if others:
        message = f"{others[0]} has no meaning for ids"
        raise RequestError(Problem("request", message, "leave it out, or leave --ids out"))
    if file.lower().endswith(".json"):
        message = f"{file} is no picture, and ids are listed of a picture file"
        raise RequestError(Problem("request", message, "name the file that the graph's read node reads"))
    pixel = None if at is None else _pixel(at)
    names = option_names(layer="--layer")
    found = measure_ids(file, type=layer or None, at=pixel, frame=frame, root=root, names=names)
    if as_json:
        types = [areas.as_dict() for areas in found]
        print_json({"command": "measure", "as": "ids", "file": file, "frame": frame, "at": pixel, "types": types})
        return DONE
    for areas in found:
        _print(file, areas, pixel)
    return DONE


def _print(file: str, areas: IdAreas, pixel: tuple[int, int] | None) -> None:
    say("\n".join(_lines(f"{file}, {areas.type}", areas, pixel)))
    for doubt in areas.doubts:
        announce(f"note: {doubt}", style="yellow")


def _lines(where: str, areas: IdAreas, pixel: tuple[int, int] | None) -> Iterator[str]:
    """Names come last and whole, as a graph file has them, so that they can be copied."""
    if pixel is not None:
        yield f"{where}, pixel {pixel[0]},{pixel[1]}:"
        yield from (f"  {one.id}  {one.coverage:.4f}  {_called(one)}" for one in areas.under or ())
        if not areas.under:
            yield "  nothing"
        return
    count = len(areas.objects)
    yield f"{where}: {count} object{'' if count == 1 else 's'} in {areas.ranks} ranks, frame {areas.frame}"
    widest = max((len(f"{one.area:.1f}") for one in areas.objects), default=0)
    for one in areas.objects:
        yield f"  {one.id}  {one.area:{widest}.1f} px  {100 * one.share:7.3f} %  {_called(one)}"
    if areas.absent:
        more = " …" if len(areas.absent) > _MOST_LISTED else ""
        listed = ", ".join(written_name(name) for name in areas.absent[:_MOST_LISTED]) + more
        yield f"  {len(areas.absent)} more in the manifest cover nothing: {listed}"


def _called(one: ObjectArea | ObjectShare) -> str:
    if not one.names:
        return "(background)" if one.id == _BACKGROUND else "(no name)"
    return " = ".join(written_name(name) for name in one.names[:_MOST_LISTED])


def _pixel(text: str) -> tuple[int, int]:
    try:
        x, y = (int(part) for part in text.split(","))
    except ValueError:
        message = f'--at: "{text[:40]}" is not a pixel'
        raise RequestError(Problem("request", message, "write x,y: two whole numbers, such as 300,200")) from None
    return x, y
