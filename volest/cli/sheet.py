"""The pour sheet of `volest size`: cards are made while scans are sized, the page at the end."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from volest.cli.talk import say
from volest.errors import UsageError
from volest.settings import Settings

if TYPE_CHECKING:  # reads numpy and scipy, which no --help should wait for
    from volest.result import Result
    from volest.stone.plan import Plan
    from volest.view.card import CardMaker

KINDS = (".html", ".htm")  # what a browser opens


@contextmanager
def cards(sheet_file: str | None) -> Iterator["CardMaker | None"]:
    """Keep cards for as long as a run lasts, if a sheet is wanted."""
    if sheet_file is None:
        yield None
        return
    from volest.view.card import CardMaker

    with TemporaryDirectory(prefix="volest-") as folder:
        yield CardMaker(Path(folder), pictures=can_draw())


def can_draw(*, quiet: bool = False) -> bool:
    """Find out whether this computer can draw the pictures of a sheet, and say so if not."""
    from volest.view.display import refuse_blind

    try:
        refuse_blind(off_screen=True)
    except UsageError as fault:  # of use without them: its live views draw by themselves
        if not quiet:
            say(f"volest: the sheet has no pictures: {fault}")
        return False
    return True


def sheet_of(
    maker: "CardMaker",
    results: "Sequence[Result]",
    settings: Settings,
    plan: "Plan | None",
    told: Sequence[str],
) -> str:
    """Write the page."""
    from volest.view.page import sheet_text

    made = [maker.card(result) for result in results]
    return sheet_text(results, made, settings, plan, told=told)
