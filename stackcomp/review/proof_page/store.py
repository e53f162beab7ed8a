"""Pieces of data in the page: each stored once, numbered, as text."""

from __future__ import annotations

import base64
import hashlib
import json
import threading
from collections.abc import Iterator
from typing import Any

from stackcomp.review.proof_page.pack import deflated

__all__ = ["Store"]


class Store:
    """Numbered pieces; equal ones have one number."""

    def __init__(self) -> None:
        self._numbers: dict[bytes, int] = {}
        self._texts: list[str] = []
        self._lock = threading.Lock()

    def add(self, data: bytes) -> int:
        """Keep bytes, and return their number."""
        digest = hashlib.sha256(data).digest()
        with self._lock:
            known = self._numbers.get(digest)
            if known is None:
                known = self._numbers[digest] = len(self._texts)
                self._texts.append(base64.b64encode(data).decode())
            return known

    def add_json(self, data: Any) -> int:
        """Keep JSON data, deflated."""
        return self.add(deflated(json.dumps(data, allow_nan=False, separators=(",", ":")).encode()))

    @property
    def size(self) -> int:
        """Characters so far."""
        return sum(map(len, self._texts))

    def pieces(self) -> Iterator[tuple[int, str]]:
        """All of them, by number, in base64."""
        yield from enumerate(self._texts)
