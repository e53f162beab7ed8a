"""Files for which no library has a writer."""

import struct

import pytest


def _attribute(name: str, kind: str, data: bytes) -> bytes:
    return name.encode() + b"\0" + kind.encode() + b"\0" + struct.pack("<i", len(data)) + data


@pytest.fixture(scope="session")
def exr_by_hand():
    """Bytes of an uncompressed OpenEXR file after the published layout, for kinds that no library writes.

    Channels are (name, pixel type, step in x and y); rows are the samples of each row, already packed.
    """

    def build(width, height, channels, rows, flags=0, **texts) -> bytes:
        window = struct.pack("<4i", 0, 0, width - 1, height - 1)
        listed = b"".join(
            name.encode() + b"\0" + struct.pack("<4i", kind, 0, step, step) for name, kind, step in channels
        )
        header = b"".join(
            (
                b"\x76\x2f\x31\x01" + struct.pack("<I", 2 | flags),
                _attribute("channels", "chlist", listed + b"\0"),
                _attribute("compression", "compression", b"\0"),
                _attribute("dataWindow", "box2i", window),
                _attribute("displayWindow", "box2i", window),
                _attribute("lineOrder", "lineOrder", b"\0"),
                _attribute("pixelAspectRatio", "float", struct.pack("<f", 1)),
                _attribute("screenWindowCenter", "v2f", struct.pack("<2f", 0, 0)),
                _attribute("screenWindowWidth", "float", struct.pack("<f", 1)),
                *(_attribute(name, "string", text.encode()) for name, text in texts.items()),
                b"\0",
            )
        )
        table, body = b"", b""
        for number, row in enumerate(rows):
            table += struct.pack("<Q", len(header) + 8 * len(rows) + len(body))
            body += struct.pack("<ii", number, len(row)) + row
        return header + table + body

    return build
