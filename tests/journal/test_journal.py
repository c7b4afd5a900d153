"""The journal: what is booked is there, for two programs at once, and slips are refused."""

import sqlite3
import subprocess
import sys
import time
from dataclasses import astuple, replace
from pathlib import Path

import pytest

from volest.errors import UsageError
from volest.journal import LAYOUT, Entry, Journal, now

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


def test_it_is_write_ahead_and_knows_its_version(path: Path) -> None:
    with Journal(path) as journal:
        journal.book(ENTRY)
    base = sqlite3.connect(path)
    assert base.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert base.execute("PRAGMA user_version").fetchone() == (LAYOUT.version,)
    base.close()


def test_a_slip_is_struck_out_and_teaches_nothing(path: Path) -> None:
    with Journal(path) as journal:
        for _ in range(2):
            journal.book(replace(ENTRY, source="f00d"), again=True)
        with pytest.raises(UsageError, match="pours 1 of .* 2 of .* booked for the same file"):
            journal.book(replace(ENTRY, source="f00d"))
        journal.strike(2)
        assert [twin.number for twin in journal.twins(replace(ENTRY, source="f00d"))] == [1]
        assert len(journal.pours()) == 1
        assert [entry.struck is None for entry in journal.entries()] == [True, False]
        for number in (2, 3):
            with pytest.raises(UsageError, match=f"no pour {number}"):
                journal.strike(number)
        assert journal.book(ENTRY) == 3


FIRST_VERSION = """
CREATE TABLE pours (
    number INTEGER PRIMARY KEY, booked TEXT NOT NULL, stone TEXT NOT NULL, way TEXT NOT NULL,
    volume_ml REAL NOT NULL, powder_g REAL NOT NULL, water_ml REAL NOT NULL, mix_ml REAL NOT NULL,
    left_g REAL NOT NULL, left_ml REAL NOT NULL, lot TEXT, mark TEXT, scan TEXT
) STRICT;
INSERT INTO pours VALUES (1, '2031-05-04T09:30:00+00:00', 'type-4', 'vacuum', 50.0, 103.0, 20.6,
    57.92, 9.0, 4.22, '7731', 'K', 'b0417.stl');
PRAGMA user_version = 1;
"""


def test_a_journal_of_the_first_version_is_brought_up_and_keeps_its_pours(path: Path) -> None:
    base = sqlite3.connect(path)
    base.executescript(FIRST_VERSION)
    base.close()
    with Journal(path, new=False) as journal:
        (entry,) = journal.entries()
        assert astuple(entry) == astuple(replace(ENTRY, number=1))
        journal.strike(1)
        assert journal.pours() == []


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
    ],
)
def test_slips_of_the_pen_are_refused(path: Path, slip: dict[str, float]) -> None:
    with Journal(path) as journal:
        with pytest.raises(UsageError) as caught:
            journal.book(replace(ENTRY, **slip))  # type: ignore[arg-type]  # one float each
        assert caught.value.code == "journal-odd"
        assert journal.entries() == []


def test_what_is_no_journal_is_refused(path: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        Journal(path, new=False)
    path.write_text("not a data base, but long enough to be looked at " * 20, encoding="utf-8")
    with pytest.raises(UsageError, match="not a database"):
        Journal(path)
    with pytest.raises(UsageError, match="missing that can be opened"):
        Journal(tmp_path / "missing" / "lab.db")


def test_a_newer_journal_is_left_alone(path: Path) -> None:
    with Journal(path):
        pass
    base = sqlite3.connect(path)
    base.execute(f"PRAGMA user_version = {LAYOUT.version + 1}")
    base.close()
    with pytest.raises(UsageError, match="newer"):
        Journal(path)


def test_times_are_utc() -> None:
    assert now().endswith("+00:00")
