"""The palate left out: a box by its sides, the row laid round it in straight lines."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from tests.cavity.stages import bed, level, pit, staged
from volest.cavity.cast import Palate, find_palate
from volest.cavity.imprints import Imprints

KEPT_MM, DEEP_MM, OVER_MM = 8.0, 10.0, 2.0
STEPS = np.linspace(0.0, 1.0, 400)[:, None]
CORNERS = np.array([[-15.0, -19.0], [-15.0, 13.0], [15.0, 13.0], [15.0, -19.0]])
ROW = Imprints(
    piece=np.zeros((1, 1), np.int64),
    curve_mm=np.concatenate([a + (b - a) * STEPS for a, b in pairwise(CORNERS)]),
    is_arch=True,
    end_hours=(4, 8),
    each=(),
)


def found(row: Imprints | None, kept_mm: float = KEPT_MM) -> Palate | None:
    rooms = staged(bed(pit(50.0, 40.0, DEEP_MM))).rooms(level(0.0))
    return find_palate(rooms, level(0.0), row, kept_mm=kept_mm, over_mm=OVER_MM)


def test_what_lies_inside_of_the_row_is_as_large_as_its_sides_say() -> None:
    palate = found(ROW)  # from x = -7 to 7 and from the wall at y = -20 to 5
    assert palate is not None
    assert palate.area_mm2 == pytest.approx(14.0 * 25.0, rel=0.04)
    assert palate.ml == pytest.approx(14.0 * 25.0 * (DEEP_MM + OVER_MM) / 1000.0, rel=0.04)
    assert palate.edge_mm == pytest.approx(2.0 * 25.0 + 14.0, rel=0.04)
    assert palate.wall_mm2 == pytest.approx(64.0 * (DEEP_MM + OVER_MM), rel=0.04)
    assert palate.high_mm == pytest.approx(DEEP_MM + OVER_MM, abs=0.01)


def test_what_lies_outside_of_the_row_is_no_palate() -> None:
    small = replace(ROW, curve_mm=0.3 * ROW.curve_mm + [0.0, 12.0])
    assert found(small) is None
    assert found(ROW, kept_mm=14.9) is None  # under 100 mm2


def test_without_an_arch_nothing_is_said() -> None:
    assert found(None) is None
    assert found(replace(ROW, is_arch=False)) is None
