"""`volest size --out` and `volest watch`: what stands where, and with which exit code."""

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.batch.small import bowl_stl
from tests.cli.test_size import size
from volest.batch.find import SETTLE_S
from volest.cli.main import volest_group
from volest.cli.size import MOST_ROWS
from volest.report.table import made_with
from volest.settings import Settings


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "day").mkdir()
    for name in ("a1.stl", "a10.stl", "heel.ply"):
        (tmp_path / "day" / name).write_bytes(name.encode())
    return tmp_path


def call(*words: str) -> Result:
    return CliRunner().invoke(volest_group, list(words), obj=size)


def into_out(*words: str) -> Result:
    return call("size", "day", "--out", "out", "--no-sheet", *words)


def test_table_files_and_what_was_known(folder: Path) -> None:
    first = into_out()
    assert first.exit_code == 0, first.output
    assert "3 scans: 2 measured, 1 measured with notes" in first.stdout
    assert first.stderr == "wrote out/results.json\nwrote out/results.csv\n"
    (folder / "day" / "bad.stl").write_bytes(b"x")
    second = into_out()
    assert second.exit_code == 1
    assert second.stderr.startswith("3 unchanged since an earlier run\n")
    whole = json.loads((folder / "out" / "results.json").read_text())
    assert [Path(scan["scan"]).name for scan in whole["scans"]] == [
        "a1.stl",
        "a10.stl",
        "bad.stl",
        "heel.ply",
    ]
    (folder / "day" / "crash.stl").write_bytes(b"x")
    assert into_out("--quiet").exit_code == 4


def test_the_keyboard_leaves_what_is_done(folder: Path) -> None:
    (folder / "day" / "b-stop.stl").write_bytes(b"x")
    result = into_out()
    assert result.exit_code == 130
    assert "2 of 4 scans were done" in result.stderr
    assert len(json.loads((folder / "out" / "results.json").read_text())["scans"]) == 2


def test_a_long_table_is_left_to_the_files(folder: Path) -> None:
    for number in range(MOST_ROWS):
        (folder / "day" / f"x{number}.stl").write_bytes(b"x")
    result = into_out()
    told = f"{MOST_ROWS + 3} scans: {MOST_ROWS + 2} measured, 1 measured with notes\n"
    assert result.stdout == told


def test_shared_mixes_are_planned(folder: Path) -> None:
    assert "shared" in into_out("--share").stdout.lower()
    assert "shared" in json.loads((folder / "out" / "results.json").read_text())


def test_tables_stand_in_the_folder_and_beside_it(folder: Path) -> None:
    done = into_out("--json", "x.json", "--csv", "-")
    assert done.exit_code == 0, done.output
    beside = (folder / "x.json").read_bytes()
    assert beside == (folder / "out" / "results.json").read_bytes()
    assert done.stdout_bytes == (folder / "out" / "results.csv").read_bytes()
    assert "3 scans: 2 measured" in done.stderr
    told = done.stderr.splitlines()[-3:]
    assert told == ["wrote out/results.json", "wrote x.json", "wrote out/results.csv"]


def test_a_sheet_beside_a_folder_without_one(folder: Path) -> None:
    (folder / "bowl.stl").write_bytes(bowl_stl(0))
    words = ("size", "bowl.stl", "--out", "out", "--no-sheet", "--pitch", "1")
    assert call(*words).exit_code == 0
    done = call(*words, "--sheet", "out/sheet.html")
    assert done.exit_code == 0, done.output
    assert "unchanged" not in done.stderr  # its card was not made before
    assert '"solid"' in (folder / "out" / "sheet.html").read_text(encoding="utf-8")


def test_a_full_disk_beside_the_folder_costs_that_file_only(folder: Path) -> None:
    done = into_out("--json", "/dev/full", "--csv", "x.csv")  # ENOSPC: full(4)
    assert done.exit_code == 2
    assert "3 scans:" in done.stdout
    assert "No space left" in done.stderr
    assert (folder / "x.csv").read_bytes() == (folder / "out" / "results.csv").read_bytes()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--no-sheet"], "--no-sheet without --out"),
        (["--workers", "0"], "0 workers"),
        (["--memory", "10"], "10 MB"),
        (["--seconds-each", "0"], "0 s"),
        (["--cluster", "tcp://lab-3:8786", "--workers", "2"], "with --cluster"),
        (["--cluster", "tcp://lab-3:8786", "--sheet", "x.html"], "--sheet with --cluster"),
        (["--out", "day/a1.stl", "--no-sheet"], "cannot be written"),
        (["--out", "nosuch://out", "--no-sheet"], "nosuch"),
    ],
)
def test_wrong_use_is_one_line_and_2(folder: Path, words: list[str], told: str) -> None:
    del folder
    result = call("size", "day", *words)
    assert result.exit_code == 2, result.output
    assert result.stderr.count("\n") == 1
    assert told in result.stderr


def test_what_a_watched_folder_holds_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def twice(*_: object) -> Iterator[None]:
        yield
        time.sleep(SETTLE_S + 0.1)
        yield
        yield

    monkeypatch.setattr("volest.batch.find.wakes", twice)
    monkeypatch.setattr("volest.batch.find.EMPTY_SETTLE_S", 0.5)
    for name in ("case.3mf", "b.stl.part", "note.txt"):
        (folder / "day" / name).write_bytes(b"x")
    (folder / "day" / "late.stl").write_bytes(b"a1.stl")  # what a1.stl holds
    result = call("watch", "day", "--out", "out", "--no-sheet")
    assert result.exit_code == 0, result.output
    assert [line for line in result.stderr.splitlines() if line] == [
        made_with(Settings()),
        "watching day; Ctrl-C ends it",
        "the same scan in a1.stl, late.stl; mix for it once, or export the wrong one again",
        "not read: b.stl.part, case.3mf; export scans as STL or PLY, whole",
    ]
    assert "needs-boxing: The rim lies below the base line over about 12 mm" in result.stdout
    assert "    Do: Box in that stretch before the pour, to 2.0" in result.stdout


def test_watching_a_file_is_wrong_use() -> None:
    result = call("watch", "day/a1.stl", "--out", "out")
    assert result.exit_code == 2
    assert "needed a folder" in result.stderr
    assert call("watch", "day").exit_code == 2  # --out is needed


def test_dry_tells_and_touches_nothing(folder: Path) -> None:
    before = sorted(folder.rglob("*"))
    told = into_out("--dry")
    assert told.exit_code == 0, told.output
    assert told.stdout.count("to be sized  ") == 3
    assert "to be written into  out" in told.stdout
    assert len({line.index("day/") for line in told.stdout.splitlines() if "day/" in line}) == 1
    assert "o.csv" in call("size", "day", "--csv", "o.csv", "--dry").stdout
    assert "3 of 3 scans to be sized; nothing was done" in told.stdout
    assert sorted(folder.rglob("*")) == before
    into_out()
    (folder / "day" / "a1.stl").write_bytes(b"another")
    again = into_out("--dry")
    assert again.stdout.count("unchanged") == 2
    assert "1 of 3 scans to be sized" in again.stdout
    assert call("size", "nowhere", "--dry").exit_code == 0  # told when it is sized


@pytest.mark.parametrize(
    "words",
    [
        ["--json", "day/a1.stl"],
        ["--sheet", "today.pdf"],
        ["--stone", "marble"],
        ["--wp", "0.2"],
        ["--pitch", "99"],
    ],
)
def test_dry_promises_nothing_that_would_be_refused(folder: Path, words: list[str]) -> None:
    before = sorted(folder.rglob("*"))
    told, done = call("size", "day", "--dry", *words), call("size", "day", *words)
    assert (told.exit_code, done.exit_code) == (2, 2)
    assert told.stderr == done.stderr
    assert told.stdout == ""
    assert sorted(folder.rglob("*")) == before


def test_a_folder_that_is_not_there_yet_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("volest.batch.find.wakes", lambda *_: iter(()))
    told = call("watch", "dya", "--out", "out", "--no-sheet", "--quiet").stderr
    assert told.strip() == "dya is not there yet; it is waited for"
    assert "not there" not in call("watch", "day", "--out", "out", "--no-sheet").stderr
    assert folder.exists()


@pytest.mark.parametrize("words", [("size", "day", "--out"), ("desk",)])
def test_a_slip_in_the_name_makes_no_folders(words: tuple[str, ...], folder: Path) -> None:
    ran = call(*words, "nwe/deep/out")
    assert (ran.exit_code, ran.stdout) == (2, "")
    assert "look at the name: folders above it are not made" in ran.stderr
    assert not (folder / "nwe").exists()
