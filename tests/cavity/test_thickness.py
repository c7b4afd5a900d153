"""Stone over the floor: planes and a hump by their heights, rays by trimesh."""

import numpy as np
import pytest
from manifold3d import Manifold
from trimesh import Trimesh

from tests.cavity.stages import bed, level, pit, staged, tilted
from volest.cavity.base_line import BasePlane
from volest.cavity.thickness import Thickness, find_thickness
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


def test_near_walls_nothing_is_said() -> None:
    thick = told(bed(pit(40.0, 14.0, 2.0)), level(0.0), 0.0)
    assert (thick.least_mm, thick.least_hour, thick.notes) == (None, None, ())
