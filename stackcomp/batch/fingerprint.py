"""What the files of a frame depend on: the nodes at that frame, the files that are read, the colour config.

Equal hashes of a frame mean that it would be rendered to the same pixels. What changes no pixel does not count:
notes, names of variables, the range of frames, keys that do not reach the frame, nodes that no deliver node
depends on.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from stackcomp.batch.record import FileRecord
from stackcomp.batch.work import Work
from stackcomp.deliver.provenance import input_files
from stackcomp.document.model import Document
from stackcomp.files.colour_tables import config_files
from stackcomp.files.file_hash import file_hash
from stackcomp.files.file_state import file_state
from stackcomp.nodes.kinds import KINDS

__all__ = ["NodeHashes", "file_record", "inputs_of"]


class NodeHashes:
    """Hashes of the nodes that a shot's deliver nodes depend on, at any frame.

    Args:
        work: the shot.
    """

    def __init__(self, work: Work) -> None:
        self._document: Document = work.composition.document
        self._names = _upstream(self._document, work.sinks)
        self._settings = _hash(
            {
                "working_space": self._document.head.working_space,
                "colour_config": self._document.head.colour_config,
                "frame_rate": getattr(self._document.head, "frame_rate", None),
            }
        )
        self._still = {name: self._node(name, 0) for name in self._names if self._document.nodes[name].still}

    def at(self, frame: int) -> dict[str, str]:
        """Hash by node, and that of the working space and colour config under the empty name."""
        moving = {name: self._node(name, frame) for name in self._names if name not in self._still}
        return {"": self._settings, **self._still, **moving}

    def _node(self, name: str, frame: int) -> str:
        # Where it reads and writes counts: two reads may change places, and two outputs too.
        node = self._document.nodes[name].at(frame)
        fields = node.model_dump(mode="json", by_alias=True, exclude={"about", "replace"})
        # Another version of a package may compute other pixels; that of the program is in the ledger.
        package = KINDS.state(node.kind)
        return _hash({**fields, "package": package} if package else fields)


def inputs_of(work: Work, frame: int) -> list[Path]:
    """Every file that the frame's deliver nodes depend on; a colour config on disk and its tables among them."""
    files = input_files(work.composition.document, work.root, work.sinks, frame)
    return [*files, *config_files(work.root / work.composition.document.head.colour_config)]


def file_record(path: Path) -> FileRecord:
    """A file with the hash of its contents.

    Raises:
        FileError: it cannot be read, or is written to.
    """
    state = file_state(path)
    return FileRecord(str(path.absolute()), state.size, state.modified, file_hash(path, state).hex())


def _upstream(document: Document, sinks: Iterable[str]) -> list[str]:
    waiting, found = list(sinks), dict.fromkeys(sinks)
    while waiting:
        for name in document.nodes[waiting.pop()].inputs().values():
            if name in document.nodes and name not in found:
                found[name] = None
                waiting.append(name)
    return list(found)


def _hash(fields: Mapping[str, object]) -> str:
    text = json.dumps(fields, sort_keys=True, ensure_ascii=False)
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()
