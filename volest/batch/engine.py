"""What sizes scans for a run: this process, processes beside it, or computers elsewhere."""

import logging
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import replace
from pathlib import Path
from typing import Protocol, Self

from volest.batch.limits import Limits
from volest.batch.places import Place
from volest.batch.run import SizeScan, fault_row
from volest.batch.stamp import maker_mark
from volest.batch.task import Done, Task, carry_out
from volest.errors import UsageError
from volest.settings import Settings

_TRIES = 2  # a scan whose worker died is given to one more; twice is no accident
_LOG = logging.getLogger(__name__)


class Engine(Protocol):
    """Something that carries tasks out, one after the other or many at a time."""

    @property
    def room(self) -> int:
        """How many tasks may be under way at a time: enough that no worker waits, no more."""

    def submit(self, task: Task) -> "Future[Done]":
        """Take one task.

        Parameters
        ----------
        task : Task
            The scan.

        Returns
        -------
        Future
            What will be done.
        """

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say in words what ended a task, and whether another try may help.

        Parameters
        ----------
        fault : BaseException
            What the future raised.

        Returns
        -------
        words : str
            For a person.
        again : bool
            True if the task itself may be blameless.
        """

    def __enter__(self) -> Self: ...

    def __exit__(self, *fault: object) -> None: ...


class Here:
    """Sizes scans in this process, one after the other: no start-up, no limits."""

    room = 1

    def submit(self, task: Task) -> "Future[Done]":
        """Carry one task out at once.

        Parameters
        ----------
        task : Task
            The scan.

        Returns
        -------
        Future
            Done already.
        """
        future: Future[Done] = Future()
        future.set_result(carry_out(task))
        return future

    def told(self, fault: BaseException) -> tuple[str, bool]:
        """Say what ended a task.

        Parameters
        ----------
        fault : BaseException
            What was raised.

        Returns
        -------
        words : str
            For a person.
        again : bool
            Always False.
        """
        return f"{type(fault).__name__}: {fault}", False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        return None


def carried_out(
    places: Sequence[Place],
    settings: Settings,
    engine: Engine,
    *,
    size_scan: SizeScan | None = None,
    known: Callable[[Place], Done | None] | None = None,
) -> Iterator[tuple[int, Done]]:
    """Size scans on an engine, a few at a time.

    Parameters
    ----------
    places : sequence of Path or Remote
        The scans.
    settings : Settings
        What holds for all of them.
    engine : Engine
        What sizes them; open.
    size_scan : callable, optional
        What turns a path into a result; the pipeline by default.
    known : callable, optional
        Gives what was finished earlier, or None; with it, what is finished now can be kept.

    Yields
    ------
    index : int
        Which of the places.
    done : Done
        What came of it; in the order in which they end.
    """
    open_tasks: dict[Future[Done], tuple[int, int]] = {}
    waiting: deque[tuple[int, int]] = deque()
    ahead = iter(range(len(places)))
    room = engine.room
    left = True
    while left or waiting or open_tasks:
        while len(open_tasks) < room and (waiting or left):
            if waiting:
                index, tries = waiting.popleft()
            else:
                index, tries = next(ahead, -1), 1
                if index < 0:
                    left = False
                    break
                done = None if known is None else known(places[index])
                if done is not None:
                    yield index, done
                    continue
            task = Task(
                place=_whole(places[index]),
                settings=settings,
                size_scan=size_scan,
                keep=known is not None,
            )
            open_tasks[engine.submit(task)] = (index, tries)
        ended = wait(open_tasks, return_when=FIRST_COMPLETED).done
        for future in sorted(ended, key=open_tasks.__getitem__):
            index, tries = open_tasks.pop(future)
            fault = _fault_of(future)
            words, again = ("", False) if fault is None else engine.told(fault)
            if again and tries < _TRIES:
                _LOG.warning("%s is tried once more: %s", places[index], words)
                waiting.append((index, tries + 1))
            else:
                yield index, _row(future, places[index], words)


def _row(future: "Future[Done]", place: Place, words: str) -> Done:
    if words:
        _LOG.error("%s: %s", place, words)
        return Done(result=fault_row(place, words))
    done = future.result()
    if done.maker is not None and done.maker != maker_mark():
        raise UsageError(
            "a worker with other code or libraries than this computer",
            needed="the same volest, numpy, scipy and scikit-image everywhere",
            remedy="install the same versions and start the workers again",
        )
    return replace(done, result=replace(done.result, scan=str(place)))


def _whole(place: Place) -> Place:
    """Give a place that means the same in a process that stands in another folder."""
    return place.absolute() if isinstance(place, Path) else place


def _fault_of(future: "Future[Done]") -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as fault:  # a scheduler that went away calls its tasks off
        return fault


def engine_for(
    scans: int, limits: Limits, *, cluster: str | None = None, here: bool = False
) -> Engine:
    """Choose what sizes the scans of a run.

    Parameters
    ----------
    scans : int
        Number of scans.
    limits : Limits
        What the run may take on this computer.
    cluster : str, optional
        Address of a scheduler elsewhere.
    here : bool
        Whether all must be done in this process, without limits.

    Returns
    -------
    Engine
        This process for one scan, since starting others takes longer than that; else processes
        beside it, or the scheduler's workers.
    """
    if cluster is not None:
        from volest.batch.cluster import Cluster

        return Cluster(cluster)
    alone = scans == 1 and limits == Limits()
    if here or alone:
        return Here()
    from volest.batch.pool import Pool

    return Pool(limits, scans)
