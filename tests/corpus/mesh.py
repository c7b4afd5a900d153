"""Triangle meshes: what they are made of, how they are cut, joined pieces, and noise."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from tests.corpus.blend import Array

Faces = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles with shared corners."""

    vertices: Array  # corners, (n, 3), in mm
    faces: Faces  # three corners each, (m, 3), counter-clockwise seen from the air

    @property
    def corners(self) -> Array:
        """Corners of each triangle, (m, 3, 3)."""
        return self.vertices[self.faces]

    @property
    def area_mm2(self) -> float:
        """Sum of the triangles' areas."""
        return float(0.5 * np.linalg.norm(face_normals(self), axis=1).sum())


def face_normals(mesh: Mesh) -> Array:
    """Give each triangle's normal with twice its area for length.

    Gives (m, 3).
    """
    first, second, third = np.moveaxis(mesh.corners, 1, 0)
    normals: Array = np.cross(second - first, third - first)
    return normals


def averaging(mesh: Mesh) -> sparse.csr_array:
    """Give the matrix that replaces each corner by the mean of its neighbours.

    Gives (n, n).
    """
    count = len(mesh.vertices)
    ends = mesh.faces[:, [0, 1, 1, 2, 2, 0, 1, 0, 2, 1, 0, 2]].reshape(-1, 2)
    link = sparse.coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), (count, count)).tocsr()
    link.data[:] = 1.0
    degree = np.maximum(link.sum(axis=1), 1.0)
    return sparse.csr_array(sparse.diags_array(1.0 / degree) @ link)


def border(mesh: Mesh) -> NDArray[np.bool_]:
    """Tell which corners lie on an open border.

    Gives (n,).
    """
    edges = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    once, uses = np.unique(edges, axis=0, return_counts=True)
    flags = np.zeros(len(mesh.vertices), dtype=bool)
    flags[once[uses == 1].ravel()] = True
    return flags


def cut(mesh: Mesh, level: Array, snap: float) -> Mesh:
    """Keep the part of a mesh where a value on its corners is negative.

    `level` (n,).
    """
    level = np.where(np.abs(level) < snap, 0.0, level)
    out = level > 0.0
    lost = out[mesh.faces]  # (m, 3)
    one, two = mesh.faces[lost.sum(axis=1) == 1], mesh.faces[lost.sum(axis=1) == 2]
    one = _turned(one, np.argmax(out[one], axis=1))  # the lost corner first
    two = _turned(two, np.argmin(out[two], axis=1))  # the kept corner first
    ends = np.concatenate([one[:, [1, 0]], one[:, [2, 0]], two[:, [0, 1]], two[:, [0, 2]]])
    spots, names = _crossings(mesh.vertices, level, ends)
    first, second, third, fourth = np.split(names, np.cumsum([len(one), len(one), len(two)]))
    made = [
        np.column_stack([first, one[:, 1], one[:, 2]]),
        np.column_stack([first, one[:, 2], second]),
        np.column_stack([two[:, 0], third, fourth]),
    ]
    faces = np.concatenate([mesh.faces[~lost.any(axis=1)], *made])
    flat = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    return compact(Mesh(vertices=np.concatenate([mesh.vertices, spots]), faces=faces[~flat]))


def _turned(faces: Faces, turns: NDArray[np.int64]) -> Faces:
    """Turn each face's corners so that the given one comes first."""
    order = (np.arange(3) + turns[:, None]) % 3
    return np.take_along_axis(faces, order, axis=1)


def _crossings(vertices: Array, level: Array, ends: Faces) -> tuple[Array, Faces]:
    """Give the points where edges from kept to lost corners are cut, and a name for each edge.

    A kept corner that lies on the cut is its own crossing, and keeps its name.
    """
    once, place = np.unique(ends, axis=0, return_inverse=True)
    kept, lost = once.T
    share = (level[kept] / (level[kept] - level[lost]))[:, None]
    spots: Array = vertices[kept] * (1.0 - share) + vertices[lost] * share
    names = np.where(level[kept] == 0.0, kept, len(vertices) + np.arange(len(once)))
    return spots, names[place.ravel()]


def compact(mesh: Mesh) -> Mesh:
    """Drop corners that no triangle uses."""
    used, faces = np.unique(mesh.faces, return_inverse=True)
    return Mesh(vertices=mesh.vertices[used], faces=faces.reshape(-1, 3).astype(np.int64))


def largest_piece(mesh: Mesh) -> Mesh:
    """Keep the connected piece that has the most triangles."""
    count = len(mesh.vertices)
    ends = mesh.faces[:, [0, 1, 1, 2]].reshape(-1, 2)
    link = sparse.coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), (count, count))
    label = csgraph.connected_components(link, directed=False)[1]
    owner = label[mesh.faces[:, 0]]
    return compact(
        Mesh(vertices=mesh.vertices, faces=mesh.faces[owner == np.bincount(owner).argmax()])
    )


def with_noise(mesh: Mesh, rng: np.random.Generator, sigma_mm: float) -> Mesh:
    """Move corners along their normals as a scanner's noise would."""
    corner_normals = np.zeros_like(mesh.vertices)
    for corner in range(3):
        np.add.at(corner_normals, mesh.faces[:, corner], face_normals(mesh))
    length = np.linalg.norm(corner_normals, axis=1, keepdims=True)
    noise = averaging(mesh) @ rng.normal(size=len(mesh.vertices))
    noise *= sigma_mm / noise.std()
    moved = mesh.vertices + noise[:, None] * corner_normals / np.maximum(length, 1e-12)
    return Mesh(vertices=moved, faces=mesh.faces)
