"""Which side is air: turned faces are mended, turned scans turned, casts refused.

Volumes are stated by manifold3d for solids from which faces are then turned at random.
"""

import numpy as np
import pytest
from trimesh.remesh import subdivide

from tests.cavity.posing import given, measured, random_move
from tests.cavity.stages import bed, below_ml, level, pit
from tests.cavity.trays import Floats, corners_of
from volest.cavity.columns import Columns, cut_columns, grid_over
from volest.cavity.frame import frame_along
from volest.cavity.polarity import Skin, by_coordinate, find_skin, refuse_cast
from volest.cavity.pose import spread_samples
from volest.errors import ScanError

UP = frame_along(np.array([0.0, 0.0, 1.0]), np.zeros(3))


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


def skin_of(triangles: Floats, pitch_mm: float = 0.37) -> Skin:
    corners = by_coordinate(triangles)
    return find_skin(corners, spread_samples(corners), UP, pitch_mm)


def cut(skin: Skin) -> Columns:
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
