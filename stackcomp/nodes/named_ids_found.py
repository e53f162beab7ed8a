"""What the headers and manifests of all frames say of objects that are chosen by name."""

from __future__ import annotations

import weakref
from collections.abc import Collection
from dataclasses import dataclass, field

from stackcomp.files.id_hash import HASH, id_of, id_text
from stackcomp.files.id_manifest import Manifest
from stackcomp.files.id_names import ChosenName, chosen_ids
from stackcomp.files.id_types import IdType

__all__ = ["Found"]


@dataclass
class Found:
    """What the headers of the frames hold.

    Manifests may have tens of thousands of names and differ by frame, so each is looked at once and let go.
    """

    #: Of the first frame that has one; the others only differ in their manifests.
    type: IdType | None = None
    frames: list[int] = field(default_factory=list)
    #: Frames without a manifest that can be used, by the reason; empty where the header names none.
    without: dict[str, list[int]] = field(default_factory=dict)
    way_out: dict[str, str] = field(default_factory=dict)
    problems: dict[tuple[str, str, str, str, str], list[int]] = field(default_factory=dict)
    #: All names of all manifests; chosen ones that some manifest has; names that share an id, by the id.
    every: dict[str, None] = field(default_factory=dict)
    known: set[str] = field(default_factory=set)
    collisions: dict[tuple[str, ...], str] = field(default_factory=dict)
    #: Names whose id in a manifest is not their hash, and that id.
    other_ids: dict[str, int] = field(default_factory=dict)
    seen: weakref.WeakSet[Manifest] = field(default_factory=weakref.WeakSet)

    def say(self, frame: int, field: str, rule: str, message: str, way_out: str, severity: str = "error") -> None:
        """Note a problem of a frame; the same at other frames becomes one."""
        self.problems.setdefault((rule, message, way_out, field, severity), []).append(frame)

    def add(self, manifest: Manifest, names: Collection[ChosenName], hash_name: str) -> None:
        """Note what a manifest says of the chosen names; ``hash_name`` is how names become ids."""
        if manifest in self.seen:
            return
        self.seen.add(manifest)
        self.every |= dict.fromkeys(manifest.ids)
        for name in names:
            chosen = chosen_ids([name], manifest, hash_name)[name.text]
            if name.exact is not None:
                self._exact(name.exact, name.text, manifest, hash_name)
            elif name.pattern is not None and chosen:
                self.known.add(name.text)
            shared = manifest.shared
            self.collisions |= {shared[bits]: id_text(bits) for bits in chosen if bits in shared}

    def _exact(self, name: str, text: str, manifest: Manifest, hash_name: str) -> None:
        listed = manifest.ids.get(name)
        if listed is None:
            return
        self.known.add(text)
        if hash_name == HASH and listed != id_of(name):
            self.other_ids[name] = listed
