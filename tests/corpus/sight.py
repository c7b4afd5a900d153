"""What a scanner sees of a whole solid: surface in the line of sight of some direction."""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from tests.corpus.blend import Array
from tests.corpus.mesh import Faces, Mesh, compact, face_normals

PIXEL_MM = 0.2
"""Spacing of the depths that are kept for each direction."""
SLACK_MM = 0.05
"""So far behind the foremost surface a triangle's plane still counts as that surface."""
GRAZING_DEG = 12.0
"""A surface that the line of sight meets flatter than this gives the scanner nothing."""
RINGS = ((1.0, 18), (0.55, 9))
"""Directions: shares of the widest angle, and how many all round at each; one more from above."""
LEAST_FACES = 30
"""Smaller pieces are thrown away by a scanner's program."""


def directions(widest_deg: float, rng: np.random.Generator) -> Array:
    """Give unit vectors towards the scanner within an angle of z, (n, 3)."""
    ways = [np.array([[0.0, 0.0, 1.0]])]
    for share, count in RINGS:
        lean = np.radians(share * widest_deg)
        turn = 2.0 * np.pi * (np.arange(count) + rng.random()) / count
        level = np.full(count, np.cos(lean))
        ways.append(np.column_stack([np.cos(turn), np.sin(turn), level]) * _scaled(lean))
    return np.concatenate(ways)


def _scaled(lean: float) -> Array:
    return np.array([np.sin(lean), np.sin(lean), 1.0])


@njit(cache=True)
def _foremost(spots: Array, faces: Faces, wide: int, high: int) -> Array:
    """Give the greatest z over each pixel's centre; spots are (n, 3), x and y in pixels."""
    depth = np.full((wide, high), -np.inf)
    for k in range(len(faces)):
        ax, ay, az = spots[faces[k, 0]]
        bx, by, bz = spots[faces[k, 1]]
        cx, cy, cz = spots[faces[k, 2]]
        twice = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(twice) < 1e-12:
            continue
        for i in range(int(np.ceil(min(ax, bx, cx))), int(np.floor(max(ax, bx, cx))) + 1):
            for j in range(int(np.ceil(min(ay, by, cy))), int(np.floor(max(ay, by, cy))) + 1):
                u = ((bx - i) * (cy - j) - (by - j) * (cx - i)) / twice
                v = ((cx - i) * (ay - j) - (cy - j) * (ax - i)) / twice
                if u >= 0.0 and v >= 0.0 and u + v <= 1.0:
                    z = u * az + v * bz + (1.0 - u - v) * cz
                    depth[i, j] = max(depth[i, j], z)
    return depth


def from_above(mesh: Mesh, way: Array) -> tuple[Array, Array]:
    """Look along a direction: corners in its frame, x and y in pixels, and what is foremost."""
    aside = np.cross(way, [0.0, 1.0, 0.0] if abs(way[1]) < 0.9 else [1.0, 0.0, 0.0])
    aside /= np.linalg.norm(aside)
    spots = mesh.vertices @ np.column_stack([aside, np.cross(way, aside), way])
    spots[:, :2] = (spots[:, :2] - spots[:, :2].min(axis=0)) / PIXEL_MM + 1.0
    wide, high = np.ceil(spots[:, :2].max(axis=0)).astype(int) + 2
    return spots, _foremost(spots, mesh.faces, wide, high)


def seen(mesh: Mesh, ways: Array) -> NDArray[np.bool_]:
    """Tell which triangles some direction sees at their middle, and not too flat, (m,)."""
    normals = face_normals(mesh)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    found = np.zeros(len(normals), dtype=bool)
    for way in ways:
        steep = normals @ way
        asked = np.flatnonzero(~found & (steep > np.sin(np.radians(GRAZING_DEG))))
        spots, depth = from_above(mesh, way)
        first, second, third = np.moveaxis(spots[mesh.faces[asked]], 1, 0)
        middle = (first + second + third) / 3.0
        pixel = np.rint(middle[:, :2]).astype(int)
        normal = np.cross(second - first, third - first)
        slip = ((pixel - middle[:, :2]) * normal[:, :2]).sum(axis=1) / normal[:, 2]
        hidden = depth[pixel[:, 0], pixel[:, 1]] - (middle[:, 2] - slip)
        found[asked[hidden < SLACK_MM / steep[asked]]] = True
    return found


def kept(mesh: Mesh, wanted: NDArray[np.bool_]) -> tuple[Mesh, NDArray[np.int64]]:
    """Keep triangles, but no small pieces; a corner that two fans share becomes two.

    Returns the mesh and the numbers of its triangles in the first one.
    """
    numbers = np.flatnonzero(wanted)
    faces = fans(mesh.faces[numbers])
    count = int(faces.max()) + 1
    ends = faces[:, [0, 1, 1, 2]].reshape(-1, 2)
    link = sparse.coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), (count, count))
    piece = csgraph.connected_components(link, directed=False)[1][faces[:, 0]]
    big = np.bincount(piece)[piece] >= LEAST_FACES
    owner = np.zeros(count, dtype=np.int64)
    owner[faces] = mesh.faces[numbers]
    part = compact(Mesh(vertices=mesh.vertices[owner], faces=faces[big]))
    return part, numbers[big]


def fans(faces: Faces) -> Faces:
    """Number corners anew so that all triangles round one hang together by edges, (m, 3)."""
    count = len(faces)
    spot = np.arange(3 * count).reshape(-1, 3)
    start, stop = faces, np.roll(faces, -1, axis=1)
    low, high = np.minimum(start, stop).ravel(), np.maximum(start, stop).ravel()
    first = np.where(start < stop, spot, np.roll(spot, -1, axis=1)).ravel()
    last = np.where(start < stop, np.roll(spot, -1, axis=1), spot).ravel()
    order = np.lexsort((high, low))
    same = (low[order][1:] == low[order][:-1]) & (high[order][1:] == high[order][:-1])
    one, two = order[:-1][same], order[1:][same]
    ends = np.concatenate([np.stack([first[one], first[two]]), np.stack([last[one], last[two]])], 1)
    link = sparse.coo_array((np.ones(ends.shape[1]), (ends[0], ends[1])), (spot.size, spot.size))
    name: Faces = csgraph.connected_components(link, directed=False)[1].astype(np.int64)
    return name.reshape(-1, 3)
