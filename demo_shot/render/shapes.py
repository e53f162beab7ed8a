"""Triangle meshes made from numbers: plates, boxes, lathed profiles, tubes along a curve.

Every maker returns a `Mesh` (numpy arrays); `shape()` writes it as a binary PLY file into a
scratch folder and gives the dictionary that the renderer's `load_dict` takes. Lengths are metres,
z points up, triangles wind counter-clockwise seen from outside.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

Array = np.ndarray


class Mesh(NamedTuple):
    """Points (n, 3), triangles (m, 3), point normals (n, 3) or None for facets, texture coordinates (n, 2)."""

    points: Array
    faces: Array
    normals: Array | None
    uv: Array


def plate(corner: Array, across: Array, up: Array) -> Mesh:
    """A parallelogram; its normal is across × up; u runs along `across`, v along `up`."""
    corner, across, up = (np.asarray(v, float) for v in (corner, across, up))
    points = np.array([corner, corner + across, corner + across + up, corner + up])
    uv = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    return Mesh(points, np.array([[0, 1, 2], [0, 2, 3]]), None, uv)


def box(centre: Array, size: Array, turn: float = 0.0, tilt: float = 0.0) -> Mesh:
    """A box, tilted about its x axis and then turned about z (degrees); each face carries the unit square."""
    points, faces, uv = [], [], []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            a, b = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
            if sign < 0:
                a, b = b, a
            out = sign * np.eye(3)[axis]
            first = len(points)
            points += [out - a - b, out + a - b, out + a + b, out - a + b]
            uv += [[0, 0], [1, 0], [1, 1], [0, 1]]
            faces += [[first, first + 1, first + 2], [first, first + 2, first + 3]]
    placed = np.array(points) * np.asarray(size, float) / 2 @ _about_x(tilt).T @ _about_z(turn).T + centre
    return Mesh(placed, np.array(faces), None, np.array(uv, float))


def lathe(profile: list[tuple[float, float]], centre: Array, steps: int = 96, hard: float = 35.0) -> Mesh:
    """Turn a profile of (radius, height) about the vertical; listed upwards on the outside.

    Corners sharper than `hard` degrees keep a crease.
    """
    p = np.array(profile, float)
    angle = np.linspace(0, 2 * np.pi, steps + 1)
    points, normals, uv, faces = [], [], [], []
    along = np.diff(p, axis=0)
    out = np.stack([along[:, 1], -along[:, 0]], 1) / np.linalg.norm(along, axis=1, keepdims=True)
    soft = [i > 0 and out[i - 1] @ out[i] > np.cos(np.radians(hard)) for i in range(len(out))] + [False]
    height = np.concatenate([[0], np.cumsum(np.linalg.norm(along, axis=1))])
    height /= height[-1]
    for i in range(len(out)):
        first = len(points)
        for j, smooth, other in ((i, soft[i], i - 1), (i + 1, soft[i + 1], i + 1)):
            n = out[i] + out[other] if smooth else out[i]
            n = n / np.linalg.norm(n)
            for a in angle:
                points.append([p[j, 0] * np.cos(a), p[j, 0] * np.sin(a), p[j, 1]])
                normals.append([n[0] * np.cos(a), n[0] * np.sin(a), n[1]])
                uv.append([a / (2 * np.pi), height[j]])
        for s in range(steps):
            a, b, c, d = first + s, first + s + 1, first + steps + 1 + s, first + steps + 2 + s
            faces += [[a, b, d], [a, d, c]]
    return Mesh(np.array(points) + centre, np.array(faces), np.array(normals), np.array(uv))


def tube(path: Array, radius: float | Array, around: int = 14, closed: bool = False) -> Mesh:
    """A round tube along a path of points (n, 3)."""
    path = np.asarray(path, float)
    if closed:
        path = np.concatenate([path, path[:1]])
    ahead = np.gradient(path, axis=0)
    if closed:
        ahead[0] = ahead[-1] = path[1] - path[-2]
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    side = np.cross(ahead[0], [0.3, 0.2, 0.93])
    radius = np.broadcast_to(radius, len(path))
    points, normals, uv = [], [], []
    angle = np.linspace(0, 2 * np.pi, around + 1)
    for i in range(len(path)):
        side = side - ahead[i] * (side @ ahead[i])
        side /= np.linalg.norm(side)
        over = np.cross(ahead[i], side)
        for a in angle:
            n = np.cos(a) * side + np.sin(a) * over
            points.append(path[i] + radius[i] * n)
            normals.append(n)
            uv.append([a / (2 * np.pi), i / (len(path) - 1)])
    faces = []
    for i in range(len(path) - 1):
        for s in range(around):
            a = i * (around + 1) + s
            b = a + around + 1
            faces += [[a, a + 1, b + 1], [a, b + 1, b]]
    return Mesh(np.array(points), np.array(faces), np.array(normals), np.array(uv))


def ball(centre: Array, radius: float) -> Mesh:
    """A sphere as a lathed half circle."""
    t = np.linspace(-np.pi / 2, np.pi / 2, 33)
    return lathe([(radius * max(np.cos(a), 1e-5), radius * np.sin(a)) for a in t], centre, 48)


def ribbon(path: Array, width: Array) -> Mesh:
    """A strip along a path; `width` is the vector across it."""
    path = np.asarray(path, float)
    points = np.concatenate([path - np.asarray(width) / 2, path + np.asarray(width) / 2])
    n = len(path)
    faces = [f for i in range(n - 1) for f in ([i, i + 1, n + i + 1], [i, n + i + 1, n + i])]
    uv = np.concatenate([np.stack([np.linspace(0, 1, n), np.full(n, v)], 1) for v in (0.0, 1.0)])
    return Mesh(points, np.array(faces), None, uv)


def moved(mesh: Mesh, turn: float, to: Array) -> Mesh:
    """The mesh turned about z (degrees) and moved."""
    r = _about_z(turn)
    return mesh._replace(
        points=mesh.points @ r.T + to, normals=None if mesh.normals is None else mesh.normals @ r.T
    )


def shape(mesh: Mesh, folder: Path, name: str, bsdf: dict[str, Any], **more: Any) -> dict[str, Any]:
    """Write the mesh to `folder/name.ply`; return the renderer's dictionary for it."""
    columns = [("x", "<f4"), ("y", "<f4"), ("z", "<f4")]
    values = [mesh.points]
    if mesh.normals is not None:
        columns += [("nx", "<f4"), ("ny", "<f4"), ("nz", "<f4")]
        values.append(mesh.normals)
    columns += [("u", "<f4"), ("v", "<f4")]
    values.append(mesh.uv)
    header = ["ply", "format binary_little_endian 1.0", f"element vertex {len(mesh.points)}"]
    header += [f"property float {c}" for c, _ in columns]
    header += [f"element face {len(mesh.faces)}", "property list uchar int vertex_indices", "end_header", ""]
    faces = np.zeros(len(mesh.faces), [("n", "u1"), ("i", "<i4", 3)])
    faces["n"], faces["i"] = 3, mesh.faces
    path = folder / f"{name}.ply"
    body = np.concatenate(values, 1).astype("<f4").tobytes() + faces.tobytes()
    path.write_bytes("\n".join(header).encode() + body)
    flat = mesh.normals is None
    return {"type": "ply", "filename": str(path), "face_normals": flat, "bsdf": bsdf, **more}


def _about_z(degrees: float) -> Array:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])


def _about_x(degrees: float) -> Array:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[1.0, 0, 0], [0, c, -s], [0, s, c]])
