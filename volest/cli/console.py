"""What a person and a shell see: talk, texts, a bar, and how a run is ended from outside."""

import logging
import os
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from volest.errors import visible

if TYPE_CHECKING:  # these read rich, numpy and scipy, which no --help should wait for
    from rich.progress import Progress

    from volest.result import Result

READING_WIDTH = 80  # longer lines are hard to follow at arm's length
STREAM = "-"  # as the name of a file: the output
_LINE_EVERY_S = 30.0  # a log that is read the day after
_PATIENCE_S = 2.0  # a bar that flashes up and is gone tells nothing
_LOGGER = logging.getLogger("volest")


def say(line: str) -> None:
    """Say a line to a person, with everything in it made visible that a terminal would obey."""
    click.echo(visible(line), err=True)


class _Talk(logging.Handler):
    """Says log lines."""

    def emit(self, record: logging.LogRecord) -> None:
        for line in self.format(record).splitlines():
            say(line)


_TALK = _Talk()
_TALK.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))


def set_talk(loud: bool, /) -> None:
    """Tell what volest logs, with the traces of faults, or keep it back."""
    _LOGGER.removeHandler(_TALK)
    _LOGGER.setLevel(logging.DEBUG if loud else logging.NOTSET)
    if loud:
        _LOGGER.addHandler(_TALK)


def is_screen(stream: TextIO) -> bool:
    """Say whether a stream can be drawn on: no pipe, no file, no terminal of letters only."""
    return stream.isatty() and os.environ.get("TERM", "") not in {"", "dumb"}


def columns(stream: TextIO) -> int | None:
    """Give letters a line, as COLUMNS or the terminal has it; a pipe or a file has no width."""
    wanted = os.environ.get("COLUMNS", "")
    if re.fullmatch(r"[1-9][0-9]{0,3}", wanted):
        return int(wanted)
    if not stream.isatty():
        return None
    return os.get_terminal_size(stream.fileno()).columns or None


def deliver(text: str, target: str, *, read: Iterable[Path] = ()) -> None:
    """Write a text to the output, or whole or not at all to a file, over nothing in `read`."""
    if target == STREAM:
        click.echo(text.encode(), nl=False)
        return
    from volest.storage import check_target, write_whole  # keeps --help quick

    check_target(Path(target), read)
    write_whole(Path(target), text)
    say(f"wrote {target}")


@contextmanager
def stoppable() -> Iterator[None]:
    """Take a polite request to end (SIGTERM) like the keyboard's: what is done is written."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may take signals (Python's signal module)
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def progress(
    total: int, *, shown: bool, lines: bool = False
) -> Iterator[Callable[["Result"], None]]:
    """Show a bar if a person watches and it takes long; else, with `lines`, a line now and then."""
    done, start = 0, time.monotonic()
    told = start
    with _late_bar(total) if shown and is_screen(sys.stderr) else nullcontext() as bar:

        def advance(_result: "Result") -> None:
            nonlocal done, told
            done += 1
            now = time.monotonic()
            rate, left = pace(done, total, now - start)
            if bar is not None:
                bar.update(bar.task_ids[0], advance=1, rate=rate, now="")
            elif lines and now - told >= _LINE_EVERY_S:
                told = now
                say(f"{done} of {total} scans, {rate}, {left} left")

        yield advance


@contextmanager
def _late_bar(total: int) -> Iterator["Progress"]:
    """Show a bar once it takes long, or a stage tells what it does."""
    from rich import progress as bars  # same
    from rich.console import Console  # keeps --help quick

    bar = bars.Progress(
        bars.MofNCompleteColumn(),
        bars.BarColumn(),
        bars.TimeElapsedColumn(),
        bars.TextColumn("{task.fields[rate]}"),
        bars.TextColumn("left"),
        bars.TimeRemainingColumn(),
        bars.TextColumn("{task.fields[now]}"),
        console=Console(stderr=True),
        transient=True,
    )
    bar.add_task("scans", total=total, rate="", now="")

    def tell(record: logging.LogRecord) -> bool:
        bar.update(bar.task_ids[0], now=record.getMessage())
        bar.start()
        return True

    late = threading.Timer(_PATIENCE_S, bar.start)
    late.daemon = True
    late.start()
    logger = logging.getLogger("volest.cavity.unseen")  # a stage that may take a second
    before = logger.level
    logger.addFilter(tell)
    logger.setLevel(logging.INFO)
    try:
        yield bar
    finally:
        logger.removeFilter(tell)
        logger.setLevel(before)
        late.cancel()
        late.join()  # a bar that is just being started is stopped only after that
        bar.stop()


def pace(done: int, total: int, seconds: float) -> tuple[str, str]:
    """Say how many are done a second, or a minute, and how long the rest will take like this.

    >>> pace(100, 400, 50.0), pace(5, 10, 60.0)
    (('2.0 a second', '0:02:30'), ('5.0 a minute', '0:01:00'))
    """
    rate = done / max(seconds, 1e-9)
    told = f"{rate:.1f} a second" if rate >= 1.0 else f"{60.0 * rate:.1f} a minute"
    return told, str(timedelta(seconds=round(seconds / max(done, 1) * (total - done))))
