"""Movies and contact sheets of a batch: which there are, what each is made from, and what is wrong with them."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from stackcomp.batch.work import Work
from stackcomp.check.originals import Writing, refusals
from stackcomp.check.outputs import mark_of_sequence, readings
from stackcomp.data.frame_rate import parse_frame_rate
from stackcomp.deliver.provenance import passed_on
from stackcomp.document.deliveries import ContactSheet, Delivery, Movie
from stackcomp.document.variables import resolve
from stackcomp.errors import BadValueError, FileError, Problem, RequestError, did_you_mean, pointer_to
from stackcomp.files.mark import Mark
from stackcomp.nodes.base import SinkNode

__all__ = ["Planned", "planned_deliveries"]

_ENDINGS = {Movie: (".mp4", ".mov"), ContactSheet: (".png", ".jpg", ".jpeg", ".tif", ".tiff")}


@dataclass(frozen=True)
class Planned:
    """A file that will be made.

    Attributes:
        name: of the delivery.
        delivery: as it is written.
        works: the shots that it shows.
        path: the file.
        mark: its mark.
    """

    name: str
    delivery: Delivery
    works: tuple[Work, ...]
    path: Path
    mark: Mark

    @property
    def shot(self) -> str:
        """Name of the shot; empty where it shows the whole sequence."""
        return self.works[0].name if self.delivery.each == "shot" else ""

    def pictures(self) -> Iterator[tuple[Work, int, Path]]:
        """Shot, frame and file of every picture that it can show, in order."""
        for work in self.works:
            sink = work.composition.document.nodes[self.delivery.shows]
            assert isinstance(sink, SinkNode)
            for frame in work.frames:
                yield work, frame, sink.outputs(frame, work.root)[0]

    def frame_rate(self) -> Fraction | None:
        """Frames a second: its own, else that of the first shot's graph, else of its plate; None where unknown."""
        assert isinstance(self.delivery, Movie)
        if self.delivery.frame_rate is not None:
            return parse_frame_rate(self.delivery.frame_rate)
        work = self.works[0]
        told = passed_on(work.composition.document, work.root, self.delivery.shows, work.frames[0])
        rate = told.get("framesPerSecond")
        try:
            return None if rate is None else parse_frame_rate(rate)
        except BadValueError:
            return None

    def source(self, hashes: Sequence[str], rate: Fraction | None) -> str:
        """What it is made from, in one text: made of the same again, the file would be the same."""
        fields = self.delivery.model_dump(mode="json", exclude={"about", "path", "replace"})
        frames = [[work.name, list(work.frames)] for work in self.works]
        text = json.dumps([fields, frames, list(hashes), str(rate)], sort_keys=True)
        return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def planned_deliveries(
    deliveries: Mapping[str, Delivery],
    works: Sequence[Work],
    variables: Mapping[str, Any],
    root: Path,
    *,
    place: str,
    replace_foreign: bool = False,
) -> tuple[list[Planned], list[Problem]]:
    """Every file that deliveries make, and what is wrong with them, from headers alone.

    Args:
        deliveries: by name.
        works: all shots of the sequence, in their order.
        variables: those for all shots.
        root: folder for relative paths.
        place: the sequence file, for findings.
        replace_foreign: whether files of others may be replaced.
    """
    planned: list[Planned] = []
    problems: list[Problem] = []
    for name, delivery in deliveries.items():
        if problem := _wrong_as_written(delivery, works):
            problems.append(_at(problem, name, place))
            continue
        groups = [(work,) for work in works] if delivery.each == "shot" else [tuple(works)]
        for group in groups:
            path, found = _path(delivery, group, variables, root)
            problems += [_at(problem, name, place) for problem in found]
            if path is not None:
                planned.append(Planned(name, delivery, group, path, mark_of_sequence(place, root)))
    problems += [_at(problem, name, place) for name, problem in _clashes(planned, works, replace_foreign)]
    for one in planned:
        if isinstance(one.delivery, Movie):
            problems += [_at(problem, one.name, place) for problem in _movie(one)]
    return planned, list(dict.fromkeys(problems))


def _wrong_as_written(delivery: Delivery, works: Sequence[Work]) -> Problem | None:
    ending, endings = Path(delivery.path).suffix.lower(), _ENDINGS[type(delivery)]
    if ending not in endings:
        message = f'the path "{delivery.path}" does not end in one of {", ".join(endings)}'
        return Problem("delivery", message, f"write {endings[0]}", field="path")
    for work in works:
        if delivery.shows not in work.sinks:
            message = f'{work.words}"{delivery.shows}" is not a deliver node'
            way_out = did_you_mean(delivery.shows, list(work.sinks)) or "name one that all shots have"
            return Problem("delivery", message, way_out, field="shows")
    return None


def _path(
    delivery: Delivery, works: Sequence[Work], variables: Mapping[str, Any], root: Path
) -> tuple[Path | None, list[Problem]]:
    """The path with its variables filled in: for a shot those of its graph too."""
    values = dict(variables)
    if delivery.each == "shot":
        values = {**works[0].composition.document.head.variables, **variables, **works[0].composition.given,
                  "shot_name": works[0].name}  # fmt: skip
    filling = resolve(values)
    broken = len(filling.problems)
    text = filling.fill(delivery.path, ("path",))
    problems = [replace(problem, field="path", pointer_override="") for problem in filling.problems[broken:]]
    if problems:
        return None, problems
    if not isinstance(text, str) or not text:
        return None, [Problem("delivery", "the path is no text", "write a path", field="path")]
    return Path(os.path.join(root, text)), []


def _clashes(
    planned: Sequence[Planned], works: Sequence[Work], replace_foreign: bool
) -> Iterator[tuple[str, Problem]]:
    taken: dict[str, str] = {}
    for work in works:
        for frame in work.frames:
            taken.update(dict.fromkeys(map(os.path.abspath, work.outputs(frame)), f"{work.words}a deliver node"))
    known = [
        reading
        for work in works
        for reading in readings(work.composition.document, work.root, work.frames, work.composition.variable_files)
    ]
    for one in planned:
        where = os.path.abspath(one.path)
        if where in taken:
            way_out = "put ${shot_name} into the path" if one.delivery.each == "shot" else "choose another path"
            yield one.name, Problem("output-twice", f"would write {one.path}, as {taken[where]} does", way_out,
                                    field="path")  # fmt: skip
            continue
        taken[where] = f'delivery "{one.name}"'
        foreign = replace_foreign or one.delivery.replace == "anything"
        allow = '"replace": "anything" at the delivery, or --replace-foreign, lets it be replaced'
        for problem in refusals([Writing(one.path, one.mark, "", "path")], known, one.works[0].root,
                                replace_foreign=foreign, allow=allow):  # fmt: skip
            yield one.name, problem


def _movie(one: Planned) -> Iterator[Problem]:
    from stackcomp.files.movie import check_available
    from stackcomp.files.movie_formats import movie_format

    movie = one.delivery
    assert isinstance(movie, Movie)
    try:
        check_available(movie.codec)
        movie_format(one.path, movie.codec, movie.chroma, None)
    except RequestError as error:
        yield from (replace(problem, rule="delivery", field="codec") for problem in error.problems)
    except FileError as error:
        yield Problem("delivery", f"{error.path}: {error.reason}", error.way_out, field="path")
    if one.frame_rate() is None:
        shot = one.works[0].words
        yield Problem(
            "delivery",
            f"{shot}the frame rate of the movie is not known: neither the graph nor the plate says it",
            'write "frame_rate": 24 at the delivery or into the graph',
            field="frame_rate",
        )


def _at(problem: Problem, name: str, place: str) -> Problem:
    pointer = pointer_to(("deliveries", name, *(problem.field.split(".") if problem.field else ())))
    message = f'delivery "{name}": {problem.message}'
    return replace(problem, message=message, place=place, node="", field="", pointer_override=pointer)
