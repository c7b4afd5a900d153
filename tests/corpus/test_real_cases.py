"""The truths of the real kinds, each by a second way: the field's integral, prisms, plain rays."""

import copy

import numpy as np
import pytest
from matplotlib.path import Path as MplPath
from numpy.typing import NDArray

from tests.corpus.arch import Places
from tests.corpus.blend import Array
from tests.corpus.mesh import Mesh, border, face_normals
from tests.corpus.real_cases import (
    FLOWS,
    KINDS,
    Tray,
    box_round,
    crest_plane,
    crest_points,
    make_tray,
    real_case,
)
from tests.corpus.sight import GRAZING_DEG, directions, fans, seen
from tests.corpus.specimen import prisms_ml
from tests.corpus.truth import measure


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


def test_the_boolean_is_what_the_field_holds(tray: Tray) -> None:
    field = Within(tray)
    held = measure(field, field.box, tray.level_mm, 0.25)
    assert tray.side.volume_ml == pytest.approx(held.volume_ml, rel=1e-3)


def test_prisms_of_the_cavity_are_the_boolean(tray: Tray) -> None:
    held = prisms_ml(tray.mesh.corners[tray.cavity], tray.side.plane)
    assert held == pytest.approx(tray.side.volume_ml, rel=1e-6)


def test_the_plane_lies_under_every_notch(tray: Tray) -> None:
    # the field's own crest, all round, against the flood of the triangles' heights
    crest = crest_points(tray.impression, box_round(tray.impression))
    assert tray.side.spare_mm >= 0.2
    assert crest[:, 2].min() - tray.level_mm == pytest.approx(tray.side.spare_mm, abs=0.1)


def test_what_is_in_sight_by_plain_rays(tray: Tray) -> None:
    rng = np.random.default_rng(7)
    ways = directions(35.0, rng)
    found = seen(tray.mesh, ways)
    normals = face_normals(tray.mesh)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    asked = rng.choice(np.flatnonzero(tray.cavity), 60, replace=False)
    truly = np.array([_in_sight(tray.mesh, k, normals[k], ways) for k in asked])
    assert np.count_nonzero(~found[tray.cavity]) > 0
    assert np.mean(truly == found[asked]) > 0.96


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


@pytest.mark.parametrize("kind", ["ragged", "unequal", "sight"])
def test_the_same_number_gives_the_same(kind: str) -> None:
    one, two = real_case(1, kind), real_case(1, kind)
    assert kind in KINDS
    assert np.array_equal(one.scan, two.scan)
    assert one.volume_ml == two.volume_ml
    assert np.array_equal(one.scan, one.scan.astype(np.float32))


def test_heights_stray_as_stated() -> None:
    # over many places the crest's height has the standard deviation that was asked for
    made = make_tray(np.random.default_rng(5), "ragged", shape="quadrant")
    spots = np.random.default_rng(6).uniform(-500.0, 500.0, (4000, 2))
    heights = made.impression.heights(spots[:, 0], spots[:, 1], np.zeros(1))
    assert heights.std() == pytest.approx(made.impression.flow.stray_mm, rel=0.05)


def test_a_closed_solid_is_closed(tray: Tray) -> None:
    assert not border(tray.mesh).any()
