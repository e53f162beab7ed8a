"""Hashes of files' contents, and files that go while they are looked at."""

from __future__ import annotations

import contextlib
import importlib

import pytest
import xxhash

from stackcomp.files.file_hash import file_hash
from stackcomp.files.file_state import NoFileError, file_state

MODULE = importlib.import_module("stackcomp.files.file_hash")


def test_the_hash_is_xxh3(tmp_path):
    path = tmp_path / "plate.exr"
    path.write_bytes(b"lantern" * 1000)
    assert file_hash(path, file_state(path)) == xxhash.xxh3_128(b"lantern" * 1000).digest()


def test_a_file_that_goes_between_two_looks(tmp_path, monkeypatch):
    """As on a share that is gone for a moment: an error of a file, which a batch waits for."""
    path = tmp_path / "plate.exr"
    path.write_bytes(b"lantern")
    state = file_state(path)

    @contextlib.contextmanager
    def gone(path, state):
        path.unlink()
        yield state

    monkeypatch.setattr(MODULE, "one_state", gone)
    with pytest.raises(NoFileError, match="there is no such file"):
        file_hash(path, state)
