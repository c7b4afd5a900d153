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
    """Note at each scan under which other names it lies: an amount is told for each of them.

    Parameters
    ----------
    results : iterable of Result
        The scans of a run.
    groups : sequence of sequence of Path
        The names of each scan that has more than one.

    Yields
    ------
    Result
        In the same order, one in memory at a time.
    """
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
    """Name what is not read in the folders of a run.

    Parameters
    ----------
    paths : iterable of Path or Remote
        What a person named.

    Returns
    -------
    list of str
        One line, or none.
    """
    return words_of_others(passed_over([path for path in paths if isinstance(path, Path)]))


def words_of_others(others: Sequence[Path]) -> list[str]:
    """Name what lies beside the scans and may be one: no job drops out unseen.

    Parameters
    ----------
    others : sequence of Path
        What `volest.batch.finding.passed_over` lists.

    Returns
    -------
    list of str
        One line, or none.
    """
    if not others:
        return []
    named = _named([visible(path.name) for path in others])
    return [f"not read: {named}; export scans as STL or PLY, whole"]


def words_of_twins(groups: Sequence[Sequence[Path]]) -> list[str]:
    """Name the files that hold one scan: the list has an amount for each of them.

    Parameters
    ----------
    groups : sequence of sequence of Path
        The names of each scan that has more than one.

    Returns
    -------
    list of str
        A line a scan; those beyond five are only counted.
    """
    lines = [
        f"the same scan in {_named(short_names([str(path) for path in same])[1])}; {_ONCE}"
        for same in groups[:MOST_NAMED]
    ]
    more = len(groups) - MOST_NAMED
    return [*lines, f"and {more} more scans under several names"] if more > 0 else lines


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
