"""Files a run writes: whole or not at all, and never over a scan."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from volest.errors import UsageError
from volest.storage import check_target, remove_left_parts, sealed, unsealed, write_whole


def test_a_new_file_is_written_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    check_target(target)
    assert list(tmp_path.iterdir()) == []
    write_whole(target, "one\r\n")
    assert target.read_bytes() == b"one\r\n"
    assert list(tmp_path.iterdir()) == [target]


def test_an_older_file_keeps_its_rights(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    target.write_text("old")
    target.chmod(0o640)
    write_whole(target, "new")
    assert target.read_text() == "new"
    assert target.stat().st_mode & 0o777 == 0o640


def test_a_link_is_followed(tmp_path: Path) -> None:
    real, link = tmp_path / "real.json", tmp_path / "link.json"
    real.write_text("old")
    link.symlink_to(real)
    write_whole(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_a_device_is_written_into_and_stays() -> None:
    check_target(Path(os.devnull))
    write_whole(Path(os.devnull), "gone")
    assert Path(os.devnull).is_char_device()


@pytest.mark.parametrize("suffix", [".stl", ".PLY"])
def test_what_looks_like_a_scan_is_never_written(tmp_path: Path, suffix: str) -> None:
    with pytest.raises(UsageError, match="scan"):
        check_target(tmp_path / f"out{suffix}")


@pytest.mark.parametrize("kind", ["same", "symbolic", "hard"])
def test_a_scan_of_the_run_is_never_written(tmp_path: Path, kind: str) -> None:
    scan, target = tmp_path / "scan.bin", tmp_path / "out.json"
    scan.write_bytes(b"solid")
    if kind == "symbolic":
        target.symlink_to(scan)
    elif kind == "hard":
        target.hardlink_to(scan)
    else:
        target = tmp_path / "." / "scan.bin"
    with pytest.raises(UsageError, match="scan"):
        check_target(target, [scan])


def test_a_folder_or_a_missing_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="folder"):
        check_target(tmp_path)
    with pytest.raises(UsageError, match="cannot be written"):
        check_target(tmp_path / "missing" / "out.json")


def test_a_failed_write_leaves_the_older_file(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    target.write_text("old")
    with pytest.raises(UnicodeEncodeError):
        write_whole(target, "half \udcff")
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_full_disk_is_told_in_one_line() -> None:
    # /dev/full: every write fails with ENOSPC (Linux manual, full(4))
    with pytest.raises(UsageError, match="No space left"):
        write_whole(Path("/dev/full"), "x")


def test_a_part_that_another_process_left_is_no_hindrance(tmp_path: Path) -> None:
    for number in (1, os.getpid()):  # in containers numbers of processes repeat
        (tmp_path / f".volest-{number}.part").write_text("left")
    write_whole(tmp_path / "out.json", "new")
    check_target(tmp_path / "out.json")
    assert (tmp_path / "out.json").read_text() == "new"


def test_only_what_nobody_writes_any_more_is_tidied_up(tmp_path: Path) -> None:
    (tmp_path / ".volest-1.part").write_text("left by a run that was killed")

    def pieces() -> Iterator[str]:
        yield "one "
        remove_left_parts(tmp_path)  # another run opens the folder meanwhile
        yield "two"

    write_whole(tmp_path / "out.json", pieces())
    assert (tmp_path / "out.json").read_text() == "one two"
    assert [file.name for file in tmp_path.iterdir()] == ["out.json"]


def test_a_link_is_not_followed_where_it_must_not_be(tmp_path: Path) -> None:
    (tmp_path / "others").write_text("of somebody else")
    (tmp_path / "link").symlink_to(tmp_path / "others")
    write_whole(tmp_path / "link", "new", through_link=False)
    assert (tmp_path / "others").read_text() == "of somebody else"
    assert not (tmp_path / "link").is_symlink()


def test_what_is_sealed_reads_back_under_its_own_name_only() -> None:
    kept = sealed("a", b"figures")
    assert unsealed("a", kept) == b"figures"
    assert unsealed("b", kept) is None
    for cut in (b"", kept[:-1], kept[:40], kept + b"x"):
        assert unsealed("a", cut) is None


def test_a_table_that_a_spreadsheet_holds_is_written_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Windows refuses to rename over a file that another program has open (WinError 5, 32).
    table, rename = tmp_path / "results.csv", Path.replace
    table.write_text("old")
    held = [True] * 20

    def refuse(part: Path, to: Path) -> Path:
        if to == table and held and held.pop():
            raise PermissionError(13, "held by another program")
        return rename(part, to)

    monkeypatch.setattr(Path, "replace", refuse)
    monkeypatch.setattr("volest.storage._HELD_S", 0.01)
    beside = write_whole(table, "new", or_beside=True)
    assert beside.name == "results-while-held.csv"
    assert (table.read_text(), beside.read_text()) == ("old", "new")
    # What lets go meanwhile is waited for; then nothing of that time is left.
    held[:] = [True, True]
    assert write_whole(table, "newer", or_beside=True) == table
    assert [path.name for path in tmp_path.iterdir()] == ["results.csv"]
    held[:] = [True] * 20
    with pytest.raises(UsageError, match="held by another program"):
        write_whole(table, "a decision is for its own name alone")
    assert table.read_text() == "newer"
