"""Which way the heavy loops go: compiled by numba, or the numpy way that stands beside each.

Both give the same numbers, bit for bit, so the choice is one of time only. Loading the compiled
loops takes as long as measuring some scans without them; a process therefore begins in numpy and
changes over once it has spent that long. A single scan never pays for loading, a folder, a window
or a watch soon does, and nobody has to say which of these it is.

Compiling takes some twenty seconds, once for an installation. Nobody waits for it: the first
process that would take the loops starts one beside that compiles them, and goes on in numpy.
"""

import importlib
import logging
import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import Executor
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar

from volest.system import IS_FROZEN, cache_folder, cores, is_worker, start_apart

SWITCH = "VOLEST_COMPILED"  # environment: 'always', 'never'; anything else lets the rule decide
LOADING_S = 0.9  # importing numba and loading the loops from its cache; measured
SCAN_S = 0.15  # a scan in numpy, whatever its size; measured
MILLION_S = 0.7  # and each million triangles on top
COMPILING_S = 600.0  # one that was begun so long ago has been ended
MOST_THREADS = 4  # more wait for memory and not for processors
LEAST_TRIANGLES = 50_000  # a thread; fewer are done before another has started
ALL_THREADS = MOST_THREADS * LEAST_TRIANGLES  # of triangles that come in blocks: the least for all
_LOG = logging.getLogger(__name__)
_spent: list[float] = []  # seconds in numpy that the scans of this process take, one a scan
_modules: dict[str, ModuleType | None] = {}
Loop = TypeVar("Loop", bound=Callable[..., Any])
Part = TypeVar("Part")


def count_scan(triangles: int) -> None:
    """Take note that a scan of so many triangles is about to be measured in this process."""
    if sum(_spent) <= LOADING_S:
        _spent.append(SCAN_S + MILLION_S * triangles / 1e6)


def loops(name: str) -> ModuleType | None:
    """Return a module of compiled loops, or None where the numpy way is to be gone."""
    wanted = os.environ.get(SWITCH, "")
    if wanted == "never":
        return None
    # Asked at every loop of every scan: only until they are loaded is the disk looked at.
    is_early = sum(_spent) <= LOADING_S
    if wanted != "always" and (is_early or (name not in _modules and not is_compiled())):
        return None
    if name not in _modules:
        try:
            _modules[name] = importlib.import_module(name)
        except (ImportError, RuntimeError, OSError, AttributeError) as fault:
            _LOG.info("no compiled loops (%s); going on in numpy", fault)
            _modules[name] = None
    return _modules[name]


@cache
def compiled_mark() -> Path | None:
    """Name the file that is there once this code's loops are compiled; None without a compiler."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        compiler = version("numba")
    except PackageNotFoundError:
        return None
    sources = Path(__file__).parents[1].glob("*/*.py")
    newest = max((source.stat().st_mtime_ns for source in sources), default=0)
    python = "".join(map(str, sys.version_info[:2]))
    return cache_folder() / f"compiled-{newest}-{compiler}-{python}"


def is_compiled() -> bool:
    """Say whether the loops need not be compiled any more; else see to it, beside this process."""
    mark = compiled_mark()
    if mark is None or mark.exists():
        return True
    if IS_FROZEN:
        return False
    begun = mark.with_name(f"{mark.name}.begun")
    try:
        if not begun.exists() or time.time() - begun.stat().st_mtime > COMPILING_S:
            begun.parent.mkdir(parents=True, exist_ok=True)
            begun.touch()
            _LOG.warning("the loops are being compiled beside, once; later runs are quicker")
            start_apart("volest.compile")
    except OSError as fault:  # nowhere to keep a mark: it would be compiled again and again
        _LOG.info("loops are not compiled (%s); going on in numpy", fault)
    return False


def in_parts(work: Callable[[slice], Part], triangles: int) -> list[Part]:
    """Share a compiled loop over runs of triangles out among threads; results in their order.

    Worker processes take one thread, since others like them run beside.
    """
    parts = min(triangles // LEAST_TRIANGLES, MOST_THREADS)
    if parts > 1:  # else the system is not asked
        parts = 1 if is_worker() else min(parts, cores())
    if parts <= 1:
        return [work(slice(0, triangles))]
    ends = [triangles * k // parts for k in range(parts + 1)]
    return list(_crew(os.getpid()).map(work, [slice(*both) for both in pairwise(ends)]))


@cache
def _crew(process: int) -> Executor:
    """Keep the threads of a process, by its number: a fork inherits the pool without them."""
    from concurrent.futures import ThreadPoolExecutor

    return ThreadPoolExecutor(MOST_THREADS, thread_name_prefix=f"loops of {process}")


def compiled(loop: Loop) -> Loop:
    """Compile a loop when it is first called, and keep it for later processes where that works.

    The interpreter's lock is let go while it runs, so that `in_parts` can run it in threads.
    """
    numba = importlib.import_module("numba")
    try:
        made = numba.njit(loop, cache=True, nogil=True)
    except RuntimeError:  # nowhere to keep it: neither beside the package nor in a home folder
        made = numba.njit(loop, nogil=True)
    return made  # type: ignore[no-any-return]  # numba has no types
