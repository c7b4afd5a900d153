"""Scans that lie under two names: whoever mixes by the list would mix for one of them twice."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from volest.batch.places import Place
from volest.batch.stamp import content_of, size_of


class Twins:
    """Remembers what scans held, also of those whose files have gone since."""

    def __init__(self) -> None:
        self._marks: dict[Path, str] = {}

    def take(self, scan: Path) -> list[Path]:
        """Take in a scan, new or changed; give all its names if it has others and that is news."""
        content = content_of(scan)
        if content is None or content.size == 0 or self._marks.get(scan) == content.mark:
            return []
        self._marks[scan] = content.mark
        same = [one for one, mark in self._marks.items() if mark == content.mark]
        return same if len(same) > 1 else []

    def forget(self, scan: Path) -> None:
        """Leave a scan out from now on."""
        self._marks.pop(scan, None)

    def groups(self) -> list[list[Path]]:
        """Give the names, in the order they came, of each scan that has several."""
        named: dict[str, list[Path]] = {}
        for scan, mark in self._marks.items():
            named.setdefault(mark, []).append(scan)
        return [same for same in named.values() if len(same) > 1]


def same_scans(scans: Sequence[Place]) -> list[list[Path]]:
    """Find the scans of a run that hold the same, byte for byte.

    Only scans of one length are read for it. Behind addresses nothing is compared: stores mark
    the name with the content.
    """
    by_size: dict[int, list[Path]] = {}
    for scan in scans:
        size = size_of(scan) if isinstance(scan, Path) else None
        if size is not None and isinstance(scan, Path):
            by_size.setdefault(size, []).append(scan)
    return [same for alike in by_size.values() if len(alike) > 1 for same in _parted(alike)]


def _parted(scans: Iterable[Path]) -> list[list[Path]]:
    twins = Twins()
    for scan in scans:
        twins.take(scan)
    return twins.groups()
