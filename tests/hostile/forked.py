"""Work done in a child of this warm process, under limits that the kernel holds it to.

Memory and processor time are limited by setrlimit(2), so nothing depends on how busy the machine
is; an alarm(2) ends a child that only waits, say for a pipe that nobody writes into.
"""

import os
import resource
import signal
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

MEMORY_BYTES = 400_000_000  # on top of what the warm process holds already
CPU_S = 20
WAITING_S = 120
HERE = Path()
PEAK = b"\npeak "  # what it took, after its answer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ended:
    """How a child ended: its answer, its exit code (negative: a signal), and what it took.

    Memory is the most it was given on top of what the warm process had when it was forked; 0 where
    it ended before it could say so.
    """

    answer: bytes
    code: int
    peak_bytes: int
    cpu_s: float

    @property
    def how(self) -> str:
        if self.code < 0:
            return f"ended by {signal.Signals(-self.code).name}"
        return f"exit {self.code}"


def forked(work: Callable[[], bytes], *, folder: Path = HERE, user: int | None = None) -> Ended:
    """Do some work in a child, in a folder, as another user if asked; give back its answer."""
    sys.stdout.flush()
    told, tell = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # 3.12: of forks beside threads
        child = os.fork()
    if child == 0:
        os.close(told)
        _work_and_leave(work, tell, folder, user)
    os.close(tell)
    with os.fdopen(told, "rb") as stream:
        answer, is_whole, peak = stream.read().rpartition(PEAK)
    _, status, used = os.wait4(child, 0)
    return Ended(
        answer=answer,
        code=os.waitstatus_to_exitcode(status),
        peak_bytes=int(peak) if is_whole else 0,
        cpu_s=used.ru_utime + used.ru_stime,
    )


def _work_and_leave(work: Callable[[], bytes], tell: int, folder: Path, user: int | None) -> None:
    code = 1
    try:
        os.chdir(folder)
        _limit()
        if user is not None:
            os.setgroups([])
            os.setgid(user)
            os.setuid(user)
        had = _memory_bytes("VmSize")
        rest = work()
        rest += PEAK + b"%d" % (_memory_bytes("VmPeak") - had)
        while rest:
            rest = rest[os.write(tell, rest) :]
        code = 0
    finally:
        os._exit(code)  # no clean-up of the parent's doings


def _limit() -> None:
    signal.alarm(WAITING_S)
    most = _memory_bytes("VmSize") + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 1))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _memory_bytes(which: str) -> int:
    """What this process is given, by proc(5): VmSize now, VmPeak at most."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return 1024 * int(status.partition(f"{which}:")[2].split()[0])
