"""The journal: what is booked is there, for two programs at once, and slips are refused."""

import math
import sqlite3
import subprocess
import sys
import time
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from volest.errors import UsageError
from volest.journal import COLUMNS, VERSION, Case, Delivery, Entry, Journal, checksum, now, written

ENTRY = Entry(
    booked="2031-05-04T09:30:00+00:00",
    stone="type-4",
    way="vacuum",
    volume_ml=50.0,
    powder_g=103.0,
    water_ml=20.6,
    mix_ml=57.92,
    left_g=9.0,
    left_ml=4.22,
    lot="7731",
    mark="K",
    scan="b0417.stl",
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "lab.db"


def test_what_is_booked_is_there_after_closing(path: Path) -> None:
    with Journal(path) as journal:
        assert journal.book(ENTRY) == 1
        assert journal.book(replace(ENTRY, lot=None, mark=None, scan=None)) == 2
    with Journal(path, new=False) as journal:
        first, second = journal.entries()
    assert astuple(first) == astuple(replace(ENTRY, number=1))
    assert (second.lot, second.mark, second.scan) == (None, None, None)


def test_what_a_pour_teaches(path: Path) -> None:
    with Journal(path) as journal:
        journal.book(ENTRY)
        (pour,) = journal.pours()
    # 57.92 mixed, 4.22 left, 50 mL of cavity: 3.70 mL went elsewhere.
    assert pour.excess_ml == pytest.approx(3.70)
    assert not pour.short


def test_it_is_one_file_and_knows_its_version(path: Path) -> None:
    with Journal(path) as journal:
        journal.book(ENTRY)
        assert [file.name for file in path.parent.iterdir()] == [path.name]
    base = sqlite3.connect(path)
    assert base.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    assert base.execute("PRAGMA user_version").fetchone() == (VERSION,)
    base.close()


def test_a_slip_is_struck_out_and_teaches_nothing(path: Path) -> None:
    with Journal(path) as journal:
        for _ in range(2):
            journal.book(replace(ENTRY, source="f00d"), again=True)
        with pytest.raises(UsageError, match=r"pours 1 of .* 2 of .* booked for the same file"):
            journal.book(replace(ENTRY, source="f00d"))
        journal.strike(2)
        assert [twin.number for twin in journal.twins(replace(ENTRY, source="f00d"))] == [1]
        assert len(journal.pours()) == 1
        assert [entry.struck is None for entry in journal.entries()] == [True, False]
        for number in (2, 3):
            with pytest.raises(UsageError, match=f"no pour {number}"):
                journal.strike(number)
        assert journal.book(ENTRY) == 3


BOOK = """
import sys
from pathlib import Path
from tests.journal.test_journal import ENTRY
from volest.journal import Journal
for _ in range(25):
    with Journal(Path(sys.argv[1])) as journal:
        journal.book(ENTRY)
"""


def test_two_programs_at_once_lose_nothing(path: Path) -> None:
    root = str(Path(__file__).parents[2])
    words = [sys.executable, "-c", BOOK, str(path)]
    runs = [subprocess.Popen(words, cwd=root, env={"PYTHONPATH": root}) for _ in range(2)]
    assert [run.wait(60) for run in runs] == [0, 0]
    with Journal(path) as journal:
        assert len(journal.entries()) == 50


OPEN_TOGETHER = """
import sys, time
from pathlib import Path
from tests.journal.test_journal import ENTRY
from volest.journal import Journal
start = float(sys.argv[2])
for number in range(20):  # a new journal each time: making one is where programs meet
    time.sleep(max(0.0, start + 0.05 * number - time.time()))
    with Journal(Path(sys.argv[1]) / f"{number}.db") as journal:
        journal.book(ENTRY)
"""


@pytest.mark.slow
def test_two_programs_that_make_the_same_journal(tmp_path: Path) -> None:
    root = str(Path(__file__).parents[2])
    words = [sys.executable, "-c", OPEN_TOGETHER, str(tmp_path), str(time.time() + 3.0)]
    runs = [subprocess.Popen(words, cwd=root, env={"PYTHONPATH": root}) for _ in range(2)]
    assert [run.wait(60) for run in runs] == [0, 0]
    for number in range(20):
        with Journal(tmp_path / f"{number}.db", new=False) as journal:
            assert [entry.number for entry in journal.entries()] == [1, 2]


def test_a_backup_is_whole_while_others_book(path: Path, tmp_path: Path) -> None:
    root = str(Path(__file__).parents[2])
    copy = tmp_path / "copy.db"
    with Journal(path) as journal:
        journal.book(ENTRY)
        other = subprocess.Popen(
            [sys.executable, "-c", BOOK, str(path)], cwd=root, env={"PYTHONPATH": root}
        )
        counts = []
        while other.poll() is None:
            journal.back_up(copy)
            base = sqlite3.connect(copy)
            assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert base.execute("PRAGMA journal_mode").fetchone() == ("delete",)
            counts += base.execute("SELECT count(*) FROM pours").fetchone()
            base.close()
        assert other.wait() == 0
        journal.back_up(copy)
    assert counts == sorted(counts)
    with Journal(copy, new=False) as journal:
        assert len(journal.entries()) == 26
    assert {file.name for file in tmp_path.iterdir()} == {"lab.db", "copy.db"}


def numbers_in(file: Path) -> list[int]:
    with Journal(file, new=False, copied=True) as journal:
        return [entry.number for entry in journal.entries()]


def test_a_backup_replaces_an_earlier_state_only(path: Path, tmp_path: Path) -> None:
    copy, others = tmp_path / "copy.db", tmp_path / "others.db"
    with Journal(others) as journal:
        journal.book(replace(ENTRY, volume_ml=49.0))
    kept = others.read_bytes()
    with Journal(path) as journal:
        journal.book(ENTRY)
        journal.back_up(copy)
        journal.book(ENTRY)
        journal.back_up(copy)
        assert numbers_in(copy) == [1, 2]
        with pytest.raises(UsageError, match="pour 1 in it is not in"):
            journal.back_up(others)
        (tmp_path / "scan").write_bytes(b"solid b0417")
        (tmp_path / "empty.db").touch()
        for name, told in (("scan", "not a database"), ("new.stl", "the name of a scan")):
            with pytest.raises(UsageError, match=told):
                journal.check_backup(tmp_path / name)
        journal.back_up(tmp_path / "empty.db")
    with Journal(copy) as journal:  # somebody books into the copy
        journal.book(ENTRY)
        journal.strike(1)
    with Journal(path) as journal, pytest.raises(UsageError, match=r"pour 1 .* \(2 such\)"):
        journal.back_up(copy)
    assert numbers_in(copy) == [1, 2, 3]
    assert others.read_bytes() == kept
    assert (tmp_path / "scan").read_bytes() == b"solid b0417"
    names = {"lab.db", "copy.db", "others.db", "scan", "empty.db"}
    assert {file.name for file in tmp_path.iterdir()} == names


LEAVE_OPEN = """
import os, sqlite3, sys
from pathlib import Path
from tests.journal.test_journal import ENTRY
from volest.journal import Journal
path, other = Path(sys.argv[1]), Path(sys.argv[1] + ".other")
with Journal(path):
    pass
with Journal(other) as journal:
    journal.book(ENTRY)
base = sqlite3.connect(path, isolation_level=None)
base.execute("PRAGMA journal_mode = WAL")  # as another program may have set it
base.execute("ATTACH ? AS other", (str(other),))
base.execute("INSERT INTO pours SELECT * FROM other.pours")
other.unlink()
os._exit(0)  # as a power cut: what was booked lies beside the file
"""


def left_open(path: Path) -> None:
    root = str(Path(__file__).parents[2])
    words = [sys.executable, "-c", LEAVE_OPEN, str(path)]
    subprocess.run(words, cwd=root, env={"PYTHONPATH": root}, check=True)
    assert path.with_name(f"{path.name}-wal").stat().st_size > 0


def test_what_write_ahead_mode_left_beside_it_is_taken_in(path: Path) -> None:
    left_open(path)
    with Journal(path) as journal:
        assert [entry.number for entry in journal.entries()] == [1]
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_what_lies_beside_a_backup_is_never_read_into_it(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    with Journal(path) as journal:
        for _ in range(3):
            journal.book(ENTRY)
        left_open(copy)  # an earlier state with what was not yet put into it
        journal.back_up(copy)
        assert numbers_in(copy) == [1, 2, 3]
        assert sqlite3.connect(copy).execute("SELECT count(*) FROM pours").fetchone() == (3,)
        left_open(tmp_path / "gone.db")
        (tmp_path / "gone.db").unlink()
        with pytest.raises(UsageError, match=r"gone\.db-wal, left of another data base"):
            journal.back_up(tmp_path / "gone.db")
        with pytest.raises(UsageError, match="onto itself"):
            journal.back_up(tmp_path / "lab.db-wal")


def test_a_backup_over_a_journal_that_is_in_use_is_told(path: Path, tmp_path: Path) -> None:
    with Journal(path) as journal, Journal(tmp_path / "copy.db") as used:
        for lot in ("6", "7"):
            journal.book(replace(ENTRY, lot=lot))
        used.book(replace(ENTRY, lot="6"))
        with used._transaction(), pytest.raises(UsageError, match="cannot be written"):
            journal.back_up(tmp_path / "copy.db")
        journal.back_up(tmp_path / "copy.db")
        used.book(replace(ENTRY, lot="8"))
    assert numbers_in(tmp_path / "copy.db") == [1, 2, 3]


def test_a_backup_leaves_nothing_where_the_disk_fails(  # over an old one: see test_faults.py
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    with Journal(path) as journal:
        journal.book(ENTRY)
        monkeypatch.setattr("os.fsync", fail)
        with pytest.raises(UsageError, match="No space left"):
            journal.back_up(tmp_path / "copy.db")
    assert [file.name for file in tmp_path.iterdir()] == ["lab.db"]


def test_a_backup_that_cannot_be_meant_or_made(path: Path, tmp_path: Path) -> None:
    with Journal(path) as journal:
        journal.book(ENTRY)
        (tmp_path / "link.db").symlink_to(path)
        with pytest.raises(UsageError, match="onto itself"):
            journal.back_up(tmp_path / "link.db")
        with pytest.raises(UsageError, match="cannot be written"):
            journal.back_up(tmp_path / "missing" / "copy.db")
        assert len(journal.entries()) == 1


@pytest.mark.parametrize(
    "slip",
    [
        {"volume_ml": 0.0},
        {"volume_ml": float("nan")},
        {"powder_g": -1.0},
        {"left_ml": 57.0},  # nearly all of it left
        {"left_ml": -200.0},
        {"left_g": float("inf")},
        {"cases": written([Case(name="a", cavity=1, pour=None, content=None, volume_ml=0.0)])},
    ],
)
def test_slips_of_the_pen_are_refused(path: Path, slip: dict[str, Any]) -> None:
    with Journal(path) as journal:
        with pytest.raises(UsageError) as caught:
            journal.book(replace(ENTRY, **slip))
        assert caught.value.code == "journal-odd"
        assert journal.entries() == []


def test_what_is_no_journal_is_refused(path: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        Journal(path, new=False)
    path.write_text("not a data base, but long enough to be looked at " * 20, encoding="utf-8")
    with pytest.raises(UsageError, match="not a database"):
        Journal(path)
    with pytest.raises(UsageError, match="the name of a scan"):
        Journal(tmp_path / "lab.STL")
    with pytest.raises(UsageError, match="missing that can be opened"):
        Journal(tmp_path / "missing" / "lab.db")


@pytest.mark.parametrize("version", [VERSION - 1, VERSION + 1])
def test_a_journal_of_another_version_is_left_alone(version: int, path: Path) -> None:
    with Journal(path):
        pass
    base = sqlite3.connect(path)
    base.execute("PRAGMA journal_mode = WAL")
    base.execute(f"PRAGMA user_version = {version}")
    base.close()
    held = path.read_bytes()
    with pytest.raises(UsageError, match="the volest that wrote it"):
        Journal(path)
    assert path.read_bytes() == held


@pytest.mark.parametrize("new", [False, True])
def test_a_tiny_file_is_no_journal(new: bool, tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_bytes(b"x")  # SQLite would take it for an empty data base
    with pytest.raises(UsageError, match="not a database"):
        Journal(file, new=new)
    assert file.read_bytes() == b"x"


def test_times_are_utc() -> None:
    assert now().endswith("+00:00")


def changed(path: Path, words: str) -> None:
    base = sqlite3.connect(path)
    base.execute(words)
    base.commit()
    base.close()


@pytest.mark.parametrize(
    "words",
    [
        "UPDATE pours SET volume_ml = 50.125 WHERE number = 2",
        "UPDATE pours SET left_ml = 1e300 WHERE number = 2",
        "UPDATE pours SET stone = 'type-3' WHERE number = 2",
        "UPDATE pours SET lot = CAST(X'ff00' AS TEXT) WHERE number = 2",
        "UPDATE pours SET struck = booked WHERE number = 2",
        "UPDATE pours SET checksum = NULL WHERE number = 2",
        "DELETE FROM pours WHERE number = 2",
    ],
)
def test_a_row_that_does_not_fit_is_told_and_teaches_nothing(path: Path, words: str) -> None:
    with Journal(path) as journal:
        for _ in range(3):
            journal.book(ENTRY)
    changed(path, words)
    with Journal(path) as journal:
        (line,) = journal.damage()
        assert "pour 2 is damaged or missing: it is left out of all figures" in line
        assert ("--strike 2" in line) != words.startswith("DELETE")  # there is nothing to give up
        assert len(journal.pours()) == 2
        assert journal.book(ENTRY) == 4
        journal.back_up(path.with_name("copy.db"))
        journal.back_up(path.with_name("copy.db"))  # over one that is damaged alike
        if words.startswith("DELETE"):  # what is gone stays told
            with pytest.raises(UsageError, match="no pour 2"):
                journal.strike(2)
            return
        journal.strike(2)
        assert journal.damage() == []


@pytest.mark.parametrize(
    "odd",
    [
        {"booked": "x"},
        {"volume_ml": math.inf},
        {"way": "spoon"},
        {"outcome": "wow"},
        {"cases": "{"},
        {"lot": 5},
    ],
)
def test_a_row_of_another_program_that_cannot_be_meant_is_told(
    path: Path, odd: dict[str, Any]
) -> None:
    with Journal(path) as journal:
        journal.book(ENTRY)
        (entry,) = journal.entries()
    said = replace(entry, **odd)
    mark = checksum(*(getattr(said, name) for name in COLUMNS))  # its checksum fits
    base = sqlite3.connect(path)
    words = ", ".join(f"{key} = ?" for key in odd)
    base.execute(f"UPDATE pours SET {words}", list(odd.values()))  # noqa: S608  # own names
    base.execute("UPDATE pours SET checksum = ?", [mark])
    base.commit()
    base.close()
    with Journal(path) as journal:
        assert journal.pours() == []
        assert "pour 1 is damaged or missing" in journal.damage()[0]


def test_a_backup_never_goes_over_what_the_journal_lost(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    with Journal(path) as journal:
        for _ in range(3):
            journal.book(ENTRY)
        journal.back_up(copy)
    changed(copy, "UPDATE pours SET volume_ml = 51 WHERE number = 3")
    changed(path, "DELETE FROM pours WHERE number = 3")
    with Journal(path) as journal, pytest.raises(UsageError, match="pour 3 in it is not in"):
        journal.back_up(copy)
    changed(path, "UPDATE pours SET volume_ml = 51 WHERE number = 2")
    with Journal(path) as journal, pytest.raises(UsageError, match="pour 2 in it is not in"):
        journal.back_up(copy)


def test_a_bit_that_flips_anywhere_never_gives_another_figure_without_a_word(path: Path) -> None:
    with Journal(path) as journal:
        for number in range(20):
            journal.book(replace(ENTRY, volume_ml=50.0 + number / 7.0))
        journal.receive(Delivery(booked=now(), stone="type-4", powder_g=25000.0, lot="7731"))
    whole = path.read_bytes()

    def figures() -> tuple[str, list[str]]:
        with Journal(path, new=False) as journal:
            rows = [astuple(row) for row in journal.entries()]
            came = [astuple(row) for row in journal.deliveries()]
            return repr((rows, came)), journal.damage()

    said, told = figures()
    assert told == []
    places = np.random.default_rng(20).choice(8 * len(whole), 500, replace=False)
    ends = set()
    for place in places:
        damaged = bytearray(whole)
        damaged[place // 8] ^= 1 << place % 8
        for file in path.parent.iterdir():
            file.unlink()
        path.write_bytes(damaged)
        try:
            now_said, told = figures()
        except UsageError:
            ends.add("refused")
            continue
        assert told or now_said == said, (place // 8, place % 8)
        ends.add("told" if told else "same")
    assert ends == {"refused", "told", "same"}


CASE = Case(name="day/b0417.stl", cavity=1, pour="first", content="c0de", volume_ml=50.0)


@pytest.mark.parametrize(
    ("other", "days_later", "is_asked"),
    [
        ({}, 0, True),
        ({}, 9, True),  # the same content, whenever
        ({"name": "other.stl"}, 0, True),
        ({"content": "beef"}, 0, False),  # another scan of that name
        ({"pour": "base"}, 0, False),
        ({"cavity": 2}, 0, False),
        ({"content": None}, 0, True),  # by name and day
        ({"content": None, "name": "b0417.stl"}, 0, True),
        ({"content": None, "name": "monday/b0417.stl"}, 0, False),
        ({"content": None}, 9, False),
        ({"content": None, "pour": None, "name": "b0417.stl"}, 0, True),  # typed amounts
    ],
)
def test_a_pour_of_the_same_scan_is_asked_about(
    other: dict[str, Any], days_later: int, is_asked: bool, path: Path
) -> None:
    again = replace(
        ENTRY,
        cases=written([replace(CASE, **other)]),
        booked=f"2031-05-{4 + days_later:02}T09:40:00+00:00",
    )
    with Journal(path) as journal:
        journal.book(replace(ENTRY, cases=written([CASE])))
        if is_asked:
            with pytest.raises(UsageError, match=r"pour 1 of 2031-05-04 booked for day/b0417\.stl"):
                journal.book(again)
            assert journal.book(again, again=True) == 2
            journal.strike(2)
        journal.strike(1)
        assert journal.book(again) == 2 + is_asked  # what was struck out does not count


def test_how_a_cast_came_out_is_said_later_and_fits(path: Path) -> None:
    with Journal(path) as journal:
        journal.book(ENTRY)
        journal.end(1, "remake", "die chipped")
        (entry,) = journal.entries()
        assert (entry.outcome, entry.why) == ("remake", "die chipped")
        assert journal.damage() == []
        with pytest.raises(UsageError, match="no pour 2"):
            journal.end(2, "good", None)
