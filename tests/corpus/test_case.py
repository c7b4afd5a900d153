"""A made impression: field, triangles and an exact boolean agree; made again it is the same."""

from dataclasses import replace

import manifold3d
import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from tests.corpus.blend import Array
from tests.corpus.case import Case, bare, box_of, make, solid, truth
from tests.corpus.cross_check import crest_line, held_by_triangles
from tests.corpus.dentition import Row
from tests.corpus.impression import Rim, Shell
from tests.corpus.jaw import Ridge
from tests.corpus.mesh import Mesh
from tests.corpus.scanning import Hole, Pose

CASE = Case(
    name="short trough",
    seed=9,
    row=Row(jaw="lower", positions=(4, 5, 6), prepared=(5,), tips_mm=21.0),
    ridge=Ridge(from_mm=13.0, to_mm=48.0),
    pitch_mm=0.6,
)
AGREE = 3e-4  # share by which triangles of 0.6 mm may differ from the field


@pytest.fixture(scope="module")
def volume_ml() -> float:
    return truth(CASE, 0.2).volume_ml


@pytest.fixture(scope="module")
def closed() -> Mesh:
    return bare(replace(CASE, shell=Shell(floor_mm=25.0)))


@pytest.mark.slow
def test_truth_converges(volume_ml: float) -> None:
    assert truth(CASE, 0.27).volume_ml == pytest.approx(volume_ml, rel=2e-4)


@pytest.mark.slow
def test_open_triangles_agree(volume_ml: float) -> None:
    found = held_by_triangles(bare(CASE), solid(CASE), CASE.level_mm)
    assert found == pytest.approx(volume_ml, rel=AGREE)


@pytest.mark.slow
def test_closed_mesh_is_sound(closed: Mesh) -> None:
    body = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.volume > 0.0


@pytest.mark.slow
def test_exact_boolean_agrees(closed: Mesh, volume_ml: float) -> None:
    impression = solid(CASE)
    outline = crest_line(impression, box_of(CASE, impression))
    section = manifold3d.CrossSection([outline])
    block = manifold3d.Manifold.extrude(section, 40.0).translate((0, 0, CASE.level_mm - 40.0))
    body = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=closed.vertices, tri_verts=closed.faces.astype(np.uint64))
    )
    pieces = (block - body).decompose()
    above = [piece for piece in pieces if piece.bounding_box()[5] > CASE.level_mm - 0.01]
    assert sum(piece.volume() for piece in above) / 1000.0 == pytest.approx(volume_ml, rel=AGREE)


@pytest.mark.slow
def test_made_again_it_is_the_same() -> None:
    coarse = replace(CASE, pitch_mm=1.2)
    one, two = make(coarse), make(coarse)
    assert np.array_equal(one.mesh.vertices, two.mesh.vertices)
    assert np.array_equal(one.mesh.faces, two.mesh.faces)


@pytest.mark.slow
def test_pose_carries_the_plane() -> None:
    pose = Pose(turns_deg=(20.0, -35.0, 70.0), shift_mm=(5.0, 6.0, -7.0))
    coarse = replace(CASE, pitch_mm=1.2, noise_mm=0.0)
    still, moved = make(coarse), make(replace(coarse, pose=pose))
    assert np.allclose(_heights(still.mesh, still.plane), _heights(moved.mesh, moved.plane))


def _heights(mesh: Mesh, plane: Array) -> Array:
    """Give the corners' heights over a plane, (n,)."""
    heights: Array = (mesh.vertices - plane[:3]) @ plane[3:]
    return heights


def test_open_scan_is_one_piece_with_one_border() -> None:
    assert len(_borders(bare(replace(CASE, pitch_mm=0.8)))) == 1


def test_holes_open_more_borders() -> None:
    holes = (Hole(near=(17.0, 17.0, -20.0), across_mm=3.0),)
    made = make(replace(CASE, pitch_mm=0.8, holes=holes))
    assert len(_borders(made.mesh)) == 2
    # a disc's area, pi d^2 / 4; the ground is curved and the border ragged
    assert made.holes_mm2 == pytest.approx(np.pi * 9.0 / 4.0, rel=0.6)


def _borders(mesh: Mesh) -> list[NDArray[np.int64]]:
    """Give the closed border lines of a mesh."""
    edges = np.sort(mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    once, uses = np.unique(edges, axis=0, return_counts=True)
    lines = trimesh.graph.connected_components(once[uses == 1])
    return [np.asarray(line) for line in lines]


@pytest.mark.slow
def test_notch_lies_below_the_plane_and_counts_up_to_the_crest(volume_ml: float) -> None:
    torn = replace(CASE, rim=Rim(notch_at_mm=30.0, notch_depth_mm=4.0))
    found = truth(torn, 0.2).volume_ml
    # the notch adds what the flange's inner half held: at most some 11 mm x 2.5 mm x 2.8 mm
    assert 0.03 < found - volume_ml < 0.077
