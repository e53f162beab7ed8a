"""Object ID mattes as the open specification 1.2.0 lays them out: hashed names and ranked coverage."""

from __future__ import annotations

import json

import numpy as np

Array = np.ndarray
LAYER = "CryptoObject"
RANKS = 4  # two per RGBA layer


def murmur3(text: str, seed: int = 0) -> int:
    """MurmurHash3_x86_32 of the UTF-8 bytes."""
    data = text.encode()
    h = seed
    whole = len(data) // 4 * 4
    for k in range(0, whole, 4):
        h ^= _mixed(int.from_bytes(data[k : k + 4], "little"))
        h = (_turn(h, 13) * 5 + 0xE6546B64) & 0xFFFFFFFF
    if whole < len(data):
        h ^= _mixed(int.from_bytes(data[whole:], "little"))
    h ^= len(data)
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35), (16, 1)):
        h = ((h ^ (h >> shift)) * factor) & 0xFFFFFFFF
    return h


def object_id(name: str) -> int:
    """The 32 bits of an object's id: the hash, made a normal number (exponent 0 or 255: bit 23 toggled)."""
    h = murmur3(name)
    return h ^ (1 << 23) if (h >> 23) & 255 in (0, 255) else h


def ranked(coverage: dict[str, Array]) -> dict[str, Array]:
    """Coverage per object (height, width) → channels CryptoObject00.r … 01.a, largest coverage first."""
    ids = np.array([object_id(n) for n in coverage], np.uint32).view(np.float32)
    stack = np.stack(list(coverage.values())).astype(np.float32)
    if (stack > 0).sum(0).max() > RANKS:
        raise ValueError(f"a pixel has more than {RANKS} objects: raise RANKS")
    order = np.argsort(-stack, axis=0, kind="stable")[:RANKS]
    held = np.take_along_axis(stack, order, 0)
    named = np.where(held > 0, ids[order], np.float32(0))
    out = {}
    for rank in range(RANKS):
        level = f"{LAYER}{rank // 2:02d}"
        out[f"{level}.{'rb'[rank % 2]}"] = named[rank].astype(np.float32)
        out[f"{level}.{'ga'[rank % 2]}"] = held[rank]
    return out


def metadata(names: tuple[str, ...]) -> dict[str, str]:
    """Header attributes that go with the channels."""
    key = f"cryptomatte/{murmur3(LAYER):08x}"[: len("cryptomatte/") + 7]
    manifest = json.dumps({n: f"{object_id(n):08x}" for n in names}, separators=(",", ":"))
    return {
        f"{key}/name": LAYER,
        f"{key}/hash": "MurmurHash3_32",
        f"{key}/conversion": "uint32_to_float32",
        f"{key}/manifest": manifest,
    }


def _turn(x: int, n: int) -> int:
    return ((x << n) | (x >> (32 - n))) & 0xFFFFFFFF


def _mixed(k: int) -> int:
    return (_turn((k * 0xCC9E2D51) & 0xFFFFFFFF, 15) * 0x1B873593) & 0xFFFFFFFF
