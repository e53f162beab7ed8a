"""What a check is: a picture, a pair or a sequence in, findings out.

==================  ================================================================================
`PictureCheck`      a function of one picture and its limits
`PairCheck`         a function of CG, plate, their comp where there is one, and its limits
`StreamCheck`       makes a `Stream`, an object that sees the frames of a sequence one by one
==================  ================================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from stackcomp.data.image import Image
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Limits
from stackcomp.inspection.seen import Seen

__all__ = ["Check", "PairCheck", "PictureCheck", "Stream", "StreamCheck"]


@dataclass(frozen=True, kw_only=True)
class Check:
    """What all checks have.

    Attributes:
        name: as in `Finding.check`, in ``--checks`` and in the file of thresholds.
        limits: the model of its limits.
        summary: what it looks for, one sentence.
        cure: the usual cure, one sentence.
        source: where the method is from; ``common practice, no source`` where there is none.
    """

    looks_at: ClassVar[str] = ""

    name: str
    limits: type[Limits]
    summary: str
    cure: str
    source: str


@dataclass(frozen=True, kw_only=True)
class PictureCheck(Check):
    """A check of one picture.

    Attributes:
        find: the pure function.
        of: ``"colour"``: it gets colour (R G B, A where there is one; float32) in the encoding of the file;
            ``"layers"``: all channels of the file that can be read, halves still float16, ids uint32.
    """

    looks_at: ClassVar[str] = "picture"

    find: Callable[[Image, Any], Iterable[Finding]]
    of: Literal["colour", "layers"] = "colour"


@dataclass(frozen=True, kw_only=True)
class PairCheck(Check):
    """A check of CG against plate.

    Attributes:
        find: the pure function of source (premultiplied colour with A), backdrop (colour), comp (None where there
            is none) and limits. All are scene-linear in one space, float32, with windows of their own and one
            frame.
    """

    looks_at: ClassVar[str] = "pair"

    find: Callable[[Image, Image, Image | None, Any], Iterable[Finding]]


class Stream:
    """Sees the frames of one sequence in rising order, and keeps little of each.

    ``look`` runs in several threads at once, on different frames, before ``see`` gets what it returns; the other
    methods run one after the other. Findings may come at any time; each carries its ``frame``.
    """

    def look(self, picture: Seen) -> Any:
        """Measure one picture. It changes nothing of the stream, and returns something small.

        Pictures of 200 frames do not fit into memory, so nothing that is returned may hold their planes.
        """
        raise NotImplementedError

    def see(self, frame: int, path: str, looked: Any) -> Iterator[Finding]:
        """Take what ``look`` returned of a frame.

        Args:
            frame: its number, larger than that of the frame before.
            path: its file, or the name of a node.
            looked: what ``look`` returned.
        """
        raise NotImplementedError

    def miss(self, frame: int, path: str, reason: str) -> Iterator[Finding]:
        """Take that a frame has no picture.

        Args:
            frame: its number, in order with those that are seen.
            path: the file that is not there or cannot be read.
            reason: empty where there is no file; else why it cannot be read. A finding about the latter exists
                already.
        """
        yield from ()

    def end(self) -> Iterator[Finding]:
        """All frames were seen."""
        yield from ()


@dataclass(frozen=True, kw_only=True)
class StreamCheck(Check):
    """A check of a sequence.

    Attributes:
        start: makes the stream for one sequence, of its limits and frames a second (None where not known).
    """

    looks_at: ClassVar[str] = "sequence"

    start: Callable[[Any, float | None], Stream]
