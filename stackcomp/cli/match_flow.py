"""The flow of every `match` command: open, match, write, draw, print.

A command says which pictures it opens (`Asked`) and how it matches them (a function that returns `Matched`);
everything else is done here, and the JSON is laid out here:

==================================  ==================================================================
``command``                         such as ``"match grey"``
the result's own keys               gain, stops, matrix, black …
``plate``, ``other``                each null, or an object: ``file``, ``layer``, ``encoding``, ``areas``,
                                    ``window`` (x, y, width, height), ``black``, and what was measured there
``frame``                           as named, or null
``working_space``, ``colour_config``
``doubts``                          sentences about what may be wrong
``written``, ``variables``          the file of findings and the names in it, or null and []
``picture``                         the picture of the measured areas, or null
==================================  ==================================================================

The record in a file of findings is the same without the last three rows' ``written``, ``variables`` and
``picture``. `stackcomp measure` uses the same words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stackcomp.cli.endings import DONE, announce, print_json, say
from stackcomp.cli.match_options import Shared
from stackcomp.cli.measure_files import option_names, ready_to_read, refuse_outputs, window_numbers

if TYPE_CHECKING:
    from stackcomp.measure.area import Area
    from stackcomp.measure.draw import Picture
    from stackcomp.measure.given import Triple
    from stackcomp.measure.picture import Measured

__all__ = ["NO_BLACK", "Asked", "Matched", "areas_beside", "open_asked", "row_of_numbers", "run_match"]

NO_BLACK = (
    "no black was subtracted from the plate: a camera's black is not light of the {what} and belongs into "
    "--plate-black (`stackcomp match black` measures it; --plate-black 0 says that there is none)"
)


@dataclass(frozen=True)
class Asked:
    """A picture that a command opens.

    Attributes:
        file: file or sequence.
        areas: texts of the areas that are named in it.
        black: R, G, B that is subtracted; None where the command subtracts none.
        coverage: whether its A is needed too.
    """

    file: str
    areas: tuple[str, ...] = ()
    black: Triple | None = None
    coverage: bool = False


@dataclass(frozen=True)
class Matched:
    """The result of a match.

    Attributes:
        result: as JSON data, with ``plate``, ``other`` and ``doubts`` as in the results of `stackcomp.measure`.
        variables: name → value, for the file of findings.
        lines: the result for people.
        next: what a graph does with the variables.
        draw: makes the picture of what was measured.
        doubts: sentences beside those of the result.
        file: a further file that is written.
        file_next: what a graph does with it.
        write: writes it, whole or not at all.
    """

    result: Mapping[str, Any]
    variables: Mapping[str, Any]
    lines: Sequence[str]
    next: str
    draw: Callable[[], Picture]
    doubts: tuple[str, ...] = ()
    file: str | None = None
    file_next: str = ""
    write: Callable[[], None] = lambda: None


def run_match(
    command: str,
    shared: Shared,
    plate: Asked | None,
    other: Asked | None,
    names: Sequence[str],
    match: Callable[[dict[str, Measured]], Matched],
) -> int:
    """Do what a `match` command is for.

    Args:
        command: its name, such as ``"grey"``.
        shared: the options of every `match` command.
        plate: the camera's picture; None where there is none.
        other: the picture to be matched; None where there is none.
        names: of the variables that the match gives.
        match: takes the opened pictures by the names "plate" and "other".

    Returns:
        The exit code.

    Raises:
        RequestError: a mistake in the options.
        FileError: a file that is damaged or cannot be written.
    """
    asked = {role: picture for role, picture in (("plate", plate), ("other", other)) if picture is not None}
    files = [picture.file for picture in asked.values()]
    ready_to_read(shared.root, *files)
    refuse_outputs(shared.write, shared.picture, files, shared.root, replace_foreign=shared.replace_foreign)
    opened = {role: open_asked(shared, role, picture) for role, picture in asked.items()}
    matched = match(opened)
    record = _record(command, shared, asked, opened, matched)
    _write(shared, names, matched, record)
    if shared.as_json:
        variables = list(matched.variables) if shared.write else []
        print_json({**record, "written": shared.write, "variables": variables, "picture": shared.picture})
        return DONE
    for line in matched.lines:
        say(line)
    for doubt in record["doubts"]:
        announce(f"note: {doubt}", style="yellow")
    if matched.file is not None:
        say(f"{matched.file}; next: {matched.file_next}")
    if shared.write is not None:
        say(f"kept in {shared.write}; next: {matched.next} with --variables {shared.write}")
    elif matched.file is None:
        say(f"next: keep it with --write FILE; then {matched.next} with --variables FILE")
    if shared.picture is not None:
        say(f"picture: {shared.picture}")
    return DONE


def open_asked(shared: Shared, role: str, picture: Asked) -> Measured:
    """Open a picture as the options say; ``role`` is "plate" or "other"."""
    from stackcomp.measure.picture import open_measured
    from stackcomp.measure.source import frame_path

    own = shared.plate_encoding if role == "plate" else shared.other_encoding
    # Where one option is for both pictures, a message about its value names that option.
    option = f"--{role}-encoding" if own is not None or shared.encoding is None else "--encoding"
    return open_measured(
        picture.file,
        # One of the pictures may well be a single file.
        frame=shared.frame if frame_path(picture.file).has_frame else None,
        layer=shared.layer if role == "other" else "",
        encoding=shared.encoding if own is None else own,
        working_space=shared.working_space,
        colour_config=shared.colour_config,
        root=shared.root,
        coverage=picture.coverage,
        names=option_names(encoding=option, layer="--layer" if role == "other" else ""),
    )


def _record(
    command: str, shared: Shared, asked: Mapping[str, Asked], opened: Mapping[str, Measured], matched: Matched
) -> dict[str, Any]:
    from stackcomp.measure.source import frame_path

    result = dict(matched.result)
    doubts = [doubt for picture in opened.values() for doubt in picture.doubts]
    if shared.frame is not None and not any(frame_path(picture.file).has_frame for picture in asked.values()):
        doubts.append(f"--frame {shared.frame} is not used: no file name here has a frame token")
    doubts += [*result.pop("doubts"), *matched.doubts]
    measured = {role: result.pop(role, None) or {} for role in ("plate", "other")}
    sources: dict[str, Any] = {"plate": None, "other": None}
    for role, picture in asked.items():
        sources[role] = {
            "file": picture.file,
            "layer": shared.layer if role == "other" else "",
            "encoding": str(getattr(opened[role].stored.type, "encoding", "")),
            "areas": list(picture.areas),
            "window": window_numbers(opened[role].light.window),
            "black": None if picture.black is None else list(picture.black),
            **measured[role],
        }
    return {
        "command": f"match {command}",
        **result,
        **sources,
        "frame": shared.frame,
        "working_space": shared.working_space,
        "colour_config": shared.colour_config,
        "doubts": doubts,
    }


def _write(shared: Shared, names: Sequence[str], matched: Matched, record: Mapping[str, Any]) -> None:
    # The picture first: where it cannot be written, no variable is kept.
    if shared.write is not None:
        from stackcomp.measure.findings import ready

        ready(shared.write, names, name_option="--as")
    if shared.picture is not None:
        from stackcomp.measure.draw import write_png

        write_png(shared.picture, matched.draw())
    matched.write()
    if shared.write is not None:
        from stackcomp.measure.findings import write_findings

        write_findings(shared.write, matched.variables, record)


def areas_beside(
    shared: Shared, drawn: Sequence[tuple[Measured, Sequence[tuple[Area, str]]]]
) -> Callable[[], Picture]:
    """A function that draws pictures in a row, each with its areas and their labels."""

    def draw() -> Picture:
        from stackcomp.measure.draw import beside, draw_areas

        config = shared.colour_config
        return beside([draw_areas(picture.light, areas, colour_config=config) for picture, areas in drawn])

    return draw


def row_of_numbers(title: str, numbers: Sequence[float], form: str = ".6g", *, width: int = 15) -> str:
    """A line with a title and three numbers, in columns."""
    return f"{title:<{width}}" + "".join(f"{number:>12{form}}" for number in numbers)
