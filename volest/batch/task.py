"""One scan as a worker is given it, and what the worker hands back."""

import time
from dataclasses import dataclass
from pathlib import Path

from volest.batch.find import Content, Place, Remote, at_hand, content_of
from volest.batch.run import SizeScan, fault_row, size_one
from volest.batch.stamp import maker_mark
from volest.result import Result
from volest.settings import Settings


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
class Done:
    """What a worker hands back: figures and words, no meshes.

    Parameters
    ----------
    result : Result
        What is said of the scan.
    content : Content or None
        What lay at the place before and after; None where it changed meanwhile or is not there,
        or nobody asked, so that the result must not be kept.
    maker : str or None
        Mark of the code that made it, where it may be another than this computer's or is kept.
    kept : bool
        Whether it comes from an earlier run.
    """

    result: Result
    content: Content | None = None
    maker: str | None = None
    kept: bool = False


def carry_out(task: Task) -> Done:
    """Size one scan; whatever it does to volest becomes a row."""
    if not task.keep:
        return Done(result=_sized(task))
    before = content_of(task.place)
    result = _sized(task)
    after = content_of(task.place)
    return Done(result=result, content=after if before == after else None, maker=maker_mark())


def _sized(task: Task) -> Result:
    if isinstance(task.place, Path):
        return size_one(task.place, task.settings, task.size_scan)
    return _sized_far(task.place, task)


def _sized_far(place: Remote, task: Task) -> Result:
    start = time.perf_counter()
    try:
        with at_hand(place) as near:
            result = size_one(near, task.settings, task.size_scan)
    except OSError as fault:
        seconds = time.perf_counter() - start
        return fault_row(place, f"the store did not give it: {fault}", seconds=seconds)
    return result.of_scan(str(place))
