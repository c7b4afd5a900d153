"""Bodies that cross: the one that holds most is kept, and with it what does not cross it.

Bodies are put together without a boolean, as a scanner that saw a bench beside the tray would.
"""

import numpy as np
import pytest
from manifold3d import Manifold

from tests.cavity.posing import given, measured, random_move
from tests.cavity.stages import box
from tests.cavity.test_polarity import cut, skin_of, tub, with_turned
from tests.cavity.trays import Floats, corners_of
from volest.cavity.columns import Columns, Grid
from volest.notes import Note

TUB_ML = 50 * 40 * 14 / 1000  # below -1


def with_bodies(*bodies: Floats) -> Floats:
    return np.concatenate([tub(), *bodies])


def bar(wide_mm: float, at_mm: tuple[float, float, float], long_mm: float = 20.0) -> Floats:
    return corners_of(box((long_mm, wide_mm, 4.0), at_mm))


@pytest.mark.parametrize("wide_mm", [3.0, 12.0])
def test_a_bar_that_sticks_in_the_wall_is_left_out(wide_mm: float) -> None:
    # Half of it stands out of the block's side: its lower and upper face cross nothing, but in
    # the block's columns they face like the next ones.
    crossing = bar(wide_mm, (31.0, 0.0, -8.0))
    skin = skin_of(with_bodies(crossing))
    assert [note.code for note in skin.notes] == ["parts-left-out"]
    assert skin.corners_mm.shape[2] == len(tub())
    assert cut(skin).misfit_share == 0.0


def test_the_body_that_holds_most_is_kept_and_not_the_one_of_most_faces() -> None:
    # A ball in the wall, of three times as many faces as the tray; it holds nothing.
    ball = corners_of(Manifold.sphere(4.0, 96).translate((31.0, 0.0, -8.0)))
    assert len(ball) > 2 * len(tub())
    skin = skin_of(with_bodies(ball))
    assert [note.code for note in skin.notes] == ["parts-left-out"]
    assert skin.corners_mm.shape[2] == len(tub())


def test_a_body_apart_is_kept() -> None:
    beside = bar(12.0, (60.0, 0.0, -8.0))
    skin = skin_of(with_bodies(beside))
    assert skin.notes == ()
    assert skin.corners_mm.shape[2] == len(tub()) + len(beside)


def test_of_a_crossing_body_and_one_apart_the_one_apart_is_kept() -> None:
    crossing, beside = bar(12.0, (31.0, 0.0, -8.0)), bar(12.0, (60.0, 0.0, -8.0))
    skin = skin_of(with_bodies(crossing, beside))
    assert [note.code for note in skin.notes] == ["parts-left-out"]
    assert skin.corners_mm.shape[2] == len(tub()) + len(beside)
    share = 100.0 * len(crossing) / (len(tub()) + len(crossing) + len(beside))
    assert skin.notes[0].values["share_percent"] == pytest.approx(share)


def folded(at_mm: tuple[float, float, float]) -> Floats:
    """Make one body of two bars that run through each other, by two triangles between them."""
    lower = bar(6.0, at_mm, 6.0)
    upper = lower + np.array([0.0, 0.0, 0.8])
    bridge = np.stack([lower[0, 0], lower[0, 1], upper[0, 0]])[None]
    other = np.stack([upper[0, 1], upper[0, 0], lower[0, 1]])[None]
    return np.concatenate([lower[1:], upper[1:], bridge, other])[:, ::-1]  # mending turns all


def test_a_body_apart_is_kept_whatever_is_wrong_with_it() -> None:
    # Its own misfits are no crossing with the tray.
    crossing, beside = bar(12.0, (31.0, 0.0, -8.0)), folded((60.0, 0.0, -8.0))
    skin = skin_of(with_bodies(crossing, beside))
    assert "parts-left-out" in [note.code for note in skin.notes]
    assert skin.corners_mm.shape[2] == len(tub()) + len(beside)


@pytest.mark.parametrize("seed", range(2))
def test_a_body_that_crosses_does_not_change_the_volume(seed: int) -> None:
    move = random_move(seed)
    plate = corners_of(box((110.0, 90.0, 6.0), (0.0, 0.0, -27.0)))  # a bench through the bottom
    result = measured(with_bodies(plate), move, base=given(move, -1.0))
    assert result.volume_ml == pytest.approx(TUB_ML, rel=1e-6)
    assert [note.code for note in result.notes] == ["parts-left-out"]


def test_one_turned_face_in_a_thousand_is_mended() -> None:
    triangles = tub(4)
    share = 4.0 / len(triangles)
    turned = with_turned(triangles, share, seed=3)
    count = int((turned != triangles).any(axis=(1, 2)).sum())
    assert 0 < count < 10
    skin = skin_of(turned)
    assert skin.notes == (Note("winding-mended", turned=count, doubled=0),)


def columns_made(*cells: str) -> Columns:
    """Write columns as words: '^' a crossing that faces up, 'v' one that faces down."""
    up = np.array([mark == "^" for marks in cells for mark in marks])
    cell = np.repeat(np.arange(len(cells)), [len(marks) for marks in cells])
    grid = Grid(pitch_mm=1.0, low_mm=(0.0, 0.0), shape=(1, len(cells)))
    return Columns(grid=grid, cell=cell, z_mm=np.arange(len(up), dtype=float), up=up)


@pytest.mark.parametrize(
    ("cells", "misfits", "seen_up"),
    [
        (("v^", "v^v^", "^"), 0, 1.0),
        (("^v", "^v^v", "v"), 0, 0.0),  # all turned: sound, but seen from the wrong side
        (("v^", "vv^^", "v^"), 2, 1.0),  # two face like the one below
        (("v^", "v^", "^v"), 1, 2 / 3),  # one column is unlike the others
        (("^^^",), 2, 1.0),
    ],
)
def test_misfits_by_counting(cells: tuple[str, ...], misfits: int, seen_up: float) -> None:
    columns = columns_made(*cells)
    assert columns.misfits == misfits
    assert columns.misfit_share == pytest.approx(misfits / len(columns.cell))
    assert columns.seen_up_share == pytest.approx(seen_up)
