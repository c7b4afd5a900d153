"""Written files read back by another library."""

from pathlib import Path

import numpy as np
import pytest
import trimesh

from tests.corpus.files import FORMATS, write
from tests.corpus.mesh import Mesh

BOX = trimesh.creation.box(extents=(30.0, 20.0, 10.0))
MESH = Mesh(
    vertices=np.asarray(BOX.vertices, dtype=np.float64),
    faces=np.asarray(BOX.faces, dtype=np.int64),
)


@pytest.mark.parametrize("kind", FORMATS)
def test_read_back(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"box.{kind.split('-', maxsplit=1)[0]}"
    write(MESH, path, kind, "a box")
    read = trimesh.load_mesh(path)
    assert len(read.faces) == 12
    assert read.is_watertight
    # a cuboid's volume, a b c
    assert read.volume == pytest.approx(30.0 * 20.0 * 10.0, rel=1e-6)


def test_binary_stl_has_its_size(tmp_path: Path) -> None:
    # 80 bytes of head, 4 of count, 50 a triangle: the common description of the format
    write(MESH, tmp_path / "box.stl", "stl", "a box")
    assert (tmp_path / "box.stl").stat().st_size == 84 + 50 * 12


def test_unknown_kind_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="needed one of"):
        write(MESH, tmp_path / "box.obj", "obj", "a box")
