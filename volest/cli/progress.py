"""A bar on the error stream, for a run that keeps a person waiting."""

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import TYPE_CHECKING

from volest.cli.talk import say
from volest.cli.terminal import is_screen

if TYPE_CHECKING:
    from rich.progress import Progress

    from volest.result import Result

_LINE_EVERY_S = 30.0  # a log that is read the day after
_PATIENCE_S = 2.0  # a bar that flashes up and is gone tells nothing


@contextmanager
def progress(
    total: int, *, shown: bool, lines: bool = False
) -> Iterator[Callable[["Result"], None]]:
    """Show how many of the scans are done, if a person watches and it takes long."""
    if not (shown and is_screen(sys.stderr)):
        yield _told_in_lines(total) if lines else lambda _result: None
        return
    bar = _drawn_bar()
    task = bar.add_task("scans", total=total, rate="")
    start = time.monotonic()
    done = 0

    def advance(_result: "Result") -> None:
        nonlocal done
        done += 1
        bar.update(task, advance=1, rate=rate_text(done, time.monotonic() - start))

    late = threading.Timer(_PATIENCE_S, bar.start)
    late.daemon = True
    late.start()
    try:
        yield advance
    finally:
        late.cancel()
        late.join()  # a bar that is just being started is stopped only after that
        bar.stop()


def _drawn_bar() -> "Progress":
    from rich.console import Console  # keeps --help quick
    from rich.progress import (  # same
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    return Progress(
        MofNCompleteColumn(),
        BarColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[rate]}"),
        TextColumn("left"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )


def rate_text(done: int, seconds: float) -> str:
    """Say how quickly scans are done.

    Examples
    --------
    >>> rate_text(30, 10.0), rate_text(5, 60.0)
    ('3.0 a second', '5.0 a minute')
    """
    rate = done / max(seconds, 1e-9)
    return f"{rate:.1f} a second" if rate >= 1.0 else f"{60.0 * rate:.1f} a minute"


def time_left_text(done: int, total: int, seconds: float) -> str:
    """Say how long the rest will take if it goes on like this.

    Examples
    --------
    >>> time_left_text(100, 400, 50.0)
    '0:02:30'
    """
    return str(timedelta(seconds=round(seconds / max(done, 1) * (total - done))))


def _told_in_lines(total: int) -> Callable[["Result"], None]:
    start = last = time.monotonic()
    done = 0

    def advance(_result: "Result") -> None:
        nonlocal done, last
        done += 1
        now = time.monotonic()
        if now - last >= _LINE_EVERY_S:
            last = now
            rate, left = rate_text(done, now - start), time_left_text(done, total, now - start)
            say(f"{done} of {total} scans, {rate}, {left} left")

    return advance
