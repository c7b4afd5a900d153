"""What is told of a folder beside its scans: files that are not read, scans that lie twice."""

from collections.abc import Sequence
from pathlib import Path

from volest.cli.talk import say

MOST_NAMED = 5  # of a kind; a folder may hold hundreds


def tell_passed_over(others: Sequence[Path]) -> None:
    """Name what lies beside the scans and may be one: no job drops out unseen.

    Parameters
    ----------
    others : sequence of Path
        What `volest.batch.finding.passed_over` lists.
    """
    if others:
        names = [path.name for path in others]
        more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
        say(f"not read: {', '.join(names[:MOST_NAMED])}{more}; export scans as STL or PLY, whole")


def tell_twins(groups: Sequence[Sequence[Path]]) -> None:
    """Name the files that hold one scan: the list has an amount for each of them.

    Parameters
    ----------
    groups : sequence of sequence of Path
        The names of each scan that has more than one.
    """
    from volest.batch.twins import twin_words  # keeps --help quick

    for group in groups[:MOST_NAMED]:
        say(twin_words(group))
    if len(groups) > MOST_NAMED:
        say(f"and {len(groups) - MOST_NAMED} more scans under several names")
