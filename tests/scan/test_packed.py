"""Scans in zip and gzip files, and formats read by trimesh: the same figures, and bounded."""

import gzip
import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import volest
from tests.batch.small import bowl_stl, sized
from volest.batch.find import find, find_scans, passed_over
from volest.errors import ScanError
from volest.scan import packed
from volest.scan.reading import read_scan

DATA = bowl_stl(40)


def pack(path: Path, **files: bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name.replace("__", "/").replace("_", "."), data)
    return path


def refused(path: Path) -> str:
    with pytest.raises(ScanError) as caught:
        read_scan(path)
    return caught.value.code


def in_format(kind: str) -> bytes:
    library: Any = trimesh
    mesh = library.load(io.BytesIO(DATA), file_type="stl")
    mesh.update_faces(np.argsort(mesh.triangles_center[:, 1]))  # row by row, as scanners write
    text = mesh.export(file_type=kind)
    return text if isinstance(text, bytes) else str(text).encode()


def test_each_scan_in_a_zip_is_sized_by_itself(tmp_path: Path) -> None:
    (tmp_path / "plain.stl").write_bytes(DATA)
    pack(
        tmp_path / "day.ZIP",
        a_stl=DATA,
        deep__b_STL=bowl_stl(50),
        note_txt=b"x",
        _hidden_stl=DATA,
        __MACOSX__c_stl=b"x",
    )
    found = find([tmp_path])
    names = [Path(str(scan)).relative_to(tmp_path).as_posix() for scan in found.scans]
    assert names == ["day.ZIP/a.stl", "day.ZIP/deep/b.STL", "plain.stl"]
    assert not found.unread
    one, other, plain = sized(found.scans)
    assert one.volume_ml == plain.volume_ml
    assert other.volume_ml is not None
    assert other.volume_ml > 1.05 * plain.volume_ml  # type: ignore[operator]  # it was measured
    assert volest.measure(tmp_path / "day.ZIP" / "a.stl", pitch_mm=1.0).volume_ml == one.volume_ml
    assert find_scans([tmp_path / "day.ZIP"]) == list(find([tmp_path / "day.ZIP"]).scans)


def test_what_is_kept_knows_a_scan_in_a_zip(tmp_path: Path) -> None:
    pack(tmp_path / "day.zip", a_stl=DATA)
    where: dict[str, Any] = {"out": tmp_path / "out", "pitch_mm": 1.0}
    first = volest.size_folder(tmp_path / "day.zip", **where)
    (again,) = volest.size_folder(tmp_path / "day.zip", **where)
    assert again.seconds == first[0].seconds  # it was kept
    pack(tmp_path / "day.zip", a_stl=bowl_stl(60))
    assert volest.size_folder(tmp_path / "day.zip", **where)[0].volume_ml != first[0].volume_ml


def test_gzip_is_looked_through(tmp_path: Path) -> None:
    (tmp_path / "a.stl.gz").write_bytes(gzip.compress(DATA))
    pack(tmp_path / "b.zip", c_stl_gz=gzip.compress(DATA))
    scans = find_scans([tmp_path])
    assert len(scans) == 2
    (tmp_path / "plain.stl").write_bytes(DATA)
    plain = read_scan(tmp_path / "plain.stl")
    for scan in scans:
        read = read_scan(scan)
        assert np.array_equal(read.triangles, plain.triangles)
        assert read.notes == ()
    assert volest.measure(gzip.compress(DATA), pitch_mm=1.0).outcome == "measured"


@pytest.mark.parametrize("kind", ["obj", "off"])
def test_other_formats_give_the_same_triangles(kind: str, tmp_path: Path) -> None:
    (tmp_path / "a.stl").write_bytes(DATA)
    (tmp_path / f"b.{kind}").write_bytes(in_format(kind))
    plain, other = (read_scan(scan) for scan in find_scans([tmp_path]))
    assert other.triangles.shape == plain.triangles.shape
    rows = plain.triangles[np.argsort(plain.triangles.mean(axis=1)[:, 1])]
    assert np.abs(other.triangles.mean(axis=0) - rows.mean(axis=0)).max() < 1e-5  # decimals
    assert other.notes == ()


@pytest.mark.parametrize("kind", ["obj", "off"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.95])
def test_one_that_was_cut_short_is_refused(kind: str, share: float, tmp_path: Path) -> None:
    data = in_format(kind)
    scan = tmp_path / f"a.{kind}"
    scan.write_bytes(data[: int(share * len(data))])
    assert refused(scan) in {"truncated", "not-a-mesh"}
    lines = data.splitlines(keepends=True)
    scan.write_bytes(b"".join(lines[: int(share * len(lines))]))
    assert refused(scan) in {"truncated", "not-a-mesh"}


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("obj", "v 0 0\nv 50 0\nv 50 50\nf 1 2 3\n"),
        ("off", f"OFF\n3 1 0\n0 0 0\n50 0 0\n50 50 9\n3 0 1 {10**20}\n"),
    ],
)
def test_corners_in_a_plane_and_numbers_of_no_corner_are_no_mesh(
    kind: str, text: str, tmp_path: Path
) -> None:
    scan = tmp_path / f"a.{kind}"
    scan.write_text(text)
    assert refused(scan) == "not-a-mesh"


def test_quads_and_counts_from_the_end_are_read(tmp_path: Path) -> None:
    scan = tmp_path / "a.obj"
    corners = "v 0 0 0\nv 50 0 0\nv 50 50 0\nv 0 50 9\n"
    for face in ("f 1 2 3 4\n", "f 1/1 2/2 3/3 4/4\n", "f -4 -3 -2 -1\n"):
        scan.write_text(f"# made\no a\n{corners}vt 0 0\nvt 0 1\nvt 1 1\nvt 1 0\n{face}")
        assert len(read_scan(scan).triangles) == 2


def test_what_cannot_be_unpacked_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = pack(tmp_path / "a.zip", a_stl=DATA)
    inside = whole / "a.stl"
    assert refused(whole / "b.stl") == "unreadable"
    data = bytearray(whole.read_bytes())
    data[200:260] = bytes(60)
    whole.write_bytes(data)
    assert refused(inside) == "packed"
    whole.write_bytes(data[: len(data) // 2])
    assert find_scans([whole]) == [whole]  # it says so in its row
    assert refused(whole) == "not-a-mesh"
    (tmp_path / "cut.stl.gz").write_bytes(gzip.compress(DATA)[:-20])
    assert refused(tmp_path / "cut.stl.gz") == "packed"
    pack(tmp_path / "none.zip", readme_txt=b"x")
    assert passed_over([tmp_path]) == [whole, tmp_path / "none.zip"]
    locked = pack(tmp_path / "locked.zip", a_stl=DATA)
    # Bit 0 of the flags, in the file's own head and in the directory (PKWARE APPNOTE 4.4.4).
    sealed = bytearray(locked.read_bytes())
    sealed[6] |= 1
    sealed[sealed.index(b"PK\x01\x02") + 8] |= 1
    locked.write_bytes(sealed)
    with pytest.raises(ScanError, match="password"):
        read_scan(locked / "a.stl")
    # A bomb: a thousandth of what it unpacks to.
    monkeypatch.setattr(packed, "MAX_BYTES", 100_000)
    monkeypatch.setattr("volest.scan.checks.MAX_BYTES", 100_000)
    bomb = bytes(30_000_000)
    (tmp_path / "bomb.stl.gz").write_bytes(gzip.compress(bomb))
    assert refused(tmp_path / "bomb.stl.gz") == "too-large"
    assert refused(pack(tmp_path / "bomb.zip", a_stl=bomb) / "a.stl") == "too-large"
