"""Files for which no library has a writer."""

import struct

import pytest


def _attribute(name: str, kind: str, data: bytes) -> bytes:
    return name.encode("latin-1") + b"\0" + kind.encode() + b"\0" + struct.pack("<i", len(data)) + data


@pytest.fixture(scope="session")
def exr_by_hand():
    """Bytes of an uncompressed OpenEXR file after the published layout, for kinds that no library writes.

    Channels are (name, pixel type, step in x and y); rows are the samples of each row, already packed;
    ``instead`` are attributes as (type, bytes), which may take the place of those that every file has.
    """

    def build(width, height, channels, rows, flags=0, instead=None, **texts) -> bytes:
        window = struct.pack("<4i", 0, 0, width - 1, height - 1)
        listed = b"".join(
            name.encode("latin-1") + b"\0" + struct.pack("<4i", kind, 0, step, step)
            for name, kind, step in channels
        )
        attributes = {
            "channels": ("chlist", listed + b"\0"),
            "compression": ("compression", b"\0"),
            "dataWindow": ("box2i", window),
            "displayWindow": ("box2i", window),
            "lineOrder": ("lineOrder", b"\0"),
            "pixelAspectRatio": ("float", struct.pack("<f", 1)),
            "screenWindowCenter": ("v2f", struct.pack("<2f", 0, 0)),
            "screenWindowWidth": ("float", struct.pack("<f", 1)),
            **{name: ("string", text.encode()) for name, text in texts.items()},
            **(instead or {}),
        }
        magic = b"\x76\x2f\x31\x01" + struct.pack("<I", 2 | flags)
        header = magic + b"".join(_attribute(name, *attributes[name]) for name in attributes) + b"\0"
        table, body = b"", b""
        for number, row in enumerate(rows):
            table += struct.pack("<Q", len(header) + 8 * len(rows) + len(body))
            body += struct.pack("<ii", number, len(row)) + row
        return header + table + body

    return build


@pytest.fixture(scope="session")
def tiff_by_hand():
    """Bytes of a TIFF of one strip after TIFF 6.0; further tags as t320=[…], lists of 16-bit values."""

    def build(width, height, data, bits, photometric, samples=1, **tags) -> bytes:
        listed = {256: [width], 257: [height], 258: [bits] * samples, 259: [1], 262: [photometric],
                  273: [], 277: [samples], 278: [height], 279: [len(data)],
                  **{int(key[1:]): value for key, value in tags.items()}}  # fmt: skip
        listed = {tag: value for tag, value in sorted(listed.items()) if value is not None}
        start = 8 + 2 + 12 * len(listed) + 4
        beyond, entries = b"", b""
        for tag, values in listed.items():
            packed = struct.pack(f"<{len(values)}H", *values)
            if len(packed) > 4:
                value = struct.pack("<I", start + len(beyond))
                beyond += packed
            else:
                value = packed.ljust(4, b"\0")
            entries += struct.pack("<HHI", tag, 3, max(1, len(values))) + value
        at = entries.index(struct.pack("<HHI", 273, 3, 1))
        entries = entries[:at] + struct.pack("<HHII", 273, 4, 1, start + len(beyond)) + entries[at + 12 :]
        return b"II*\0" + struct.pack("<IH", 8, len(listed)) + entries + bytes(4) + beyond + data

    return build
