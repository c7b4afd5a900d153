"""Air under roofs: a bell under a roof of known shape, against its closed form."""

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.posing import given, measured, random_move
from tests.cavity.trays import corners_of

ROUND = 128
BELL_ML = 2.0 / 3.0 * np.pi * 5.0**3 / 1000.0  # half a ball of r = 5


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
