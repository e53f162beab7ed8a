"""Write errors: a full disk, and folders without permission. Messages name the user's own paths."""

import os
import shutil
import subprocess

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files import exr, file_state, stills

NAMES = ["a.exr", "a.png", "a.jpg", "a.tif"]


def write(path, size=400):
    pixels = np.random.default_rng(0).random((size, size, 3)).astype(np.float32)
    if path.suffix == ".exr":
        window = Window.of_size(size, size)
        exr.write(path, {c: pixels[..., k].copy() for k, c in enumerate("RGB")}, window=window, display=window)
    else:
        stills.write(path, pixels)


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 64 KiB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = shutil.which("mount")
    command = [mount or "", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("no disk can be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("name", NAMES)
def test_a_full_disk_is_reported_and_leaves_no_file(small_disk, name, capfd):
    with pytest.raises(FileError) as caught:
        write(small_disk / name)
    assert caught.value.path == str(small_disk / name)
    assert caught.value.reason == "cannot be written: the disk is full"
    assert str(small_disk) in caught.value.way_out
    assert list(small_disk.iterdir()) == []
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_without_permission_is_named(tmp_path, monkeypatch, name):
    """With the system's answers replaced, because the super-user may write everywhere."""
    original = os.access
    monkeypatch.setattr(file_state.os, "access", lambda path, mode: mode == os.R_OK and original(path, mode))

    def refuse(self, *args, **options):
        raise PermissionError(13, "Permission denied", str(self))

    def refuse_by_library(path, *rest):
        raise RuntimeError(f"Cannot open image file '{path}' for writing")

    monkeypatch.setattr("pathlib.Path.write_bytes", refuse)
    monkeypatch.setattr("stackcomp.files.exr_write._write_by_library", refuse_by_library)
    with pytest.raises(FileError) as caught:
        write(tmp_path / name, 4)
    assert str(caught.value) == (
        f'{tmp_path / name}: cannot be written: there is no permission to write to the folder "{tmp_path}" '
        "— check who may write to it"
    )


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the super-user may write everywhere")
@pytest.mark.parametrize("name", NAMES)
def test_a_read_only_folder(tmp_path, name):
    os.chmod(tmp_path, 0o500)
    try:
        with pytest.raises(FileError, match="no permission to write to the folder"):
            write(tmp_path / name, 4)
    finally:
        os.chmod(tmp_path, 0o700)
