"""Computers elsewhere: the same tasks on workers of a Dask scheduler that is already running."""

import logging
from concurrent.futures import CancelledError, Future
from dataclasses import replace
from typing import Any, Self

from volest.batch.limits import one_thread
from volest.batch.stamp import maker_mark
from volest.batch.task import Done, Task, carry_out
from volest.errors import UsageError

PATIENCE_S = 30.0  # for a scheduler that does not answer
_AT_A_TIME = 4  # tasks a thread, so that none waits for the way here and back
_LOG = logging.getLogger(__name__)


class Cluster:
    """An engine of workers that a scheduler knows; use it in a `with` block.

    The scheduler gives a scan to another worker when one dies; memory is limited by the workers
    themselves. What is sent is trusted: name only a scheduler of your own.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._client = _client(address)
        self._executor = self._client.get_executor(pure=False)

    @property
    def room(self) -> int:
        """How many tasks may be under way at a time."""
        threads = sum(self._client.nthreads().values())
        return _AT_A_TIME * max(1, int(threads))

    def submit(self, task: Task) -> "Future[Done]":
        """Send one task."""
        future: Future[Done] = self._executor.submit(carry_out_there, task)
        return future

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task."""
        kind = type(fault).__name__
        if isinstance(fault, CancelledError):
            return "the scheduler called it off or went away; run the same again", False
        if kind == "KilledWorker":  # after several tries of the scheduler's own: no more of ours
            return "the workers that had it were lost one after the other; give them more", False
        return f"{kind}: {fault}", False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self._executor.shutdown(wait=False)
        self._client.close()


def carry_out_there(task: Task) -> Done:
    """Size one scan on a worker elsewhere."""
    one_thread()
    return replace(carry_out(task), maker=maker_mark())


def _client(address: str) -> Any:
    try:
        import distributed
    except ImportError as fault:
        raise UsageError(
            f"--cluster {address} and no library for it",
            needed="the extra 'cluster'",
            remedy="install it: pip install '.[cluster]'",
        ) from fault
    library: Any = distributed
    try:
        client = library.Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as fault:
        raise UsageError(
            f"no scheduler at {address} ({fault})",
            needed="the address of one that runs",
            remedy="start it: dask scheduler; it tells its address",
        ) from fault
    if not client.nthreads():
        _LOG.warning("%s has no workers yet", address)
    return client
