"""ASCII STL as it is met: cases, names, line ends, several solids, missing normals."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.scan.writers import cuboid, stl_text
from volest.errors import ScanError
from volest.scan import stl
from volest.scan.reading import read_scan

TEXT = stl_text(cuboid()).decode()
NAMES = [
    "",
    "solid endsolid facet normal vertex 1 2 3",
    "endfacet",
    "my endsolid",
    "Abdruck grün",
    "x" * 5000,
]


def read(tmp_path: Path, text: str) -> NDArray[np.float64]:
    path = tmp_path / "text.stl"
    path.write_bytes(text.encode())
    scan = read_scan(path)
    assert scan.notes == ()
    return scan.triangles


@pytest.mark.parametrize(
    "text",
    [
        TEXT.upper(),
        TEXT.title(),
        TEXT.strip(),
        TEXT.replace("\n", "\r\n"),
        TEXT.replace("\n", "\r"),
        TEXT.replace("  ", "\t"),
        "\n\n  " + TEXT + "\n\n",
        "\ufeff" + TEXT,
        TEXT.replace("normal 0 0 0", "normal -nan(ind) 1.#QNAN x"),
        TEXT.replace(" normal 0 0 0", ""),
        TEXT.replace("60.0", "+6.0E+01"),
        TEXT.replace("solid arch\n", "solid arch\n\n", 1),
    ],
)
def test_spellings(text: str, tmp_path: Path) -> None:
    np.testing.assert_array_equal(read(tmp_path, text), cuboid())


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("piece_bytes", [7, 64, 1 << 20])
def test_names_of_any_words(
    name: str, piece_bytes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Small pieces cut the text in every place.
    monkeypatch.setattr(stl, "PIECE_BYTES", piece_bytes)
    text = stl_text(cuboid(), name=name).decode()
    np.testing.assert_array_equal(read(tmp_path, text), cuboid())


def test_several_solids_are_one_surface(tmp_path: Path) -> None:
    parts = [
        stl_text(part, name=f"part {k}").decode() for k, part in enumerate(np.split(cuboid(), 3))
    ]
    np.testing.assert_array_equal(read(tmp_path, "".join(parts)), cuboid())


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ("endfacet", "end facet", "damaged"),
        ("vertex 60.0", "60.0", "damaged"),
        ("vertex 60.0 0.0 0.0", "vertex 60.0 0.0", "damaged"),
        ("0 20.0\n    endloop\n  endfacet", "0 vertex endfacet", "damaged"),
        ("endsolid arch\n", "endsolid arch\nendsolid arch\n", "damaged"),
        ("endsolid arch\n", "endsolid arch\nfacet normal", "damaged"),
        ("solid arch\n", "solid arch\nsolid arch\n", "truncated"),
        ("endsolid arch\n", "facet normal 0 0 0 outer", "truncated"),
    ],
)
def test_out_of_step(old: str, new: str, code: str, tmp_path: Path) -> None:
    path = tmp_path / "step.stl"
    path.write_text(TEXT.replace(old, new))
    with pytest.raises(ScanError) as refusal:
        read_scan(path)
    assert refusal.value.code == code


@pytest.mark.parametrize(
    ("kept", "where"),
    [(len(TEXT) // 2, "in the midst of a triangle"), (TEXT.index("endsolid"), "after a whole")],
)
def test_a_file_that_breaks_off_is_told_in_plain_words(
    kept: int, where: str, tmp_path: Path
) -> None:
    path = tmp_path / "half.stl"
    path.write_text(TEXT[:kept])
    with pytest.raises(ScanError, match=f"breaks off {where}") as refusal:
        read_scan(path)
    assert "facet" not in str(refusal.value)
