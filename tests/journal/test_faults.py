"""One booking with backup and CSV, broken at every single point: nothing confirmed is lost.

A point is a call into C that opens, writes, syncs, renames or removes a file, or hands a statement
to SQLite, as Python's profiler tells of it (sys.setprofile). There the process ends, or the call
fails; then the same command is run again. Inside SQLite, a limit on the size of files (setrlimit)
does the same at every size.
"""

import errno
import json
import os
import resource
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import click
import pytest
from click.testing import CliRunner

from tests.hostile.forked import forked
from tests.journal.test_journal import ENTRY
from tests.marks import slow
from volest.cli.main import volest_group
from volest.journal import Journal

COMMAND = ["log", "--journal", "lab.db", "--from", "mix.json", "--left", "9"]
ENDS = ["--backup", "copy.db", "--csv", "pours.csv"]
WATCHED = {"execute", "fetchall", "fetchone", "backup", "connect", "close", "open", "write"}
WATCHED |= {"writelines", "flush", "fsync", "replace", "unlink", "mkdir", "rmdir", "chmod"}
NO_FILES = {"replace", "close"}  # letters of a text; SQLite's close tells of no fault
KILLED = 77
HELD = [*range(1, 13)]  # pours that are booked before
PAGE_BYTES = 4096  # by so much SQLite lets a file grow (its file format, 1.3)
LEAST_POINTS = 100  # fewer: the watch does not see what it should


def call(*words: str) -> tuple[int, str]:
    ran = CliRunner().invoke(volest_group, list(words))
    return ran.exit_code, ran.stderr


def broken_at(point: int, *, how: str) -> tuple[int, str, int]:
    """Run the command with one point broken; give exit code, talk and how many points there are."""
    passed = 0

    def watch(frame: FrameType, event: str, called: Any) -> None:
        nonlocal passed
        if event != "c_call" or called.__name__ not in WATCHED:
            return
        if isinstance(called.__self__, str | sqlite3.Connection) and called.__name__ in NO_FILES:
            return
        writer = Path(frame.f_code.co_filename)  # not what is told to a terminal
        if called.__self__ is sys.stdout or Path(click.__file__).parent in writer.parents:
            return
        passed += 1
        if passed == point and how == "end":
            os._exit(KILLED)
        if passed == point:
            raise OSError(errno.EIO, "broken on purpose")

    sys.setprofile(watch)
    try:
        code, said = call(*COMMAND, *ENDS)
    finally:
        sys.setprofile(None)
    return code, said, passed


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a journal, and what it left in a backup and a CSV when it had one pour."""
    folder = tmp_path_factory.mktemp("before")
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        assert call("mix", "50", "--json", "mix.json")[0] == 0
        with Journal(Path("lab.db")) as journal:
            journal.book(ENTRY)
        assert call("log", "--journal", "lab.db", *ENDS)[0] == 0
        with Journal(Path("lab.db")) as journal:
            for _ in HELD[1:]:
                journal.book(ENTRY)
    return folder


def numbers(file: Path) -> list[int]:
    base = sqlite3.connect(file)
    assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    held = [number for (number,) in base.execute("SELECT number FROM pours ORDER BY number")]
    base.close()
    return held


def limited(most_bytes: int, *, how: str) -> tuple[int, str, int]:
    """Run the command where no file may grow over a size: there it ends, or the write fails."""
    signal.signal(signal.SIGXFSZ, signal.SIG_DFL if how == "end" else signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    return *call(*COMMAND, *ENDS), 0


def break_and_repeat(work: Callable[..., tuple[int, str, int]], point: int, how: str) -> bool:
    """Break the command at a point, look at what is left, repeat it; say if it had booked."""
    ended = forked(lambda: json.dumps(work(point, how=how)).encode())
    assert ended.code in ((0, KILLED, -signal.SIGXFSZ) if how == "end" else (0,)), ended.how
    if ended.code == 0:
        code, said, _ = json.loads(ended.answer)
        assert code in (0, 2), said  # no disk's fault is told as one of volest
    held = numbers(Path("lab.db"))
    whole = [*HELD, len(HELD) + 1]
    assert held in (HELD, whole)
    assert b"booked as pour" not in ended.answer or held == whole
    assert numbers(Path("copy.db")) in ([1], held)
    pours = Path("pours.csv")
    assert pours.read_bytes().count(b"\n") - 1 in (1, len(held))
    code, told = call(*COMMAND, *ENDS)
    assert code == (0 if held == HELD else 2), told
    assert code == 0 or "booked for the same file" in told
    assert call("log", "--journal", "lab.db", *ENDS)[0] == 0
    assert numbers(Path("lab.db")) == numbers(Path("copy.db")) == whole
    assert pours.read_bytes().count(b"\n") == len(whole) + 1
    return held == whole


@pytest.mark.parametrize("how", ["end", "fail"])
@pytest.mark.parametrize("step", [9, *slow(1)])
def test_every_point(
    step: int, how: str, before: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "here"

    def start() -> None:
        monkeypatch.chdir(tmp_path)
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(before, folder)
        monkeypatch.chdir(folder)

    start()
    whole = forked(lambda: json.dumps(broken_at(0, how=how)).encode())
    code, _, points = json.loads(whole.answer)
    assert code == 0
    assert points >= LEAST_POINTS
    ends = set()
    for point in range(1, points + 1, step):
        start()
        ends.add(break_and_repeat(broken_at, point, how))
    assert ends == {False, True}
    ends = set()
    for size in range(0, (before / "lab.db").stat().st_size + PAGE_BYTES, 512 * step):
        start()
        ends.add(break_and_repeat(limited, size, how))
    assert ends == {False, True}
