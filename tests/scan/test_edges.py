"""Files that end, or go wrong, in places that only a few ever do.

Truth: each file is put together here from the layouts of the formats (see tests/scan/writers.py),
so what is wrong with it, and where, is known.
"""

import io
import struct
from pathlib import Path

import numpy as np
import pytest

from tests.scan.writers import cuboid, ply_header, stl_text
from volest.errors import ScanError, UsageError
from volest.scan import checks, stl
from volest.scan.checks import look_over
from volest.scan.decision import Decision, decision_path, read_decision, write_decision
from volest.scan.ply import PIECE_BYTES, WORD_BYTES, number_table, read_ply
from volest.scan.stl import read_stl_binary, read_stl_text

TEXT = stl_text(cuboid())


def little(faces: int, rows: bytes, counts: bytes = b"uchar") -> bytes:
    """Give a PLY of three vertices and rows of faces as they are."""
    head = ply_header("binary_little_endian", 3, faces).replace(b"list uchar", b"list " + counts)
    return head + struct.pack("<9f", 0, 0, 0, 60, 0, 0, 0, 50, 0) + rows


def code_of(data: bytes) -> str:
    with pytest.raises(ScanError) as caught:
        read_ply(io.BytesIO(data), len(data))
    return caught.value.code


FACE = struct.pack("<B3i", 3, 0, 1, 2)


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (little(1, FACE[:-1]), "truncated"),  # inside the first list
        (little(2, FACE + b"\x04" + FACE[1:]), "truncated"),  # inside one that is longer
        (little(2, FACE + b"\xff"), "truncated"),  # right after a count
        (little(1, struct.pack("<b3i", -3, 0, 1, 2), b"char"), "damaged"),
        (little(2, struct.pack("<b3ib", 3, 0, 1, 2, -1) + bytes(12), b"char"), "damaged"),
        (little(1, b"\x00", b"uint"), "truncated"),  # a count of which three bytes are missing
    ],
)
def test_lists_that_go_wrong(data: bytes, code: str) -> None:
    assert code_of(data) == code


def test_triangles_beside_a_quad() -> None:
    quad = struct.pack("<B4i", 4, 0, 1, 2, 0)
    triangles, _ = read_ply(io.BytesIO(little(2, FACE + quad)), len(little(2, FACE + quad)))
    # A fan of n corners has n - 2 triangles.
    assert len(triangles) == 1 + 2
    assert np.array_equal(triangles[0], triangles[1])


def test_more_corners_than_are_worked_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checks, "MAX_TRIANGLES", 3)
    rows = FACE + struct.pack("<B5i", 5, 0, 1, 2, 0, 1)
    assert code_of(little(2, rows)) == "too-large"


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian"])
def test_faces_without_vertices(form: str) -> None:
    row = b"3 0 1 2\n" if form == "ascii" else FACE
    assert code_of(ply_header(form, 0, 1) + row) == "bad-index"


def test_vertices_beside_lists_of_uneven_length() -> None:
    head = ply_header("binary_little_endian", 3, 1)
    head = head.replace(b"property float x", b"property list uchar short tag\nproperty float x")
    rows = b"".join(
        struct.pack(f"<B{k}h3f", k, *range(k), *point)
        for k, point in enumerate([(0.0, 0.0, 0.0), (60.0, 0.0, 0.0), (0.0, 50.0, 0.0)])
    )
    data = head + rows + FACE
    triangles, notes = read_ply(io.BytesIO(data), len(data))
    assert np.array_equal(triangles[0], [[0, 0, 0], [60, 0, 0], [0, 50, 0]])
    assert notes == ()


def test_a_word_without_end_is_no_number() -> None:
    with pytest.raises(ScanError, match="a thousand letters"):
        number_table(b"1" * (PIECE_BYTES + WORD_BYTES + 2))
    assert number_table(b"7 " * (PIECE_BYTES // 2 + 10)).sum() == 7 * (PIECE_BYTES // 2 + 10)


def test_a_file_that_shrinks_while_it_is_read() -> None:
    data = bytes(80) + struct.pack("<I", 4) + bytes(50)
    blocks, _ = read_stl_binary(io.BytesIO(data), data, 84 + 200)
    with pytest.raises(ScanError, match="became shorter"):
        look_over(blocks)


def test_text_without_lines_or_facets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stl, "LINE_BYTES", 1000)
    monkeypatch.setattr(stl, "PIECE_BYTES", 300)
    with pytest.raises(ScanError, match="a line of more than"):
        read_stl_text(io.BytesIO(b"solid " + b"x" * 5000))
    with pytest.raises(ScanError, match="without a triangle"):
        read_stl_text(io.BytesIO(b"solid x\n" + b"vertex 1 2 3\n" * 500))


def test_a_word_that_ends_in_solid_opens_and_closes_none() -> None:
    data = TEXT.replace(b"  facet", b"  unsolid facet", 1) + b"xsolid\n"
    triangles, notes = read_stl_text(io.BytesIO(data))
    assert np.array_equal(triangles, cuboid())
    assert [note.code for note in notes] == ["trailing-bytes"]  # the last word


@pytest.mark.parametrize("thing", ["folder", "link"])
def test_what_stands_in_a_decisions_place_is_told(thing: str, tmp_path: Path) -> None:
    scan = tmp_path / "b.stl"
    scan.write_bytes(b"x")
    path = decision_path(scan)
    if thing == "folder":
        path.mkdir()
    else:
        path.symlink_to("nowhere")
    with pytest.raises(ScanError) as caught:
        read_decision(scan)
    assert caught.value.code == "decision"


def test_a_scan_with_the_longest_name_has_no_decision(tmp_path: Path) -> None:
    # NAME_MAX is 255 bytes on Linux (limits.h): the decision's own name would be longer.
    scan = tmp_path / ("n" * 251 + ".stl")
    scan.write_bytes(b"x")
    assert read_decision(scan) is None
    with pytest.raises(UsageError, match="too long"):
        write_decision(scan, Decision(point_mm=(0.0, 0.0, 0.0), normal=(0.0, 0.0, 1.0)))
    assert list(tmp_path.iterdir()) == [scan]
