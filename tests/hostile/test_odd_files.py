"""Files that others made, as far as installed packages carry any: read as two others read them."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from tests.hostile.odd_files import Reading, by_trimesh, by_volest, by_vtk, of_corners, table
from tests.scan.writers import SUFFIX, WRITERS, cuboid

SPEC = find_spec("pyvista")
EXAMPLES = Path(SPEC.origin or "").parent / "examples" if SPEC else Path("nowhere")


@pytest.mark.slow
def test_what_is_installed_is_read_as_others_read_it() -> None:
    paths = sorted(EXAMPLES.glob("*.ply"))
    if not paths:
        pytest.skip("the drawing library carries no meshes here")
    rows = list(table(EXAMPLES))[2:]
    assert len(rows) == len(paths)
    for row in rows:
        assert row.endswith("| 2 of 2 agree |"), row


def test_each_encoding_is_read_as_others_read_it(tmp_path: Path) -> None:
    paths = {encoding: tmp_path / f"{encoding}{SUFFIX[encoding]}" for encoding in WRITERS}
    for encoding, path in paths.items():
        path.write_bytes(WRITERS[encoding](cuboid()))
    for (encoding, path), by_another in zip(paths.items(), by_vtk(*paths.values()), strict=True):
        ours = by_volest(path)
        assert ours.triangles == 12, encoding
        assert ours.bounds == (0.0, 60.0, 0.0, 50.0, 0.0, 20.0)  # the cuboid's own, by its making
        assert ours.same(by_trimesh(path)), encoding
        assert ours.same(by_another), encoding


def test_a_file_that_is_none_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.ply").write_bytes(b"ply\nformat ascii 1.0\nend_header\n")
    assert by_volest(tmp_path / "a.ply").words == "refused: no-triangles"


def test_a_reader_that_is_off_does_not_agree() -> None:
    whole = of_corners(cuboid())
    assert whole.same(of_corners(cuboid()))
    assert not whole.same(of_corners(cuboid()[1:]))
    assert not whole.same(of_corners(cuboid() + np.float32(0.01)))
    assert not whole.same(Reading())
