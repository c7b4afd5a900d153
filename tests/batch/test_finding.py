"""Which scans a run reads."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from volest.batch.find import find_scans, natural_key, passed_over
from volest.errors import NothingError


def put(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


def names(folder: Path, scans: list[Path]) -> list[str]:
    return [scan.relative_to(folder).as_posix() for scan in scans]


def test_folders_are_searched_to_their_depths_in_natural_order(tmp_path: Path) -> None:
    put(
        tmp_path, "case 10.stl", "Case 2.STL", "deep/er/x.PlY", "notes.txt", "._case 2.stl", "n.3mf"
    )
    assert names(tmp_path, find_scans([tmp_path])) == ["Case 2.STL", "case 10.stl", "deep/er/x.PlY"]


def test_a_named_file_is_taken_whatever_its_suffix(tmp_path: Path) -> None:
    put(tmp_path, "scan.bin")
    missing = tmp_path / "missing.stl"
    assert find_scans([tmp_path / "scan.bin", missing]) == [missing, tmp_path / "scan.bin"]


def test_a_file_named_twice_or_linked_is_read_once(tmp_path: Path) -> None:
    put(tmp_path, "a.stl")
    (tmp_path / "b.stl").symlink_to("a.stl")
    assert names(tmp_path, find_scans([tmp_path / "a.stl", tmp_path])) == ["a.stl"]


def test_links_that_lead_back_end(tmp_path: Path) -> None:
    put(tmp_path, "sub/a.stl")
    (tmp_path / "sub" / "back").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "self").symlink_to("self")
    assert len(find_scans([tmp_path])) == 1


@pytest.fixture
def deep_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Nest folders, and take them away again: shutil.rmtree itself fails at this depth."""
    depth = sys.getrecursionlimit() + 200
    monkeypatch.chdir(tmp_path)
    for _ in range(depth):
        Path("d").mkdir()
        os.chdir("d")
    Path("a.stl").touch()
    os.chdir(tmp_path)
    yield tmp_path
    os.chdir(os.path.join(*["d"] * depth))  # noqa: PTH118  # Path would not be shorter here
    Path("a.stl").unlink()
    for _ in range(depth):
        os.chdir("..")
        Path("d").rmdir()


def test_folders_deeper_than_the_stack_of_python(deep_folder: Path) -> None:
    assert deep_folder == Path.cwd()
    assert [scan.name for scan in find_scans([Path()])] == ["a.stl"]


def test_a_folder_with_the_name_of_a_scan_is_searched(tmp_path: Path) -> None:
    put(tmp_path, "odd.stl/in.ply")
    assert names(tmp_path, find_scans([tmp_path])) == ["odd.stl/in.ply"]


def test_a_folder_that_cannot_be_read_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, "a.stl", "shut/b.stl")
    listed = Path.iterdir

    def guarded(folder: Path) -> object:
        if folder.name == "shut":
            raise PermissionError(13, "Permission denied", str(folder))
        return listed(folder)

    monkeypatch.setattr(Path, "iterdir", guarded)  # root may read everything, so rights do not do
    assert names(tmp_path, find_scans([tmp_path])) == ["a.stl", "shut"]


def test_nothing_found_says_where(tmp_path: Path) -> None:
    with pytest.raises(NothingError, match=tmp_path.name) as caught:
        find_scans([tmp_path])
    assert caught.value.exit_code == 3


@given(st.lists(st.text(alphabet="aB019٣²/-. ", max_size=8), unique=True))
def test_any_names_have_one_order(texts: list[str]) -> None:
    paths = [Path(text) for text in texts]
    backwards = paths[::-1]
    assert sorted(paths, key=natural_key) == sorted(backwards, key=natural_key)


def test_what_may_be_a_scan_of_another_kind_is_listed(tmp_path: Path) -> None:
    put(tmp_path, "a.stl", "case 10.AMF", "case 2.zip", "deep/x.3mf", "note.txt", ".b.obj")
    put(tmp_path, "y.stl.part", "z.PLY.tmp", "w.zip.download", "note.part", "stl.tmp")
    others = names(tmp_path, passed_over([tmp_path]))
    assert others == [
        *("case 2.zip", "case 10.AMF", "deep/x.3mf"),
        *("w.zip.download", "y.stl.part", "z.PLY.tmp"),
    ]
    assert passed_over([tmp_path / "case 10.OBJ"]) == []  # named: read, and refused in its row
