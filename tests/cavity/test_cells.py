"""Sets of cells: against the morphology of scipy.ndimage, on maps drawn at random."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from volest.cavity.cells import grown, joined, within
from volest.cavity.frame import Bools

MAPS = arrays(bool, st.tuples(st.integers(1, 12), st.integers(1, 12)))
REPEATABLE = settings(max_examples=60, derandomize=True)
ROUND = np.ones((3, 3))


@REPEATABLE
@given(cells=MAPS)
def test_grown_is_the_dilation(cells: Bools) -> None:
    before = cells.copy()
    assert np.array_equal(grown(cells), ndimage.binary_dilation(cells))
    assert np.array_equal(grown(cells, corners=True), ndimage.binary_dilation(cells, ROUND))
    assert np.array_equal(cells, before)


@pytest.mark.parametrize("reach", [0.0, 1.0, 1.5, 2.0, np.sqrt(5.0), 4.0, 8.5, 30.0])
def test_within_is_a_disk(reach: float) -> None:
    j, i = np.indices((9, 11))
    for row, column in ((4, 5), (0, 0), (8, 3)):
        cell = (j == row) & (i == column)
        assert np.array_equal(within(cell, reach), np.hypot(j - row, i - column) <= reach)
    assert not within(np.zeros((3, 4), dtype=bool), reach).any()


def test_within_is_the_dilation_by_a_disk() -> None:
    j, i = np.indices((7, 7)) - 3
    for seed in range(20):
        cells = np.random.default_rng(seed).random((30, 20)) < 0.1
        dilated = ndimage.binary_dilation(cells, np.hypot(j, i) <= 3.0)
        assert np.array_equal(within(cells, 3.0), dilated)


@REPEATABLE
@given(cells=MAPS, seed=st.integers(0, 99))
def test_joined_is_what_spreads_from_the_seeds(cells: Bools, seed: int) -> None:
    seeds = np.random.default_rng(seed).random(cells.shape) < 0.15
    spread = ndimage.binary_propagation(seeds & cells, mask=cells)
    assert np.array_equal(joined(seeds, cells), spread)
