"""What differs by operating system, in one place: memory, processors, locks, processes, folders.

A test holds all else to it. What a system has not is told by what is missing, and not by its name,
wherever that can be; so it can be tried on another by hiding it.
"""

import errno
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import cache
from pathlib import Path
from typing import IO, Any

try:
    import fcntl
except ImportError:  # Windows, where what is open cannot be taken away anyhow
    fcntl = None  # type: ignore[assignment]  # asked about where it is used
try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]  # asked about where it is used

BYTES_PER_MB = 1_000_000
HAS_X11 = sys.platform not in {"win32", "darwin"}  # VTK draws there by the system's own windows
IS_FROZEN = bool(getattr(sys, "frozen", False))  # packed with its Python: no other can be started
RENAMES_OPEN = os.name != "nt"  # Windows renames no file that is open
_LOOK_S = 0.1  # between two looks at one's own memory; a scan takes some 10 MB in that time
_LEAST_URGENT = 19  # of nice(1)


@cache
def cores() -> int:
    """Count the processors that this process may use."""
    import psutil

    chosen = getattr(psutil.Process(), "cpu_affinity", None)  # macOS knows no such choice
    return len(chosen()) if chosen is not None else os.cpu_count() or 1


def memory_mb() -> float:
    """Give the computer's memory, in megabytes of 1,000,000 bytes."""
    import psutil

    return float(psutil.virtual_memory().total) / BYTES_PER_MB


def limit_memory(most_mb: int) -> None:
    """Hold this process to so much memory, so that the system ends no neighbour in its place.

    Linux has ``RLIMIT_DATA`` for it (setrlimit(2): since 4.7 private writable mappings count), and
    what is too much ends in a MemoryError. Elsewhere the process looks after itself, and ends.
    """
    most = most_mb * BYTES_PER_MB
    if resource is not None and sys.platform == "linux":
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        if hard != resource.RLIM_INFINITY:
            most = min(most, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))
        return
    import psutil

    me = psutil.Process()

    def look() -> None:
        while me.memory_info().rss <= most:
            time.sleep(_LOOK_S)
        me.kill()

    threading.Thread(target=look, daemon=True).start()


def memory_limit_mb() -> int | None:
    """Say to how much memory this process is held; None where it is not."""
    if resource is None:
        return None  # type: ignore[unreachable]  # Windows
    most, _ = resource.getrlimit(resource.RLIMIT_DATA)
    return None if most == resource.RLIM_INFINITY else most // BYTES_PER_MB


def hold(file: Path) -> AbstractContextManager[Any]:
    """Hold a file for this process alone until what is given is closed, however that ends.

    Raises a BlockingIOError where another process has it.
    """
    import filelock

    lock = filelock.FileLock(file, timeout=0)
    try:
        return lock.acquire()
    except filelock.Timeout as fault:
        raise BlockingIOError(f"{file} is held by another process") from fault


def worker_context(preload: Sequence[str]) -> Any:
    """Choose how workers begin: from a fork server that has read modules once, else by themselves.

    A new one from that server is there at once; Apple's libraries do not stand such forks.
    """
    import multiprocessing

    if sys.platform == "darwin" or "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    from multiprocessing import forkserver, resource_tracker

    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(preload))
    # A worker that is just starting must not take the keyboard's signal for its own; later it
    # ignores it.
    resource_tracker.ensure_running()  # it takes such a block away when it begins
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    forkserver.ensure_running()
    signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return context


def lock_open(stream: IO[bytes], *, wait: bool) -> None:
    """Hold an open file as long as it is open; a BlockingIOError where another process has it."""
    if fcntl is not None:
        fcntl.flock(stream, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))


def sync_folder(folder: Path) -> None:
    """Put a rename on the disk: without this a power cut can take it back."""
    try:
        opened = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    except PermissionError:  # Windows; or it may be written and not be read: done in time
        return
    try:
        os.fsync(opened)
    except OSError as fault:
        if fault.errno != errno.EINVAL:  # a file system that has no such thing
            raise
    finally:
        os.close(opened)


def is_worker() -> bool:
    """Say whether another process of ours started this one, and others like it run beside."""
    import multiprocessing

    return multiprocessing.parent_process() is not None


def let_have_children() -> None:
    """Let this process start workers of its own, though another one watches over it."""
    import multiprocessing

    multiprocessing.current_process().daemon = False


def begin_program() -> None:
    """Let a packed program take the part of a worker where it was started as one.

    Workers look for modules where this program does: a numpy.py among the scans is not run.
    """
    os.environ["PYTHONSAFEPATH"] = "1"
    if IS_FROZEN:
        import multiprocessing

        multiprocessing.freeze_support()


def start_apart(module: str) -> None:
    """Run a module of ours beside this process, out of its terminal; nobody waits for it."""
    import subprocess

    nowhere = subprocess.DEVNULL
    begun = subprocess.Popen(  # noqa: S603  # our own module to our own Python
        [sys.executable, "-m", module],
        stdin=nowhere,
        stdout=nowhere,
        stderr=nowhere,
        start_new_session=True,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
    begun.returncode = 0  # else Python warns that nobody waits


def give_way() -> None:
    """Let all other processes go first."""
    import psutil

    psutil.Process().nice(getattr(psutil, "IDLE_PRIORITY_CLASS", _LEAST_URGENT))


def try_apart(
    work: Callable[..., tuple[int, str]],
    *values: object,
    variables: Mapping[str, str],
    patience_s: float,
) -> tuple[int, str, str]:
    """Try a function of ours in a process that may crash: its code, its words, and the errors.

    Values are told by their `repr`. Where it takes too long that is 1 and nothing.
    """
    if IS_FROZEN:  # there is no Python beside the program
        import multiprocessing

        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        child = context.Process(target=_answer, args=(theirs, work, values, dict(variables)))
        child.start()
        theirs.close()
        try:
            code, said = ours.recv() if ours.poll(patience_s) else (1, "")
        except EOFError:  # it crashed
            code, said = 1, ""
        child.kill()
        child.join()
        return code, said, ""
    import subprocess

    begin = f"from {work.__module__} import {work.__name__} as work"
    words = f"import sys; {begin}; code, said = work(*{values!r}); print(said); sys.exit(code)"
    try:
        ran = subprocess.run(  # noqa: S603  # our own words to our own Python
            [sys.executable, "-c", words],
            env={**os.environ, **variables},
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
            timeout=patience_s,
        )
    except subprocess.TimeoutExpired:
        return 1, "", ""
    return ran.returncode, ran.stdout, ran.stderr


def _answer(
    answers: Any,
    work: Callable[..., tuple[int, str]],
    values: Sequence[object],
    variables: Mapping[str, str],
) -> None:
    """Do in a packed program's other process what `try_apart` asks for."""
    os.environ.update(variables)
    answers.send(work(*values))


def missing_libraries(libraries: Sequence[tuple[str, str]]) -> list[str]:
    """List the packages of shared libraries, each with its package, that are not there."""
    import ctypes

    missing = []
    for name, package in libraries:
        try:
            ctypes.CDLL(name)
        except OSError:
            missing.append(package)
    return missing


def own_folder() -> Path:
    """Name the folder of what a person keeps for volest."""
    import platformdirs

    return platformdirs.user_config_path("volest", appauthor=False, roaming=True)


def cache_folder() -> Path:
    """Name the folder of what can be made anew."""
    import platformdirs

    return platformdirs.user_cache_path("volest", appauthor=False)
