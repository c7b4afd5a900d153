"""The same surface twice in one scan: a second shell in place, or a copy that lies beside it."""

from itertools import product

import numpy as np
from scipy.spatial import cKDTree

from volest.cavity.frame import Floats
from volest.cavity.pose import Samples

IN_PLACE_MM = 0.6  # two scans of one surface are matched far closer than that
# Noise of 0.1 mm on both views stays under it; of two impressions of one jaw the teeth may lie as
# close, but not flanges and rim, which are some two fifths of the surface.
COPY_MM = 0.2
ALIKE_SHARE = 0.8  # of the points; the two views need not end at the same place
SPREAD_ALIKE = 0.05  # of the spread along each principal axis, for a copy to be looked for
POINTS = 2_000
STEPS = 40  # of matching; fifteen were enough in trials


def lies_on(points_mm: Floats, triangles: Floats) -> bool:
    """Say whether points, (m, 3), are of a surface, (n, 3, 3), that was scanned in place again."""
    _, off_mm, away_mm = _nearest(points_mm, *_planes(triangles))
    return bool(np.mean((off_mm < IN_PLACE_MM) & (away_mm < IN_PLACE_MM * 4.0)) > ALIKE_SHARE)


def is_copy(samples: Samples, other: Samples, triangles: Floats) -> bool:
    """Say whether a surface is, moved as a whole, another one, whose triangles are (n, 3, 3)."""
    here, there = samples.points_mm.T, other.points_mm.T
    spread, axes = np.linalg.eigh(np.cov(here.T))
    spread_there, axes_there = np.linalg.eigh(np.cov(there.T))
    if np.any(np.abs(np.sqrt(spread / spread_there) - 1.0) > SPREAD_ALIKE):
        return False
    points = here[:: max(len(here) // POINTS, 1)] - here.mean(axis=0)
    centres, normals = _planes(triangles)
    for first, second in product((1.0, -1.0), repeat=2):
        turned = axes * np.array([first, second, 1.0])
        turn = axes_there @ turned.T
        if np.linalg.det(turn) < 0.0:
            turn = axes_there @ (turned * np.array([1.0, 1.0, -1.0])).T
        if _matched(points @ turn.T + there.mean(axis=0), centres, normals):
            return True
    return False


def _planes(triangles: Floats) -> tuple[Floats, Floats]:
    """Return middles and unit normals, each (n, 3)."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return triangles.mean(axis=1), normal / np.maximum(length, 1e-12)


def _nearest(points_mm: Floats, centres: Floats, normals: Floats) -> tuple[Floats, Floats, Floats]:
    """Return which triangle is nearest, how far off its plane each point is, and off its middle."""
    away_mm, which = cKDTree(centres).query(points_mm)
    off_mm = np.abs(((points_mm - centres[which]) * normals[which]).sum(axis=1))
    return which, off_mm, away_mm


def _matched(points_mm: Floats, centres: Floats, normals: Floats) -> bool:
    """Move points onto a surface step by step (point to plane), and say whether they lie on it."""
    tree, moved = cKDTree(centres), points_mm
    for _ in range(STEPS):
        away_mm, which = tree.query(moved)
        near = away_mm <= np.quantile(away_mm, ALIKE_SHARE)
        p, n = moved[near], normals[which[near]]
        off_mm = ((p - centres[which[near]]) * n).sum(axis=1)
        middle = p.mean(axis=0)
        turn_and_shift = np.linalg.lstsq(
            np.concatenate([np.cross(p - middle, n), n], axis=1), -off_mm, rcond=None
        )[0]
        moved = middle + _turned(moved - middle, turn_and_shift[:3]) + turn_and_shift[3:]
        if np.abs(turn_and_shift).max() < COPY_MM * 1e-3:
            break
    _, off_mm, _ = _nearest(moved, centres, normals)
    return bool(np.quantile(off_mm, ALIKE_SHARE) < COPY_MM)


def _turned(points_mm: Floats, about_rad: Floats) -> Floats:
    """Turn points, (m, 3), about an axis by its length (Rodrigues)."""
    angle = float(np.linalg.norm(about_rad))
    if angle == 0.0:
        return points_mm
    axis = about_rad / angle
    along = np.outer(points_mm @ axis, axis)
    cross = np.cross(axis, points_mm)
    return np.asarray(along + np.cos(angle) * (points_mm - along) + np.sin(angle) * cross)
