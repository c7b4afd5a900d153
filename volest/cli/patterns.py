"""Words of options that hold for some scans only: `[PATTERN=]WORD`."""

from collections.abc import Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING

from volest.errors import UsageError

if TYPE_CHECKING:  # it reads numpy and scipy, which no --help should wait for
    from volest.batch.places import Place


def split(text: str) -> tuple[str, str]:
    """Part a pattern from the word that holds for it.

    Parameters
    ----------
    text : str
        ``WORD`` or ``PATTERN=WORD``.

    Returns
    -------
    tuple of str
        The pattern, empty where there is none, and the word.

    Examples
    --------
    >>> split("b04*=alginate"), split("alginate")
    (('b04*', 'alginate'), ('', 'alginate'))
    """
    pattern, _, word = text.rpartition("=")
    return pattern, word


def fits(pattern: str, scan: object) -> bool:
    """Say whether a pattern is one of a scan's name.

    Parameters
    ----------
    pattern : str
        As shells have it; an empty one fits all.
    scan : object
        The scan, as it is written.

    Returns
    -------
    bool
        True where it fits.
    """
    return not pattern or fnmatchcase(Path(str(scan)).name, pattern)


def check_fits(option: str, texts: Sequence[str], scans: "Sequence[Place]") -> None:
    """Refuse a pattern that fits none of the scans.

    Parameters
    ----------
    option : str
        What the patterns were given to.
    texts : sequence of str
        ``WORD`` or ``PATTERN=WORD``.
    scans : sequence of Path or Remote
        The scans of the run.

    Raises
    ------
    UsageError
        If one fits none.
    """
    for text in texts:
        if not any(fits(split(text)[0], scan) for scan in scans):
            raise UsageError(
                f"{option} {text}, which fits no scan",
                needed="a pattern of names of scans, without their folder",
                remedy=f"write for example {option} '{Path(str(scans[0])).stem}*=...'",
            )
