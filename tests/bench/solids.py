"""Solids for the benchmark: one shape in three sizes of mesh, and a bowl with a formula.

Splitting triangles at the middle of an edge leaves the shape as it is, so all sizes of the arch
have one true volume. Both triangles at an edge are split, so that the mesh stays closed.
"""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from manifold3d import Manifold, Mesh

from volest.scan.reading import read_scan

Array = np.ndarray[Any, np.dtype[np.float64]]
SAMPLES = Path(__file__).resolve().parents[2] / "sample_meshes"
ARCH = "b0450-upper-closed-handle"
SIDES = 96
RADII_MM = {"outer": 32.0, "rim": 27.0, "floor": 20.0}
DEPTH_MM, UNDER_MM, LEVEL_MM = 12.0, 4.0, 0.5


def arch(count: int) -> tuple[Array, Array]:
    """Return triangles, (n, 3, 3), of a closed tray with an upper arch, and the plane, (6,)."""
    truth = json.loads((SAMPLES / f"{ARCH}.truth.json").read_text(encoding="utf-8"))
    triangles = read_scan(SAMPLES / truth["file"]).triangles
    return refined(triangles, count), np.array(truth["plane"])


def arch_ml() -> float:
    """Return what the arch holds, by an exact boolean of another library on its own triangles."""
    triangles, plane = arch(0)
    point, normal = plane[:3], plane[3:]
    corners, index = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    solid = Manifold(Mesh(corners.astype(np.float32), index.reshape(-1, 3).astype(np.uint32)))
    return held_ml(solid, point, normal)


def held_ml(solid: Manifold, point: Array, normal: Array) -> float:
    """Return the largest closed piece of a block, up to the plane, that the solid leaves free."""
    below = solid.trim_by_plane(tuple(-normal), float(-normal @ point))
    box = np.array(below.bounding_box())
    block = Manifold.cube(tuple(box[3:] - box[:3] + 2.0)).translate(tuple(box[:3] - 1.0))
    # The whole solid is taken away: two cuts in one plane might leave a slit between them.
    rest = (block.trim_by_plane(tuple(-normal), float(-normal @ point)) - solid).decompose()
    return float(sorted(piece.volume() for piece in rest)[-2]) / 1000.0  # the largest is outside


def refined(triangles: Array, wanted: int) -> Array:
    """Split edges that are the longest of both their triangles until there are enough of these."""
    points, faces = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    faces = faces.reshape(-1, 3)
    while len(faces) < wanted:
        along = np.roll(points[faces], -1, axis=1) - points[faces]
        longest = np.argmax((along**2).sum(axis=2), axis=1)
        turned = (longest[:, None] + np.arange(3)) % 3
        faces = np.take_along_axis(faces, turned, axis=1)  # the longest edge is now the first
        ends = np.sort(faces[:, :2], axis=1)
        edges, edge, met = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
        long = ((points[edges[:, 0]] - points[edges[:, 1]]) ** 2).sum(axis=1)
        twice = np.flatnonzero(met == 2)
        chosen = twice[np.argsort(-long[twice], kind="stable")][
            : max((wanted - len(faces)) // 2, 1)
        ]
        middle = np.full(len(edges), -1)
        middle[chosen] = len(points) + np.arange(len(chosen))
        points = np.concatenate([points, points[edges[chosen]].mean(axis=1)])
        new = middle[edge.ravel()]
        split, (a, b, c) = new >= 0, faces.T
        halves = np.stack([np.where(split, new, a), b, c], axis=1)
        others = np.stack([a, new, c], axis=1)[split]
        faces = np.concatenate([halves, others])
    return np.asarray(points.astype(np.float32).astype(np.float64)[faces])


def bowl(count: int) -> tuple[Array, Array]:
    """Return triangles of a bowl with many flat sides, and the plane half a mm under its rim."""
    turn = 2.0 * np.pi * np.arange(SIDES) / SIDES
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    rims = [(0.0, -DEPTH_MM), (RADII_MM["floor"], -DEPTH_MM), (RADII_MM["rim"], 0.0)]
    rims += [(RADII_MM["outer"], 0.0), (RADII_MM["outer"], -DEPTH_MM - UNDER_MM)]
    rims += [(0.0, -DEPTH_MM - UNDER_MM)]
    loops = [np.column_stack([r * ring, np.full(SIDES, z)]) for r, z in rims]
    parts = []
    for low, high in pairwise(loops):
        a, b, c, d = low, np.roll(low, -1, axis=0), np.roll(high, -1, axis=0), high
        parts += [np.stack([a, d, c], axis=1), np.stack([a, c, b], axis=1)]
    triangles = np.concatenate(parts)
    sides = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    triangles = triangles[np.linalg.norm(sides, axis=1) > 0.0]
    return refined(triangles, count), np.array([0.0, 0.0, -LEVEL_MM, 0.0, 0.0, 1.0])


def bowl_ml() -> float:
    """Return what it holds: a frustum, h / 3 (A + B + sqrt(A B)) (from memory)."""
    height = DEPTH_MM - LEVEL_MM
    top = RADII_MM["floor"] + (RADII_MM["rim"] - RADII_MM["floor"]) * height / DEPTH_MM
    a, b = (0.5 * SIDES * np.sin(2.0 * np.pi / SIDES) * r**2 for r in (RADII_MM["floor"], top))
    return float(height / 3.0 * (a + b + np.sqrt(a * b))) / 1000.0


def write_stl(triangles: Array, path: Path) -> None:
    """Write a binary STL."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    rows = np.zeros(len(triangles), record)
    rows["corners"] = triangles
    path.write_bytes(bytes(80) + np.uint32(len(rows)).tobytes() + rows.tobytes())
