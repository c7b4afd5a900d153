"""What stands at the other end of a stream: a screen that is drawn on, or a pipe or a file."""

import os
import re
from typing import TextIO

READING_WIDTH = 80  # longer lines are hard to follow at arm's length


def is_screen(stream: TextIO) -> bool:
    """Say whether a stream ends at a screen that can be drawn on."""
    return stream.isatty() and os.environ.get("TERM", "") not in {"", "dumb"}


def takes_styles(stream: TextIO) -> bool:
    """Say whether bold and colour are wanted."""
    return is_screen(stream) and not os.environ.get("NO_COLOR")


def columns(stream: TextIO) -> int | None:
    """Say how wide a stream is."""
    wanted = os.environ.get("COLUMNS", "")
    if re.fullmatch(r"[1-9][0-9]{0,3}", wanted):
        return int(wanted)
    if not stream.isatty():
        return None
    return os.get_terminal_size(stream.fileno()).columns or None
