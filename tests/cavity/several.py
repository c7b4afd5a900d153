"""Scans of several impressions, put together from single ones whose volumes are known."""

import manifold3d
import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from tests.corpus.specimen import Specimen

Floats = npt.NDArray[np.float64]


def level(made: Specimen) -> Floats:
    """Return its triangles, (n, 3, 3), with the rim at z = 0, open to above and amid x and y."""
    up, _ = Rotation.align_vectors([[0.0, 0.0, 1.0]], [made.rim[3:]])
    points = up.apply(made.vertices - made.rim[:3])
    points[:, :2] -= (points.min(axis=0) + points.max(axis=0))[:2] / 2.0
    triangles = points[made.faces]
    return np.asarray(triangles[:, ::-1] if made.drawn.turned else triangles)


def moved(
    triangles: Floats,
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    turns_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Floats:
    """Turn triangles about x, y and z, then shift them."""
    turned = Rotation.from_euler("xyz", turns_deg, degrees=True).apply(triangles.reshape(-1, 3))
    return np.asarray(turned.reshape(triangles.shape) + np.array(shift_mm))


def noisy(triangles: Floats, sigma_mm: float, seed: int) -> Floats:
    """Move every corner by noise, the same for all triangles that share it."""
    corners, index = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    noise = np.random.default_rng(seed).normal(0.0, sigma_mm, corners.shape)
    return np.asarray((corners + noise)[index].reshape(triangles.shape))


def back_to_back(upper: Floats, lower: Floats) -> Floats:
    """Join two closed trays bottom to bottom by a boolean: one tray, open above and below."""
    turned = moved(lower, turns_deg=(180.0, 0.0, 0.0))
    under = upper[..., 2].min() - turned[..., 2].max() + 1.0  # 1 mm into each other
    return _triangles(_solid(upper) + _solid(moved(turned, (0.0, 0.0, float(under)))))


def on_a_bench(first: Floats, second: Floats, away_mm: float) -> Floats:
    """Join two closed trays and a bench under them into one solid."""
    beside = moved(second, (away_mm, 0.0, 0.0))
    floor = min(float(first[..., 2].min()), float(second[..., 2].min()))
    bench = manifold3d.Manifold.cube((away_mm + 100.0, 90.0, 6.0), True)
    bench = bench.translate((away_mm / 2.0, 0.0, floor))
    return _triangles(_solid(first) + _solid(beside) + bench)


def _solid(triangles: Floats) -> manifold3d.Manifold:
    corners, index = np.unique(triangles.reshape(-1, 3).round(5), axis=0, return_inverse=True)
    faces = index.reshape(-1, 3).astype(np.uint64)
    return manifold3d.Manifold(manifold3d.Mesh64(vert_properties=corners, tri_verts=faces))


def _triangles(solid: manifold3d.Manifold) -> Floats:
    mesh = solid.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3]
    return np.asarray(corners[np.asarray(mesh.tri_verts).astype(np.int64)])
