"""What one scan may take: processes, memory and time; and how a worker is held to it."""

import logging
import os
import resource
import signal
import sys
from dataclasses import dataclass

from volest.errors import UsageError

SECONDS_EACH = 300.0  # the largest scans that are read take a tenth of it on a plain computer
MEMORY_SHARE = 0.8  # of the computer's memory, for all workers together
LEAST_MEMORY_MB = 300  # the libraries alone take half of it
_BYTES_PER_MB = 1_000_000
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a run on this computer may take.

    Parameters
    ----------
    workers : int or None
        Scans that are sized at the same time; None takes one a processor.
    memory_mb : int or None
        Memory of each worker; None shares four fifths of the computer's among them.
    seconds_each : float
        Time for one scan; what takes longer is ended.
    """

    workers: int | None = None
    memory_mb: int | None = None
    seconds_each: float = SECONDS_EACH

    def width(self, scans: int) -> int:
        """Say how many workers a run is given: at least 1, never more than scans.

        >>> Limits(workers=8).width(3)
        3
        """
        wanted = self.workers or len(os.sched_getaffinity(0))
        return max(1, min(wanted, scans))

    def memory_of_each_mb(self, workers: int) -> int:
        """Say how much memory a worker may take, in megabytes of 1,000,000 bytes."""
        if self.memory_mb is not None:
            return self.memory_mb
        whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / _BYTES_PER_MB
        return max(LEAST_MEMORY_MB, int(MEMORY_SHARE * whole / workers))


def check_limits(limits: Limits) -> None:
    """Refuse limits under which no scan could be sized."""
    wrong: tuple[str, str] | None = None
    if limits.workers is not None and limits.workers < 1:
        wrong = (f"{limits.workers} workers", "at least 1")
    if limits.memory_mb is not None and limits.memory_mb < LEAST_MEMORY_MB:
        wrong = (f"{limits.memory_mb} MB for a worker", f"at least {LEAST_MEMORY_MB} MB")
    if not limits.seconds_each > 0.0:
        wrong = (f"{limits.seconds_each:g} s for a scan", "more than 0 s")
    if wrong is not None:
        raise UsageError(wrong[0], needed=wrong[1], remedy="leave it out for the usual one")


def confine(memory_mb: int) -> None:
    """Hold the process that calls this to its share: one thread, so much memory.

    Memory is limited as ``RLIMIT_DATA`` (Linux, setrlimit(2): since 4.7 private writable mappings
    count), so that a hungry scan ends in a MemoryError and not in the kernel killing a neighbour.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the main program ends its workers itself
    one_thread()
    most = memory_mb * _BYTES_PER_MB
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (most, hard))


def one_thread() -> None:
    """Let the libraries of this process work with one thread: the others have workers too."""
    os.environ["NUMBA_NUM_THREADS"] = "1"
    compiler = sys.modules.get("numba")
    if compiler is not None:
        compiler.set_num_threads(1)
    try:
        from threadpoolctl import threadpool_limits

        threadpool_limits(1)
    except (ImportError, OSError, RuntimeError):  # a convenience: results do not hang on it
        _LOG.info("threads could not be limited", exc_info=True)
