"""Many scans dealt out to an engine; none stops the rest."""

import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass, replace
from pathlib import Path

from volest.batch.find import Place
from volest.batch.workers import Engine, SizeScan, Task, TaskResult, fault_row, maker_mark
from volest.errors import UsageError
from volest.settings import Settings

_LOG = logging.getLogger(__name__)
_TRIES = 2  # a scan whose worker died is given to one more; twice is no accident


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Dealt:
    """A task that is under way: the scan as it was given, and which try this is."""

    index: int
    place: Place
    task: Task
    tries: int = 1


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
    open_tasks: dict[Future[TaskResult], _Dealt] = {}
    room = engine.room
    for index, place in enumerate(places):
        done = None if known is None else known(place)
        if done is not None:
            yield index, done
            continue
        # A path that means the same in a process that stands in another folder.
        whole = place.absolute() if isinstance(place, Path) else place
        task = Task(place=whole, settings=settings, size_scan=size_scan, keep=known is not None)
        open_tasks[engine.submit(task)] = _Dealt(index=index, place=place, task=task)
        while len(open_tasks) >= room:
            yield from _taken_in(open_tasks, engine)
    while open_tasks:
        yield from _taken_in(open_tasks, engine)


def _taken_in(
    open_tasks: "dict[Future[TaskResult], _Dealt]", engine: Engine
) -> Iterator[tuple[int, TaskResult]]:
    """Wait until a task ends; give what has ended, and what may be blameless to a worker again."""
    while not (ended := wait(open_tasks, timeout=engine.quiet_s, return_when=FIRST_COMPLETED).done):
        engine.check()
    for future in sorted(ended, key=lambda one: open_tasks[one].index):
        dealt = open_tasks.pop(future)
        fault = _fault_of(future)
        words, again = ("", False) if fault is None else engine.told(fault)
        if again and dealt.tries < _TRIES:
            _LOG.warning("%s is tried once more: %s", dealt.place, words)
            open_tasks[engine.submit(dealt.task)] = replace(dealt, tries=dealt.tries + 1)
        else:
            yield dealt.index, _row(future, dealt.place, words)


def _row(future: "Future[TaskResult]", place: Place, words: str) -> TaskResult:
    if words:
        _LOG.error("%s: %s", place, words)
        return TaskResult(result=fault_row(place, words))
    done = future.result()
    if done.maker is not None and done.maker != maker_mark():
        raise UsageError(
            "a worker with other code or libraries than this computer",
            needed="the same volest, numpy, scipy and scikit-image everywhere",
            remedy="install the same versions and start the workers again",
        )
    return replace(done, result=done.result.of_scan(str(place)))


def _fault_of(future: "Future[TaskResult]") -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as fault:  # a scheduler that went away calls its tasks off
        return fault
