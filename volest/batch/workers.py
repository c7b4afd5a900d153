"""What sizes scans, here, in processes or elsewhere: dealt out so that none stops the rest."""

import hashlib
import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Future, wait
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from functools import cache, cached_property
from numbers import Integral, Real
from pathlib import Path
from types import TracebackType
from typing import Any

from volest import __version__
from volest.batch.find import Content, Place, at_hand, content_of
from volest.errors import MEMORY, MENDS, NETWORK, UsageError, not_ours, visible
from volest.result import REFUSED, Result, refused
from volest.settings import Settings
from volest.system import (
    BYTES_PER_MB,
    cores,
    let_have_children,
    limit_memory,
    worker_context,
)
from volest.system import memory_mb as computer_memory_mb

# What sizes a scan may give with the result what draws its cards, which may fail by itself.
SizeScan = Callable[[Path, Settings], Result | tuple[Result, Callable[[], str]]]
FAULT = "fault"  # the code of a scan that volest itself failed on
_LOG = logging.getLogger(__name__)
_TRIES = 2  # a scan whose worker died is given to one more; twice is no accident
# The rooms and modules that a result and its card are made in, and libraries whose figures go in.
MAKERS = (
    *("scan", "cavity", "stone", "report", "view", "batch/workers.py", "pipeline.py", "dosing.py"),
    *("result.py", "settings.py", "lab.py", "notes.py", "errors.py", "storage.py", "system.py"),
)
_LIBRARIES = ("numpy", "scipy")
SECONDS_EACH = 300.0  # the largest scans that are read take a tenth of it on a plain computer
MEMORY_SHARE = 0.8  # of the computer's memory, for all workers together
LEAST_MEMORY_MB = 300  # the libraries alone take half of it
# Read once, not once a worker.
_PRELOADED = ("volest.pipeline", "volest.batch.workers", "scipy.spatial")
_AHEAD = 2  # tasks a worker, so that none waits; more would only fill memory
_LOGGER = logging.getLogger("volest")
PATIENCE_S = 30.0  # for a scheduler that does not answer
_LEAVE_S = 2.0  # to say good-bye to it
_ONE_CREW = threading.Lock()
_AT_A_TIME = 4  # tasks a thread, so that none waits for the way here and back


@cache
def maker_mark() -> str:
    """Give a mark of all that makes results: volest's version, its code, its libraries.

    All of that code is read, once a process: ask only where a result is kept or made elsewhere.
    """
    from importlib import metadata

    digest = hashlib.sha256(__version__.encode())
    for library in _LIBRARIES:
        digest.update(f"\n{library} {metadata.version(library)}".encode())
    top = Path(__file__).parents[1]
    for maker in (top / name for name in MAKERS):
        for file in [maker] if maker.is_file() else sorted(maker.rglob("*.py")):
            digest.update(f"\n{file.name}\n".encode() + file.read_bytes())
    return digest.hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """One scan to be sized in whatever process, which must find `size_scan` by its name.

    With `keep`, what the result rests on must be known by its content.
    """

    place: Place
    settings: Settings
    size_scan: SizeScan | None = None
    keep: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaskResult:
    """What a worker hands back: figures and words, no meshes."""

    result: Result
    content: Content | None = None  # lay there before and after; None: not to be kept
    maker: str | None = None  # mark of the code that made it, where it may be another's or is kept
    kept: bool = False  # it comes from an earlier run
    card: str | None = None  # of all its impressions, for a sheet


def carry_out(task: Task) -> TaskResult:
    """Size one scan; whatever it does to volest becomes a row."""
    before = content_of(task.place) if task.keep else None
    done = size_one(task.place, task.settings, task.size_scan)
    if not task.keep:
        return done
    after = content_of(task.place)
    return replace(done, content=after if before == after else None, maker=maker_mark())


def size_one(place: Place, settings: Settings, size_scan: SizeScan | None = None) -> TaskResult:
    """Size one scan so that nothing it does stops the others: a row where it or volest failed."""
    if size_scan is None:  # reads numpy and scipy, so not before a scan is there to be sized
        from volest import pipeline

        size_scan = pipeline.size_scan
    start, name = time.perf_counter(), str(place)
    try:
        with at_hand(place) as near:
            made = size_scan(near, settings)
    except Exception as fault:  # noqa: BLE001  # the one place where a batch must go on
        # The edge of the batch: whatever one scan does to volest, the others are still sized.
        seconds = time.perf_counter() - start
        told = not_ours(fault)
        if told is not None:
            _LOG.info("%s is refused: %s", name, told, exc_info=told is not fault)
            return TaskResult(result=refused(name, told).taking(seconds))
        _LOG.exception("%s brought volest down", name)
        what = f"{type(fault).__name__}: {fault}; run it again with --verbose and tell us"
        return TaskResult(result=fault_row(name, what).taking(seconds))
    result, draw = (made, None) if isinstance(made, Result) else made
    card = None
    try:
        card = None if draw is None else draw()
    except Exception:  # noqa: BLE001  # a card that cannot be drawn costs no figure
        _LOG.exception("%s gets no card", name)
    return TaskResult(result=result.of_scan(name), card=card)


def fault_row(scan: object, what: str) -> Result:
    """Make the row of a scan that volest, its worker or the computer failed on, and what to do."""
    reason = f"fault in volest: {what}"
    return Result(scan=str(scan), outcome=REFUSED, seconds=0.0, reason=reason, code=FAULT)


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
        return int(max(1, min(self.workers or cores(), scans)))


def check_limits(limits: Limits) -> None:
    """Refuse limits under which no scan could be sized."""
    least = f"at least {LEAST_MEMORY_MB} MB"
    for name, kind, above, found, needed in (
        ("workers", Integral, 0, "{} workers", "at least 1"),
        ("memory_mb", Integral, LEAST_MEMORY_MB - 1, "{} MB for a worker", least),
        ("seconds_each", Real, 0.0, "{:g} s for a scan", "more than 0 s"),
    ):
        value: Any = getattr(limits, name)
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, kind):
            number = "a number" if kind is Real else "a whole number"
            remedy = "write one, or leave it out"
            raise UsageError(f"{name} {value!r}", needed=number, remedy=remedy)
        if not value > above:  # type: ignore[operator]  # any real number, however large
            remedy = "leave it out for the usual one"
            raise UsageError(found.format(value), needed=needed, remedy=remedy)


class Engine(ExitStack):
    """What carries tasks out; this one in this process, one after the other, without limits.

    Use it in a `with` block.
    """

    room = 1  # tasks under way at a time: enough that no worker waits, no more
    quiet_s: float | None = None  # without news after which it is checked

    def submit(self, task: Task) -> "Future[TaskResult]":
        """Take one task."""
        future: Future[TaskResult] = Future()
        future.set_result(carry_out(task))
        return future

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task, and whether it may be blameless and tried again."""
        return f"{type(fault).__name__}: {fault}", False

    def check(self) -> None:
        """Raise a UsageError where what does the work is there no more."""


class Pool(Engine):
    """Worker processes on this computer.

    Neither files nor threads of this process are carried into them.
    """

    def __init__(self, limits: Limits, scans: int) -> None:
        super().__init__()
        self._workers = limits.width(scans)
        self.room = _AHEAD * self._workers
        self._seconds = limits.seconds_each
        each_mb = int(MEMORY_SHARE * computer_memory_mb() / self._workers)
        self._memory_mb = int(limits.memory_mb or max(LEAST_MEMORY_MB, each_mb))

    @cached_property
    def _pool(self) -> Any:
        """The workers, when there is something to do: an unchanged folder needs none."""
        from pebble import ProcessPool

        pool: Any = ProcessPool(
            max_workers=self._workers,
            initializer=begin,
            initargs=(self._memory_mb, _LOGGER.isEnabledFor(logging.DEBUG)),
            context=worker_context(_PRELOADED),
        )

        def end(kind: object, *_: object) -> None:
            # Interrupted, or the run itself failed: what is under way is of no use.
            (pool.close if kind is None else pool.stop)()
            pool.join()

        self.push(end)
        return pool

    def submit(self, task: Task) -> "Future[TaskResult]":
        """Give a task to the next free worker."""
        try:
            return self._pool.schedule(carry_out, args=(task,), timeout=self._seconds)  # type: ignore[no-any-return]  # pebble's
        except RuntimeError as fault:  # the library gives up where a worker cannot be started
            raise _NO_WORKERS from fault

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task; a worker that was lost may be no fault of its scan."""
        from pebble import ProcessExpired

        if isinstance(fault, BrokenExecutor):
            raise _NO_WORKERS from fault
        if isinstance(fault, FutureTimeout):
            words = f"it was not done after {self._seconds:g} s and was ended; allow more with"
            return f"{words} --seconds-each, or export it with fewer triangles", False
        if isinstance(fault, ProcessExpired):
            code = fault.exitcode or 0
            name = {one.value: one.name for one in signal.Signals}.get(-code, -code)
            ended = f"signal {name}" if code < 0 else f"exit code {fault.exitcode}"
            words = f"its worker was lost ({ended}); allow more with --memory"
            return f"{words}, or use fewer --workers", True
        if isinstance(fault, MemoryError):
            words = f"it needs more than the {self._memory_mb} MB of a worker"
            return f"{words}; allow more with --memory", False
        return super().told(fault)

    def check(self) -> None:
        """Start the workers, if that is to do; lost ones are told by the tasks that they had."""
        _ = self._pool.active


def begin(memory_mb: int, loud: bool) -> None:
    """Start a worker, held to its share of memory; a loud one tells on the error stream."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the main program ends its workers itself
    # The libraries work with one thread: the other processors have workers too.
    os.environ["NUMBA_NUM_THREADS"] = "1"
    if compiler := sys.modules.get("numba"):
        compiler.set_num_threads(1)
    try:
        from threadpoolctl import threadpool_limits

        threadpool_limits(1)
    except (ImportError, OSError, RuntimeError):  # a convenience: results do not hang on it
        _LOG.info("threads could not be limited", exc_info=True)
    limit_memory(memory_mb)
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


def _hush(kind: type[BaseException], fault: BaseException, trace: TracebackType | None) -> None:
    """Keep the process that workers are forked from quiet.

    A worker that is just starting when the run ends finds what it was to share with it gone, which
    Python would tell in a trace; whoever stopped the run has no use for that.
    """
    if not issubclass(kind, OSError | EOFError):
        sys.__excepthook__(kind, fault, trace)


if any("multiprocessing.forkserver" in word for word in sys.orig_argv):
    sys.excepthook = _hush


class Cluster(Engine):
    """Workers that a scheduler knows.

    The scheduler gives a scan to another worker when one dies; each worker sizes scans in processes
    of its own, under limits. What is sent is trusted: name only a scheduler of your own.
    """

    quiet_s = 5.0

    def __init__(self, address: str, seconds_each: float = SECONDS_EACH) -> None:
        super().__init__()
        self.address = address
        self._seconds = seconds_each
        try:
            import distributed

            library: Any = distributed
            self._client = library.Client(address, timeout=PATIENCE_S, set_as_default=False)
        except ImportError as fault:
            raise UsageError(
                f"--cluster {address} and no library for it",
                needed="the extra 'cluster'",
                remedy="install it: pip install '.[cluster]'",
            ) from fault
        except (OSError, ValueError) as fault:
            raise UsageError(
                f"no scheduler at {address} ({fault})",
                needed="the address of one that runs",
                remedy="start it: dask scheduler; it tells its address",
            ) from fault
        if not self._client.nthreads():
            _LOG.warning("%s has no workers yet", address)
        self._executor = self._client.get_executor(pure=False)
        self.callback(self._leave)

    @property
    def room(self) -> int:  # type: ignore[override]  # it grows with the workers
        """How many tasks may be under way at a time."""
        threads: int = sum(self._asked(self._client.scheduler.ncores).values())
        return _AT_A_TIME * max(1, threads)

    def submit(self, task: Task) -> "Future[TaskResult]":
        """Send one task."""
        return self._executor.submit(carry_out_there, task, self._seconds)  # type: ignore[no-any-return]  # the library's

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task."""
        if isinstance(fault, CancelledError):
            self.check()
            return "the scheduler called it off; run the same again", False
        if type(fault).__name__ == "KilledWorker":  # after several tries of the scheduler's own
            return "the workers that had it were lost one after the other; give them more", False
        return super().told(fault)

    def check(self) -> None:
        """Raise a UsageError where the scheduler does not answer."""
        self._asked(self._client.scheduler.identity)

    def _asked(self, question: Any) -> Any:
        try:
            return self._client.sync(question, callback_timeout=PATIENCE_S)
        except (OSError, RuntimeError) as fault:  # RuntimeError: the library gave up before us
            raise UsageError(
                f"a scheduler at {self.address} that does not answer, for {PATIENCE_S:g} s",
                needed="one that runs until all is done",
                remedy="see to it and run the same command again; with --out it goes on from here",
                code=NETWORK,
            ) from fault

    def _leave(self) -> None:
        with suppress(OSError, RuntimeError):  # whoever does not answer cannot be told
            self._client.close(timeout=_LEAVE_S)


_NO_WORKERS = UsageError(
    "a computer that starts no more workers",
    needed="room for their processes",
    remedy=f"{MENDS[MEMORY]}, and run the same command again; with --out it goes on from here",
    code=MEMORY,
)


def run_tasks(
    places: Sequence[Place],
    settings: Settings,
    engine: Engine,
    *,
    size_scan: SizeScan | None = None,
    known: Callable[[Place], TaskResult | None] | None = None,
) -> Iterator[tuple[int, TaskResult]]:
    """Size scans on an open engine, a few at a time; what is done comes in the order it ends.

    `known` gives what was finished earlier, or None; with it, what is finished now can be kept. A
    worker with other code than this computer raises a UsageError.
    """
    # By their futures: the number of a scan, the scan as it was given, its task, which try this is.
    open_tasks: dict[Future[TaskResult], tuple[int, Place, Task, int]] = {}
    room = engine.room
    for index, place in enumerate(places):
        done = None if known is None else known(place)
        if done is not None:
            yield index, done
            continue
        # A path that means the same in a process that stands in another folder.
        whole = place.absolute() if isinstance(place, Path) else place
        task = Task(place=whole, settings=settings, size_scan=size_scan, keep=known is not None)
        open_tasks[engine.submit(task)] = index, place, task, 1
        while len(open_tasks) >= room:
            yield from _taken_in(open_tasks, engine)
    while open_tasks:
        yield from _taken_in(open_tasks, engine)


def _taken_in(
    open_tasks: "dict[Future[TaskResult], tuple[int, Place, Task, int]]", engine: Engine
) -> Iterator[tuple[int, TaskResult]]:
    """Wait until a task ends; give what has ended, and what may be blameless to a worker again."""
    while not (ended := wait(open_tasks, timeout=engine.quiet_s, return_when=FIRST_COMPLETED).done):
        engine.check()
    for future in sorted(ended, key=lambda one: open_tasks[one][0]):
        index, place, task, tries = open_tasks.pop(future)
        try:
            fault = future.exception()
        except CancelledError as called_off:  # by a scheduler that went away
            fault = called_off
        if fault is not None:
            words, again = engine.told(fault)
            if again and tries < _TRIES:
                _LOG.warning("%s is tried once more: %s", place, words)
                open_tasks[engine.submit(task)] = index, place, task, tries + 1
            else:
                _LOG.error("%s: %s", place, words)
                yield index, TaskResult(result=fault_row(place, words))
            continue
        done = future.result()
        if done.maker is not None and done.maker != maker_mark():
            raise UsageError(
                "a worker with other code or libraries than this computer",
                needed="the same volest, numpy and scipy everywhere",
                remedy="install the same versions and start the workers again",
            )
        yield index, replace(done, result=done.result.of_scan(str(place)))


def carry_out_there(task: Task, seconds: float) -> TaskResult:
    """Size one scan on a worker elsewhere, in a process that can be ended."""
    with _ONE_CREW:
        crew = _crew(seconds)
    known = (lambda _: None) if task.keep else None  # nothing yet, and it is to be kept
    ((_, done),) = run_tasks(
        [task.place], task.settings, crew, size_scan=task.size_scan, known=known
    )
    return replace(done, maker=maker_mark())


@cache
def _crew(seconds: float) -> Pool:
    """Keep the processes of a scheduler's worker, as many as it has threads, in its memory."""
    import distributed

    library: Any = distributed
    worker = library.get_worker()
    threads = int(worker.state.nthreads)
    held = worker.memory_manager.memory_limit
    each = None if not held else max(LEAST_MEMORY_MB, int(held / threads / BYTES_PER_MB))
    let_have_children()
    return Pool(Limits(workers=threads, memory_mb=each, seconds_each=seconds), threads)
