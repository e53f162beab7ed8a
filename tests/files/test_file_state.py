"""The state of a file, and errors about files that cannot be read or written."""

import errno
import os
import re
import socket

import pytest

from stackcomp.errors import FileError
from stackcomp.files import file_state as module
from stackcomp.files.file_state import FileChangedError, NoFileError, cannot_write, file_state, one_state


@pytest.fixture
def file(tmp_path):
    (tmp_path / "a.exr").write_bytes(b"before")
    return tmp_path / "a.exr"


def replaced(file, content, *, same_times=True):
    """Another file in its place, of the same modification time."""
    times = os.stat(file)
    other = file.with_name("other")
    other.write_bytes(content)
    if same_times:
        os.utime(other, ns=(times.st_atime_ns, times.st_mtime_ns))
    os.replace(other, file)


def test_a_replaced_file_has_another_state_even_with_the_same_size_and_time(file):
    before = file_state(file)
    assert file_state(file) == before
    replaced(file, b"behind")
    after = file_state(file)
    assert (after.size, after.modified) == (before.size, before.modified)
    assert after != before


def test_a_written_file_has_another_state_even_if_its_time_is_reset(file):
    before = file_state(file)
    file.write_bytes(b"behind")
    os.utime(file, ns=(before.modified, before.modified))
    assert file_state(file)[:4] == before[:4]
    assert file_state(file) != before


def test_one_state_detects_a_replaced_file(file):
    with one_state(file) as state:
        pass
    replaced(file, b"behind")
    changed = pytest.raises(FileChangedError, match=r"a\.exr: it was replaced or written to while it was used")
    with changed, one_state(file, state):
        pytest.fail("it must not be read")
    with pytest.raises(FileChangedError), one_state(file):
        replaced(file, b"again!")


def test_a_changed_file_is_reported_instead_of_damage(file):
    with pytest.raises(FileChangedError), one_state(file):  # noqa: PT012
        file.unlink()
        raise FileError(file, "it is damaged")
    file.write_bytes(b"x")
    with pytest.raises(FileError, match="it is damaged") as caught, one_state(file):
        raise FileError(file, "it is damaged")
    assert not isinstance(caught.value, FileChangedError)


def test_a_broken_link_is_reported_with_its_target(tmp_path):
    (tmp_path / "a.exr").symlink_to("/gone/plate.exr")
    (tmp_path / "folder").symlink_to(tmp_path / "away")
    with pytest.raises(FileError, match=r'it is a broken link: it points to "/gone/plate.exr"'):
        file_state(tmp_path / "a.exr")
    with pytest.raises(FileError, match=r'the folder ".*folder" is a broken link: it points to ".*away"'):
        file_state(tmp_path / "folder" / "a.exr")


def test_paths_that_are_not_regular_files_are_reported(tmp_path, file):
    (tmp_path / "b.exr").symlink_to("b.exr")
    (tmp_path / "c.exr").mkdir()
    os.mkfifo(tmp_path / "d.exr")
    with socket.socket(socket.AF_UNIX) as held:
        held.bind(str(tmp_path / "e.exr"))
    for path, reason in (
        ("b.exr", "it is a link in a cycle of links"),
        ("c.exr", "it is a folder"),
        ("d.exr", "it is a pipe, not a file"),
        ("e.exr", "it is a socket, not a file"),
        ("a.exr/f.exr", f'"{file}" is a file, not a folder'),
        ("x" * 300 + ".exr", "its name is longer than the disk allows"),
        ("a\0.exr", "a path cannot contain a NUL character"),
    ):
        with pytest.raises(FileError, match=re.escape(reason)):
            file_state(tmp_path / path)
    with pytest.raises(NoFileError, match=r"there is no such file — did you mean"):
        file_state(tmp_path / "ab.exr")


def test_a_folder_without_access_is_named(tmp_path, monkeypatch):
    """With the system's answers replaced, because the super-user may enter everything."""
    closed = tmp_path / "closed"
    path = closed / "shot" / "a.exr"
    path.parent.mkdir(parents=True)
    path.touch()

    def stat(path_, **more):
        raise PermissionError(errno.EACCES, "Permission denied", str(path_))

    monkeypatch.setattr(module.os, "access", lambda path_, mode: not str(path_).startswith(str(closed)))
    with pytest.raises(FileError, match="there is no permission to read it"):
        file_state(path)
    monkeypatch.setattr(module.os, "stat", stat)
    with pytest.raises(FileError, match=f'there is no permission to enter the folder "{closed}"'):
        file_state(path)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the super-user may enter everything")
def test_a_folder_that_may_not_be_entered(tmp_path):
    (tmp_path / "closed").mkdir()
    (tmp_path / "closed" / "a.exr").touch()
    os.chmod(tmp_path / "closed", 0)
    try:
        with pytest.raises(FileError, match=r'no permission to enter the folder ".*closed"'):
            file_state(tmp_path / "closed" / "a.exr")
    finally:
        os.chmod(tmp_path / "closed", 0o700)


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (errno.ENOSPC, 'the disk is full — free space on the disk that holds "{folder}"'),
        (errno.EDQUOT, "the disk is full"),
        (errno.EROFS, 'the disk that holds "{folder}" is read-only'),
        (errno.EACCES, 'there is no permission to write to the folder "{folder}"'),
        (errno.ENAMETOOLONG, "its name is too long for the disk"),
    ],
)
def test_why_a_file_cannot_be_written(tmp_path, number, message):
    error = OSError(number, os.strerror(number), str(tmp_path / ".a.12-34.exr"))
    text = str(cannot_write(tmp_path / "a.exr", error))
    assert message.format(folder=tmp_path) in text
    assert ".a.12-34" not in text


def test_a_library_error_is_replaced_by_missing_permission(tmp_path, monkeypatch):
    error = RuntimeError(f"cannot open {tmp_path}/.a.12-34.exr")
    assert str(cannot_write(tmp_path / "a.exr", error)).endswith(
        f"cannot be written: cannot open {tmp_path}/a.exr"
    )
    monkeypatch.setattr(module.os, "access", lambda path, mode: False)
    assert f'no permission to write to the folder "{tmp_path}"' in str(cannot_write(tmp_path / "a.exr", error))
