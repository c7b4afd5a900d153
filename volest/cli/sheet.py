"""The pour sheet of `volest size`: cards are made while scans are sized, the page at the end."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from volest.cli.console import can_draw
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
