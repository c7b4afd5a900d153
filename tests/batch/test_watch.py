"""A watched folder: no scan is read half written, and nothing that happens to it ends the watch."""

import json
import os
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.batch.small import VOLEST, bowl_stl
from volest.batch.find import EMPTY_SETTLE_S, Arrivals, wakes
from volest.scan.decision import SUFFIX

ROOT = Path(__file__).parents[2]


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def arrivals(tmp_path: Path, clock: Clock) -> Arrivals:
    (tmp_path / "scans").mkdir()
    return Arrivals(tmp_path / "scans", settle_s=2.0, clock=clock)


def names(found: list[Path]) -> list[str]:
    return [path.name for path in found]


def settled(arrivals: Arrivals, clock: Clock) -> list[str]:
    """Look, wait as long as a file has to rest, and name what is given then."""
    assert arrivals.look()[0] == []
    clock.now += 2.0
    return names(arrivals.look()[0])


def test_a_file_that_grows_is_left_alone(arrivals: Arrivals, clock: Clock) -> None:
    scan = arrivals.folder / "a.stl"
    for size in range(1, 5):
        scan.write_bytes(b"x" * size)
        assert arrivals.look()[0] == []
        assert arrivals.busy
        clock.now += 1.5  # less than it has to rest
    clock.now += 1.0
    assert names(arrivals.look()[0]) == ["a.stl"]
    assert not arrivals.busy
    clock.now += 10.0
    assert arrivals.look()[0] == []  # once


def test_a_name_that_changes_at_the_end(arrivals: Arrivals, clock: Clock) -> None:
    (arrivals.folder / "a.stl.tmp").write_bytes(b"xx")
    assert arrivals.look()[0] == []
    clock.now += 9.0
    (arrivals.folder / "a.stl.tmp").rename(arrivals.folder / "a.stl")
    assert arrivals.look()[0] == []
    clock.now += 2.0
    assert names(arrivals.look()[0]) == ["a.stl"]


def test_what_changes_later_comes_again(arrivals: Arrivals, clock: Clock) -> None:
    scan = arrivals.folder / "a.stl"
    scan.write_bytes(b"x")
    assert settled(arrivals, clock) == ["a.stl"]
    scan.write_bytes(b"xy")
    assert settled(arrivals, clock) == ["a.stl"]
    scan.with_name(scan.name + SUFFIX).write_bytes(b"a base line was saved")
    assert settled(arrivals, clock) == ["a.stl"]


def test_an_overwrite_that_keeps_size_and_time_is_seen(arrivals: Arrivals, clock: Clock) -> None:
    scan = arrivals.folder / "a.stl"
    scan.write_bytes(b"x")
    assert settled(arrivals, clock) == ["a.stl"]
    before = scan.stat()
    time.sleep(0.02)  # clocks of file systems tick
    scan.write_bytes(b"y")
    os.utime(scan, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert settled(arrivals, clock) == ["a.stl"]


def test_what_is_changed_and_changed_back_comes_again(arrivals: Arrivals, clock: Clock) -> None:
    scan = arrivals.folder / "a.stl"
    beside = scan.with_name(scan.name + SUFFIX)
    scan.write_bytes(b"x")
    assert settled(arrivals, clock) == ["a.stl"]
    beside.write_bytes(b"a base line was saved")
    assert arrivals.look()[0] == []
    beside.unlink()  # before it came to rest; a mix may have been planned by it
    assert arrivals.look()[0] == []
    clock.now += 2.0
    assert names(arrivals.look()[0]) == ["a.stl"]


def test_what_another_program_holds_is_given_again(arrivals: Arrivals, clock: Clock) -> None:
    scan = arrivals.folder / "a.stl"
    scan.write_bytes(b"x")
    arrivals.look()
    clock.now += 2.0
    for _ in range(3):
        assert names(arrivals.look()[0]) == ["a.stl"]
        arrivals.later(scan)
        clock.now += 4.0
        assert arrivals.look()[0] == []
        clock.now += 20.0
    arrivals.later(arrivals.folder / "never.stl")


def test_a_file_of_another_kind_is_told_late_and_keeps_nobody_awake(
    arrivals: Arrivals, clock: Clock
) -> None:
    (arrivals.folder / "a.3mf").write_bytes(b"x")
    assert arrivals.look() == ([], [])
    assert not arrivals.busy
    clock.now += EMPTY_SETTLE_S - 0.1
    assert arrivals.look() == ([], [])
    clock.now += 0.2
    assert arrivals.look() == ([], [arrivals.folder / "a.3mf"])
    assert arrivals.look() == ([], [])


def test_an_empty_file_is_given_longer(arrivals: Arrivals, clock: Clock) -> None:
    (arrivals.folder / "a.stl").touch()
    arrivals.look()
    clock.now += 2.0
    assert arrivals.look()[0] == []
    clock.now += EMPTY_SETTLE_S
    assert names(arrivals.look()[0]) == ["a.stl"]


def test_a_folder_that_goes_and_comes_back(arrivals: Arrivals, clock: Clock) -> None:
    (arrivals.folder / "a.stl").write_bytes(b"x")
    arrivals.look()
    shutil.rmtree(arrivals.folder)
    clock.now += 2.0
    assert arrivals.look()[0] == []
    arrivals.folder.mkdir()
    (arrivals.folder / "b10.stl").write_bytes(b"x")
    (arrivals.folder / "b9.stl").write_bytes(b"x")
    assert arrivals.look()[0] == []
    clock.now += 2.0
    assert names(arrivals.look()[0]) == ["b9.stl", "b10.stl"]


def test_wakes_end_when_told(tmp_path: Path) -> None:
    stop = threading.Event()
    threading.Timer(0.5, stop.set).start()
    start = time.monotonic()
    assert sum(1 for _ in wakes(tmp_path / "missing", stop)) >= 1
    assert time.monotonic() - start < 5.0


def test_a_file_that_is_busy_since_the_last_look_is_looked_at_soon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("volest.batch.find._IDLE_MS", 60_000)
    monkeypatch.setattr("volest.batch.find._BUSY_MS", 50)
    stop, busy = threading.Event(), threading.Event()
    signs = wakes(tmp_path, stop, busy.is_set)
    next(signs)
    threading.Timer(0.5, (tmp_path / "new.stl").touch).start()
    next(signs)  # of the file that came
    busy.set()  # as its look found
    patience = threading.Timer(20.0, stop.set)
    patience.start()
    assert next(signs, "none") is None
    patience.cancel()
    stop.set()


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[tuple[Path, Path, "subprocess.Popen[str]"]]:
    folder, out = tmp_path / "scans", tmp_path / "out"
    folder.mkdir()
    words = ["watch", folder, "--out", out, "--no-sheet", "--pitch", "1", "--workers", "2"]
    run = subprocess.Popen(
        [*VOLEST, *map(str, words)],
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield folder, out, run
    finally:
        if run.poll() is None:
            run.kill()
        run.communicate()


def outcomes(out: Path) -> dict[str, str]:
    file = out / "results.json"
    if not file.exists():
        return {}
    whole: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return {Path(scan["scan"]).name: scan["outcome"] for scan in whole["scans"]}


def until(told: Callable[[], object], seconds: float = 40.0) -> None:
    end = time.monotonic() + seconds
    while not told():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.1)


@pytest.mark.slow
def test_a_day_with_everything_that_goes_wrong(
    watched: tuple[Path, Path, "subprocess.Popen[str]"],
) -> None:
    folder, out, run = watched
    (folder / "a.stl").write_bytes(bowl_stl(1))
    until(lambda: outcomes(out) == {"a.stl": "measured"})
    (folder / "bad.stl").write_bytes(b"nonsense")
    whole = bowl_stl(2)
    with (folder / "slow.stl").open("wb", buffering=0) as file:
        for start in range(0, len(whole), len(whole) // 5):  # longer on the way than it must rest
            file.write(whole[start : start + len(whole) // 5])
            time.sleep(0.5)
    until(lambda: outcomes(out).get("slow.stl"))
    assert outcomes(out) == {"a.stl": "measured", "bad.stl": "refused", "slow.stl": "measured"}
    shutil.rmtree(folder)
    time.sleep(1.0)
    assert run.poll() is None
    folder.mkdir()
    (folder / "b.stl").write_bytes(bowl_stl(3))
    until(lambda: outcomes(out).get("b.stl") == "measured")
    assert outcomes(out)["a.stl"] == "measured"  # what was sized stays on the sheet
    run.send_signal(signal.SIGTERM)
    told, err = run.communicate(timeout=30)
    assert run.returncode == 0, err
    assert "Traceback" not in err
    assert told.splitlines()[-1] == "4 scans: 3 measured, 1 refused"
    assert [line.split()[0] for line in told.splitlines()].count("slow.stl") == 1
    assert "bad.stl  REFUSED not-a-mesh" in told


@pytest.mark.slow
def test_a_file_of_full_size_that_is_filled_slowly_is_sized_once_it_is_filled(
    watched: tuple[Path, Path, "subprocess.Popen[str]"],
) -> None:
    folder, out, _ = watched
    whole = bowl_stl(1)
    half = len(whole) // 2
    scan = folder / "a.stl"
    scan.write_bytes(whole[:half].ljust(len(whole), b"\0"))  # longer on the way than it must rest
    until(lambda: outcomes(out) == {"a.stl": "refused"})
    with scan.open("r+b") as file:
        file.seek(half)
        file.write(whole[half:])
    assert scan.read_bytes() == whole
    until(lambda: outcomes(out) == {"a.stl": "measured"})
