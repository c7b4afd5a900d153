"""Scans that lie under two names: whoever mixes by the list would mix for one of them twice."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from volest.batch.places import Place
from volest.batch.stamp import content_of, size_of
from volest.sheet.names import short_names

MOST_NAMED = 5  # a folder may hold hundreds


class Twins:
    """Remembers what scans held, also of those whose files have gone since."""

    def __init__(self) -> None:
        self._marks: dict[Path, str] = {}

    def take(self, scan: Path) -> list[Path]:
        """Take in a scan, new or changed.

        Parameters
        ----------
        scan : Path
            The scan.

        Returns
        -------
        list of Path
            All names of this content, in the order they came, if this one is new among them;
            empty where there is no other, and where that was told before.
        """
        content = content_of(scan)
        if content is None or content.size == 0 or self._marks.get(scan) == content.mark:
            return []
        self._marks[scan] = content.mark
        same = [one for one, mark in self._marks.items() if mark == content.mark]
        return same if len(same) > 1 else []


def same_scans(scans: Sequence[Place]) -> list[list[Path]]:
    """Find the scans of a run that hold the same, byte for byte.

    Only scans of one length are read for it. Behind addresses nothing is compared: stores mark
    the name with the content.

    Parameters
    ----------
    scans : sequence of Path or Remote
        The scans.

    Returns
    -------
    list of list of Path
        Two names or more of each content that has them, in the order of the scans.
    """
    by_size: dict[int, list[Path]] = {}
    for scan in scans:
        size = size_of(scan) if isinstance(scan, Path) else None
        if size is not None and isinstance(scan, Path):
            by_size.setdefault(size, []).append(scan)
    return [same for alike in by_size.values() if len(alike) > 1 for same in _parted(alike)]


def twin_words(same: Sequence[Path]) -> str:
    """Say which files hold one scan, and what to do.

    Parameters
    ----------
    same : sequence of Path
        Two names or more.

    Returns
    -------
    str
        One line; names made visible, and no more than five.
    """
    _, names = short_names([str(path) for path in same])
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    named = ", ".join(names[:MOST_NAMED]) + more
    return f"the same scan in {named}; mix for it once, or export the wrong one again"


def _parted(scans: Iterable[Path]) -> list[list[Path]]:
    twins, found = Twins(), dict[Path, list[Path]]()
    for scan in scans:
        same = twins.take(scan)
        if same:  # each further name brings the whole row again, from the same first one
            found[same[0]] = same
    return list(found.values())
