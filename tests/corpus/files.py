"""Writers of mesh files: STL and PLY, as the open descriptions of these formats have them."""

import struct
from pathlib import Path

import numpy as np

from tests.corpus.blend import Array
from tests.corpus.mesh import Mesh

# Kinds of file that `write` knows
FORMATS = ("stl", "stl-ascii", "ply-ascii", "ply-little", "ply-big")


def write(mesh: Mesh, path: Path, kind: str, title: str) -> None:
    """Write a mesh, first under another name and then moved into place."""
    if kind not in FORMATS:
        raise ValueError(f"found {kind!r}; needed one of {', '.join(FORMATS)}")
    if kind == "stl":
        data = _stl_binary(mesh, title)
    elif kind == "stl-ascii":
        data = _stl_ascii(mesh, title)
    elif kind == "ply-ascii":
        data = _ply_ascii(mesh, title)
    else:
        data = _ply_binary(mesh, title, "<" if kind == "ply-little" else ">")
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    part.replace(path)


def _unit_normals(mesh: Mesh) -> Array:
    """Give the triangles' unit normals, (m, 3)."""
    first, second, third = np.moveaxis(mesh.corners, 1, 0)
    normal = np.cross(second - first, third - first)
    unit: Array = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return unit


def _stl_binary(mesh: Mesh, title: str) -> bytes:
    """Give 80 bytes of head, a count, and 50 bytes for each triangle, little-endian."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    rows = np.zeros(len(mesh.faces), dtype=record)
    rows["normal"] = _unit_normals(mesh)
    rows["corners"] = mesh.corners
    head = title.encode("ascii")[:80].ljust(80, b" ")
    return head + struct.pack("<I", len(rows)) + rows.tobytes()


def _stl_ascii(mesh: Mesh, title: str) -> bytes:
    """Give the text form; three decimals are a micrometre."""
    name = title.replace(" ", "_")
    lines = [f"solid {name}"]
    for (nx, ny, nz), ((ax, ay, az), (bx, by, bz), (cx, cy, cz)) in zip(
        _unit_normals(mesh).tolist(), mesh.corners.tolist(), strict=True
    ):
        lines.append(
            f"facet normal {nx:.3f} {ny:.3f} {nz:.3f}\nouter loop\n"
            f"vertex {ax:.3f} {ay:.3f} {az:.3f}\nvertex {bx:.3f} {by:.3f} {bz:.3f}\n"
            f"vertex {cx:.3f} {cy:.3f} {cz:.3f}\nendloop\nendfacet"
        )
    lines.append(f"endsolid {name}\n")
    return "\n".join(lines).encode("ascii")


def _ply_head(mesh: Mesh, title: str, form: str) -> bytes:
    """Give the head of a PLY file."""
    return (
        f"ply\nformat {form} 1.0\ncomment {title}\ncomment lengths in mm\n"
        f"element vertex {len(mesh.vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(mesh.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode("ascii")


def _ply_ascii(mesh: Mesh, title: str) -> bytes:
    """Give the text form of PLY."""
    rows = [f"{x:.3f} {y:.3f} {z:.3f}" for x, y, z in mesh.vertices.tolist()]
    rows += [f"3 {a} {b} {c}" for a, b, c in mesh.faces.tolist()]
    return _ply_head(mesh, title, "ascii") + ("\n".join(rows) + "\n").encode("ascii")


def _ply_binary(mesh: Mesh, title: str, order: str) -> bytes:
    """Give the binary form of PLY, in either byte order."""
    form = "binary_little_endian" if order == "<" else "binary_big_endian"
    faces = np.zeros(len(mesh.faces), dtype=[("count", "u1"), ("corners", f"{order}i4", 3)])
    faces["count"] = 3
    faces["corners"] = mesh.faces
    body = mesh.vertices.astype(f"{order}f4").tobytes() + faces.tobytes()
    return _ply_head(mesh, title, form) + body
