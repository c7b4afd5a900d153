"""The least stone over the floor, from the maker's own field and from troughs of known shape.

The floor is told without volest: triangles that face up within 40 degrees and lie further than 4 mm
inside of the line of the crest that the maker drew (`Impression.crest`); the thickness over them is
their distance to the base line.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cavity.terrain import Bools, Floats, disc, relief_of
from tests.corpus.case import Case, solid
from tests.corpus.files import write
from tests.corpus.mesh import Mesh
from tests.corpus.recipes import SAMPLES
from tests.corpus.specimen import specimen
from tests.marks import slow
from volest.cavity.base_line import find_base_line
from volest.cavity.footprint import find_footprint
from volest.cavity.frame import frame_along
from volest.cavity.rim import find_rim
from volest.pipeline import size_scan
from volest.scan.reading import read_scan
from volest.settings import Base, Settings

FOLDER = Path(__file__).parents[2] / "sample_meshes"
COVER_MM = 10.0
FLAT = np.cos(np.radians(40.0))
CREST_MM = 4.0
PATCH_MM2 = 1.0


def least_over_floor_mm(path: Path, case: Case, scale: float = 1.0) -> float:
    """Return the least stone over the floor that a cover of 10 leaves; a patch may have less."""
    found = size_scan(path, Settings(base=Base(how="cover", offset_mm=COVER_MM), obey_saved=False))
    assert found.base_line is not None
    point, normal = np.array(found.base_line.point_mm), np.array(found.base_line.normal)
    corners = read_scan(path, unit=None).triangles
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area_mm2 = 0.5 * np.linalg.norm(across, axis=1)
    middle = corners.mean(axis=1)
    turn = case.pose.directions(np.eye(3))  # rows: the maker's axes in the file's frame
    made = (middle - case.pose.points(np.zeros((1, 3)))) @ turn.T / scale
    impression = solid(case)
    places = impression.arch.places(made[:, 0], made[:, 1])
    within = impression.inside(places)[:, 0] & (impression.crest(places)[:, 0] * scale < -CREST_MM)
    floor = within & (np.abs(across @ normal) > 2.0 * area_mm2 * FLAT)
    if case.shell is not None:
        floor &= made[:, 2] > 1.5 - case.shell.floor_mm  # and not the tray's underside
    stone_mm = (point - middle[floor]) @ normal
    order = np.argsort(stone_mm)
    return float(stone_mm[order][np.searchsorted(area_mm2[floor][order].cumsum(), PATCH_MM2)])


SCANS = {path.name: path for path in FOLDER.glob("b*") if path.suffix in (".stl", ".ply")}
CASES = {str(one.case.name): one.case for one in SAMPLES}
QUICK = ("b0422-lower-left-quadrant", "b0425-upper-six-prepared", "b0447-lower-closed")
# Where the floor ends in a wall its edge is one cell unsure: 0.4 mm at 40 degrees.
EDGE_MM = 0.45


@pytest.mark.parametrize("name", [*QUICK, *slow(*(n for n in CASES if n not in QUICK))])
def test_the_least_over_a_sample_is_what_was_asked(name: str) -> None:
    path = next(path for file, path in SCANS.items() if file.startswith(name))
    assert least_over_floor_mm(path, CASES[name]) == pytest.approx(COVER_MM, abs=EDGE_MM)


# Uppers, lowers, quadrants, few teeth, toothless; whole and torn.
@pytest.mark.parametrize("seed", [9, *slow(1, 2, 5, 6, 23)])
def test_the_least_over_a_random_floor_is_what_was_asked(
    seed: int, impressions: Path, tmp_path: Path
) -> None:
    made = specimen(seed, impressions)
    path = tmp_path / "scan.stl"
    write(Mesh(vertices=made.vertices, faces=made.faces), path, "stl", "made at random")
    least_mm = least_over_floor_mm(path, made.drawn.case, made.drawn.scale)
    assert least_mm == pytest.approx(COVER_MM, abs=EDGE_MM)


PLAIN = relief_of(np.hypot, disc(26.0))
X, Y = PLAIN.grid.centres_mm()
STILL = frame_along(np.array([0.0, 0.0, 1.0]), np.zeros(3))
RADIUS_MM = 20.0
PIT_MM = 8.0
REPEATABLE = settings(max_examples=15, derandomize=True)


def pits(x: Floats, y: Floats) -> Bools:
    """Say where three round pits lie; their flat ends are the level of the teeth."""
    apart = [np.hypot(x - a, y - b) for a, b in ((7.0, 0.0), (-4.0, 6.0), (-4.0, -6.0))]
    return np.asarray(np.min(apart, axis=0) < 1.5)


def wall_mm(x: Floats, y: Floats, slope: float, high_mm: float, top_mm: float) -> Floats:
    """Return a round wall with a flat top, and its outside."""
    r = np.hypot(x, y)
    falls = high_mm - slope * np.clip(RADIUS_MM - top_mm - r, 0.0, None)
    return np.where(r < RADIUS_MM, falls, high_mm - 2.0 * (r - RADIUS_MM))


def trough(floor_mm: Floats, x: Floats, y: Floats, wall: Floats) -> Floats:
    return np.maximum(np.where(pits(x, y), -PIT_MM, floor_mm), wall)


def highest_mm(top_mm: Floats) -> float:
    """Return over which height the line for a cover lies by what was asked for."""
    relief = replace(PLAIN, top_mm=np.where(PLAIN.outside, top_mm[~PLAIN.outside].min(), top_mm))
    footprint = find_footprint(relief)
    rim = find_rim(relief, footprint, None)
    base = Base(how="cover", offset_mm=2.0)
    found = find_base_line(base, relief, footprint.inside, rim, STILL)
    assert found.plane[:2] == pytest.approx([0.0, 0.0], abs=1e-6)
    return float(found.plane[2]) - 2.0


FINE_X, FINE_Y = np.meshgrid(*[np.arange(-20.0, 20.0, 0.05)] * 2)
# Slope, height and the width of the top: the foot lies further out than the pits.
WALLS = st.tuples(st.floats(2.0, 8.0), st.floats(8.0, 10.0), st.floats(0.0, 1.5))


@REPEATABLE
@given(
    wall=WALLS,
    rise=st.floats(0.0, 0.35),
    way=st.floats(0.0, 6.28),
    mound=st.tuples(st.floats(0, 5), st.floats(4, 8), st.floats(-6, 6), st.floats(-6, 6)),
)
def test_a_floor_that_rises_and_has_a_mound(
    wall: tuple[float, float, float],
    rise: float,
    way: float,
    mound: tuple[float, float, float, float],
) -> None:
    high_mm, wide_mm, at_x, at_y = mound

    def floor(x: Floats, y: Floats) -> Floats:
        dome = high_mm * (1.0 - ((x - at_x) ** 2 + (y - at_y) ** 2) / wide_mm**2)
        slope = rise * (x * np.cos(way) + y * np.sin(way))
        return np.asarray(slope + np.clip(dome, 0.0, None))

    ground = floor(FINE_X, FINE_Y)
    is_floor = (ground > wall_mm(FINE_X, FINE_Y, *wall)) & ~pits(FINE_X, FINE_Y)
    # Nearer to the crest than 4 mm a floor may count, farther it must.
    least_mm, most_mm = (
        float(ground[is_floor & (np.hypot(FINE_X, FINE_Y) < RADIUS_MM - near)].max())
        for near in (CREST_MM, 0.0)
    )
    found_mm = highest_mm(trough(floor(X, Y), X, Y, wall_mm(X, Y, *wall)))
    # The top of a mound on which 1 mm2 lies: high x (1 / pi) / wide^2, at most 0.1 mm.
    assert least_mm - 0.25 < found_mm < most_mm + 0.25


@REPEATABLE
@given(slope=st.floats(0.3, 3.0), high=st.floats(2.0, 7.0), x=st.floats(-1, 3), y=st.floats(-3, 3))
def test_a_cone_counts_up_to_where_a_patch_is_left(
    slope: float, high: float, x: float, y: float
) -> None:
    # own: a circle of 1 mm2 has a radius of 0.564; cells of 0.4 mm tell it within half of one.
    cone = np.clip(high - slope * np.hypot(X - x, Y - y), 0.0, None)
    found_mm = highest_mm(trough(cone, X, Y, wall_mm(X, Y, 3.0, 12.0, 1.0)))
    assert found_mm == pytest.approx(high - 0.564 * slope, abs=0.1 + 0.25 * slope)


@REPEATABLE
@given(wall=WALLS, high=st.floats(0.0, 5.0), seed=st.integers(0, 999), over=st.floats(0.5, 20.0))
def test_spikes_and_specks_move_nothing(
    wall: tuple[float, float, float], high: float, seed: int, over: float
) -> None:
    dome = high * np.clip(1.0 - (X**2 + Y**2) / 36.0, 0.0, None)
    plain = trough(dome, X, Y, wall_mm(X, Y, *wall))
    rng = np.random.default_rng(seed)
    spiky = plain.copy()
    for j, i in rng.permutation(np.argwhere(np.hypot(X, Y)[::8, ::8] < 21.0))[:40] * 8:
        spiky[j, i : i + int(rng.integers(1, 3))] += over
    assert highest_mm(spiky) == pytest.approx(highest_mm(plain), abs=0.1)


@REPEATABLE
@given(wall=WALLS, high=st.floats(0.0, 5.0), more=st.floats(0.0, 0.2))
def test_a_little_more_mound_moves_it_a_little(
    wall: tuple[float, float, float], high: float, more: float
) -> None:
    dome = np.clip(1.0 - (X**2 + Y**2) / 36.0, 0.0, None)
    less, grown = (
        highest_mm(trough(h * dome, X, Y, wall_mm(X, Y, *wall))) for h in (high, high + more)
    )
    assert -1e-9 <= grown - less <= more + 1e-9


@pytest.mark.parametrize("slope", [1.0, 2.0])
def test_between_walls_alone_it_is_over_the_tips(slope: float) -> None:
    funnel = wall_mm(X, Y, slope, 9.0, 1.0)
    assert highest_mm(np.maximum(funnel, -PIT_MM)) == pytest.approx(-PIT_MM, abs=0.05)
