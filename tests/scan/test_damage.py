"""Damaged bytes: only refusals, never another exception, and never much memory."""

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.scan.writers import SUFFIX, cuboid, ply_binary, ply_text, stl_binary, written
from volest.errors import ScanError
from volest.scan.reading import Scan, read_scan

ROOT = Path(__file__).parents[2]
ENCODINGS = sorted(SUFFIX)
GOOD = {encoding: written(cuboid(), encoding) for encoding in ENCODINGS}
MIXED = (
    ply_text(cuboid())
    .replace(b"face 12", b"face 6")
    .replace(b"end_header", b"element edge 1\nproperty list short double w\nend_header")
    .partition(b"3 0 1 2")[0]
    + b"4 0 1 2 3\n3 4 5 6\n5 7 8 9 10 11\n3 1 2 3\n3 5 9 11\n0\n2 0.5 1e3\n"
)
shared = settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])


def outcome(data: bytes, path: Path) -> Scan | None:
    """Read, or be refused; anything else is an error of the test."""
    path.write_bytes(data)
    try:
        scan = read_scan(path)
    except ScanError:
        return None
    assert np.isfinite(scan.triangles).all()
    assert scan.triangles.shape[1:] == (3, 3)
    assert len(scan.triangles) >= 1
    return scan


@shared
@given(encoding=st.sampled_from(ENCODINGS), share=st.floats(0, 1))
def test_cut_anywhere(encoding: str, share: float, tmp_path: Path) -> None:
    data = GOOD[encoding]
    cut = data[: int(share * len(data))]
    scan = outcome(cut, tmp_path / f"cut{SUFFIX[encoding]}")
    if scan is not None:  # only blanks at the end, or the digits of the last number, may be gone
        assert len(scan.triangles) == 12
        assert len(data) - len(cut) <= 6


@shared
@given(
    encoding=st.sampled_from(ENCODINGS),
    places=st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=6),
)
def test_bytes_changed(encoding: str, places: list[tuple[float, int]], tmp_path: Path) -> None:
    data = bytearray(GOOD[encoding])
    for share, byte in places:
        data[int(share * len(data))] = byte
    outcome(bytes(data), tmp_path / f"changed{SUFFIX[encoding]}")


@shared
@given(
    place=st.floats(0, 0.999),
    gone=st.integers(0, 40),
    put=st.sampled_from([b"", b"0", b"-1", b"9" * 30, b"nan", b"\n", b" ", b"solid ", b"facet "])
    | st.binary(max_size=12),
    encoding=st.sampled_from([*ENCODINGS, "mixed"]),
)
def test_pieces_replaced(
    place: float, gone: int, put: bytes, encoding: str, tmp_path: Path
) -> None:
    data = {**GOOD, "mixed": MIXED}[encoding]
    at = int(place * len(data))
    suffix = SUFFIX.get(encoding, ".ply")
    outcome(data[:at] + put + data[at + gone :], tmp_path / f"pieced{suffix}")


@shared
@given(
    data=st.binary(max_size=300),
    start=st.sampled_from([b"", b"solid ", b"ply\n", b"ply\nformat ascii 1.0\n", bytes(80)]),
    suffix=st.sampled_from([".stl", ".ply", ""]),
)
def test_any_bytes(data: bytes, start: bytes, suffix: str, tmp_path: Path) -> None:
    outcome(start + data, tmp_path / f"any{suffix}")


def test_mixed_rows_are_read_when_whole(tmp_path: Path) -> None:
    scan = outcome(MIXED, tmp_path / "mixed.ply")
    assert scan is not None
    assert len(scan.triangles) == 7  # of 9: one has two corners, one has no area
    assert [note.values["count"] for note in scan.notes] == [1]


STL_HUGE = stl_binary(cuboid())[:80] + struct.pack("<I", 2**32 - 1) + bytes(5000)
LITTLE, TEXT = ply_binary(cuboid(), "<"), ply_text(cuboid())
HUGE_LIST = LITTLE.replace(b"list uchar int", b"list uint int").replace(b"face 12", b"face 1")
HUNGRY = {
    "stl.stl": STL_HUGE,
    "vertices.ply": LITTLE.replace(b"vertex 36", b"vertex 99999999999"),
    "faces.ply": LITTLE.replace(b"face 12", b"face 30000000"),
    "text.ply": TEXT.replace(b"face 12", b"face 2000000000"),
    "list.ply": HUGE_LIST[: HUGE_LIST.index(b"end_header") + 11] + bytes(36 * 12) + b"\xff" * 900,
    "other.ply": LITTLE.replace(
        b"element vertex", b"element far 1000000000000\nproperty int a\nelement vertex"
    ),
    "line.stl": b"solid a\n" + b"vertex " * 4_000_000,
    "comment.ply": b"ply\ncomment " + b"x" * 40_000_000,
    "lines.ply": b"ply\n" + b"\n" * 20_000_000,
}
LIMITED = """
import resource, sys
from pathlib import Path
from volest.errors import ScanError
from volest.scan.reading import read_scan
used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + 64_000_000,) * 2)
try:
    read_scan(sys.argv[1])
except ScanError as refusal:
    sys.exit(0 if refusal.code != "too-large" else 3)
sys.exit(4)
"""


@pytest.mark.parametrize("name", HUNGRY)
def test_refused_before_memory_is_taken(name: str, tmp_path: Path) -> None:
    # 64 MB above what the interpreter and numpy hold already.
    path = tmp_path / name
    path.write_bytes(HUNGRY[name])
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_memory_that_runs_out_is_a_refusal(tmp_path: Path) -> None:
    path = tmp_path / "big.stl"
    path.write_bytes(stl_binary(np.tile(cuboid(), (10_000, 1, 1))))
    code = LIMITED.replace("64_000_000", "4_000_000")
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 3, done.stderr
