"""A bar on the error stream, for a run that keeps a person waiting."""

import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from volest.result import Result

_PATIENCE_S = 2.0  # a bar that flashes up and is gone tells nothing


@contextmanager
def progress(total: int, *, shown: bool) -> Iterator[Callable[["Result"], None]]:
    """Show how many of the scans are done, if a person watches and it takes long.

    Parameters
    ----------
    total : int
        Number of scans.
    shown : bool
        False keeps it silent whatever stands at the other end.

    Yields
    ------
    callable
        To be called with each result.
    """
    watched = sys.stderr.isatty() and os.environ.get("TERM", "") not in {"", "dumb"}
    if not (shown and watched):
        yield lambda _result: None
        return
    from rich.console import Console  # keeps --help quick
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeElapsedColumn  # same

    bar = Progress(
        MofNCompleteColumn(),
        BarColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task("scans", total=total)
    late = threading.Timer(_PATIENCE_S, bar.start)
    late.daemon = True
    late.start()
    try:
        yield lambda _result: bar.advance(task)
    finally:
        late.cancel()
        late.join()  # a bar that is just being started is stopped only after that
        bar.stop()
