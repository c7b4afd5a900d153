"""Surfaces as points and triangles: welding, shading, cutting, joining, and shapes for marks."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from volest.cavity.frame import Bools, Floats, Ints

_TINY, _UPRIGHT = 1e-12, np.array([0.0, 0.0, 1.0])
_SAME_DIGITS = 6  # of mm: what a cut made twice, once for each triangle, is the same corner
_BOX = np.array([[x, y, z] for z in (0, 1) for y in (-0.5, 0.5) for x in (-0.5, 0.5)])
_AROUND, _RINGS = 10, 5  # corners round a mark, and from top to bottom of a ball: small, but many


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """A surface: its corners (n, 3), and for each triangle the numbers (m, 3) of its three."""

    points_mm: Floats
    triangles: Ints

    def normals(self) -> Floats:
        """Give the way out at every corner, the mean of its triangles weighted by area.

        Upright where a corner has no triangle.
        """
        a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
        across = np.cross(b - a, c - a)
        total = np.zeros_like(self.points_mm)
        for k in range(3):
            for axis in range(3):
                total[:, axis] += np.bincount(
                    self.triangles[:, k], weights=across[:, axis], minlength=len(total)
                )
        length = np.linalg.norm(total, axis=1)[:, None]
        return np.where(length > _TINY, total / np.maximum(length, _TINY), _UPRIGHT)


def welded(corners_mm: Floats) -> Mesh:
    """Join the corners (3, 3, n: coordinate, corner, triangle) that triangles share.

    Shading then runs smoothly over them.
    """
    soup = corners_mm.transpose(2, 1, 0).reshape(-1, 3)
    order = np.lexsort(soup.T)
    ordered = soup[order]
    first = np.append(True, np.any(ordered[1:] != ordered[:-1], axis=1))
    number = np.empty(len(soup), dtype=np.int64)
    number[order] = np.cumsum(first) - 1
    return Mesh(points_mm=ordered[first], triangles=number.reshape(-1, 3))


def part_below(mesh: Mesh, values: Floats) -> Mesh:
    """Cut a surface where a value known at its corners is zero, and keep the part below."""
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
    """Find the two ends (k, 2, 3) of each edge of a welded surface that has one triangle only."""
    _, number = np.unique(np.round(mesh.points_mm, _SAME_DIGITS), axis=0, return_inverse=True)
    number = number.reshape(-1)
    sides = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    pairs = np.sort(number[sides], axis=1)
    real = pairs[:, 0] != pairs[:, 1]
    _, first, count = np.unique(pairs[real], axis=0, return_index=True, return_counts=True)
    return np.asarray(mesh.points_mm[sides[real][first[count == 1]]])


def grid_mesh(x_mm: Floats, y_mm: Floats) -> Mesh:
    """Lay a level net of triangles at height 0, its corners row by row."""
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


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Put surfaces into one."""
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
    """Keep some triangles (m,) of a surface, with the corners it had."""
    return Mesh(points_mm=mesh.points_mm, triangles=mesh.triangles[wanted])


def spaced(places_mm: Floats, apart_mm: float) -> Ints:
    """Choose places (n, 2) or (n, 3) that stand about evenly apart in x and y; give their numbers.

    >>> spaced(np.array([[0.0, 0.0], [0.5, 0.0], [3.0, 0.0]]), 1.0).tolist()
    [0, 2]
    """
    taken: list[int] = []
    for k, place in enumerate(places_mm[:, :2]):
        if not taken or np.hypot(*(places_mm[taken, :2] - place).T).min() >= apart_mm:
            taken.append(k)
    return np.array(taken, dtype=np.int64)


def pickets(feet_mm: Floats, tops_mm: Floats, width_mm: float) -> Mesh:
    """Raise upright square posts from the middles (n, 3) of their feet up to their tops (n,)."""
    size = np.stack(
        [np.full(len(feet_mm), width_mm)] * 2 + [tops_mm - feet_mm[:, 2]], axis=1
    )  # (n, 3)
    return _copies(_BOX, feet_mm, size)


def pegs(tips_mm: Floats, height_mm: float, width_mm: float) -> Mesh:
    """Set cones point down, as if to say: down to here."""
    turn = np.arange(_AROUND) * 2.0 * np.pi / _AROUND
    ring = np.stack([np.cos(turn) / 2.0, np.sin(turn) / 2.0, np.ones(_AROUND)], axis=1)
    shape = np.vstack([[0.0, 0.0, 0.0], ring])
    return _copies(shape, tips_mm, np.tile([width_mm, width_mm, height_mm], (len(tips_mm), 1)))


def balls(middles_mm: Floats, width_mm: float) -> Mesh:
    """Set balls round their middles (n, 3)."""
    fall = np.linspace(0.0, np.pi, _RINGS)
    turn = np.arange(_AROUND) * 2.0 * np.pi / _AROUND
    f, t = np.meshgrid(fall, turn, indexing="ij")
    shape = np.stack([np.sin(f) * np.cos(t), np.sin(f) * np.sin(t), np.cos(f)], axis=-1) / 2.0
    return _copies(shape.reshape(-1, 3), middles_mm, np.full((len(middles_mm), 3), width_mm))


def _copies(shape: Floats, places_mm: Floats, sizes_mm: Floats) -> Mesh:
    """Set the convex hull of a shape's corners, (k, 3), at places, each in its size, (n, 3)."""
    hull = ConvexHull(shape)
    sides = hull.simplices.astype(np.int64)
    a, b, c = (shape[sides[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0.0
    sides[inward] = sides[inward, ::-1]
    points = places_mm[:, None, :] + shape[None] * sizes_mm[:, None, :]  # (n, corners, 3)
    first = np.arange(len(places_mm))[:, None, None] * len(shape)
    return Mesh(points_mm=points.reshape(-1, 3), triangles=(sides[None] + first).reshape(-1, 3))
