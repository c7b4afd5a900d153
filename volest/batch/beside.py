"""What is told of a folder beside its scans: files that are not read, scans that lie twice."""

from collections.abc import Sequence
from pathlib import Path

from volest.batch.finding import passed_over
from volest.batch.places import Place
from volest.batch.twins import same_scans
from volest.sheet.names import short_names, visible

MOST_NAMED = 5  # of a kind; a folder may hold hundreds


def words_beside(paths: Sequence[Place], scans: Sequence[Place]) -> list[str]:
    """Say what could mislead whoever mixes by the list of a run.

    Parameters
    ----------
    paths : sequence of Path or Remote
        What a person named.
    scans : sequence of Path or Remote
        The scans behind it.

    Returns
    -------
    list of str
        A line each, with what to do.
    """
    others = passed_over([path for path in paths if isinstance(path, Path)])
    return [*words_of_others(others), *words_of_twins(same_scans(scans))]


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
        f"the same scan in {_named(short_names([str(path) for path in same])[1])}; "
        "mix for it once, or export the wrong one again"
        for same in groups[:MOST_NAMED]
    ]
    more = len(groups) - MOST_NAMED
    return [*lines, f"and {more} more scans under several names"] if more > 0 else lines


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
