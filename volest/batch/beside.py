"""What is told of a folder beside its scans: files that are not read, scans that lie twice."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from volest.batch.finding import passed_over
from volest.batch.places import Place
from volest.notes import Note
from volest.result import NOTED, Result
from volest.sheet.names import short_names, visible

MOST_NAMED = 5  # of a kind; a folder may hold hundreds
_ONCE = "mix for it once, or export the wrong one again"


def noted(results: Iterable[Result], groups: Sequence[Sequence[Path]]) -> Iterator[Result]:
    """Note at each scan under which other names it lies: an amount is told for each of them."""
    same = {str(scan): group for group in groups for scan in group}
    for result in results:
        group = same.get(result.scan, ())
        others = [visible(scan.name) for scan in group if str(scan) != result.scan]
        if not others or result.mix is None:
            yield result
            continue
        text = f"the same scan, byte for byte, lies here as {_named(others)} too"
        note = Note(code="same-scan", text=text, do=_ONCE)
        yield replace(result, notes=(*result.notes, note), outcome=NOTED)


def words_of_unread(paths: Iterable[Place]) -> list[str]:
    """Name in one line, or none, what is not read in the folders of a run."""
    return words_of_others(passed_over([path for path in paths if isinstance(path, Path)]))


def words_of_others(others: Sequence[Path]) -> list[str]:
    """Name what `passed_over` lists, in one line or none: no job drops out unseen."""
    if not others:
        return []
    named = _named([visible(path.name) for path in others])
    return [f"not read: {named}; export scans as STL or PLY, whole"]


def words_of_twins(groups: Sequence[Sequence[Path]]) -> list[str]:
    """Name the files that hold one scan, a line a scan: the list has an amount for each of them."""
    lines = [
        f"the same scan in {_named(short_names([str(path) for path in same])[1])}; {_ONCE}"
        for same in groups[:MOST_NAMED]
    ]
    more = len(groups) - MOST_NAMED
    return [*lines, f"and {more} more scans under several names"] if more > 0 else lines


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
