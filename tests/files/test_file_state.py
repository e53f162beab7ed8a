"""Which file stands at a path, in which state, and why there is none."""

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


def test_a_file_put_in_its_place_has_another_state_even_with_the_same_size_and_time(file):
    before = file_state(file)
    assert file_state(file) == before
    replaced(file, b"behind")
    after = file_state(file)
    assert (after.size, after.modified) == (before.size, before.modified)
    assert after != before


def test_a_file_written_to_has_another_state_though_its_time_is_put_back(file):
    before = file_state(file)
    file.write_bytes(b"behind")
    os.utime(file, ns=(before.modified, before.modified))
    assert file_state(file)[:4] == before[:4]
    assert file_state(file) != before


def test_what_is_read_belongs_to_one_state(file):
    with one_state(file) as state:
        pass
    replaced(file, b"behind")
    changed = pytest.raises(FileChangedError, match=r"a\.exr: it was replaced or written to while it was used")
    with changed, one_state(file, state):
        pytest.fail("it must not be read at all")
    with pytest.raises(FileChangedError), one_state(file):
        replaced(file, b"again!")


def test_damage_seen_in_a_file_that_changed_is_blamed_on_the_change(file):
    with pytest.raises(FileChangedError), one_state(file):  # noqa: PT012
        file.unlink()
        raise FileError(file, "it is damaged")
    file.write_bytes(b"x")
    with pytest.raises(FileError, match="it is damaged") as caught, one_state(file):
        raise FileError(file, "it is damaged")
    assert not isinstance(caught.value, FileChangedError)


def test_a_link_that_leads_nowhere_says_where(tmp_path):
    (tmp_path / "a.exr").symlink_to("/gone/plate.exr")
    (tmp_path / "folder").symlink_to(tmp_path / "away")
    with pytest.raises(FileError, match=r'leads nowhere: it points at "/gone/plate.exr"'):
        file_state(tmp_path / "a.exr")
    with pytest.raises(
        FileError, match=r'the folder ".*folder" is a link that leads nowhere: it points at ".*away"'
    ):
        file_state(tmp_path / "folder" / "a.exr")


def test_what_stands_in_a_files_place_is_named(tmp_path, file):
    (tmp_path / "b.exr").symlink_to("b.exr")
    (tmp_path / "c.exr").mkdir()
    os.mkfifo(tmp_path / "d.exr")
    with socket.socket(socket.AF_UNIX) as held:
        held.bind(str(tmp_path / "e.exr"))
    for path, reason in (
        ("b.exr", "it is a link that leads in a circle"),
        ("c.exr", "it is a folder"),
        ("d.exr", "it is a pipe, not a file"),
        ("e.exr", "it is a socket, not a file"),
        ("a.exr/f.exr", f'"{file}" is a file, not a folder'),
        ("x" * 300 + ".exr", "its name is longer than the disk allows"),
        ("a\0.exr", "a path cannot hold a NUL character"),
    ):
        with pytest.raises(FileError, match=re.escape(reason)):
            file_state(tmp_path / path)
    with pytest.raises(NoFileError, match=r"there is no such file — did you mean"):
        file_state(tmp_path / "ab.exr")


def test_a_folder_without_access_is_named(tmp_path, monkeypatch):
    """By stand-ins for the system's answers, because the super-user may enter everything."""
    closed = tmp_path / "closed"
    path = closed / "shot" / "a.exr"
    path.parent.mkdir(parents=True)
    path.touch()

    def stat(asked, **more):
        raise PermissionError(errno.EACCES, "Permission denied", str(asked))

    monkeypatch.setattr(module.os, "access", lambda asked, mode: not str(asked).startswith(str(closed)))
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
    ("number", "said"),
    [
        (errno.ENOSPC, 'the disk is full — make room on the disk that holds "{folder}"'),
        (errno.EDQUOT, "the disk is full"),
        (errno.EROFS, 'the disk that holds "{folder}" is read-only'),
        (errno.EACCES, 'there is no permission to write to the folder "{folder}"'),
        (errno.ENAMETOOLONG, "its name is too long for the disk"),
    ],
)
def test_why_a_file_cannot_be_written(tmp_path, number, said):
    error = OSError(number, os.strerror(number), str(tmp_path / ".a.12-34.exr"))
    found = str(cannot_write(tmp_path / "a.exr", error))
    assert said.format(folder=tmp_path) in found
    assert ".a.12-34" not in found


def test_a_library_that_says_nothing_useful_is_not_quoted_alone(tmp_path, monkeypatch):
    said = RuntimeError(f"cannot open {tmp_path}/.a.12-34.exr")
    assert str(cannot_write(tmp_path / "a.exr", said)).endswith(f"cannot be written: cannot open {tmp_path}/a.exr")
    monkeypatch.setattr(module.os, "access", lambda path, mode: False)
    assert f'no permission to write to the folder "{tmp_path}"' in str(cannot_write(tmp_path / "a.exr", said))
