"""From files to a graph of the usual comp."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from stackcomp.begin.builder import Builder, Picture, Pictures, WithMatte
from stackcomp.begin.cg import cg_of
from stackcomp.begin.encodings import Told, encoding_of
from stackcomp.begin.frames import for_frames, shared_frames, shifted
from stackcomp.begin.layers import layers_of
from stackcomp.begin.material import Material, locate
from stackcomp.begin.mattes import matte_channel, matte_file
from stackcomp.begin.report import Report
from stackcomp.begin.shot_folder import shot_folder
from stackcomp.begin.telling import tell
from stackcomp.begin.wishes import Wishes
from stackcomp.composition import Composition
from stackcomp.document.graph import Graph
from stackcomp.errors import CheckError, Problem, RequestError
from stackcomp.files import colour
from stackcomp.files.paths import escaped

__all__ = ["Begun", "begin", "checked"]

_T = TypeVar("_T")


@dataclass(frozen=True, eq=False)
class Begun:
    """A graph that passes its check.

    Attributes:
        graph: the graph.
        report: what was taken for what.
        frames: frames of the graph.
        variables: the variables that differ from shot to shot.
        same_nodes: whether only variables and frames differ from the graph that it was fitted from.
    """

    graph: Graph
    report: Report
    frames: tuple[int, ...]
    variables: dict[str, Any]
    same_nodes: bool = False


class _Questions:
    """Questions and mistakes, gathered so that all of them are said at once."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def ask(self, find: Callable[..., _T], *arguments: Any, **named: Any) -> _T | None:
        """What a function finds; None where it has a question."""
        try:
            return find(*arguments, **named)
        except RequestError as error:
            self.problems += error.problems
            return None

    def end(self) -> None:
        """Raise what was gathered.

        Raises:
            RequestError: something was.
        """
        if self.problems:
            raise RequestError(dict.fromkeys(self.problems))


def begin(wishes: Wishes, place: str = "", *, replace_foreign: bool = False) -> Begun:
    """Look at the files and build the graph.

    Args:
        wishes: files and answers.
        place: the file that the graph will be saved as; its own deliveries may be replaced.
        replace_foreign: deliveries may replace other files too, except what is read.

    Raises:
        RequestError: a file is missing, or there are questions that only the artist can answer: all of them.
        CheckError: the files do not fit together.
    """
    report, questions = Report(), _Questions()
    ask, root = questions.ask, wishes.root
    plate = ask(locate, wishes.plate, "--plate", root)
    cg = ask(locate, wishes.cg, "--cg", root)
    clean = ask(locate, wishes.clean, "--clean", root) if wishes.clean is not None else None
    mattes = [ask(matte_file, text, "--matte", root) for text in wishes.mattes]
    holdouts = [ask(matte_file, text, "--holdout", root) for text in wishes.holdouts]
    space, out = ask(_working_space, wishes), ask(_out, wishes.out)
    questions.end()
    assert plate is not None
    assert cg is not None
    assert space is not None
    assert out is not None

    frames, plate, cg, notes, problems = shared_frames(plate, shifted(cg, wishes.cg_shift), wishes.frames)
    report.notes += notes
    questions.problems += problems
    questions.end()
    plate, cg = _limited(plate, frames), _limited(cg, frames)

    plate_picture = ask(_picture, plate, wishes.plate_encoding, wishes, None)
    clean_picture = None
    if clean is not None:
        clean, problems = for_frames(clean, frames, report.notes)
        questions.problems += problems
        same = plate_picture.told if plate_picture and clean.header.format == plate.header.format else None
        reason = "as the plate: its header does not say"
        fallback = Told(same.encoding, reason) if same is not None else None
        unknown = plate_picture is None and wishes.clean_encoding is None
        if not unknown:
            clean_picture = ask(_picture, _limited(clean, frames), wishes.clean_encoding, wishes, fallback)
    cg_told = ask(encoding_of, cg, "--cg-encoding", wishes.cg_encoding, wishes.colour_config, rendered=True)
    layers = ask(cg_of, cg, wishes, frames)
    of_mattes, of_holdouts = (
        [ask(_with_matte, file, frames, report, questions) for file in files] for files in (mattes, holdouts)
    )
    questions.problems += _sizes(plate, cg, [file for file in (*of_mattes, *of_holdouts) if file is not None])
    questions.end()
    assert plate_picture is not None
    assert cg_told is not None
    assert layers is not None

    pictures = Pictures(
        plate_picture,
        clean_picture,
        cg,
        cg_told,
        layers,
        [file for file in of_mattes if file is not None],
        [file for file in of_holdouts if file is not None],
        frames,
    )
    everything = [plate, cg, *(file.material for file in (*pictures.mattes, *pictures.holdouts))]
    everything += [clean_picture.material] if clean_picture is not None else []
    folder = shot_folder([material.path for material in everything])
    builder = Builder(pictures, space, wishes.colour_config, folder, out)
    graph = builder.build()
    graph.place = place
    tell(report, builder)
    # That the outline of the patch is still to be drawn is among the notes.
    found = checked(graph, root, replace_foreign=replace_foreign)
    report.warnings += [problem for problem in found if problem.rule != "patch-nothing"]
    variables = {"shot": folder.value} if folder.folder else {}
    return Begun(graph, report, tuple(frames), variables)


def checked(graph: Graph, root: Path, *, replace_foreign: bool = False) -> list[Problem]:
    """The warnings of the check of a graph.

    Raises:
        CheckError: it has errors.
    """
    problems = Composition(graph, root=root).check(replace_foreign=replace_foreign)
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors:
        raise CheckError(errors)
    return problems


def _out(folder: str) -> str:
    """The folder of deliveries as it stands in paths of the graph."""
    if not folder.strip():
        raise RequestError(Problem("path", "--out: the path is empty", "name a folder"))
    return escaped(folder.rstrip("/") or "/")


def _working_space(wishes: Wishes) -> Any:
    try:
        space = colour.encoding(wishes.working_space, wishes.colour_config)
    except colour.UnknownEncoding as error:
        message, _, way_out = str(error).partition(" — ")
        raise RequestError(Problem("encoding-unknown", f"--working-space: {message}", way_out)) from None
    if not space.linear:
        message = f"--working-space: {space} is not scene-linear"
        raise RequestError(Problem("working-space", message, "choose a scene-linear space, such as ACEScg"))
    return space


def _limited(material: Material, frames: Sequence[int]) -> Material:
    return material if material.frames is None else material.limited(frames)


def _picture(material: Material, told: str | None, wishes: Wishes, fallback: Told | None) -> Picture:
    header = material.header
    coloured = [layer for layer in layers_of(header.channels, header.metadata) if layer.has_colour]
    own = (
        [layer for layer in coloured if not layer.name] or [x for x in coloured if x.role == "beauty"] or coloured
    )
    if len(own) != 1:
        message = (
            f"{material.option}: {material.path} has {'no' if not own else 'several pictures with'} R, G and B"
        )
        names = ", ".join(header.channels[:12])
        raise RequestError(Problem("no-colour", message, f"it has {names}; give a file with R, G and B"))
    option = f"{material.option}-encoding"
    said = encoding_of(material, option, told, wishes.colour_config, rendered=False, fallback=fallback)
    if said.encoding.family == "data":
        message = f"{option}: {said.encoding.name} is data, and a plate is a picture"
        raise RequestError(Problem("encoding-unknown", message, "give the encoding of its colours"))
    return Picture(material, own[0], said)


def _with_matte(file: Any, frames: Sequence[int], report: Report, questions: _Questions) -> WithMatte | None:
    material, problems = for_frames(file.material, frames, report.notes)
    questions.problems += problems
    if problems:
        return None
    material = _limited(material, frames)
    channel = matte_channel(replace(file, material=material), frames)
    if channel.doubt:
        report.notes.append(channel.doubt)
    return WithMatte(material, channel)


def _sizes(plate: Material, cg: Material, mattes: Sequence[WithMatte]) -> list[Problem]:
    """Frames that differ from that of the plate."""
    problems = []
    own = plate.header.display
    for material in (cg, *(file.material for file in mattes)):
        other = material.header.display
        if other == own:
            continue
        factor = own.width / other.width
        alike = own.height * other.width == other.height * own.width
        times = (
            f"; it is {'smaller' if factor > 1 else 'larger'}, {factor:.4g} times the size fits" if alike else ""
        )
        way_out = f"render it with a frame (display window) of {own}{times}"
        if other.width >= own.width and other.height >= own.height and not alike:
            way_out += "; overscan belongs in the data window alone"
        message = (
            f"{material.option}: {material.path} has a frame of {other}, but the plate {plate.path} one of {own}"
        )
        problems.append(Problem("resolution", message, way_out))
    return problems
