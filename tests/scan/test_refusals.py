"""Each refusal by its code, and the table of them in the documents."""

import os
import re
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.scan.writers import (
    cuboid,
    ply_binary,
    ply_header,
    ply_text,
    stl_binary,
    stl_text,
    written,
)
from volest.errors import ScanError
from volest.scan import checks
from volest.scan.reading import read_scan

ROOT = Path(__file__).parents[2]


def with_first(value: float) -> bytes:
    triangles = cuboid()
    triangles[3, 1, 2] = value
    return stl_binary(triangles)


def signalling(encoding: str, order: str) -> bytes:
    """One coordinate that is a NaN of the kind at which processors raise a flag (IEEE 754)."""
    number, nan = struct.pack(order + "f", 60.0), struct.pack(order + "I", 0x7F800001)
    return written(cuboid(), encoding).replace(number, nan, 1)


def with_corner(corner: int, order: str = "<") -> bytes:
    data = ply_binary(cuboid(), order)
    return data[:-4] + struct.pack(order + "i", corner)


def points_only() -> bytes:
    head = ply_header("ascii", 1, 0).replace(b"element face 0\n", b"")
    return head.replace(b"property list uchar int vertex_indices\n", b"") + b"1 2 3\n"


STL, TEXT, PLY = stl_binary(cuboid()), stl_text(cuboid()), ply_binary(cuboid(), "<")
HUGE = 4_000_000_000
FILES = {
    "empty": ("a.stl", b"", "empty"),
    "empty ply": ("a.ply", b"", "empty"),
    "zip": ("a.stl", b"PK\x03\x04" + bytes(500), "not-a-mesh"),
    "pdf": ("a.stl", b"%PDF-1.7\n" + bytes(500), "not-a-mesh"),
    "text": ("a.stl", b"Dear lab, please find the scan enclosed.\n" * 40, "not-a-mesh"),
    "text as ply": ("a.ply", b"shade A2\n", "not-a-mesh"),
    "bytes as ply": ("a.ply", bytes(range(256)) * 4, "not-a-mesh"),
    "84 zero bytes": ("a.stl", bytes(84), "no-triangles"),
    "count of none": ("a.stl", bytes(2000), "no-triangles"),
    "83 zero bytes": ("a.stl", bytes(83), "truncated"),
    "stl cut": ("a.stl", STL[:-1], "truncated"),
    "stl half": ("a.stl", STL[: len(STL) // 2], "truncated"),
    "stl text cut": ("a.stl", TEXT[: len(TEXT) // 2], "truncated"),
    "stl text without end": ("a.stl", TEXT[: TEXT.index(b"endsolid")], "truncated"),
    "stl text of no facets": ("a.stl", b"solid x\nendsolid x\n", "no-triangles"),
    "ply cut": ("a.ply", PLY[:-1], "truncated"),
    "ply cut in header": ("a.ply", PLY[:60], "truncated"),
    "ply text cut": ("a.ply", ply_text(cuboid())[:-40], "truncated"),
    "stl count": ("a.stl", STL[:80] + struct.pack("<I", HUGE) + STL[84:], "absurd-count"),
    "stl small count": (
        "a.stl",
        stl_binary(np.tile(cuboid(), (200, 1, 1)))[:80] + struct.pack("<I", 3) + bytes(120_000),
        "absurd-count",
    ),
    "ply count": ("a.ply", PLY.replace(b"vertex 36", b"vertex %d" % HUGE), "absurd-count"),
    "ply faces": ("a.ply", PLY.replace(b"face 12", b"face %d" % 10**30), "absurd-count"),
    "ply negative": ("a.ply", PLY.replace(b"face 12", b"face -12"), "absurd-count"),
    "nan": ("a.stl", with_first(np.nan), "not-finite"),
    "infinite": ("a.stl", with_first(-np.inf), "not-finite"),
    "far off": ("a.stl", with_first(2e6), "not-finite"),
    "signalling stl": ("a.stl", signalling("stl", "<"), "not-finite"),
    "signalling little": ("a.ply", signalling("ply little", "<"), "not-finite"),
    "signalling big": ("a.ply", signalling("ply big", ">"), "not-finite"),
    "nan in text": ("a.stl", TEXT.replace(b"60.0", b"nan", 1), "not-finite"),
    "all collapsed": ("a.stl", stl_binary(np.ones((9, 3, 3), np.float32)), "no-triangles"),
    "points": ("a.ply", points_only(), "no-triangles"),
    "faces of none": ("a.ply", ply_header("ascii", 0, 0), "no-triangles"),
    "corner too high": ("a.ply", with_corner(36), "bad-index"),
    "corner below 0": ("a.ply", with_corner(-1, ">"), "bad-index"),
    "corner in text": ("a.ply", ply_text(cuboid())[:-3] + b"99\n", "bad-index"),
    "corner of a fraction": ("a.ply", ply_text(cuboid())[:-3] + b"3.5\n", "damaged"),
    "comma": ("a.stl", TEXT.replace(b"60.0", b"60,0"), "damaged"),
    "four corners": ("a.stl", TEXT.replace(b"endloop", b"vertex 1 2 3\nendloop", 1), "damaged"),
    "no z": ("a.ply", PLY.replace(b"float z", b"float w"), "damaged"),
    "odd type": ("a.ply", PLY.replace(b"float z", b"real z"), "damaged"),
    "no format": ("a.ply", PLY.replace(b"format binary_little_endian 1.0\n", b""), "damaged"),
    "inch": ("a.stl", stl_binary(cuboid() / np.float32(25.4)), "scale"),
}


@pytest.mark.parametrize("case", FILES)
def test_refused_by_name(case: str, tmp_path: Path) -> None:
    name, data, code = FILES[case]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(ScanError) as refusal:
        read_scan(path)
    assert refusal.value.code == code
    assert "\n" not in str(refusal.value)
    assert len(str(refusal.value)) < 300


@pytest.mark.parametrize("number", [b"1e308", b"-1e400", b"1001"])
def test_unit_may_carry_it_out_of_reach(number: bytes, tmp_path: Path) -> None:
    path = tmp_path / "metres.stl"
    path.write_bytes(TEXT.replace(b"60.0", number))
    with pytest.raises(ScanError) as refusal:
        read_scan(path, unit="m")
    assert refusal.value.code == "not-finite"


def folder(path: Path) -> None:
    path.mkdir()


def pipe(path: Path) -> None:
    os.mkfifo(path)


def dangling(path: Path) -> None:
    path.symlink_to("nowhere.stl")


def missing(path: Path) -> None:
    assert not path.exists()


def loop(path: Path) -> None:
    path.symlink_to(path)


@pytest.mark.parametrize("make", [folder, pipe, dangling, missing, loop])
def test_only_regular_files_are_opened(make: Callable[[Path], None], tmp_path: Path) -> None:
    path = tmp_path / "odd.stl"
    make(path)
    with pytest.raises(ScanError) as refusal:
        read_scan(path)
    assert refusal.value.code == "unreadable"


@pytest.mark.parametrize("name", ["/dev/zero", "/dev/tty", "nul\0byte.stl", "x" * 300])
def test_devices_and_impossible_names(name: str) -> None:
    with pytest.raises(ScanError) as refusal:
        read_scan(name)
    assert refusal.value.code == "unreadable"


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_no_right_to_read(tmp_path: Path) -> None:
    path = tmp_path / "locked.stl"
    path.write_bytes(STL)
    path.chmod(0)
    with pytest.raises(ScanError, match="cannot be read"):
        read_scan(path)


@pytest.mark.parametrize("head", [STL[:84], TEXT[:400], PLY[:400], ply_text(cuboid())[:400]])
def test_too_large_by_size(head: bytes, tmp_path: Path) -> None:
    path = tmp_path / "large.stl"
    path.write_bytes(head)
    os.truncate(path, checks.MAX_BYTES + 1)  # sparse: takes no room on the disk
    with pytest.raises(ScanError) as refusal:
        read_scan(path)
    assert refusal.value.code == "too-large"


def test_too_many_triangles(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(checks, "MAX_TRIANGLES", 11)
    path = tmp_path / "many.stl"
    path.write_bytes(STL)
    with pytest.raises(ScanError) as refusal:
        read_scan(path)
    assert refusal.value.code == "too-large"


def test_every_code_stands_in_the_documents() -> None:
    package = ROOT / "volest"
    rooms = [path for room in ("scan", "cavity", "view") for path in (package / room).glob("*.py")]
    sources = "".join(path.read_text() for path in (*rooms, package / "pipeline.py"))
    used = set(re.findall(r'code="([a-z-]+)"', sources)) | {"absurd-count", "truncated"}
    page = (ROOT / "docs/reference/refusals.md").read_text()
    told = set(re.findall(r"^\| `([a-z-]+)` ", page, flags=re.MULTILINE))
    assert used <= told
    assert told <= set(re.findall(r'"([a-z-]+)"', sources))  # some stand as constants
