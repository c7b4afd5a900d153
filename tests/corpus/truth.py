"""The true volume of a cavity, integrated from the field itself and not from triangles.

Columns stand on a grid turned against every other grid used; in each the field's zeros are found
to far below a micrometre, so overhangs count as they are. Volume by the midpoint rule over columns.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from tests.corpus.blend import Array
from tests.corpus.solid import Solid
from tests.corpus.surface import at_points

TURN_RAD = 0.4142  # turn of the columns' grid
LAYER_MM = 0.22  # spacing of the field's samples in a column; a thinner layer could be missed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What an impression holds below a level plane."""

    volume_ml: float  # volume of the air under the plane, inside the footprint, open to above
    slope_ml_per_mm: float  # its growth when the plane rises
    pitch_mm: float  # spacing of the columns


def measure(solid: Solid, box: Array, level_mm: float, pitch_mm: float) -> Truth:
    """Integrate the cavity under the plane ``z = level_mm``.

    `box` (2, 3).
    """
    spots, cells = _columns(solid, box, pitch_mm)
    column, low, high = _intervals(solid, spots, box[0, 2], level_mm)
    open_up = high >= level_mm
    wet = _connected(cells[column], low, high, open_up)
    area = pitch_mm**2
    return Truth(
        volume_ml=float((high - low)[wet].sum()) * area / 1000.0,
        slope_ml_per_mm=float(np.count_nonzero(open_up)) * area / 1000.0,
        pitch_mm=pitch_mm,
    )


def _columns(solid: Solid, box: Array, pitch_mm: float) -> tuple[Array, NDArray[np.int64]]:
    """Give the columns inside the footprint, (n, 2), and their cells in the grid, (n, 2)."""
    middle = box[:, :2].mean(axis=0)
    reach = int(np.ceil(0.5 * np.linalg.norm(box[1, :2] - box[0, :2]) / pitch_mm)) + 1
    steps = np.arange(-reach, reach + 1)
    cells = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)
    sine, cosine = np.sin(TURN_RAD), np.cos(TURN_RAD)
    turn = np.array([[cosine, sine], [-sine, cosine]])
    spots = (cells + 0.31) * pitch_mm @ turn + middle
    near = ((spots > box[0, :2]) & (spots < box[1, :2])).all(axis=1)
    spots, cells = spots[near], cells[near]
    within = solid.inside(solid.arch.places(spots[:, 0], spots[:, 1])).ravel()
    return spots[within], cells[within]


def _intervals(
    solid: Solid, spots: Array, bottom_mm: float, level_mm: float
) -> tuple[NDArray[np.int64], Array, Array]:
    """Give the stretches of air in all columns: whose column, from where, up to where."""
    layers = np.linspace(bottom_mm, level_mm, int(np.ceil((level_mm - bottom_mm) / LAYER_MM)) + 1)
    owners, lows, highs = [], [], []
    for start in range(0, len(spots), 5000):
        part = spots[start : start + 5000]
        places = solid.arch.places(part[:, 0], part[:, 1])
        value = solid.field(places, layers[None])  # (n, layers)
        air = value > 0.0
        column, layer = np.nonzero(air[:, 1:] != air[:, :-1])
        bracket = np.stack([layers[layer], layers[layer + 1]])
        ends = np.stack([value[column, layer], value[column, layer + 1]])
        root = _roots(solid, part[column], bracket, ends)
        opens = air[column, layer + 1]
        top = np.flatnonzero(air[:, -1])
        column = np.concatenate([column, top])
        root = np.concatenate([root, np.full(len(top), level_mm)])
        opens = np.concatenate([opens, np.zeros(len(top), dtype=bool)])
        order = np.lexsort((root, column))
        column, root, opens = column[order], root[order], opens[order]
        owners.append(column[opens] + start)
        lows.append(root[opens])
        highs.append(root[~opens])
    return np.concatenate(owners), np.concatenate(lows), np.concatenate(highs)


def _roots(solid: Solid, spots: Array, bracket: Array, ends: Array) -> Array:
    """Find where the field is zero between two samples of opposite sign (Illinois rule).

    Columns stand at spots, (n, 2); the samples lie at bracket, (2, n), and have values ends.
    """
    (low, high), (below, above) = bracket, ends
    root: Array = low
    for _ in range(6):
        root = low + (high - low) * below / (below - above)
        value = at_points(solid, np.column_stack([spots, root]))
        same = np.sign(value) == np.sign(below)
        low, below, above = (
            np.where(same, root, low),
            np.where(same, value, 0.5 * below),
            np.where(same, 0.5 * above, value),
        )
        high = np.where(same, high, root)
    return root


def _connected(
    cells: NDArray[np.int64], low: Array, high: Array, open_up: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell which stretches of air are reached from the opening, through neighbouring columns."""
    count = len(low)
    span = int(cells.max() - cells.min()) + 3
    key = (cells[:, 0] - cells.min()) * span + cells[:, 1] - cells.min()
    order = np.lexsort((low, key))
    sorted_key = key[order]
    pairs = []
    for shift in (1, span):
        first = np.searchsorted(sorted_key, sorted_key + shift, side="left")
        last = np.searchsorted(sorted_key, sorted_key + shift, side="right")
        for extra in range(int((last - first).max(initial=0))):
            has = np.flatnonzero(first + extra < last)
            mine, other = order[has], order[first[has] + extra]
            touch = np.minimum(high[mine], high[other]) > np.maximum(low[mine], low[other])
            pairs.append(np.column_stack([mine[touch], other[touch]]))
    ends = np.concatenate(pairs)
    link = sparse.coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), (count, count))
    label = csgraph.connected_components(link, directed=False)[1]
    return np.isin(label, np.unique(label[open_up]))
