"""A small invented shot on disk."""

from __future__ import annotations

from pathlib import Path

import pytest
from begin.small_shot import disc, plate_planes, sequence, shade


@pytest.fixture
def shot(tmp_path, monkeypatch) -> Path:
    """The current folder with a shot in ``sc/010``: three frames of a plate in ACEScct and CG in ACEScg."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "sc" / "010"
    cg = disc() | {f"shadow.{c}": shade() for c in "RGB"}
    sequence(folder, "plate", plate_planes(), range(1001, 1004))
    sequence(folder, "cg", cg, range(1001, 1004))
    return folder
