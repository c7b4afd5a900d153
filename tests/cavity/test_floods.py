"""Floods over maps, the numpy and the compiled way, against scipy's graph algorithms.

The level that water needs to come to a cell is the least of all ways' highest cells: a bottleneck
path, and those lie in a minimum spanning tree (any text on graphs; from memory).
"""

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from tests.cavity.terrain import Bools, Floats
from volest.cavity.cells import divided, flood_levels
from volest.scan.compiling import SWITCH


@pytest.fixture(params=["never", "always"], autouse=True)
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Go each way; where numba is not installed the second is the first again."""
    chosen = str(request.param)
    monkeypatch.setenv(SWITCH, chosen)
    return chosen


def by_tree(floor: Floats, seed: Bools) -> Floats:
    """Find bottleneck levels over sides and corners by a spanning tree from all seeds at once."""
    rows, columns = floor.shape
    number = np.arange(floor.size).reshape(floor.shape)
    pairs = []
    for dj, di in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = number[: rows - dj, max(0, -di) : columns - max(0, di)]
        b = number[dj:, max(0, di) : columns - max(0, -di)]
        pairs.append(np.stack([a.ravel(), b.ravel()]))
    a, b = np.concatenate(pairs, axis=1)
    root = floor.size
    heights = floor.ravel()
    weights = np.maximum(heights[a], heights[b])
    seeds = np.flatnonzero(seed)
    a, b = np.append(a, np.full(len(seeds), root)), np.append(b, seeds)
    weights = np.append(weights, heights[seeds])
    shift = 1.0 - weights.min()  # a weight of 0 would be no edge
    ends = a.astype(np.int32), b.astype(np.int32)  # scipy's tree takes no others before 1.17.1
    graph = coo_array((weights + shift, ends), shape=(root + 1, root + 1)).tocsr()
    tree = minimum_spanning_tree(graph)
    order, before = breadth_first_order(tree, root, directed=False)
    level = np.full(root + 1, -np.inf)
    for cell in order[1:]:
        level[cell] = max(level[before[cell]], heights[cell])
    return level[:-1].reshape(floor.shape)


@pytest.mark.parametrize("seed", range(6))
def test_levels_are_those_of_the_best_way(seed: int) -> None:
    rng = np.random.default_rng(seed)
    floor = rng.integers(-20, 20, rng.integers(2, 14, 2)).astype(float)
    wells = rng.random(floor.shape) < 0.1
    wells.ravel()[rng.integers(floor.size)] = True
    assert np.array_equal(flood_levels(floor, wells), by_tree(floor, wells))


def test_without_a_seed_all_stands_at_the_highest() -> None:
    floor = np.array([[1.0, 4.0], [-2.0, 3.0]])
    assert np.array_equal(flood_levels(floor, np.zeros((2, 2), dtype=bool)), np.full((2, 2), 4.0))


def test_levels_are_never_under_the_floor_and_begin_at_it() -> None:
    rng = np.random.default_rng(8)
    floor = rng.normal(size=(20, 30))
    wells = rng.random(floor.shape) < 0.02
    levels = flood_levels(floor, wells)
    assert (levels >= floor).all()
    assert np.array_equal(levels[wells], floor[wells])


def test_two_floods_meet_on_the_ridge_between_them() -> None:
    # A roof: its ridge runs along x = 12; each side belongs to the flood at its foot.
    heights = np.broadcast_to(10.0 - np.abs(np.arange(25) - 12.0), (9, 25)).copy()
    markers = np.zeros(heights.shape, dtype=np.int64)
    markers[4, 0], markers[4, 24] = 1, 2
    met = divided(heights, markers, np.ones(heights.shape, dtype=bool))
    assert (met[:, :12] == 1).all()
    assert (met[:, 13:] == 2).all()
    assert np.isin(met, (1, 2)).all()


def test_a_pass_lets_the_first_flood_through() -> None:
    # The valley beyond a low pass has no spring of its own: it belongs to whoever is over first.
    heights = np.array([[0.0, 3.0, 1.0, 6.0, 0.0]])
    met = divided(heights, np.array([[1, 0, 0, 0, 2]]), np.ones((1, 5), dtype=bool))
    assert met[0, :3].tolist() == [1, 1, 1]
    assert met[0, 4] == 2


def test_floods_stay_in_the_mask() -> None:
    heights = np.zeros((5, 5))
    mask = np.ones((5, 5), dtype=bool)
    mask[:, 2] = False
    markers = np.zeros((5, 5), dtype=np.int64)
    markers[0, 0] = 7
    met = divided(heights, markers, mask)
    assert (met[:, :2] == 7).all()
    assert (met[:, 2:] == 0).all()


def test_a_spring_out_of_the_mask_is_dry() -> None:
    heights = np.zeros((3, 3))
    mask = np.ones((3, 3), dtype=bool)
    mask[1, 1] = False
    markers = np.zeros((3, 3), dtype=np.int64)
    markers[1, 1] = 4
    assert not divided(heights, markers, mask).any()
