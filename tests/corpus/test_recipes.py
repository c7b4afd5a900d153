"""The sample files as they stand: sound, as their truths say, and true to the field."""

import json
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest
import trimesh

from sample_meshes.make_samples import table
from tests.corpus.case import box_of, solid
from tests.corpus.cross_check import crest_line, held_by_triangles
from tests.corpus.mesh import Mesh
from tests.corpus.recipes import SAMPLES, Sample
from tests.marks import slow

FOLDER = Path(__file__).parents[2] / "sample_meshes"
AGREE = 3e-4  # share by which a file's triangles, with noise, may differ from the field
OPEN = [one for one in SAMPLES if one.case.shell is None]
CLOSED = [one for one in SAMPLES if one.case.shell is not None]


def _name(one: Sample) -> str:
    return one.case.name


def _fact(one: Sample) -> dict[str, Any]:
    path = FOLDER / f"{one.case.name}.truth.json"
    fact: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return fact


def _as_made(one: Sample) -> Mesh:
    """Read a sample and carry it back into the maker's frame."""
    read = trimesh.load_mesh(FOLDER / _fact(one)["file"])
    turned = np.asarray(read.vertices, dtype=np.float64) - np.array(one.case.pose.shift_mm)
    axes = one.case.pose.directions(np.eye(3))  # (3, 3), one axis of the maker's frame a row
    return Mesh(vertices=turned @ axes.T, faces=np.asarray(read.faces, dtype=np.int64))


@pytest.mark.parametrize("one", SAMPLES, ids=_name)
def test_truth_fits_its_file(one: Sample) -> None:
    fact, mesh = _fact(one), _as_made(one)
    assert len(mesh.faces) == fact["triangles"]
    point, normal = np.array(fact["plane"][:3]), np.array(fact["plane"][3:])
    assert np.linalg.norm(normal) == pytest.approx(1.0, abs=1e-6)
    made = one.case.pose.points(np.array([[0.0, 0.0, one.case.level_mm]]))[0]
    assert (made - point) @ normal == pytest.approx(0.0, abs=1e-6)
    sides = mesh.corners - np.roll(mesh.corners, 1, axis=1)
    assert np.linalg.norm(sides, axis=2).min() > 0.01
    assert np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1).min() > 1e-4


@pytest.mark.parametrize("one", [one for one in OPEN if not one.case.holes], ids=_name)
def test_open_files_hold_what_they_say(one: Sample) -> None:
    found = held_by_triangles(_as_made(one), solid(one.case), one.case.level_mm)
    assert found == pytest.approx(_fact(one)["volume_ml"], rel=AGREE)


@pytest.mark.parametrize("one", [*CLOSED[:1], *slow(*CLOSED[1:])], ids=_name)
def test_closed_files_hold_what_they_say(one: Sample) -> None:
    mesh, level_mm, impression = _as_made(one), one.case.level_mm, solid(one.case)
    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert body.is_watertight
    assert body.is_winding_consistent
    assert body.volume > 0.0
    outline = manifold3d.CrossSection([crest_line(impression, box_of(one.case, impression))])
    block = manifold3d.Manifold.extrude(outline, 40.0).translate((0, 0, level_mm - 40.0))
    tray = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=mesh.vertices, tri_verts=mesh.faces.astype(np.uint64))
    )
    pieces = [
        piece for piece in (block - tray).decompose() if piece.bounding_box()[5] > level_mm - 0.01
    ]
    found = sum(piece.volume() for piece in pieces) / 1000.0
    assert found == pytest.approx(_fact(one)["volume_ml"], rel=AGREE)


def test_the_page_shows_the_truths() -> None:
    assert table() in (FOLDER / "README.md").read_text(encoding="utf-8")


def test_files_stay_small() -> None:
    size = sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file())
    assert size < 25e6
