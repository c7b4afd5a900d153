"""Damage that alters faces and corners: winding, doubles, spikes, noise, units."""

from dataclasses import replace

import numpy as np

from tests.corpus.harm import Damaged, Rng, corners_of, unchanged
from tests.corpus.shards import neighbours_mean, turn_some
from tests.corpus.specimen import Specimen


def some_turned(made: Specimen, rng: Rng) -> Damaged:
    """Turn 1 to 40 % of the faces."""
    return unchanged(made, turn_some(corners_of(made), rng, float(rng.uniform(0.01, 0.4))))


def all_turned(made: Specimen, rng: Rng) -> Damaged:
    """Turn all faces."""
    del rng  # nothing is left to chance
    return unchanged(made, corners_of(made)[:, ::-1])


def doubled(made: Specimen, rng: Rng) -> Damaged:
    """Give some faces twice."""
    corners = corners_of(made)
    again = corners[rng.random(len(corners)) < rng.uniform(0.02, 0.6)]
    return unchanged(made, np.concatenate([corners, again]))


def doubled_turned(made: Specimen, rng: Rng) -> Damaged:
    """Give some faces again, wound the other way."""
    corners = corners_of(made)
    again = corners[rng.random(len(corners)) < rng.uniform(0.02, 0.6), ::-1]
    return unchanged(made, np.concatenate([corners, again]))


def second_shell(made: Specimen, rng: Rng) -> Damaged:
    """Give the whole surface twice, in the same or the other winding."""
    corners = corners_of(made)
    again = corners[:, ::-1] if rng.random() < 0.5 else np.roll(corners, 1, axis=1)
    return unchanged(made, np.concatenate([corners, again]))


def shifted_shell(made: Specimen, rng: Rng) -> Damaged:
    """Give the whole surface again, 0.05 mm off."""
    corners = corners_of(made)
    way = rng.normal(size=3)
    return unchanged(made, np.concatenate([corners, corners + 0.05 * way / np.linalg.norm(way)]))


def spikes(made: Specimen, rng: Rng) -> Damaged:
    """Pull single corners out by 3 to 40 mm."""
    vertices = made.vertices.copy()
    chosen = rng.choice(len(vertices), int(rng.integers(1, 9)), replace=False)
    ways = rng.normal(size=(len(chosen), 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    vertices[chosen] += ways * rng.uniform(3.0, 40.0, (len(chosen), 1))
    return unchanged(made, vertices[made.faces])


def collapsed(made: Specimen, rng: Rng) -> Damaged:
    """Pull both ends of some edges together; their faces stay in the file without an area."""
    edges = made.faces[rng.random(len(made.faces)) < rng.uniform(0.005, 0.05), :2]
    vertices = made.vertices.copy()
    vertices[edges[:, 0]] = vertices[edges[:, 1]]
    return unchanged(made, vertices[made.faces])


def rough(made: Specimen, rng: Rng) -> Damaged:
    """Add noise of 50 to 100 um."""
    noise = rng.normal(size=made.vertices.shape)
    smooth = neighbours_mean(made, noise) if rng.random() < 0.5 else noise
    smooth *= rng.uniform(0.05, 0.1) / smooth.std()
    return unchanged(made, (made.vertices + smooth)[made.faces])


def unit(made: Specimen, rng: Rng) -> Damaged:
    """Write the coordinates in another unit."""
    factor = float(rng.choice([0.1, 0.001, 1.0 / 25.4, 10.0, 25.4, 1000.0]))
    plane = np.concatenate([factor * made.plane[:3], made.up])
    result = unchanged(made, factor * corners_of(made))
    return replace(result, plane=plane, harmless=False, owed=True)


def mirrored(made: Specimen, rng: Rng) -> Damaged:
    """Mirror the scan, with the winding kept right or not."""
    mirror = np.array([-1.0, 1.0, 1.0])
    corners = mirror * corners_of(made)
    result = unchanged(made, corners[:, ::-1] if rng.random() < 0.5 else corners)
    return replace(result, plane=made.plane * np.tile(mirror, 2))


def rounded(made: Specimen, rng: Rng) -> Damaged:
    """Round the coordinates."""
    step = float(rng.choice([0.01, 0.05]))
    return unchanged(made, np.round(corners_of(made) / step) * step)


def shuffled(made: Specimen, rng: Rng) -> Damaged:
    """Shuffle triangles and the corner each begins with."""
    corners = rng.permutation(corners_of(made))
    starts = (np.arange(3) + rng.integers(0, 3, (len(corners), 1))) % 3
    return unchanged(made, np.take_along_axis(corners, starts[:, :, None], axis=1))


def unwelded(made: Specimen, rng: Rng) -> Damaged:
    """Let the corners of neighbours miss each other by some tenths of a micrometre."""
    corners = corners_of(made)
    return unchanged(made, corners + rng.uniform(-5e-4, 5e-4, corners.shape))
