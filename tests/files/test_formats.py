"""Detecting the format of a file by its first bytes."""

import pytest

from stackcomp.errors import FileError
from stackcomp.files.formats import format_of, other_format


@pytest.mark.parametrize(
    ("start", "name"),
    [
        (b"\x76\x2f\x31\x01\x02\0\0\0", "OpenEXR"),
        (b"\x89PNG\r\n\x1a\n", "PNG"),
        (b"\xff\xd8\xff\xe0", "JPEG"),
        (b"II*\0\x08\0\0\0", "TIFF"),
        (b"MM\0+\0\x08\0\0", "TIFF"),
    ],
)
@pytest.mark.parametrize("ending", [".exr", ".tif", "", ".bak"])
def test_the_first_bytes_decide(tmp_path, start, name, ending):
    (tmp_path / f"a{ending}").write_bytes(start)
    assert format_of(tmp_path / f"a{ending}") == name


@pytest.mark.parametrize(
    ("start", "message"),
    [
        (b"GIF89a", "it is a GIF"),
        (b"RIFF1234WEBPVP8 ", "it is a WebP picture"),
        (b"\0\0\0\x20ftypavif", "it is an AVIF picture"),
        (b"\0\0\0\x20ftypqt  ", "it is a movie"),
        (b"SDPX", "it is a DPX picture"),
        (b"#?RADIANCE\n", "it is a Radiance HDR picture"),
        (b"version https://git-lfs.github.com/spec/v1\n", "it is a Git LFS pointer, not the picture itself"),
        (b"<!DOCTYPE html>", "it is a web page"),
        (b"hello", "it is not an OpenEXR, PNG, JPEG or TIFF file"),
        (b"", "it is empty"),
        (bytes(64), "it begins with zeros, as an unfinished file does"),
    ],
)
def test_other_formats_are_named_in_the_error(tmp_path, start, message):
    (tmp_path / "a.exr").write_bytes(start)
    with pytest.raises(FileError, match=message):
        format_of(tmp_path / "a.exr")


def test_other_format(tmp_path):
    (tmp_path / "a").write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / "b").write_bytes(b"hello")
    assert (other_format(tmp_path / "a"), other_format(tmp_path / "b")) == ("a PNG", "")
