"""Which side is air: turned faces are mended, turned scans turned, casts refused.

Volumes are stated by manifold3d for solids from which faces are then turned at random.

Bodies that cross: the one that holds most is kept, and with it what does not cross it.

Bodies are put together without a boolean, as a scanner that saw a bench beside the tray would.
"""

import numpy as np
import pytest
from manifold3d import Manifold
from trimesh.remesh import subdivide

from tests.cavity.posing import given, measured, random_move
from tests.cavity.stages import bed, below_ml, box, level, pit
from tests.cavity.trays import Floats, corners_of
from volest.cavity.columns import Columns, Grid, cut_columns, grid_over
from volest.cavity.frame import frame_along
from volest.cavity.polarity import OrientedSurface, by_coordinate, orient_surface, refuse_cast
from volest.cavity.pose import spread_samples
from volest.errors import ScanError
from volest.notes import Note

UP = frame_along(np.array([0.0, 0.0, 1.0]), np.zeros(3))
TUB_ML = 50 * 40 * 14 / 1000  # below -1


def tub(times: int = 3) -> Floats:
    """Return a tub of 28 mL below -1, in small triangles."""
    triangles = corners_of(bed(pit(50.0, 40.0, 15.0)))
    points, faces = triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3)
    for _ in range(times):
        points, faces = subdivide(points, faces)  # type: ignore[no-untyped-call]  # trimesh has none
    return np.asarray(points[faces])


def with_turned(triangles: Floats, share: float, seed: int = 0) -> Floats:
    chosen = np.random.default_rng(seed).random(len(triangles)) < share
    return np.where(chosen[:, None, None], triangles[:, ::-1], triangles)


def skin_of(triangles: Floats, pitch_mm: float = 0.37) -> OrientedSurface:
    corners = by_coordinate(triangles)
    return orient_surface(corners, spread_samples(corners), UP, pitch_mm)


def cut(skin: OrientedSurface) -> Columns:
    grid = grid_over(skin.corners_mm[0].ravel(), skin.corners_mm[1].ravel(), 0.37)
    return cut_columns(skin.corners_mm, grid)


def test_sound_scans_are_left_alone() -> None:
    triangles = tub()
    skin = skin_of(triangles)
    assert not skin.turned
    assert skin.notes == ()
    assert np.array_equal(skin.corners_mm, UP.to_frame(by_coordinate(triangles)))


@pytest.mark.parametrize("share", [0.05, 0.3])
def test_turned_faces_are_mended(share: float) -> None:
    skin = skin_of(with_turned(tub(), share))
    assert [note.code for note in skin.notes] == ["winding-mended"]
    assert not skin.turned
    assert cut(skin).misfit_share == 0.0
    assert cut(skin).seen_up_share == 1.0


@pytest.mark.parametrize("share", [0.05, 0.3])
def test_turned_faces_of_a_sheet_are_mended(share: float) -> None:
    triangles = tub()
    middle = triangles.mean(axis=1)  # the sheet: top, walls and floor of the pit alone
    sheet = triangles[(np.abs(middle[:, :2]) < np.array([30.99, 25.99])).all(axis=1)]
    sheet = sheet[sheet.mean(axis=1)[:, 2] > -29.99]
    move = random_move(9)
    result = measured(with_turned(sheet, share), move, base=given(move, -1.0))
    assert result.volume_ml == pytest.approx(28.0, rel=1e-6)
    assert [note.code for note in result.notes] == ["winding-mended"]


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0])
def test_turned_faces_do_not_change_the_volume(share: float) -> None:
    move = random_move(3)
    result = measured(with_turned(tub(), share), move, base=given(move, -1.0))
    assert result.volume_ml == pytest.approx(28.0, rel=1e-6)
    expected = "faces-turned" if share == 1.0 else "winding-mended"
    assert [note.code for note in result.notes] == [expected]


def test_all_turned_is_turned() -> None:
    triangles = tub()
    skin = skin_of(triangles[:, ::-1])
    assert skin.turned
    assert cut(skin).seen_up_share == 1.0
    assert np.array_equal(skin.corners_mm, UP.to_frame(by_coordinate(triangles)))


def test_doubled_faces_count_once() -> None:
    triangles = tub(1)
    skin = skin_of(np.concatenate([triangles, triangles[::2, ::-1]]))
    assert [note.code for note in skin.notes] == ["winding-mended"]
    assert skin.corners_mm.shape[2] == len(triangles)


def test_of_shells_that_run_through_each_other_one_is_kept() -> None:
    triangles = tub()
    skin = skin_of(np.concatenate([triangles, triangles + np.array([0.0, 0.0, 0.8])]))
    assert [note.code for note in skin.notes] == ["parts-left-out"]
    assert skin.corners_mm.shape[2] == len(triangles)


def test_a_surface_that_folds_through_itself_is_refused() -> None:
    triangles = tub()
    lifted = triangles + np.array([0.0, 0.0, 0.8])
    # One triangle with a corner on either shell makes one body of both.
    bridge = np.stack([triangles[0, 0], triangles[0, 1], lifted[0, 0]])[None]
    other = np.stack([lifted[0, 1], lifted[0, 0], triangles[0, 1]])[None]
    with pytest.raises(ScanError) as caught:
        skin_of(np.concatenate([triangles[1:], lifted[1:], bridge, other]))
    assert caught.value.code == "tangled"


def test_skin_of_a_cast_is_refused() -> None:
    with pytest.raises(ScanError) as caught:
        refuse_cast(is_open=True, turned=True, rising_share=0.9)
    assert caught.value.code == "cast"


@pytest.mark.parametrize(
    ("is_open", "turned", "rising_share", "codes"),
    [
        (True, False, 0.9, []),
        (True, True, 0.1, ["faces-turned"]),
        (False, True, 0.0, ["faces-turned"]),
        (False, True, 0.9, ["faces-turned"]),
    ],
)
def test_what_is_no_cast(
    is_open: bool,
    turned: bool,
    rising_share: float,
    codes: list[str],
) -> None:
    notes = refuse_cast(is_open=is_open, turned=turned, rising_share=rising_share)
    assert [note.code for note in notes] == codes


def dome(count: int = 60) -> Floats:
    """Return the skin of a cast: a heap of teeth, open below, its faces outward."""
    x, y = np.meshgrid(np.linspace(-30, 30, count), np.linspace(-25, 25, count))
    z = 18.0 * np.cos(x / 60.0 * np.pi) * np.cos(y / 50.0 * np.pi) + np.sin(x) * np.cos(y)
    points = np.stack([x, y, z], axis=2)
    a, b, c, d = points[:-1, :-1], points[:-1, 1:], points[1:, 1:], points[1:, :-1]
    faces = np.stack([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)])
    return np.asarray(faces.reshape(-1, 3, 3))


@pytest.mark.parametrize("seed", range(3))
def test_scan_of_a_cast_is_refused_in_any_pose(seed: int) -> None:
    with pytest.raises(ScanError) as caught:
        measured(dome(), random_move(seed))
    assert caught.value.code == "cast"


def test_by_coordinate_turns_the_layout_about() -> None:
    triangles = np.arange(18.0).reshape(2, 3, 3)
    corners = by_coordinate(triangles)
    assert corners.flags.c_contiguous
    assert corners[2, 1, 0] == triangles[0, 1, 2]
    assert below_ml(bed(), level(-1.0)) == pytest.approx(62 * 52 * 29 / 1000)


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
