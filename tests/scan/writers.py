"""Small writers of STL and PLY for the tests, straight from the layouts of the formats.

Layouts: binary STL 80 bytes, count, 50 bytes a triangle (common practice, e.g. the description
at rpdrc.ic.polyu.edu.hk/old_files/stl_binary_format.htm); ASCII STL (paulbourke.net/dataformats/
stl); PLY (G. Turk, The PLY Polygon File Format, 1994).
"""

import struct
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Triangles = NDArray[np.float32]  # (n, 3, 3)


def stl_binary(triangles: NDArray[np.floating[Any]], header: bytes = b"") -> bytes:
    records = np.zeros(
        len(triangles), [("normal", "<f4", 3), ("corners", "<f4", 9), ("end", "<u2")]
    )
    records["corners"] = triangles.reshape(-1, 9)
    return header.ljust(80, b"\0") + struct.pack("<I", len(triangles)) + records.tobytes()


def stl_text(triangles: Triangles, name: str = "arch", end: str = "\n") -> bytes:
    lines = [f"solid {name}"]
    for triangle in triangles:
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += [f"      vertex {x} {y} {z}" for x, y, z in triangle]
        lines += ["    endloop", "  endfacet"]
    return end.join([*lines, f"endsolid {name}", ""]).encode()


def ply_header(kind: str, vertices: int, faces: int) -> bytes:
    return (
        f"ply\nformat {kind} 1.0\nelement vertex {vertices}\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {faces}\nproperty list uchar int vertex_indices\n"
        "end_header\n"
    ).encode()


def ply_text(triangles: Triangles) -> bytes:
    rows = [f"{x} {y} {z}" for x, y, z in triangles.reshape(-1, 3)]
    rows += [f"3 {k} {k + 1} {k + 2}" for k in range(0, 3 * len(triangles), 3)]
    head = ply_header("ascii", 3 * len(triangles), len(triangles))
    return head + "\n".join(rows).encode() + b"\n"


def ply_binary(triangles: Triangles, order: str) -> bytes:
    kind = {"<": "binary_little_endian", ">": "binary_big_endian"}[order]
    head = ply_header(kind, 3 * len(triangles), len(triangles))
    faces = np.zeros(len(triangles), [("count", "u1"), ("corners", order + "i4", 3)])
    faces["count"] = 3
    faces["corners"] = np.arange(3 * len(triangles)).reshape(-1, 3)
    return head + triangles.astype(order + "f4").tobytes() + faces.tobytes()


def ply_little(triangles: Triangles) -> bytes:
    return ply_binary(triangles, "<")


def ply_big(triangles: Triangles) -> bytes:
    return ply_binary(triangles, ">")


WRITERS: dict[str, Callable[[Triangles], bytes]] = {
    "stl": stl_binary,
    "stl text": stl_text,
    "ply text": ply_text,
    "ply little": ply_little,
    "ply big": ply_big,
}


def written(triangles: Triangles, encoding: str) -> bytes:
    return WRITERS[encoding](triangles)


SUFFIX = {encoding: f".{encoding[:3]}" for encoding in WRITERS}


def cuboid(length: float = 60.0, width: float = 50.0, height: float = 20.0) -> Triangles:
    """Twelve triangles of a cuboid that begins at the origin, wound outward."""
    corners = np.array([[x, y, z] for x in (0, length) for y in (0, width) for z in (0, height)])
    faces = [
        (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
        (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
    ]  # fmt: skip
    triangles: Triangles = corners[np.array(faces)].astype(np.float32)
    return triangles
