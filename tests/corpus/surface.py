"""Triangles from an impression's field: marching cubes, moved on to the field's true zero."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.measure import marching_cubes

from tests.corpus.blend import Array
from tests.corpus.mesh import Mesh, averaging, border, compact, face_normals
from tests.corpus.solid import Solid

# Grid values nearer to zero than this share of the pitch are moved away, against slivers
SNAP = 0.14
CHUNK = 60000  # points or columns evaluated at once, to bound memory
PROBE_MM = 0.01  # size of the tetrahedron that probes the field's slope
# Corners of a regular tetrahedron round the origin, (4, 3)
TETRAHEDRON = np.array([[1.0, 1.0, 1.0], [1.0, -1.0, -1.0], [-1.0, 1.0, -1.0], [-1.0, -1.0, 1.0]])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fine:
    """A box in which the grid's lines are closer together."""

    # corners of the box, in mm
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    pitch_mm: float  # spacing of the lines there


def at_points(solid: Solid, points: Array) -> Array:
    """Give the field at loose points.

    `points` (n, 3); gives (n,).
    """
    values = []
    for start in range(0, len(points), CHUNK):
        part = points[start : start + CHUNK]
        places = solid.arch.places(part[:, 0], part[:, 1])
        values.append(solid.field(places, part[:, 2:]).ravel())
    return np.concatenate([np.zeros(0), *values])


def slope_at(solid: Solid, points: Array) -> tuple[Array, Array]:
    """Give the field and its gradient at loose points.

    `points` (n, 3); gives (n,).
    """
    value = np.zeros(len(points))
    slope = np.zeros_like(points)
    for corner in TETRAHEDRON:
        here = at_points(solid, points + PROBE_MM * corner)
        value += 0.25 * here
        slope += here[:, None] * corner / (4.0 * PROBE_MM)
    return value, slope


def extract(
    solid: Solid,
    box: Array,
    pitch_mm: float,
    keep: Callable[[Array], NDArray[np.bool_]] | None = None,
    fine: Fine | None = None,
) -> Mesh:
    """Mesh the border between material and air.

    `box` (2, 3); `keep` (n, 3).
    """
    axes = [_axis(box[:, index], pitch_mm, index, fine) for index in range(3)]
    east, north = (part.ravel() for part in np.meshgrid(axes[0], axes[1], indexing="ij"))
    values = []
    for start in range(0, len(east), 5000):
        places = solid.arch.places(east[start : start + 5000], north[start : start + 5000])
        values.append(solid.field(places, axes[2][None]).astype(np.float32))
    grid = np.concatenate(values).reshape([len(axis) for axis in axes])
    limit = np.float32(SNAP * pitch_mm)
    grid = np.where(np.abs(grid) < limit, np.where(grid < 0, -limit, limit), grid)
    spots, faces, _, _ = marching_cubes(grid, 0.0, gradient_direction="descent")
    vertices = np.column_stack(
        [np.interp(spots[:, i], np.arange(len(axis)), axis) for i, axis in enumerate(axes)]
    )
    mesh = Mesh(vertices=vertices, faces=np.ascontiguousarray(faces, dtype=np.int64))
    if keep is not None:
        wanted = keep(vertices)[mesh.faces].any(axis=1)
        mesh = compact(Mesh(vertices=vertices, faces=mesh.faces[wanted]))
    return _fitted(solid, mesh, pitch_mm)


def _axis(ends: Array, pitch_mm: float, index: int, fine: Fine | None) -> Array:
    """Give the grid's lines along one axis, closer together where it is fine."""
    if fine is None:
        return np.arange(ends[0], ends[1] + pitch_mm, pitch_mm)
    low, high = fine.low[index], fine.high[index]
    lines = [float(ends[0])]
    while lines[-1] < ends[1]:
        away = max(low - lines[-1], lines[-1] - high, 0.0)
        lines.append(lines[-1] + min(pitch_mm, fine.pitch_mm + 0.08 * away))
    return np.array(lines)


def _fitted(solid: Solid, mesh: Mesh, pitch_mm: float) -> Mesh:
    """Even out the corners, move them on to the true surface, and let triangles straddle it."""
    vertices = mesh.vertices
    average = averaging(mesh)
    held = border(mesh)[:, None]
    for _ in range(2):
        moved = np.where(held, vertices, 0.5 * vertices + 0.5 * (average @ vertices))
        vertices = _projected(solid, moved, pitch_mm, steps=1)
    vertices = _projected(solid, vertices, pitch_mm, steps=2)
    _, slope = slope_at(solid, vertices)
    direction = slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 0.2)
    mesh = Mesh(vertices=vertices, faces=mesh.faces)
    # once and no more: the middles still miss by a quarter when the volumes agree
    vertices = vertices - direction * _sag(solid, mesh, pitch_mm)[:, None]
    return Mesh(vertices=vertices, faces=mesh.faces)


def _projected(solid: Solid, vertices: Array, pitch_mm: float, *, steps: int) -> Array:
    """Move points on to the field's zero by Newton steps along the gradient."""
    for _ in range(steps):
        value, slope = slope_at(solid, vertices)
        steep = np.maximum((slope * slope).sum(axis=1), 0.1)
        stride = np.clip(value / steep, -0.5 * pitch_mm, 0.5 * pitch_mm)
        vertices = vertices - stride[:, None] * slope
    return vertices


def _sag(solid: Solid, mesh: Mesh, pitch_mm: float) -> Array:
    """Give how far, on average, the triangles round each corner miss the surface, (n,)."""
    value, slope = slope_at(solid, mesh.corners.mean(axis=1))
    miss = value / np.maximum(np.linalg.norm(slope, axis=1), 0.2)
    miss = np.clip(miss, -0.25 * pitch_mm, 0.25 * pitch_mm)
    area = np.linalg.norm(face_normals(mesh), axis=1)
    count = len(mesh.vertices)
    total = np.bincount(mesh.faces.ravel(), np.repeat(area * miss, 3), count)
    weight = np.bincount(mesh.faces.ravel(), np.repeat(area, 3), count)
    share: Array = 0.75 * total / np.maximum(weight, 1e-12)
    return share
