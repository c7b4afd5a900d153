"""Processes beside this one: each is held to its share, and a lost one costs one row."""

import logging
import multiprocessing
import signal
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from typing import Any, Self

from pebble import ProcessExpired, ProcessPool

from volest.batch.limits import Limits, confine
from volest.batch.task import Done, Task, carry_out
from volest.sheet.names import visible

_PRELOADED = ["volest.pipeline", "volest.batch.task"]  # read once, not once a worker
_AHEAD = 2  # tasks a worker, so that none waits; more would only fill memory
_LOGGER = logging.getLogger("volest")


class Pool:
    """An engine of worker processes on this computer; use it in a `with` block.

    Workers come from a fork server that has read the pipeline and nothing else: neither files nor
    threads of this process are carried into them, and a new one is there at once.
    """

    def __init__(self, limits: Limits, scans: int) -> None:
        workers = limits.width(scans)
        self.room = _AHEAD * workers
        self._seconds = limits.seconds_each
        self._memory_mb = limits.memory_of_each_mb(workers)
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(_PRELOADED)
        self._pool: Any = ProcessPool(
            max_workers=workers,
            initializer=begin,
            initargs=(self._memory_mb, _LOGGER.isEnabledFor(logging.DEBUG)),
            context=context,
        )

    def submit(self, task: Task) -> "Future[Done]":
        """Give a task to the next free worker."""
        future: Future[Done] = self._pool.schedule(carry_out, args=(task,), timeout=self._seconds)
        return future

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task."""
        if isinstance(fault, FutureTimeout):
            return (
                f"it was not done after {self._seconds:g} s and was ended; "
                "allow more with --seconds-each, or export it with fewer triangles"
            ), False
        if isinstance(fault, ProcessExpired):
            return (
                f"its worker was lost ({_ending(fault.exitcode)}); "
                "allow more with --memory, or use fewer --workers"
            ), True
        if isinstance(fault, MemoryError):
            return (
                f"it needs more than the {self._memory_mb} MB of a worker; allow more with --memory"
            ), False
        return f"{type(fault).__name__}: {fault}", False

    def __enter__(self) -> Self:
        self._pool.__enter__()
        return self

    def __exit__(self, *fault: object) -> None:
        if fault[0] is None:
            self._pool.close()
        else:  # interrupted, or the run itself failed: what is under way is of no use
            self._pool.stop()
        self._pool.join()


def begin(memory_mb: int, loud: bool) -> None:
    """Start a worker; a loud one tells on the error stream what it does."""
    confine(memory_mb)
    if loud:
        handler = logging.StreamHandler()
        handler.setFormatter(_Plain("%(levelname)s %(name)s: %(message)s"))
        _LOGGER.setLevel(logging.DEBUG)
        _LOGGER.addHandler(handler)


class _Plain(logging.Formatter):
    """Makes everything odd in a line visible."""

    def format(self, record: logging.LogRecord) -> str:
        lines = super().format(record).splitlines()
        return "\n".join(visible(line) for line in lines)


def _ending(code: int | None) -> str:
    if code is not None and code < 0:
        try:
            return f"signal {signal.Signals(-code).name}"
        except ValueError:
            return f"signal {-code}"
    return f"exit code {code}"
