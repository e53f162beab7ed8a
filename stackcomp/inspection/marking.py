"""Which pictures of an inspection are marked, and where they are written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from stackcomp.check.originals import Reading, Writing, refusals
from stackcomp.check.outputs import readings
from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.errors import FileError, RequestError, WorkError
from stackcomp.files.mark import Mark
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.graph_pictures import delivered, pairs
from stackcomp.inspection.graph_runner import node_name
from stackcomp.inspection.marked_pictures import file_names, marked, write_marked
from stackcomp.inspection.material import Pictures
from stackcomp.inspection.opening import opened
from stackcomp.inspection.report import Summary
from stackcomp.inspection.setting import FILE, RENDER, Setting

__all__ = ["MOST_MARKED", "keep_originals", "mark_pictures"]

#: Pictures that are marked at most: the worst frame of each summary.
MOST_MARKED = 40


def keep_originals(
    folder: Path,
    pictures: Sequence[Pictures],
    composition: Composition | None = None,
    frames: Sequence[int] = (),
    *,
    replace_foreign: bool = False,
) -> None:
    """Make sure that no marked picture can take the place of a file that must stay.

    Args:
        folder: where marked pictures are written.
        pictures: files that are looked at.
        composition: the graph that is looked at.
        frames: frames of the graph.
        replace_foreign: whether files that this program did not write may be replaced.

    Raises:
        RequestError: one of them would; it names all of them.
    """
    names = _names(folder, pictures, composition, frames)
    known = [Reading(each.pattern, "what is inspected", sequence=True) for each in pictures]
    root = pictures[0].root if pictures else Path()
    if composition is not None:
        known += readings(composition.document, composition.root, frames, composition.variable_files)
        root = composition.root
    outputs = [Writing(path, Mark("measurement")) for path in names.values()]
    allow = "--replace-foreign lets it be replaced"
    problems = refusals(outputs, known, root, replace_foreign=replace_foreign, allow=allow)
    if problems:
        raise RequestError(problems)


def _names(
    folder: Path, pictures: Sequence[Pictures], composition: Composition | None, frames: Sequence[int]
) -> dict[tuple[str, int | None], Path]:
    """The file of each picture that may be marked: name and frame → path."""
    names: list[tuple[str, int | None]] = [(each.name, number) for each in pictures for number in each.numbers]
    if composition is not None:
        nodes = dict.fromkeys([*(pair.comp for pair in pairs(composition)), *delivered(composition)])
        names += [(node_name(node), frame) for node in nodes for frame in frames]
    return {key: folder / name for key, name in file_names(names).items()}


def mark_pictures(
    folder: Path,
    found: Iterable[Summary],
    pictures: Sequence[Pictures],
    setting: Setting,
    composition: Composition | None = None,
    frames: Sequence[int] = (),
) -> Iterator[Path]:
    """Write a marked picture for the worst frame of each summary above a note; each picture once.

    Args:
        folder: where to; it is made where it is missing.
        found: summaries, the worst level first.
        pictures: files that were looked at.
        setting: of the inspection.
        composition: the graph that was looked at.
        frames: frames of the graph.

    Yields:
        The files, each as soon as it is whole.

    Raises:
        FileError: one cannot be written.
    """
    wanted: dict[tuple[str, int | None], list[Finding]] = {}
    for summary in found:
        if summary.level != "note" and summary.worst.check not in (FILE, RENDER):
            worst = summary.worst
            wanted.setdefault((worst.picture, worst.frame), []).append(worst)
    files = {each.name: each for each in pictures}
    paths = _names(folder, pictures, composition, frames)
    for (name, frame), findings in list(wanted.items())[:MOST_MARKED]:
        image = _image(name, frame, files, setting, composition)
        if image is None:
            continue
        path = paths[name, frame]
        write_marked(path, marked(image, findings, config=setting.colour_config))
        yield path


def _image(
    name: str, frame: int | None, files: dict[str, Pictures], setting: Setting, composition: Composition | None
) -> Image | None:
    """The picture once more; None where it is not there, as a frame that is missing."""
    each = files.get(name)
    try:
        if each is not None:
            picture = opened(
                each.file(frame), encoding=each.encoding, alpha=each.alpha, config=setting.colour_config
            )
            return picture.seen.image
        if composition is not None and frame is not None:
            node = next((node for node in composition.nodes if node_name(node) == name), None)
            return None if node is None else composition.render(node, frame)
    except (FileError, WorkError):
        return None
    return None
