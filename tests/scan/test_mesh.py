"""Meshes of other libraries: the same triangles as they state themselves, or a refusal."""

import numpy as np
import pytest
import trimesh

from volest.errors import ScanError
from volest.scan.reading import scan_from


def test_a_mesh_of_trimesh_is_taken_as_it_is() -> None:
    mesh = trimesh.creation.box((60.0, 50.0, 20.0))
    scan = scan_from(mesh)
    assert np.array_equal(scan.triangles, np.asarray(mesh.triangles))
    # Surface of a box, 2 (ab + bc + ca).
    areas = np.linalg.norm(
        np.cross(
            scan.triangles[:, 1] - scan.triangles[:, 0], scan.triangles[:, 2] - scan.triangles[:, 0]
        ),
        axis=1,
    )
    assert areas.sum() / 2.0 == pytest.approx(2 * (60 * 50 + 50 * 20 + 20 * 60))


def test_a_mesh_of_pyvista_is_cut_into_triangles() -> None:
    pyvista = pytest.importorskip("pyvista")
    cube = pyvista.Cube(x_length=60.0, y_length=50.0, z_length=20.0)  # of six quadrangles
    scan = scan_from(cube)
    assert scan.triangles.shape == (12, 3, 3)
    mesh = trimesh.Trimesh(scan.triangles.reshape(-1, 3), np.arange(36).reshape(-1, 3))
    assert abs(mesh.volume) == pytest.approx(60 * 50 * 20)


def test_units_are_turned_into_mm() -> None:
    corners = np.array(trimesh.creation.box((6.0, 5.0, 2.0)).triangles)
    assert np.allclose(scan_from(corners, unit="cm").triangles, 10.0 * corners)


def test_what_is_handed_over_is_copied() -> None:
    corners = np.array(trimesh.creation.box((60.0, 50.0, 20.0)).triangles)
    scan, kept = scan_from(corners), corners.copy()
    corners *= 0.0
    assert np.array_equal(scan.triangles, kept)


@pytest.mark.parametrize(
    "mesh",
    [
        "a text",
        None,
        np.zeros((0, 3, 3)),
        np.zeros((4, 3)),
        np.zeros((4, 3, 2)),
        [["a"]],
        np.array([["a", "b"]]),
    ],
)
def test_what_has_no_triangles_is_refused(mesh: object) -> None:
    with pytest.raises(ScanError) as caught:
        scan_from(mesh)
    assert caught.value.code == "not-a-mesh"
