"""A scheduler and workers on this computer, for as long as a measurement or a test lasts."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import distributed

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0


class Running(str):
    """The address of a scheduler, and the workers that were started for it."""

    scheduler: "subprocess.Popen[bytes]"
    workers: list["subprocess.Popen[bytes]"]


@contextmanager
def cluster_of(workers: int, folder: Path) -> Iterator[Running]:
    """Start a scheduler with so many workers, one thread each."""
    file = folder / f"scheduler-{workers}.json"
    known = ["--scheduler-file", str(file)]
    started = [_start("scheduler", folder, *known, "--port", "0", "--no-jupyter")]
    try:
        end = time.monotonic() + PATIENCE_S
        while not file.exists() and time.monotonic() < end:
            time.sleep(0.1)
        started += [
            _start("worker", folder, *known, "--nthreads", "1", "--no-nanny", "--name", str(number))
            for number in range(workers)
        ]
        running = Running(json.loads(file.read_text())["address"])
        running.scheduler, running.workers = started[0], started[1:]
        library: Any = distributed
        with library.Client(running, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=PATIENCE_S)
        yield running
    finally:
        for process in reversed(started):
            process.kill()
            process.wait(30)


def _start(kind: str, folder: Path, *words: str) -> "subprocess.Popen[bytes]":
    words = (*words, "--host", "127.0.0.1", "--no-dashboard")
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{kind}", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
