"""What a test needs of this machine: asked in one place; a test without it is skipped."""

import shutil
from collections.abc import Sequence
from functools import cache

import pytest

from volest.errors import UsageError
from volest.view.picture import refuse_blind

PACKAGES = {"Xvfb": "xvfb", "xdotool": "xdotool", "chromium": "chromium"}  # of Debian 12


def need_drawing(*programs: str) -> None:
    """Skip, naming every package to install, where nothing is drawn or a program is missing."""
    need(*programs, lacks=_to_draw())


def need(*programs: str, lacks: Sequence[str] = ()) -> None:
    """Skip where a program is missing, or something else is lacking."""
    lacks = [*lacks, *(PACKAGES[name] for name in programs if shutil.which(name) is None)]
    if lacks:
        pytest.skip(f"apt-get install {' '.join(lacks)}")


@cache  # refuse_blind keeps only what is well, and drawing is tried for seconds
def _to_draw() -> list[str]:
    try:
        refuse_blind(off_screen=True)
    except UsageError as blind:
        return [blind.remedy.removeprefix("apt-get install ")]
    return []
