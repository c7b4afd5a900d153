"""Surfaces as points and triangles: welding, shading, cutting, thinning out, joining."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from volest.cavity.columns import Bools, Ints
from volest.cavity.frame import Floats

_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """A surface.

    Parameters
    ----------
    points_mm : ndarray
        (n, 3) corners.
    triangles : ndarray
        (m, 3) three numbers of corners each.
    """

    points_mm: Floats
    triangles: Ints

    def normals(self) -> Floats:
        """Give the way out at every corner, the mean of its triangles weighted by area.

        Returns
        -------
        ndarray
            (n, 3) unit vectors, upright where a corner has no triangle.
        """
        a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
        across = np.cross(b - a, c - a)
        total = np.zeros_like(self.points_mm)
        for k in range(3):
            for axis in range(3):
                total[:, axis] += np.bincount(
                    self.triangles[:, k], weights=across[:, axis], minlength=len(total)
                )
        return unit(total)


def unit(vectors: Floats) -> Floats:
    """Scale vectors to length 1.

    Parameters
    ----------
    vectors : ndarray
        (n, 3), of any length.

    Returns
    -------
    ndarray
        (n, 3); upright where there was no length.

    Examples
    --------
    >>> unit(np.array([[0.0, 3.0, 4.0], [0.0, 0.0, 0.0]])).tolist()
    [[0.0, 0.6, 0.8], [0.0, 0.0, 1.0]]
    """
    length = np.linalg.norm(vectors, axis=1)[:, None]
    return np.where(length > _TINY, vectors / np.maximum(length, _TINY), np.array([0.0, 0.0, 1.0]))


def welded(corners_mm: Floats) -> Mesh:
    """Join the corners that triangles share, so that shading runs smoothly over them.

    Parameters
    ----------
    corners_mm : ndarray
        (3, 3, n): coordinate, corner, triangle.

    Returns
    -------
    Mesh
        The same surface.
    """
    soup = corners_mm.transpose(2, 1, 0).reshape(-1, 3)
    order = np.lexsort(soup.T)
    ordered = soup[order]
    first = np.append(True, np.any(ordered[1:] != ordered[:-1], axis=1))
    number = np.empty(len(soup), dtype=np.int64)
    number[order] = np.cumsum(first) - 1
    return Mesh(points_mm=ordered[first], triangles=number.reshape(-1, 3))


def part_below(mesh: Mesh, values: Floats) -> Mesh:
    """Cut a surface where a value known at its corners is zero, and keep the part below.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    values : ndarray
        (n,) a value for each corner.

    Returns
    -------
    Mesh
        The part with values below zero; its new corners lie where the value is zero.

    Examples
    --------
    >>> square = grid_mesh(np.array([0.0, 2.0]), np.array([0.0, 1.0]))
    >>> half = part_below(square, square.points_mm[:, 0] - 0.5)
    >>> float(half.points_mm[np.unique(half.triangles), 0].max())
    0.5
    """
    under = values[mesh.triangles] < 0.0  # (m, 3)
    count = under.sum(axis=1)
    kept = [mesh.triangles[count == 3]]  # noqa: PLR2004  # all three corners
    points = [mesh.points_mm]
    total = len(mesh.points_mm)
    for lone_is_under in (True, False):
        cut = mesh.triangles[count == (1 if lone_is_under else 2)]
        lone = np.argmax((values[cut] < 0.0) == lone_is_under, axis=1)
        a, b, c = (cut[np.arange(len(cut)), (lone + k) % 3] for k in range(3))
        points += [_between(mesh, values, a, b), _between(mesh, values, a, c)]
        ab, ac = total + np.arange(len(cut)), total + len(cut) + np.arange(len(cut))
        total += 2 * len(cut)
        if lone_is_under:
            kept.append(np.stack([a, ab, ac], axis=1))
        else:
            kept += [np.stack([ab, b, c], axis=1), np.stack([ab, c, ac], axis=1)]
    return Mesh(points_mm=np.concatenate(points), triangles=np.concatenate(kept))


def _between(mesh: Mesh, values: Floats, a: Ints, b: Ints) -> Floats:
    along = values[a] / (values[a] - values[b])
    return np.asarray(mesh.points_mm[a] + along[:, None] * (mesh.points_mm[b] - mesh.points_mm[a]))


def edges_of(mesh: Mesh) -> Floats:
    """Find the open edges of a surface.

    Parameters
    ----------
    mesh : Mesh
        The surface, welded.

    Returns
    -------
    ndarray
        (k, 2, 3) the two ends of each edge that has one triangle only.
    """
    _, number = np.unique(np.round(mesh.points_mm, 6), axis=0, return_inverse=True)
    number = number.reshape(-1)
    sides = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    pairs = np.sort(number[sides], axis=1)
    real = pairs[:, 0] != pairs[:, 1]
    _, first, count = np.unique(pairs[real], axis=0, return_index=True, return_counts=True)
    return np.asarray(mesh.points_mm[sides[real][first[count == 1]]])


def grid_mesh(x_mm: Floats, y_mm: Floats) -> Mesh:
    """Lay a level net of triangles.

    Parameters
    ----------
    x_mm, y_mm : ndarray
        (c,) and (r,) places of its columns and rows.

    Returns
    -------
    Mesh
        (r c) corners, row by row, at height 0.
    """
    x, y = np.meshgrid(x_mm, y_mm)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (
        part.ravel()
        for part in (number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1])
    )
    return Mesh(
        points_mm=np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1),
        triangles=np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]),
    )


def thinned(mesh: Mesh, cell_mm: float) -> tuple[Mesh, Floats]:
    """Thin out a surface: all corners in one cell of a lattice become one, at their mean.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    cell_mm : float
        Width of a cell.

    Returns
    -------
    Mesh
        The thinner surface.
    ndarray
        (n, 3) its normals, taken from the finer surface: it still looks as smooth as that.
    """
    low = mesh.points_mm.min(axis=0)
    cells = np.floor((mesh.points_mm - low) / cell_mm).astype(np.int64)
    # Opposite walls of a thin fin must not fall into one corner: the way they face tells them.
    facing = (mesh.normals() > 0.0).astype(np.int64) @ np.array([1, 2, 4])
    sizes = cells.max(axis=0) + 1
    key = ((cells[:, 0] * sizes[1] + cells[:, 1]) * sizes[2] + cells[:, 2]) * 8 + facing
    _, number = np.unique(key, return_inverse=True)
    count = np.bincount(number).astype(np.float64)
    points, ways = (
        np.stack([np.bincount(number, weights=v) / count for v in values.T], axis=1)
        for values in (mesh.points_mm, mesh.normals())
    )
    triangles = number[mesh.triangles]
    flat = (triangles == np.roll(triangles, 1, axis=1)).any(axis=1)
    return Mesh(points_mm=points, triangles=_once(triangles[~flat])), unit(ways)


def _once(triangles: Ints) -> Ints:
    if not len(triangles):
        return triangles
    _, first = np.unique(np.sort(triangles, axis=1), axis=0, return_index=True)
    return np.asarray(triangles[np.sort(first)])


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Put surfaces into one.

    Parameters
    ----------
    meshes : sequence of Mesh
        The surfaces.

    Returns
    -------
    Mesh
        All of them.
    """
    before = np.cumsum([0, *(len(mesh.points_mm) for mesh in meshes)])
    return Mesh(
        points_mm=np.concatenate([np.zeros((0, 3)), *(mesh.points_mm for mesh in meshes)]),
        triangles=np.concatenate(
            [
                np.zeros((0, 3), dtype=np.int64),
                *(mesh.triangles + at for mesh, at in zip(meshes, before, strict=False)),
            ]
        ),
    )


def chosen(mesh: Mesh, wanted: Bools) -> Mesh:
    """Keep some triangles of a surface.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    wanted : ndarray
        (m,) whether to keep each triangle.

    Returns
    -------
    Mesh
        The part, with the corners it had.
    """
    return Mesh(points_mm=mesh.points_mm, triangles=mesh.triangles[wanted])
