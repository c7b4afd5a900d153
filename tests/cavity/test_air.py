"""Air under roofs: a bell under a roof of known shape, against its closed form.

Air in rows of columns made by hand: what stays is told by the lowest point of the best way out.

Hydrostatics only: air under a roof leaves where a way never has to go down further than its lowest
passage; what stands over that passage stays. Heights are over the base line.
"""

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.posing import given, measured, random_move
from tests.cavity.test_volume import rooms_made
from tests.cavity.trays import corners_of
from volest.cavity.columns import Grid
from volest.cavity.void import Air, ReachableVoid, find_air

ROUND = 128
BELL_ML = 2.0 / 3.0 * np.pi * 5.0**3 / 1000.0  # half a ball of r = 5
AREA_ML = 2.0**2 / 1000.0  # of a column of 2 mm, for each mm
SKY = np.inf


def tray(*, dome: float, neck_top: float) -> Manifold:
    """Make a block with a pit, a level passage from its wall, and a dome at the passage's end."""
    block = Manifold.cube((60, 40, 40)).translate((-20, -20, -40))
    pit = Manifold.cube((20, 20, 30)).translate((-15, -10, -29))
    passage = Manifold.cube((21, 10, 6)).translate((0, -5, neck_top - 6))
    ball = Manifold.sphere(dome, ROUND).translate((20, 0, neck_top))
    upper = ball.trim_by_plane((0, 0, 1), neck_top)
    return block - pit - passage - upper


@pytest.mark.parametrize("seed", range(3))
def test_a_dome_over_its_passage_keeps_its_air(seed: int) -> None:
    move = random_move(seed)
    result = measured(corners_of(tray(dome=5.0, neck_top=-12.0)), move, base=given(move, -1.0))
    notes = {note.code: note for note in result.notes}
    assert "air-trap" in notes
    told_ml = notes["air-trap"].values["trapped_ml"]
    # Formula of the sphere's volume: CRC Standard Mathematical Tables, 'Solids'.
    assert told_ml == pytest.approx(BELL_ML, rel=0.05)


def test_a_passage_alone_lets_air_out() -> None:
    move = random_move(9)
    level = tray(dome=0.01, neck_top=-12.0)
    result = measured(corners_of(level), move, base=given(move, -1.0))
    assert "air-trap" not in {note.code for note in result.notes}


def row(*stretches: tuple[float, float], shape: tuple[int, int] | None = None) -> ReachableVoid:
    """Lay stretches, floor and roof, side by side; a free cell ends each row."""
    floors, roofs = (np.array(v) for v in zip(*stretches, strict=True))
    rooms = rooms_made(floors, roofs, list(range(len(stretches))))
    grid = Grid(pitch_mm=2.0, low_mm=(10.0, 50.0), shape=shape or (1, len(stretches) + 1))
    return replace(rooms, grid=grid)


def told(air: Air) -> tuple[float, list[float] | None]:
    return air.trapped_ml, None if air.place_mm is None else air.place_mm.tolist()


def test_under_the_open_sky_nothing_stays() -> None:
    assert told(find_air(row((-9.0, SKY), (-9.0, SKY)))) == (0.0, None)


def test_a_bell_keeps_what_stands_over_its_passage() -> None:
    # Out through a roof at -6; under one at -2 four mm stay, at the third column's place.
    air = find_air(row((-9.0, SKY), (-9.0, -6.0), (-9.0, -2.0)))
    assert air.trapped_ml == pytest.approx(4.0 * AREA_ML)
    assert air.place_mm == pytest.approx([10.0 + 2 * 2.0, 50.0])


def test_a_roof_that_rises_to_the_open_keeps_nothing() -> None:
    assert told(find_air(row((-9.0, SKY), (-9.0, -2.0), (-9.0, -6.0)))) == (0.0, None)


def test_a_roof_over_the_base_line_is_open() -> None:
    # Stone stops at the base line: air above it is not its concern.
    assert told(find_air(row((-9.0, 3.0), (-9.0, -0.05)))) == (0.0, None)
    air = find_air(row((-9.0, 3.0), (-9.0, -6.0), (-9.0, 3.0)))
    assert told(air) == (0.0, None)


def test_of_two_ways_out_the_higher_counts() -> None:
    # Left past a roof at -7, right past one at -4: two mm stay under -2.
    ways = [(-9.0, SKY), (-9.0, -7.0), (-9.0, -2.0), (-9.0, -4.0), (-9.0, SKY)]
    assert find_air(row(*ways)).trapped_ml == pytest.approx(2.0 * AREA_ML)
    assert find_air(row(*ways[::-1])).trapped_ml == pytest.approx(2.0 * AREA_ML)


def test_a_long_way_is_as_low_as_its_lowest_place() -> None:
    roofs = [-3.0, -5.0, -2.0, -8.0, -1.0, -4.0, -2.5]
    air = find_air(row((-9.0, SKY), *((-9.0, roof) for roof in roofs)))
    lowest = np.minimum.accumulate(roofs)
    assert air.trapped_ml == pytest.approx(float((np.array(roofs) - lowest).sum()) * AREA_ML)


def test_a_pocket_no_deeper_than_its_floor() -> None:
    # The passage lies under the pocket's floor: the pocket is full of air, and no more than full.
    air = find_air(row((-9.0, SKY), (-9.0, -6.0), (-6.5, -2.0)))
    assert air.trapped_ml == pytest.approx(4.0 * AREA_ML)
    deep = find_air(row((-9.0, SKY), (-9.0, -6.0), (-8.0, -6.5), (-6.8, -2.0)))
    assert deep.trapped_ml == pytest.approx(4.5 * AREA_ML)


@pytest.mark.parametrize(("deep_mm", "stays"), [(0.09, False), (0.12, True)])
def test_pockets_as_shallow_as_noise_are_none(deep_mm: float, *, stays: bool) -> None:
    # own: 0.1 mm, noise of scan and grid
    air = find_air(row((-9.0, SKY), (-9.0, -6.0), (-9.0, -6.0 + deep_mm)))
    assert air.trapped_ml == pytest.approx(deep_mm * AREA_ML if stays else 0.0)
    assert (air.place_mm is not None) == stays


def test_the_place_is_the_middle_of_what_stays() -> None:
    # Bells of 4 and 1 mm, two columns apart: a fifth of the way from the larger to the smaller.
    air = find_air(row((-9.0, SKY), (-9.0, -6.0), (-9.0, -2.0), (-9.0, -6.0), (-9.0, -5.0)))
    assert air.place_mm == pytest.approx([10.0 + 2.0 * (2 + 2 / 5), 50.0])


def test_ways_out_lead_across_rows_too() -> None:
    # Two rows of three and a free cell each: the bell's way out is the cell beside it in y.
    rooms = row((-9.0, SKY), (-9.0, -6.0), (-9.0, -2.0), shape=(3, 4))
    rooms = replace(rooms, cell=np.array([0, 4, 8]))
    air = find_air(rooms)
    assert air.trapped_ml == pytest.approx(4.0 * AREA_ML)
    assert air.place_mm == pytest.approx([10.0, 50.0 + 2 * 2.0])


def test_a_passage_in_the_first_cell_of_the_map_is_one() -> None:
    # Pocket beside it in x, the open beside it in y.
    rooms = row((-9.0, -6.0), (-9.0, -2.0), (-9.0, SKY), shape=(2, 4))
    air = find_air(replace(rooms, cell=np.array([0, 1, 4])))
    assert air.trapped_ml == pytest.approx(4.0 * AREA_ML)
    assert air.place_mm == pytest.approx([12.0, 50.0])
