"""Stone over the floor: planes and a hump by their heights, rays by trimesh."""

from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold
from trimesh import Trimesh

from tests.cavity.stages import PIECE, bed, box, level, pit, staged, tilted
from volest.cavity.base_line import BasePlane
from volest.cavity.cast import Thickness, find_thickness
from volest.cavity.imprints import Imprints
from volest.cavity.trim import find_clock


def told(solid: Manifold, base: BasePlane, over_mm: float = 2.0) -> Thickness:
    stages = staged(solid)
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    return find_thickness(stages.rooms(base), base, clock, None, over_mm=over_mm, wanted_mm=3.0)


def test_a_hump_is_as_far_under_the_line_as_rays_find_it() -> None:
    hump = Manifold.sphere(14.0, 128).translate((4.0, 2.0, -19.0))  # its top at -5
    solid = bed(pit(50.0, 40.0, 15.0) - hump)
    thick = told(solid, level(-1.0))
    assert thick.least_mm == pytest.approx(4.0, abs=0.1)
    assert thick.total_mm == pytest.approx(14.0 + 2.0, abs=0.01)
    mesh = solid.to_mesh()
    tray = Trimesh(mesh.vert_properties[:, :3], mesh.tri_verts, process=False)
    x, y = (v.ravel() for v in np.meshgrid(np.arange(-16.6, 17, 0.9), np.arange(-11.6, 12, 0.9)))
    start = np.stack([x, y, np.full(len(x), -1.0)], axis=1)
    down = np.broadcast_to([0.0, 0.0, -1.0], start.shape)
    hit, _, _ = tray.ray.intersects_location(start, down, multiple_hits=False)
    assert thick.least_mm == pytest.approx(float((-1.0 - hit[:, 2]).min()), abs=0.1)


def test_heights_are_along_the_normal() -> None:
    # A level floor at -15 under z = 0.1 x: least at the low end, 8 mm off the wall at x = -25.
    thick = told(bed(pit(50.0, 40.0, 15.0)), tilted(0.1, 0.0, 0.0))
    assert thick.least_mm == pytest.approx((15.0 - 1.7) / np.hypot(1.0, 0.1), abs=0.1)


@pytest.mark.parametrize(("over_mm", "noted"), [(0.4, True), (2.0, False)])
def test_what_stands_over_the_line_counts(over_mm: float, *, noted: bool) -> None:
    hump = Manifold.cylinder(13.0, 9.0, 9.0, 64).translate((0.0, 0.0, -15.0))  # its top at -2
    thick = told(bed(pit(50.0, 40.0, 15.0) - hump), level(0.0), over_mm)
    assert thick.least_mm == pytest.approx(2.0, abs=0.1)
    assert [note.code for note in thick.notes] == ["thin-stone"] * noted
    if noted:
        assert thick.notes[0].values["higher_mm"] == pytest.approx(0.6, abs=0.1)
        assert thick.thin_mm2 == pytest.approx(np.pi * 81.0, rel=0.03)


@pytest.mark.parametrize("top_mm", [-1.2, -0.5, -0.05, 0.0, 0.6, 2.5])
def test_a_hump_that_comes_near_the_line_or_over_it_is_thin_stone(top_mm: float) -> None:
    radius_mm, x, y = np.random.default_rng(int(20 * top_mm + 99)).uniform((3, -8, -4), (6, 8, 4))
    hump = Manifold.cylinder(15.0 + top_mm, radius_mm, radius_mm, 128)
    solid = bed(pit(50.0, 40.0, 15.0)) + hump.translate((x, y, -15.0))
    thick = told(solid.rotate((0.0, 0.0, 31.0)), level(0.0), 2.0)
    assert thick.least_mm == pytest.approx(-top_mm, abs=0.01)
    if top_mm < -1.0:
        assert (thick.notes, thick.thin_mm2) == ((), 0.0)
        return
    assert thick.thin_mm2 == pytest.approx(np.pi * radius_mm**2, rel=0.05)
    (note,) = thick.notes
    assert note.values["have_mm"] == pytest.approx(max(2.0 - top_mm, 0.0), abs=0.01)
    assert note.values["higher_mm"] == pytest.approx(1.0 + top_mm, abs=0.01)


@pytest.mark.parametrize("line_mm", [-0.8, 0.0, 0.4])
@pytest.mark.parametrize("wide_mm", [8.0, 4.0])
def test_a_rim_on_the_tongues_side_is_no_thin_stone(line_mm: float, wide_mm: float) -> None:
    # A lower: arms 20 mm wide and a front of 22 round a tongue space that is cut from the tray.
    tongue = box((16.0, 28.0, 12.5), (0.0, -12.0, 0.5))
    space = box((16.0 - wide_mm, 40.0, 40.0), (0.0, -18.0 - wide_mm, 5.0))
    thick = told(bed(pit(56.0, 48.0, 12.0) - tongue, space), level(line_mm))
    assert thick.least_mm == pytest.approx(12.0 + line_mm, abs=0.01)
    assert (thick.notes, thick.thin_mm2) == ((), 0.0)


@pytest.mark.parametrize(("half_mm", "gum_mm"), [(12.0, 8.0), (7.4, 8.0), (6.4, None)])
@pytest.mark.parametrize("is_seen", [True, False])
def test_gum_beside_an_imprint_is_no_rim(
    half_mm: float, gum_mm: float | None, *, is_seen: bool
) -> None:
    # An imprint of r = 6 and 16 mm deep in a round trough 8 mm deep, whose wall is near or far.
    made = Manifold.cylinder(9.0, half_mm, half_mm, 128).translate((0.0, 0.0, -8.0))
    stages = staged(bed(made + Manifold.cylinder(17.0, 6.0, 6.0, 128).translate((0, 0, -16.0))))
    rooms, base = stages.rooms(level(0.0)), level(0.0)
    rooms = replace(rooms, assumed=np.full(len(rooms.cell), not is_seen))
    piece = (np.hypot(*rooms.grid.centres_mm()) < 6.0).astype(np.int64)
    ends = np.zeros((2, 2))
    row = Imprints(
        piece=piece,
        curve_mm=ends,
        is_arch=False,
        end_hours=(9, 3),
        each=(replace(PIECE, deep_mm=16.0),),
    )
    inside = stages.footprint.inside
    clock = find_clock(stages.relief.grid, inside, inside)
    thick = find_thickness(rooms, base, clock, row, over_mm=2.0, wanted_mm=3.0)
    (behind,) = thick.behind
    assert behind.tip_mm == (16.0 if is_seen else None)
    assert behind.gum_mm == (gum_mm if gum_mm is None else pytest.approx(gum_mm, abs=0.01))


def test_near_walls_nothing_is_said() -> None:
    thick = told(bed(pit(40.0, 14.0, 2.0)), level(0.0), 0.0)
    assert (thick.least_mm, thick.least_hour, thick.notes) == (None, None, ())
