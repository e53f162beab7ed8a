"""Runs checks over a graph: files that it reads, CG against plate at over nodes, and delivered pictures."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from stackcomp.check.check_graph import check_graph
from stackcomp.check.outputs import Outputs
from stackcomp.composition import Composition, Prepared
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Layers
from stackcomp.errors import BugError, CheckError, RenderError, WorkError
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.graph_pictures import Pair, delivered, files_read, pairs
from stackcomp.inspection.in_order import in_order
from stackcomp.inspection.opening import Opened, rendered
from stackcomp.inspection.runner import Inspection, Looked, Step, Streams, inspect_files, look_at, look_at_pair
from stackcomp.inspection.setting import RENDER, Setting

__all__ = ["inspect_graph", "node_name"]

_CURE = "`stackcomp check` says more"


@dataclass(frozen=True, eq=False)
class _Rendered:
    """Pictures of one frame; or why there are none."""

    frame: int
    pictures: dict[str, Image]
    failure: str = ""


def node_name(name: str) -> str:
    """What findings call a node."""
    return f'node "{name}"'


def inspect_graph(
    composition: Composition, frames: Sequence[int], setting: Setting, *, step: Step | None = None
) -> Inspection:
    """Inspect what a graph reads, lays over each other and delivers; each frame is rendered once.

    Frames that cannot be rendered are findings, and the others go on.

    Args:
        composition: the graph.
        frames: frame numbers.
        setting: checks and limits.
        step: called after each picture that is read, and after each frame that is rendered.

    Raises:
        CheckError: no frame can be rendered, and no missing or damaged file is the reason.
    """
    numbers = sorted(set(frames))
    rate = composition.document.frame_rate
    with_rate = setting
    if setting.frame_rate is None and rate is not None:
        with_rate = replace(setting, frame_rate=float(rate))
    read = inspect_files(files_read(composition, numbers), with_rate, step=step)
    return read + _computed(composition, numbers, with_rate, step, files_are_wrong=not _files_are_right(read))


def _files_are_right(read: Inspection) -> bool:
    return not any(finding.level == "fault" for finding in read.findings)


def _computed(
    composition: Composition, frames: Sequence[int], setting: Setting, step: Step | None, *, files_are_wrong: bool
) -> Inspection:
    sinks = delivered(composition)
    chosen = pairs(composition) if setting.of_pairs else []
    of_pairs = [name for pair in chosen for name in (pair.source, pair.backdrop, pair.comp)]
    wanted = list(dict.fromkeys([*of_pairs, *sinks]))
    if not wanted:
        return Inspection()
    good, bad = _split(composition, wanted, frames)
    if not good and not files_are_wrong:
        raise bad[frames[0]]
    findings: list[Finding] = []
    streams = {name: Streams(node_name(name), setting, None) for name in sinks}
    prepared = composition.prepare(wanted, good) if good else None

    def look(work: _Rendered) -> list[Looked]:
        return _looked(work, sinks, chosen, streams, setting)

    works = _frames(composition, frames, prepared, wanted, bad)
    for found in in_order(look, works, 1):
        for name, looked in zip(sinks, found, strict=True):
            findings += streams[name].take(looked)
        if step is not None:
            step()
    for name in sinks:
        findings += streams[name].end()
    pictures = {node_name(name): len(good) for name in (*(pair.comp for pair in chosen), *sinks)}
    return Inspection(tuple(findings), pictures if good else {})


def _frames(
    composition: Composition,
    frames: Sequence[int],
    prepared: Prepared | None,
    wanted: Collection[str],
    bad: dict[int, CheckError],
) -> Iterator[_Rendered]:
    for frame in frames:
        if frame in bad or prepared is None:
            yield _Rendered(frame, {}, bad[frame].problems[0].message if frame in bad else "no frame is right")
            continue
        try:
            results = composition.results(wanted, frame, warn=_silent, prepared=prepared)
            pictures = {result.node: result.image for result in results}
        except WorkError as error:
            yield _Rendered(frame, {}, error.reason if isinstance(error, RenderError) else str(error))
        else:
            yield _Rendered(frame, pictures)
            del pictures, results


def _looked(
    work: _Rendered, sinks: Sequence[str], chosen: Sequence[Pair], streams: dict[str, Streams], setting: Setting
) -> list[Looked]:
    """What is found in one frame: for each delivered picture, with what is found at over nodes at the first."""
    if work.failure:
        failed = Finding(
            check=RENDER,
            frame=work.frame,
            picture=node_name(sinks[0]),
            message=f"it is not rendered: {work.failure}",
            cure=_CURE,
            level="fault",
        )
        return [
            Looked(work.frame, name, (failed,) if name == sinks[0] else (), missing=work.failure) for name in sinks
        ]
    found: list[Finding] = []
    for pair in chosen:
        source, backdrop, comp = (
            _as_colour(work.pictures[name]) for name in (pair.source, pair.backdrop, pair.comp)
        )
        found += look_at_pair(source, backdrop, comp, node_name(pair.comp), work.frame, setting)
    looked = []
    for name in sinks:
        picture: Opened = rendered(work.pictures[name])
        found += look_at(picture, node_name(name), work.frame, setting)
        looked.append(Looked(work.frame, name, tuple(found), streams[name].look(picture)))
        found = []
    return looked


def _as_colour(image: Image) -> Image:
    """What a port for colour takes of a picture: of a file that is read, R G B and the A that is used."""
    type_ = image.type
    if not isinstance(type_, Layers) or type_.encoding is None or not all(name in image for name in "RGB"):
        return image
    colour = Colour(type_.alpha if "A" in image else "none", type_.encoding)
    planes = {name: image[name] for name in colour.planes}
    return Image(planes, image.window, image.display, colour, image.metadata)


def _split(
    composition: Composition, wanted: Sequence[str], frames: Sequence[int]
) -> tuple[list[int], dict[int, CheckError]]:
    """Frames that can be rendered together, and what is wrong with each of the others."""
    if not frames or _wrong(composition, wanted, frames) is None:
        return list(frames), {}
    good: list[int] = []
    bad: dict[int, CheckError] = {}
    for frame in frames:
        # Alone it says what is wrong with it; beside a frame that is right, how it differs from that.
        error = _wrong(composition, wanted, [frame])
        if error is None and good:
            error = _wrong(composition, wanted, [good[0], frame])
        if error is None:
            good.append(frame)
        else:
            bad[frame] = error
    return good, bad


def _wrong(composition: Composition, wanted: Sequence[str], frames: Sequence[int]) -> CheckError | None:
    outputs = Outputs((), False, composition.variable_files)
    checked, problems = check_graph(
        composition.document, composition.root, frames=list(frames), wanted=wanted, outputs=outputs
    )
    if checked is not None:
        return None
    errors = [problem for problem in problems if problem.severity == "error"]
    if not errors:
        raise BugError("inspect", "a graph without problems was not checked")
    return CheckError(errors)


def _silent(node: str, message: str) -> None:
    """What stops nothing is found by the checks themselves."""
