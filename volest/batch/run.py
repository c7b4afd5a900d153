"""Many scans in one run, one after the other or dealt out to an engine; none stops the rest."""

import logging
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass, replace
from pathlib import Path

from volest.batch.find import Place
from volest.batch.workers import (
    FAULT,
    Done,
    Engine,
    Limits,
    SizeScan,
    Task,
    check_limits,
    engine_for,
    fault_row,
    maker_mark,
    size_one,
)
from volest.errors import EXIT_FAULT, EXIT_MEASURED, EXIT_REFUSED, UsageError
from volest.result import REFUSED, Result, one_by_one
from volest.settings import PITCH_RANGE_MM, Settings
from volest.stone.pours import first_pour, second_pour

# Any ordinary quadrant; only whether the settings make a mix at all is asked.
_TRIAL_VOLUME_ML, _TRIAL_FOOTPRINT_MM2 = 15.0, 2000.0
_LOG = logging.getLogger(__name__)
_TRIES = 2  # a scan whose worker died is given to one more; twice is no accident


def run(
    paths: Sequence[Path],
    settings: Settings,
    *,
    on_result: Callable[[Result], None] | None = None,
    size_scan: SizeScan | None = None,
) -> list[Result]:
    """Size scans one after the other; fewer results if interrupted from the keyboard."""
    check_settings(settings)
    results: list[Result] = []
    try:
        for path in paths:
            results.append(size_one(path, settings, size_scan))
            if on_result is not None:
                on_result(results[-1])
    except KeyboardInterrupt:
        _LOG.warning("interrupted after %d of %d scans", len(results), len(paths))
    return list(one_by_one(results))


def check_settings(settings: Settings) -> None:
    """Refuse a pitch, stone, water, waste or residue that cannot hold for any scan."""
    finest, coarsest = PITCH_RANGE_MM
    if not finest <= settings.pitch_mm <= coarsest:
        raise UsageError(
            f"pitch {settings.pitch_mm:g} mm",
            needed=f"{finest:g} to {coarsest:g} mm",
            remedy="leave --pitch out for the usual one",
        )
    if settings.stones_for and settings.wp_ml_per_100g is not None:
        raise UsageError(
            "one W/P ratio for several stones",
            needed="each stone's own",
            remedy="leave --wp out; a lab file can say the usual water of each stone",
        )
    for stone in settings.stones:
        first_pour(_TRIAL_VOLUME_ML, settings.with_stone(stone))
    second_pour(_TRIAL_FOOTPRINT_MM2, settings)


def exit_code(results: Sequence[Result]) -> int:
    """Say how a run ended; the worst scan decides."""
    refused = [result for result in results if result.outcome == REFUSED]
    return worst_of(len(refused), sum(result.code == FAULT for result in refused))


def worst_of(refused: int, faults: int) -> int:
    """Say how a run ended of which only the numbers are known; faults are refused scans too.

    >>> worst_of(0, 0), worst_of(2, 0), worst_of(2, 1)
    (0, 1, 4)
    """
    if faults:
        return EXIT_FAULT
    return EXIT_REFUSED if refused else EXIT_MEASURED


def run_many(
    places: Sequence[Place],
    settings: Settings,
    *,
    limits: Limits | None = None,
    cluster: str | None = None,
    on_result: Callable[[Result], None] | None = None,
    size_scan: SizeScan | None = None,
    here: bool = False,
) -> list[Result]:
    """Size scans side by side; `run` is the same one after the other, and what it is checked with.

    `on_result` is called in whatever order they end; the list has the order of the places, an
    impression each. Another process must find `size_scan` by its name. With `here` all is done in
    this process, without limits.
    """
    check_settings(settings)
    limits = limits or Limits()
    check_limits(limits)
    results: dict[int, Result] = {}
    try:
        with engine_for(len(places), limits, cluster=cluster, here=here) as engine:
            for index, done in carried_out(places, settings, engine, size_scan=size_scan):
                results[index] = done.result
                if on_result is not None:
                    on_result(done.result)
    except KeyboardInterrupt:
        _LOG.warning("interrupted after %d of %d scans", len(results), len(places))
    return list(one_by_one(results[index] for index in sorted(results)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Dealt:
    """A task that is under way: the scan as it was given, and which try this is."""

    index: int
    place: Place
    task: Task
    tries: int = 1


def carried_out(
    places: Sequence[Place],
    settings: Settings,
    engine: Engine,
    *,
    size_scan: SizeScan | None = None,
    known: Callable[[Place], Done | None] | None = None,
) -> Iterator[tuple[int, Done]]:
    """Size scans on an open engine, a few at a time; what is done comes in the order it ends.

    `known` gives what was finished earlier, or None; with it, what is finished now can be kept. A
    worker with other code than this computer raises a UsageError.
    """
    open_tasks: dict[Future[Done], _Dealt] = {}
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
    open_tasks: "dict[Future[Done], _Dealt]", engine: Engine
) -> Iterator[tuple[int, Done]]:
    """Wait until a task ends; give what has ended, and what may be blameless to a worker again."""
    ended = wait(open_tasks, return_when=FIRST_COMPLETED).done
    for future in sorted(ended, key=lambda one: open_tasks[one].index):
        dealt = open_tasks.pop(future)
        fault = _fault_of(future)
        words, again = ("", False) if fault is None else engine.told(fault)
        if again and dealt.tries < _TRIES:
            _LOG.warning("%s is tried once more: %s", dealt.place, words)
            open_tasks[engine.submit(dealt.task)] = replace(dealt, tries=dealt.tries + 1)
        else:
            yield dealt.index, _row(future, dealt.place, words)


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
    return replace(done, result=done.result.of_scan(str(place)))


def _fault_of(future: "Future[Done]") -> BaseException | None:
    try:
        return future.exception()
    except CancelledError as fault:  # a scheduler that went away calls its tasks off
        return fault
