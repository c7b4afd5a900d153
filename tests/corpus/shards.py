"""Small bodies and small changes from which damage is put together."""

import numpy as np

from tests.corpus.blend import Array
from tests.corpus.mesh import Mesh, averaging, face_normals
from tests.corpus.specimen import Specimen

ROUND = 24  # corners of a circle


def normals(made: Specimen) -> Array:
    """Give the unit normals out of the material.

    Gives (m, 3).
    """
    twice = face_normals(Mesh(vertices=made.vertices, faces=made.faces))
    unit: Array = twice / np.maximum(np.linalg.norm(twice, axis=1, keepdims=True), 1e-12)
    return -unit if made.drawn.turned else unit


def neighbours_mean(made: Specimen, values: Array) -> Array:
    """Average values over neighbouring corners.

    `values` (n, k); gives (n, k).
    """
    mean: Array = averaging(Mesh(vertices=made.vertices, faces=made.faces)) @ values
    return mean


def turn_some(corners: Array, rng: np.random.Generator, share: float) -> Array:
    """Turn some faces: single ones all over, or whole regions.

    `corners` (m, 3, 3).
    """
    if rng.random() < 0.5:
        chosen = rng.random(len(corners)) < share
    else:
        middle = corners.mean(axis=1)
        away = np.linalg.norm(middle - middle[rng.integers(len(middle))], axis=1)
        chosen = away < np.quantile(away, share)
    turned = corners.copy()
    turned[chosen] = corners[chosen, ::-1]
    return turned


def ball(middle: Array, radius_mm: float) -> Array:
    """Give a small ball.

    `middle` (3,); gives (m, 3, 3).
    """
    across, down = np.meshgrid(np.arange(ROUND), np.arange(ROUND // 2), indexing="ij")
    quads = np.stack([across, across + 1, across + 1, across], axis=-1)
    levels = np.stack([down, down, down + 1, down + 1], axis=-1)
    turn, lean = quads * 2.0 * np.pi / ROUND, levels * 2.0 * np.pi / ROUND
    spots = np.stack(
        [np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)], axis=-1
    ).reshape(-1, 4, 3)
    corners = np.concatenate([spots[:, [0, 2, 1]], spots[:, [0, 3, 2]]])
    placed: Array = middle + radius_mm * corners
    return placed


def disc(middle: Array, up: Array, radius_mm: float) -> Array:
    """Give a flat round plate.

    `middle` (3,); `up` (3,); gives (m, 3, 3).
    """
    east = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    east /= np.linalg.norm(east)
    turn = np.linspace(0.0, 2.0 * np.pi, ROUND + 1)
    circle = np.cos(turn)[:, None] * east + np.sin(turn)[:, None] * np.cross(up, east)
    rings = []
    for inner, outer in zip((0.0, 0.3, 0.6), (0.3, 0.6, 1.0), strict=True):
        a, b = circle[:-1] * inner, circle[:-1] * outer
        c, d = circle[1:] * outer, circle[1:] * inner
        rings += [np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]
    placed: Array = middle + radius_mm * np.concatenate(rings)
    return placed
