"""Marks that carry meaning by their shape: pickets, pegs, balls; colour only comes on top."""

import numpy as np

from volest.cavity.columns import Ints
from volest.cavity.frame import Floats
from volest.view.mesh import Mesh

_BOX = np.array([[x, y, z] for z in (0, 1) for y in (-0.5, 0.5) for x in (-0.5, 0.5)])
_BOX_SIDES = np.array(
    [
        *([0, 2, 3], [0, 3, 1], [4, 5, 7], [4, 7, 6], [0, 1, 5], [0, 5, 4]),
        *([2, 6, 7], [2, 7, 3], [0, 4, 6], [0, 6, 2], [1, 3, 7], [1, 7, 5]),
    ]
)
_AROUND, _RINGS = 10, 5  # corners round a mark, and from top to bottom of a ball: small, but many


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
    return _copies(_BOX, _BOX_SIDES, feet_mm, size)


def pegs(tips_mm: Floats, height_mm: float, width_mm: float) -> Mesh:
    """Set cones point down, as if to say: down to here."""
    turn = np.arange(_AROUND) * 2.0 * np.pi / _AROUND
    ring = np.stack([np.cos(turn) / 2.0, np.sin(turn) / 2.0, np.ones(_AROUND)], axis=1)
    shape = np.vstack([[0.0, 0.0, 0.0], [0.0, 0.0, 1.0], ring])
    one, other = 2 + np.arange(_AROUND), 2 + (np.arange(_AROUND) + 1) % _AROUND
    tip, lid = np.zeros(_AROUND, dtype=np.int64), np.ones(_AROUND, dtype=np.int64)
    sides = np.concatenate([np.stack([tip, other, one], 1), np.stack([lid, one, other], 1)])
    return _copies(
        shape, sides, tips_mm, np.tile([width_mm, width_mm, height_mm], (len(tips_mm), 1))
    )


def balls(middles_mm: Floats, width_mm: float) -> Mesh:
    """Set balls round their middles (n, 3)."""
    fall = np.linspace(0.0, np.pi, _RINGS)
    turn = np.arange(_AROUND) * 2.0 * np.pi / _AROUND
    f, t = np.meshgrid(fall, turn, indexing="ij")
    shape = np.stack([np.sin(f) * np.cos(t), np.sin(f) * np.sin(t), np.cos(f)], axis=-1) / 2.0
    number = np.arange(_RINGS * _AROUND).reshape(_RINGS, _AROUND)
    after = np.roll(number, -1, axis=1)
    a, b, c, d = (part.ravel() for part in (number[:-1], after[:-1], after[1:], number[1:]))
    sides = np.concatenate([np.stack([a, c, b], 1), np.stack([a, d, c], 1)])
    return _copies(shape.reshape(-1, 3), sides, middles_mm, np.full((len(middles_mm), 3), width_mm))


def _copies(shape: Floats, sides: Ints, places_mm: Floats, sizes_mm: Floats) -> Mesh:
    points = places_mm[:, None, :] + shape[None] * sizes_mm[:, None, :]  # (n, corners, 3)
    first = np.arange(len(places_mm))[:, None, None] * len(shape)
    return Mesh(points_mm=points.reshape(-1, 3), triangles=(sides[None] + first).reshape(-1, 3))
