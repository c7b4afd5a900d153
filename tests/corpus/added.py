"""Damage that adds what does not belong there: stray parts, plates, bubbles, lids."""

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from tests.corpus.harm import Damaged, Rng, corners_of, unchanged
from tests.corpus.shards import ball, disc, normals
from tests.corpus.specimen import Specimen


def _islands(made: Specimen, rng: Rng, near_mm: tuple[float, float], size_mm: float) -> Damaged:
    parts = [corners_of(made)]
    for _ in range(int(rng.integers(1, 7))):
        start = made.vertices[rng.integers(len(made.vertices))]
        way = rng.normal(size=3)
        place = start + way / np.linalg.norm(way) * rng.uniform(*near_mm)
        blob = ball(place, float(rng.uniform(0.2, size_mm)))
        parts.append(blob[rng.random(len(blob)) < rng.choice([0.3, 1.0])])
    return unchanged(made, np.concatenate(parts))


def islands_near(made: Specimen, rng: Rng) -> Damaged:
    """Strew small balls, whole and torn, near the surface."""
    return _islands(made, rng, (1.0, 10.0), 0.9)


def islands_far(made: Specimen, rng: Rng) -> Damaged:
    """Strew balls far away."""
    return _islands(made, rng, (30.0, 400.0), 4.0)


def turntable(made: Specimen, rng: Rng) -> Damaged:
    """Put a disc under the scan, upright to the pour axis but for a few degrees, or beside it."""
    height = (made.vertices - made.plane[:3]) @ made.up
    middle = made.vertices.mean(axis=0) - made.up * (made.vertices.mean(axis=0) @ made.up)
    under = made.up @ made.plane[:3] + height.min() - rng.uniform(0.5, 6.0)
    tilt = Rotation.from_rotvec(np.radians(rng.uniform(0.0, 2.0)) * made.vertices[0] / 200.0)
    radius = float(rng.uniform(25.0, 60.0))
    place = middle + under * made.up
    if rng.random() < 0.4:
        aside = np.cross(made.up, rng.normal(size=3))
        spread = float(np.linalg.norm(made.vertices - made.vertices.mean(axis=0), axis=1).max())
        place = place + aside / np.linalg.norm(aside) * (radius + spread + 1.0)
    plate = disc(place, np.asarray(tilt.apply(made.up)), radius)
    return unchanged(made, np.concatenate([corners_of(made), plate]))


def bubbles(made: Specimen, rng: Rng) -> Damaged:
    """Put sealed rooms into the material, whose faces look into the room."""
    parts, tree = [corners_of(made)], cKDTree(made.vertices)
    outward = normals(made)
    floor = np.flatnonzero(made.cavity & (outward @ made.up > 0.3))
    for _ in range(60):
        radius = float(rng.uniform(0.4, 2.0))
        middle = made.vertices[made.faces[rng.choice(floor)]].mean(axis=0)
        place = middle - made.up * (radius + 1.2)
        if tree.query(place)[0] > radius + 0.8:
            parts.append(ball(place, radius)[:, ::-1])
        if len(parts) > rng.integers(1, 5):
            break
    return unchanged(made, np.concatenate(parts))


def crossing_patch(made: Specimen, rng: Rng) -> Damaged:
    """Lay a second view of a patch over the first, badly matched, so that the two cross."""
    corners = corners_of(made)
    middle = corners[rng.integers(len(corners))].mean(axis=0)
    away = np.linalg.norm(corners.mean(axis=1) - middle, axis=1)
    patch = corners[away < rng.uniform(2.0, 6.0)]
    turn = Rotation.from_rotvec(np.radians(rng.uniform(3.0, 10.0)) * normals(made)[0])
    shift = 0.1 * rng.normal(size=3)
    moved = np.asarray(turn.apply((patch - middle).reshape(-1, 3))).reshape(-1, 3, 3)
    return unchanged(made, np.concatenate([corners, moved + middle + shift]))


def fins(made: Specimen, rng: Rng) -> Damaged:
    """Stand third triangles on some edges."""
    corners = corners_of(made)
    chosen = rng.choice(len(corners), int(rng.integers(1, 60)), replace=False)
    edge = corners[chosen, :2]
    out = normals(made)[chosen] + 0.3 * rng.normal(size=(len(chosen), 3))
    tips = edge.mean(axis=1) + out * rng.uniform(0.3, 3.0, (len(chosen), 1))
    return unchanged(made, np.concatenate([corners, np.concatenate([edge, tips[:, None]], axis=1)]))


def border_closed(made: Specimen, rng: Rng) -> Damaged:
    """Close the open border with a fan, as a program does that wants a solid."""
    used = np.sort(made.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, where, count = np.unique(used, axis=0, return_index=True, return_counts=True)
    if not (count == 1).any():
        return spare_lid(made, rng)
    ends = made.vertices[made.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)[where[count == 1]]]
    middle = np.broadcast_to(ends.mean(axis=(0, 1)), (len(ends), 1, 3))
    fan = np.concatenate([ends[:, ::-1], middle], axis=1)
    return unchanged(made, np.concatenate([corners_of(made), fan]))


def spare_lid(made: Specimen, rng: Rng) -> Damaged:
    """Lay a plate over the opening."""
    place = made.rim[:3] + made.up * rng.uniform(1.0, 8.0)
    plate = disc(place, made.up, float(rng.uniform(10.0, 50.0)))
    turned = plate[:, ::-1] if rng.random() < 0.5 else plate
    return unchanged(made, np.concatenate([corners_of(made), turned]))


def scanned_twice(made: Specimen, rng: Rng) -> Damaged:
    """Put a second copy beside the first, turned about the pour axis."""
    corners = corners_of(made)
    middle = made.vertices.mean(axis=0)
    turn = Rotation.from_rotvec(made.up * rng.uniform(0.0, 2.0 * np.pi))
    again = np.asarray(turn.apply(corners.reshape(-1, 3) - middle)).reshape(corners.shape)
    aside = np.cross(made.up, rng.normal(size=3))
    away = rng.uniform(70.0, 100.0) * aside / np.linalg.norm(aside)
    return unchanged(made, np.concatenate([corners, again + middle + away]), owed=True)
