"""Where the results of `volest size` go: the table, files for programs, the sheet."""

import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from volest.cli.console import STREAM, columns, deliver, say, takes_styles
from volest.cli.run_options import RunChoice
from volest.cli.sheet import KINDS
from volest.errors import UsageError
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.places import Place
    from volest.result import Result
    from volest.stone.plan import Plan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivery:
    """Where the results of a run go."""

    json_file: str | None
    csv_file: str | None
    quiet: bool
    sheet_file: str | None = None

    def files(self) -> list[Path]:
        """Give the files that will be written."""
        named = (self.json_file, self.csv_file, self.sheet_file)
        return [Path(name) for name in named if name is not None and name != STREAM]

    @property
    def takes_stdout(self) -> bool:
        """Whether data for a program go to the output, so that the table may not."""
        return STREAM in (self.json_file, self.csv_file)


def check_delivery(delivery: Delivery, scans: "Sequence[Place]", running: RunChoice) -> None:
    """Refuse places that cannot all be written, before any scan is read."""
    from volest.sheet.target import check_ending, check_target  # keeps --help quick

    if delivery.sheet_file is not None:
        check_ending(Path(delivery.sheet_file), KINDS, "a pour sheet", "--sheet")
    files = delivery.files()
    if running.out is not None and (files or delivery.takes_stdout):
        raise UsageError(
            "--out with --json, --csv or --sheet",
            needed="one or the other",
            remedy="take the files from the folder of --out",
        )
    if running.cluster is not None and delivery.sheet_file is not None:
        raise UsageError(
            "--sheet with --cluster",
            needed="a sheet of scans sized on this computer",
            remedy="leave one out",
        )
    twice = delivery.json_file == delivery.csv_file == STREAM
    if twice or len({os.path.realpath(file) for file in files}) < len(files):
        raise UsageError(
            "two of --json, --csv and --sheet to one file",
            needed="two places",
            remedy="name another file for one of them",
        )
    for file in files:
        check_target(file, [scan for scan in scans if isinstance(scan, Path)])


def write_results(
    results: "Sequence[Result]",
    settings: Settings,
    delivery: Delivery,
    plan: "Plan | None",
    sheet: str,
) -> None:
    """Write the files, and show the table whatever becomes of them."""
    from volest.sheet.record import as_text, document  # keeps --help quick
    from volest.sheet.spread import spread_text  # keeps --help quick
    from volest.sheet.target import write_whole  # keeps --help quick

    wanted: tuple[tuple[str | None, Callable[[], str]], ...] = (
        (delivery.json_file, lambda: as_text(document(results, settings, plan))),
        (delivery.csv_file, lambda: spread_text(results, plan)),
        (delivery.sheet_file, lambda: sheet),
    )
    texts = [(name, write()) for name, write in wanted if name is not None]
    try:
        for name, text in texts:
            if name != STREAM:
                write_whole(Path(name), text)
    finally:  # a disk that turns out full must not cost the work: the figures are still shown
        if not (delivery.quiet and delivery.takes_stdout):
            show_table(results, settings, delivery, plan)
        for name, text in texts:
            if name == STREAM:
                deliver(text, name)
    for file in delivery.files():
        if not delivery.quiet:
            say(f"wrote {file}")


def show_table(
    results: "Sequence[Result]", settings: Settings, delivery: Delivery, plan: "Plan | None"
) -> None:
    """Show the table."""
    from volest.sheet.table import table_text  # keeps --help quick

    stream = sys.stderr if delivery.takes_stdout else sys.stdout
    text = table_text(
        results,
        settings,
        plan=plan,
        width=columns(stream),
        styled=takes_styles(stream),
        brief=delivery.quiet,
        encoding=stream.encoding or "utf-8",
    )
    click.echo(text, file=stream, nl=False)
