"""What a scanner sees of a whole solid: surface in the line of sight of some direction."""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from tests.corpus.blend import Array
from tests.corpus.mesh import Faces, Mesh, compact, face_normals

PIXEL_MM = 0.2  # spacing of the grid of heights
CELL_MM = 0.8  # width of the cells in which a ray looks for triangles
# A surface that the line of sight meets flatter than this gives the scanner nothing
GRAZING_DEG = 12.0
# Directions: shares of the widest angle, and how many all round at each; one more from above
RINGS = ((1.0, 18), (0.55, 9))
LEAST_FACES = 30  # smaller pieces are thrown away by a scanner's program


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
def _level(a: Array, b: Array, c: Array, x: float, y: float) -> float:
    """Give a triangle's z over a point, -inf beside it."""
    twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    if twice == 0.0:
        return -np.inf
    u = ((b[0] - x) * (c[1] - y) - (b[1] - y) * (c[0] - x)) / twice
    v = ((c[0] - x) * (a[1] - y) - (c[1] - y) * (a[0] - x)) / twice
    if u < 0.0 or v < 0.0 or u + v > 1.0:
        return -np.inf
    return float(u * a[2] + v * b[2] + (1.0 - u - v) * c[2])


@njit(cache=True)
def _foremost(spots: Array, faces: Faces, wide: int, high: int) -> Array:
    """Give the greatest z over each pixel's centre; spots are (n, 3), x and y in pixels."""
    depth = np.full((wide, high), -np.inf)
    for k in range(len(faces)):
        a, b, c = spots[faces[k, 0]], spots[faces[k, 1]], spots[faces[k, 2]]
        for i in range(int(np.ceil(min(a[0], b[0], c[0]))), int(max(a[0], b[0], c[0])) + 1):
            for j in range(int(np.ceil(min(a[1], b[1], c[1]))), int(max(a[1], b[1], c[1])) + 1):
                depth[i, j] = max(depth[i, j], _level(a, b, c, i, j))
    return depth


@njit(cache=True)
def _in_cells(spots: Array, faces: Faces, high: int, first: Faces, owner: Faces) -> None:
    """Count what touches each cell; where there are owners already, write them down instead."""
    for k in range(len(faces)):
        a, b, c = spots[faces[k, 0]], spots[faces[k, 1]], spots[faces[k, 2]]
        for i in range(int(min(a[0], b[0], c[0])), int(max(a[0], b[0], c[0])) + 1):
            for j in range(int(min(a[1], b[1], c[1])), int(max(a[1], b[1], c[1])) + 1):
                if len(owner):
                    first[i * high + j] -= 1
                    owner[first[i * high + j]] = k
                else:
                    first[i * high + j] += 1


@njit(cache=True)
def _covered(spots: Array, faces: Faces, asked: Faces) -> NDArray[np.bool_]:
    """Tell which triangles' middles lie under another triangle; spots' x and y count in cells."""
    wide, high = int(spots[:, 0].max()) + 1, int(spots[:, 1].max()) + 1
    first = np.zeros(wide * high + 1, dtype=np.int64)
    _in_cells(spots, faces, high, first, np.zeros(0, dtype=np.int64))
    first = np.cumsum(first)
    owner = np.zeros(first[-1], dtype=np.int64)
    _in_cells(spots, faces, high, first, owner)
    under = np.zeros(len(asked), dtype=np.bool_)
    for n in range(len(asked)):
        own = asked[n]
        x, y, z = (spots[faces[own, 0]] + spots[faces[own, 1]] + spots[faces[own, 2]]) / 3.0
        cell = int(x) * high + int(y)
        for k in owner[first[cell] : first[cell + 1]]:
            a, b, c = spots[faces[k, 0]], spots[faces[k, 1]], spots[faces[k, 2]]
            if k != own and _level(a, b, c, x, y) > z:
                under[n] = True
                break
    return under


def along(mesh: Mesh, way: Array, step_mm: float) -> Array:
    """Give corners in the frame of a line of sight, (n, 3): x and y in steps from 1 on, z in mm."""
    aside = np.cross(way, [0.0, 1.0, 0.0] if abs(way[1]) < 0.9 else [1.0, 0.0, 0.0])
    aside /= np.linalg.norm(aside)
    spots = mesh.vertices @ np.column_stack([aside, np.cross(way, aside), way])
    spots[:, :2] = (spots[:, :2] - spots[:, :2].min(axis=0)) / step_mm + 1.0
    return np.ascontiguousarray(spots)


def heights(mesh: Mesh) -> Array:
    """Give the highest z of a mesh over a grid of pixels, free all round; -inf where nothing is."""
    spots = along(mesh, np.array([0.0, 0.0, 1.0]), PIXEL_MM)
    wide, high = np.ceil(spots[:, :2].max(axis=0)).astype(int) + 2
    return np.asarray(_foremost(spots, mesh.faces, wide, high))


def seen(mesh: Mesh, ways: Array) -> NDArray[np.bool_]:
    """Tell which triangles some direction sees at their middle, and not too flat, (m,)."""
    normals = face_normals(mesh)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    found = np.zeros(len(normals), dtype=bool)
    for way in ways:
        steep = normals @ way > np.sin(np.radians(GRAZING_DEG))
        asked = np.flatnonzero(~found & steep)
        found[asked] = ~_covered(along(mesh, way, CELL_MM), mesh.faces, asked)
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
