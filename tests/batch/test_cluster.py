"""A real scheduler and two real workers on this computer, one of them killed in the middle."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import distributed
import pytest

from tests.batch.small import QUICK, fill
from volest.batch.many import run_many
from volest.batch.places import Place, place_of
from volest.batch.run import run
from volest.errors import UsageError
from volest.result import Result
from volest.sheet.record import as_text, document

ROOT = Path(__file__).parents[2]
SCANS = 40


def start(kind: str, *words: str, cwd: Path) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{kind}", *words],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list["subprocess.Popen[bytes]"]]]:
    file = tmp_path / "scheduler.json"
    started = [
        start(
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--no-jupyter",
            "--scheduler-file",
            str(file),
            cwd=tmp_path,
        )
    ]
    try:
        end = time.monotonic() + 60.0
        while not file.exists() and time.monotonic() < end:
            time.sleep(0.1)
        started += [
            start(
                "worker",
                "--scheduler-file",
                str(file),
                "--nthreads",
                "1",
                "--no-nanny",
                "--no-dashboard",
                "--host",
                "127.0.0.1",
                "--name",
                str(number),
                cwd=tmp_path,
            )
            for number in range(2)
        ]
        address = json.loads(file.read_text())["address"]
        with _client(address) as client:
            client.wait_for_workers(2, timeout=60)
        yield address, started[1:]
    finally:
        for process in reversed(started):
            process.kill()
            process.wait(30)


def _client(address: str) -> Any:
    library: Any = distributed
    return library.Client(address, set_as_default=False)


def without(results: list[Result]) -> str:
    plain = [replace(one, seconds=0.0, scan=Path(one.scan).name) for one in results]
    return as_text(document(plain, QUICK))


def test_a_worker_killed_in_the_middle_changes_nothing(
    tmp_path: Path, cluster: tuple[str, list["subprocess.Popen[bytes]"]]
) -> None:
    address, workers = cluster
    files = fill(tmp_path / "scans", SCANS)
    places: list[Place] = [place_of(f"file://{file}") for file in files]
    done = 0

    def kill_one(result: Result) -> None:
        nonlocal done
        assert result.outcome == "measured", result.reason
        done += 1
        if done == SCANS // 4:
            workers[0].send_signal(signal.SIGKILL)

    far = run_many(places, QUICK, cluster=address, on_result=kill_one)
    assert workers[0].wait(10) == -signal.SIGKILL
    assert workers[1].poll() is None
    assert without(far) == without(run(files, QUICK))


def test_a_scheduler_that_is_not_there(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("volest.batch.cluster.PATIENCE_S", 1.0)
    (path,) = fill(tmp_path, 1)
    with pytest.raises(UsageError, match="no scheduler at"):
        run_many([path], QUICK, cluster="tcp://127.0.0.1:9")
