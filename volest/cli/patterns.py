"""Words of options that hold for some scans only: `[PATTERN=]WORD`."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from volest.errors import UsageError
from volest.settings import fits

if TYPE_CHECKING:  # it reads numpy and scipy, which no --help should wait for
    from volest.batch.places import Place


def split(text: str) -> tuple[str, str]:
    """Part a pattern from the word that holds for it."""
    pattern, _, word = text.rpartition("=")
    return pattern, word


def holds_for(pattern: str, scan: str) -> bool:
    """Say whether a word holds for a scan."""
    return not pattern or fits(pattern, scan)


def check_fits(option: str, texts: Sequence[str], scans: "Sequence[Place]") -> None:
    """Refuse a pattern that fits none of the scans."""
    for text in texts:
        if not any(holds_for(split(text)[0], str(scan)) for scan in scans):
            raise UsageError(
                f"{option} {text}, which fits no scan",
                needed="a pattern of names of scans, without their folder",
                remedy=f"write for example {option} '{Path(str(scans[0])).stem}*=...'",
            )
