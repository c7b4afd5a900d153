"""Marked preparations: cones and cylinders by their formulas, made stumps by their maker's margin.

Pits hang from the floor of a tub, 4 mm under the base line; `Manifold.cylinder` has a regular
polygon of so many corners for a circle, which at 128 of them strays by 1 micrometre.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from manifold3d import Manifold
from trimesh.remesh import subdivide_to_size

from tests.bench.parted import drawn
from tests.cavity.stages import Floats, bed, level, pit, staged_triangles, tilted
from tests.cavity.trays import corners_of
from tests.corpus.case import Case, make, solid
from tests.corpus.dentition import Row, Standing
from tests.corpus.jaw import Ridge
from tests.corpus.prepared import Stump
from tests.marks import slow
from volest.cavity.base_line import BasePlane
from volest.cavity.columns import Surface
from volest.cavity.frame import Frame
from volest.cavity.imprints import find_imprints
from volest.cavity.preparations import Preparations, find_preparations
from volest.cavity.trim import find_clock
from volest.pipeline import Cavity, examine_all, find_cavities, guided
from volest.scan.reading import scan_from
from volest.settings import Settings

AS_IS = Frame(rotation=np.eye(3), origin_mm=np.zeros(3))
FLOOR_MM = 4.0


def tower(
    x_mm: float,
    top_mm: float,
    *,
    high_mm: float = 7.0,
    tip_mm: float | None = None,
    y_mm: float = 0,
) -> Manifold:
    """Hang a cone, or a cylinder, of such radii at the tub's floor and at its tip."""
    tip_mm = top_mm if tip_mm is None else tip_mm
    cone = Manifold.cylinder(high_mm, tip_mm, top_mm, 128)
    return cone.translate((x_mm, y_mm, -FLOOR_MM - high_mm))


def found(
    marks: list[tuple[float, float, float]],
    *pits: Manifold,
    base: BasePlane | None = None,
    over_mm: float = 0.0,
    wanted_mm: float = 0.0,
    hidden: Callable[[Floats, Floats], npt.NDArray[np.bool_]] | None = None,
) -> Preparations:
    """Mark places in a tub with pits, 3 degrees off any grid; of its floor some may be unseen."""
    triangles = corners_of(bed(pit(52.0, 30.0, FLOOR_MM), *pits).rotate((0.0, 0.0, 3.0)))
    if hidden is not None:
        corners = np.arange(3 * len(triangles)).reshape(-1, 3)
        points, corners = subdivide_to_size(triangles.reshape(-1, 3), corners, 0.8)  # type: ignore[no-untyped-call]
        triangles = points[corners]
        middle = triangles.mean(axis=1)
        is_floor = np.abs(middle[:, 2] + FLOOR_MM) < 0.01
        triangles = triangles[~(is_floor & hidden(middle[:, 0], middle[:, 1]))]
    turn = np.radians(3.0)
    places = [
        (x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z)
        for x, y, z in marks
    ]
    stages, base = staged_triangles(triangles), base or level(0.0)
    surface, rooms = Surface(triangles=triangles, frame=AS_IS), stages.rooms(base)
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    return find_preparations(
        places,
        surface,
        rooms,
        base,
        clock,
        imprints=find_imprints(surface, rooms, base, clock),
        over_mm=over_mm,
        wanted_mm=wanted_mm,
    )


@pytest.mark.parametrize("gap_mm", [0.4, 1.0, 2.5])
def test_cylinders_are_as_far_apart_as_they_were_put(gap_mm: float) -> None:
    row = found(
        [(0.0, 0.0, -8.0)],
        tower(0.0, 3.0),
        tower(-6.5 - gap_mm, 3.5),
        tower(7.5 + gap_mm, 3.5),
    )
    (one,) = row.each
    assert one.least_mm == pytest.approx(FLOOR_MM, abs=0.05)
    assert one.most_mm == pytest.approx(FLOOR_MM, abs=0.05)
    assert one.high_mm == pytest.approx(7.0, abs=0.05)
    assert [free.width_mm for free in one.free] == pytest.approx([gap_mm, gap_mm + 1.0], abs=0.1)
    assert row.notes == ()


def test_cones_are_measured_where_they_are_widest() -> None:
    # Walls of 8 degrees: 1 mm nearer to the tip the gap would be 0.28 mm wider.
    cones = [tower(x, 3.5, tip_mm=2.5) for x in (-7.8, 0.0, 7.6)]
    (one,) = found([(1.0, 1.0, -10.0)], *cones).each
    assert [free.width_mm for free in one.free] == pytest.approx([0.6, 0.8], abs=0.1)


def test_a_neighbour_that_leans_over_counts_as_a_blade_meets_it() -> None:
    # Wider at its tip: a blade that goes straight down has 0.7 mm there, not 1.7 at the floor.
    neighbour = tower(-7.7, 3.0, tip_mm=4.0)
    (one,) = found([(0.0, 0.0, -9.0)], tower(0.0, 3.0), neighbour).each
    assert [free.width_mm for free in one.free] == pytest.approx([0.7], abs=0.1)


@pytest.mark.parametrize("overlap_mm", [0.0, 1.0])
def test_pits_that_touch_leave_no_width(overlap_mm: float) -> None:
    cones = [tower(x, 3.5, tip_mm=2.5) for x in (0.0, 7.0 - overlap_mm)]
    (one,) = found([(-1.0, 0.0, -9.0)], *cones).each
    assert one.least_mm == pytest.approx(FLOOR_MM, abs=0.1)
    assert [free.width_mm for free in one.free] == pytest.approx([0.0], abs=0.1)


def test_a_pit_by_the_border_is_measured_to_its_own_margin() -> None:
    (one,) = found([(22.0, 0.0, -9.0)], tower(22.0, 3.0, tip_mm=2.6)).each
    assert one.least_mm == pytest.approx(FLOOR_MM, abs=0.05)
    assert one.free == ()


def test_heights_are_along_the_normal_and_least_where_the_line_dips() -> None:
    # The line is z = 0.1 x, about: at the cylinder's edges, 3 mm off its middle, it lies at +-0.3.
    (one,) = found([(0.0, 0.0, -9.0)], tower(0.0, 3.0), base=tilted(0.1, 0.0, 0.0)).each
    flat = np.hypot(1.0, 0.1)
    assert one.least_mm == pytest.approx((FLOOR_MM - 0.3) / flat, abs=0.1)
    assert one.most_mm == pytest.approx((FLOOR_MM + 0.3) / flat, abs=0.1)


@pytest.mark.parametrize(
    "mark",
    [
        (12.0, 0.0, -FLOOR_MM),  # on the floor beside
        (0.0, 40.0, -8.0),  # off the impression
        (0.0, 0.0, -60.0),  # far under the tip
        (0.0, 0.0, 30.0),  # far over it
        (1e6, 1e6, 1e6),
    ],
)
def test_a_mark_outside_is_told_and_measured_nowhere(mark: tuple[float, float, float]) -> None:
    row = found([mark], tower(0.0, 3.0), wanted_mm=30.0)
    assert row.each == ()
    (note,) = row.notes
    assert note.code == "mark-in-no-imprint"
    assert f"at {np.array(note.values['hours'])[0]} o'clock" in note.text


def test_a_gap_that_was_not_seen_has_no_width() -> None:
    pits = tower(0.0, 3.0, tip_mm=2.6), tower(-7.0, 3.0, tip_mm=2.6), tower(7.4, 3.0, tip_mm=2.6)
    (one,) = found([(0.0, 0.0, -9.0)], *pits, hidden=lambda x, _: (x > 3.1) & (x < 4.4)).each
    assert [free.width_mm for free in one.free] == [pytest.approx(1.0, abs=0.1), None]


def test_a_margin_of_which_half_was_not_seen_is_told() -> None:
    def half(x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
        return (np.hypot(x, y) < 4.0) & (y > 0.0)

    row = found([(0.0, 0.0, -9.0)], tower(0.0, 3.0, tip_mm=2.6), hidden=half)
    assert [note.code for note in row.notes] == ["mark-in-no-imprint"]


def test_a_hollow_that_is_no_stump_is_told() -> None:
    assert found([(0.0, 0.0, -5.0)], tower(0.0, 3.0, high_mm=2.0)).each == ()
    assert found([(0.0, 0.0, -5.0)], tower(0.0, 8.0)).each == ()


QUADRANT = Case(
    name="prepared",
    seed=5,
    row=Row(jaw="lower", positions=(4, 5, 6), prepared=(5,), tips_mm=21.0),
    ridge=Ridge(from_mm=10.0, to_mm=52.0),
    pitch_mm=0.7,
)
JAWS = [QUADRANT, *slow(*(drawn("prepared next to natural", (77, k)) for k in (0, 6)))]


@pytest.mark.parametrize("case", JAWS, ids=lambda case: f"{case.name}-{case.seed}")
def test_margins_of_made_stumps_lie_where_their_maker_laid_them(case: Case) -> None:
    (cavity,) = find_cavities(scan_from(make(case).mesh.corners, unit="mm"), Settings())
    assert isinstance(cavity, Cavity)
    stumps = [(one, one.crown) for one in solid(case).jaw.teeth if isinstance(one.crown, Stump)]
    surface, rooms, base, clock = cavity.skin.surface, cavity.rooms, cavity.base, cavity.clock
    imprints = find_imprints(surface, rooms, base, clock)
    assert imprints is not None
    row = find_preparations(
        [_middle(stump) for stump, _ in stumps],
        surface,
        rooms,
        base,
        clock,
        imprints=imprints,
        over_mm=0.0,
        wanted_mm=0.0,
    )
    assert len(row.each) == len(stumps) == len(case.row.prepared)
    for one, (stump, crown) in zip(row.each, stumps, strict=True):
        line = cavity.frame.to_frame(_in_scan(stump, crown.margin_line()))
        stone = -base.heights_mm(*line) * base.upright
        # Triangles of 0.7 mm and more, and the ledge's rounded corner.
        assert one.least_mm == pytest.approx(stone.min(), abs=0.3)
        assert one.most_mm == pytest.approx(stone.max(), abs=0.4)
        ways = [free.towards_hour for free in one.free]
        assert {*ways} <= {*imprints.end_hours}  # along the row, and two neighbours lie two ways
        assert len({*ways}) == len(ways)


def _middle(stump: Standing) -> tuple[float, float, float]:
    x, y, z = _in_scan(stump, np.array([[0.0], [0.0], [0.5 * stump.crown.height_mm]]))[:, 0]
    return float(x), float(y), float(z)


def _in_scan(stump: Standing, places: np.ndarray) -> np.ndarray:
    """Carry places of a tooth's frame, (3, k), into the maker's; made jaws here are not moved."""
    u, v, w = places
    flat = np.outer(stump.mesial, u + stump.tip * w) + np.outer(stump.outward, v + stump.lean * w)
    return np.stack([*(stump.centre[:, None] + flat), -(stump.gum_mm + w)])


@pytest.mark.slow
def test_of_several_impressions_each_has_its_own_marks() -> None:
    one = bed(pit(52.0, 30.0, FLOOR_MM), tower(0.0, 3.0, tip_mm=2.6))
    both = np.concatenate([corners_of(one), corners_of(one.translate((0.0, 90.0, 0.0)))])
    marks = [(0.0, 0.0, -9.0), (0.0, 90.0, -9.0)]
    found = examine_all(scan_from(both, unit="mm"), Settings())
    assert len(found) == len(marks)
    told = []
    for result, cavity in found:
        assert isinstance(cavity, Cavity)
        _, guide = guided(result, cavity, Settings(), marks)
        assert guide.preparations is not None
        told.append([each.mark_mm for each in guide.preparations.each])
    assert told == [[mark] for mark in marks]


@pytest.mark.parametrize(("over_mm", "noted"), [(1.9, True), (2.1, False)])
def test_stone_over_the_line_counts_for_the_pins(over_mm: float, *, noted: bool) -> None:
    row = found([(0.0, 0.0, -8.0)], tower(0.0, 3.0), over_mm=over_mm, wanted_mm=6.0)
    assert [note.code for note in row.notes] == ["short-die"] * noted
    if noted:
        assert row.notes[0].values["higher_mm"] == pytest.approx(0.1, abs=0.05)
