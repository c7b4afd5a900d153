"""The truths of the real kinds, each by a second way: the field's integral, prisms, plain rays."""

import copy
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.path import Path as MplPath
from numpy.typing import NDArray
from scipy.ndimage import label

from tests.corpus.arch import Places
from tests.corpus.blend import Array
from tests.corpus.flow import Studs
from tests.corpus.mesh import Mesh, border, face_normals
from tests.corpus.patching import PATCH_EDGE_MM, closed_up, least_area, open_loops, remeshed
from tests.corpus.real_cases import (
    FLOWS,
    PATCHED_MM,
    Side,
    Tray,
    box_round,
    crest_plane,
    crest_points,
    held,
    make_tray,
    pierced,
    real_case,
    sighted,
)
from tests.corpus.sight import GRAZING_DEG, PIXEL_MM, directions, fans, heights, seen
from tests.corpus.specimen import prisms_ml
from tests.corpus.truth import measure

SMALL = 2  # a number that gives something quick


@pytest.fixture(scope="module", params=[(f, n) for n, f in enumerate(FLOWS)], ids=list(FLOWS))
def tray(request: pytest.FixtureRequest) -> Tray:
    flow_kind, number = request.param
    return make_tray(np.random.default_rng(number), flow_kind, recede_mm=2.5, shape="few teeth")


class Within:
    """A tray's field without the tray's outside, its footprint the field's own ridge line."""

    def __init__(self, tray: Tray) -> None:
        self.impression = copy.copy(tray.impression)
        self.impression.shell = None  # columns begin in material
        self.arch, self.field = self.impression.arch, self.impression.field
        self.box = box_round(tray.impression)
        self.ridge = MplPath(crest_points(self.impression, self.box)[:, :2])

    def inside(self, places: Places) -> NDArray[np.bool_]:
        """Tell which columns lie inside the ridge line."""
        spots = np.hstack([places.x, places.y])
        return np.array(self.ridge.contains_points(spots))


@pytest.mark.slow
def test_the_boolean_is_what_the_field_holds(tray: Tray) -> None:
    field = Within(tray)
    held = measure(field, field.box, tray.level_mm, 0.25)
    assert tray.side.volume_ml == pytest.approx(held.volume_ml, rel=1e-3)


@pytest.mark.slow
def test_prisms_of_the_cavity_are_the_boolean(tray: Tray) -> None:
    held = prisms_ml(tray.mesh.corners[tray.cavity], tray.side.plane)
    assert held == pytest.approx(tray.side.volume_ml, rel=1e-6)


@pytest.mark.slow
def test_the_plane_lies_under_every_notch(tray: Tray) -> None:
    # the field's own crest, all round, against the flood of the triangles' heights
    crest = crest_points(tray.impression, box_round(tray.impression))
    assert tray.side.spare_mm >= 0.2
    assert crest[:, 2].min() - tray.level_mm == pytest.approx(tray.side.spare_mm, abs=0.1)


@pytest.mark.slow
def test_what_is_in_sight_by_plain_rays(tray: Tray) -> None:
    rng = np.random.default_rng(7)
    ways = directions(25.0, rng)
    found = seen(tray.mesh, ways)
    normals = face_normals(tray.mesh)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    facing = (normals @ ways.T > np.sin(np.radians(GRAZING_DEG))).any(axis=1)
    asked = np.concatenate(
        [np.flatnonzero(facing & ~found)[:40], rng.choice(np.flatnonzero(found), 40)]
    )
    truly = np.array([_in_sight(tray.mesh, k, normals[k], ways) for k in asked])
    assert np.count_nonzero(truly != found[asked]) <= 1  # a ray through an edge


def _in_sight(mesh: Mesh, face: int, normal: Array, ways: Array) -> bool:
    """Ask each direction by a ray from a triangle's middle (Moeller and Trumbore 1997)."""
    first, second, third = np.moveaxis(mesh.corners, 1, 0)
    one, two = second - first, third - first
    start = mesh.corners[face].mean(axis=0) + 1e-3 * normal
    for way in ways[ways @ normal > np.sin(np.radians(GRAZING_DEG))]:
        cross = np.cross(way, two)
        scale = (one * cross).sum(axis=1)
        safe = np.where(np.abs(scale) < 1e-12, np.inf, scale)
        apart = start - first
        u = (apart * cross).sum(axis=1) / safe
        other = np.cross(apart, one)
        v, far = other @ way / safe, (two * other).sum(axis=1) / safe
        if not ((u >= 0.0) & (v >= 0.0) & (u + v <= 1.0) & (far > 1e-9)).any():
            return True
    return False


def test_directions_keep_to_their_angle() -> None:
    ways = directions(25.0, np.random.default_rng(1))
    assert np.allclose(np.linalg.norm(ways, axis=1), 1.0)
    assert np.degrees(np.arccos(ways[:, 2])).max() == pytest.approx(25.0)


def test_two_fans_at_one_corner_part() -> None:
    # two pairs of triangles that meet in corner 0 and nowhere else
    faces = fans(np.array([[0, 1, 2], [0, 2, 3], [0, 4, 5], [0, 5, 6]]))
    assert len(np.unique(faces)) == 8
    assert faces[0, 0] == faces[1, 0] != faces[2, 0] == faces[3, 0]


def test_the_crest_plane_stands_a_torn_third() -> None:
    rng = np.random.default_rng(3)
    spots = rng.uniform(-30.0, 30.0, (300, 2))
    height = 2.0 + 0.05 * spots[:, 0] - 0.02 * spots[:, 1]
    height[spots[:, 0] > 15.0] -= rng.uniform(0.0, 5.0, np.count_nonzero(spots[:, 0] > 15.0))
    plane, _ = crest_plane(np.column_stack([spots, height]))
    slope = -plane[3:5] / plane[5]
    assert slope == pytest.approx([0.05, -0.02], abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "seed"), [("ragged", 1), ("sight", 3), ("half pipe", 3)])
def test_the_same_number_gives_the_same(kind: str, seed: int) -> None:
    one, two = real_case(seed, kind), real_case(seed, kind)
    assert (one.kind, one.seed) == (kind, seed)
    assert np.array_equal(one.scan, two.scan)
    assert one.volume_ml == two.volume_ml
    assert np.array_equal(one.scan, one.scan.astype(np.float32))


@pytest.mark.slow
def test_heights_stray_as_stated() -> None:
    # over many places the crest's height has the standard deviation that was asked for
    made = make_tray(np.random.default_rng(5), "ragged", shape="quadrant")
    spots = np.random.default_rng(6).uniform(-500.0, 500.0, (4000, 2))
    heights = made.impression.heights(spots[:, 0], spots[:, 1], np.zeros(1))
    assert heights.std() == pytest.approx(made.impression.flow.stray_mm, rel=0.05)


@pytest.mark.slow
def test_a_closed_solid_is_closed(tray: Tray) -> None:
    assert not border(tray.mesh).any()


def test_open_borders_of_a_bent_grid() -> None:
    # a sheet of 4 x 4 squares without its middle ones: one outer border, one inner, one missing
    faces = [[k, k + 1, k + 6] for row in range(4) for k in range(5 * row, 5 * row + 4)] + [
        [k, k + 6, k + 5] for row in range(4) for k in range(5 * row, 5 * row + 4)
    ]
    kept = np.array([f for f in faces if not set(f) <= {6, 7, 8, 11, 12, 13, 16, 17, 18}])
    loops = open_loops(kept)
    assert sorted(len(loop) for loop in loops) == [8, 16]
    assert {frozenset(loop.tolist()) for loop in loops if len(loop) == 8} == {
        frozenset({6, 7, 8, 11, 13, 16, 17, 18})
    }


def test_least_area_of_a_flat_ring_and_of_a_bent_square() -> None:
    # a flat star is covered once: shoelace formula
    turn = 2.0 * np.pi * np.arange(24) / 24
    star = (5.0 + 2.0 * (-1.0) ** np.arange(24))[:, None] * np.column_stack(
        [np.cos(turn), np.sin(turn)]
    )
    x, y = star.T
    area = 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))
    points = np.column_stack([star, np.zeros(24)])
    patch = Mesh(vertices=points, faces=least_area(points))
    assert len(patch.faces) == 22
    assert patch.area_mm2 == pytest.approx(area)
    # of both ways to cut a bent square the shorter fold is smaller: lifted corners 0 and 2
    bent = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [1.2, 1.2, 1.0], [0.0, 1.0, 0.0]])
    ways = [np.array([[0, 1, 2], [0, 2, 3]]), np.array([[0, 1, 3], [1, 2, 3]])]
    least = min(Mesh(vertices=bent, faces=way).area_mm2 for way in ways)
    found = Mesh(vertices=bent, faces=least_area(bent))
    assert found.area_mm2 == pytest.approx(least)


def test_a_patch_meshed_anew_keeps_its_border_and_area() -> None:
    turn = 2.0 * np.pi * np.arange(60) / 60
    ring = np.column_stack([6.0 * np.cos(turn), 6.0 * np.sin(turn), np.zeros(60)])
    plain = Mesh(vertices=ring, faces=least_area(ring))
    fine = remeshed(plain)
    assert np.array_equal(fine.vertices[:60], ring)
    assert border(fine).sum() == 60
    assert fine.area_mm2 == pytest.approx(plain.area_mm2)
    edges = np.linalg.norm(fine.corners - np.roll(fine.corners, 1, axis=1), axis=2)
    assert edges.max() < 2.0 * PATCH_EDGE_MM < np.ptp(ring[:, 0])
    assert (face_normals(fine)[:, 2] > 0.0).all()


@pytest.mark.slow
def test_patches_close_what_is_short() -> None:
    tray = make_tray(np.random.default_rng(0), "whole", recede_mm=2.5, shape="few teeth")
    scan, lost_mm2 = sighted(tray, np.random.default_rng(8), 25.0)
    assert lost_mm2 > 0.0
    before = _borders_mm(scan.corners)
    for fine in (False, True):
        closed, count = closed_up(scan, PATCHED_MM, fine=fine)
        assert count > 0
        assert np.array_equal(closed.corners[:-count], scan.corners)
        left = _borders_mm(closed.corners)
        assert before.min() < PATCHED_MM <= left.min()
        assert len(left) == np.count_nonzero(before >= PATCHED_MM)


def _borders_mm(corners: Array) -> Array:
    """Give the lengths of all open borders, (k,)."""
    spots, names = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    faces = fans(names.reshape(-1, 3))
    place = np.zeros((int(faces.max()) + 1, 3))
    place[faces] = corners
    assert len(spots) > 0
    rings = (place[loop] for loop in open_loops(faces))
    return np.array([np.linalg.norm(ring - np.roll(ring, 1, 0), axis=1).sum() for ring in rings])


@pytest.mark.slow
def test_both_sides_of_a_tray_hold_what_they_hold_alone() -> None:
    made = real_case(0, "two-sided")
    assert made.sides[0].plane[3:] == pytest.approx(-made.sides[1].plane[3:])
    for side in made.sides:
        # prisms of those triangles that plain rays from the plane, straight down, meet first,
        # cannot be more than the cavity holds, and are all of it but what lies under overhangs
        assert _below_in_sight_ml(made.scan, side) == pytest.approx(side.volume_ml, rel=0.02)


def _below_in_sight_ml(corners: Array, side: Side) -> float:
    """Sum the columns between the plane and the surface under it, inside the rim, in mL."""
    up = side.plane[3:]
    aside = np.linalg.svd(up[None])[2][1:]
    frame = np.vstack([aside if np.linalg.det([*aside, up]) > 0 else aside[::-1], up])
    turned = (corners - side.plane[:3]) @ frame.T
    mesh = Mesh(vertices=turned.reshape(-1, 3), faces=np.arange(3 * len(turned)).reshape(-1, 3))
    height = heights(mesh)
    wet, count = label(height < 0.0)
    inner = set(range(1, count + 1)) - set(wet[0]) - set(wet[-1]) - set(wet[:, 0]) - set(wet[:, -1])
    depth = -np.where(np.isin(wet, list(inner)), height, 0.0)
    return float(depth.sum()) * PIXEL_MM**2 / 1000.0


@pytest.mark.slow
def test_two_quadrants_stand_apart() -> None:
    made = real_case(0, "two quadrants")
    one, two = made.sides
    assert made.volume_ml == one.volume_ml + two.volume_ml
    assert 50.0 < np.linalg.norm(one.plane[:3] - two.plane[:3]) < 75.0
    for side in made.sides:
        assert 0.2 <= side.spare_mm <= 1.0
        assert _below_in_sight_ml(made.scan, side) > 0.9 * side.volume_ml


@pytest.mark.slow
def test_perforations_do_not_reach_the_cavity() -> None:
    # the same tray with studs and without: what is drilled off its outer side holds no stone
    def amend(studs: Studs | None) -> Tray:
        return make_tray(
            np.random.default_rng(3),
            "whole",
            shape="few teeth",
            amend=lambda _, flow, shell: (replace(flow, studs=studs), shell),
        )

    plain = amend(None)
    for depth_mm in (1.2, -1.2):
        studded = amend(Studs(radius_mm=1.4, apart_mm=6.0, depth_mm=depth_mm))
        held_ml, _ = held(studded.mesh, plain.level_mm)
        assert held_ml == pytest.approx(plain.side.volume_ml, rel=2e-3)
        gone = _solid_ml(plain.mesh) - _solid_ml(studded.mesh)
        assert gone * depth_mm > 0.05


def _solid_ml(mesh: Mesh) -> float:
    """Give the material's volume: signed tetrahedra (Zhang and Chen 2001)."""
    first, second, third = np.moveaxis(mesh.corners - mesh.vertices.mean(axis=0), 1, 0)
    return float(np.einsum("ij,ij->i", first, np.cross(second, third)).sum()) / 6000.0


@pytest.mark.slow
def test_a_second_scan_lies_a_little_off() -> None:
    made = real_case(SMALL, "scanned again")
    one, two = np.split(made.scan, 2)
    off = (two - one).reshape(-1, 3)
    assert 0.02 - 0.002 < np.linalg.norm(off.mean(axis=0)) < 0.1 + 0.002
    assert 0.005 < off.std(axis=0).max() < 0.03


def test_a_half_pipe_holds_its_section_times_its_length() -> None:
    made = real_case(1, "half pipe")
    first, second, third = np.moveaxis(made.scan, 1, 0)
    normals = np.cross(second - first, third - first)
    floor = normals @ made.plane[3:] > 0.02 * np.linalg.norm(normals, axis=1)
    held_ml = prisms_ml(made.scan[floor], made.plane)
    assert held_ml == pytest.approx(made.volume_ml, rel=5e-4)
    # and as Archimedes has it, near the top: half of pi r^2 for a plane without a drop
    radius_mm, length_mm = (float(word) for word in made.about.split() if word[0].isdigit())
    drop_mm = float((made.rim[:3] - made.plane[:3]) @ made.plane[3:])
    strip = 2.0 * radius_mm * drop_mm  # between top and plane, a little less for the curve
    whole = 0.5 * np.pi * radius_mm**2
    assert made.volume_ml * 1000.0 / length_mm == pytest.approx(whole - strip, rel=0.03)


@pytest.mark.slow
def test_a_tunnel_lets_everything_out() -> None:
    rng = np.random.default_rng(4)
    tray = make_tray(rng, "whole", shape="few teeth")
    holed, _ = pierced(tray, rng)
    assert held(holed, tray.level_mm)[0] == 0.0
    low = tray.mesh.vertices[:, 2].min()
    assert held(holed, 0.5 * (low + tray.level_mm))[0] > 0.0
    assert _solid_ml(holed) < _solid_ml(tray.mesh)


@pytest.mark.slow
def test_a_missing_wall_is_taken_from_a_closed_scan() -> None:
    made = real_case(2, "wall missing")
    assert made.owed
    assert made.lost_mm2 > 50.0
    left = {row.tobytes() for row in made.scan.reshape(-1, 9)}
    whole = {row.tobytes() for row in made.solid.reshape(-1, 9)}
    assert left < whole
    assert not border(_one(made.solid)).any()
    assert border(_one(made.scan)).any()


def _one(corners: Array) -> Mesh:
    spots, names = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    return Mesh(vertices=spots, faces=names.reshape(-1, 3).astype(np.int64))


@pytest.mark.slow
def test_half_a_file_keeps_its_first_half() -> None:
    made = real_case(1, "half a file")
    half = len(made.scan) // 2
    first, second = (
        {row.tobytes() for row in made.scan[part].reshape(-1, 9)}
        for part in (slice(half), slice(half, None))
    )
    assert made.owed
    assert len(first) == half
    assert len(second) == 1 or second == first or len(second - first) <= 1
