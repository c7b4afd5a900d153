"""A polite request to end (SIGTERM) is taken like the keyboard's: what is done is written."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stoppable() -> Iterator[None]:
    """Turn SIGTERM into KeyboardInterrupt for as long as a run lasts."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may take signals (Python's signal module)
        return

    def interrupt(number: int, frame: FrameType | None) -> None:
        del number, frame
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
