"""The command `volest size`: scans in, one line each out, and files for programs."""

import os
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from volest.cli.lab_options import LabChoice, lab_options, with_lab
from volest.cli.options import BASE_HELP, measuring, settings_of
from volest.cli.progress import progress
from volest.cli.share_options import ShareChoice, check_sharing, plan_for, share_options
from volest.cli.sheet import cards, check_sheet, sheet_of
from volest.cli.talk import set_talk
from volest.errors import UsageError
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.run import SizeScan
    from volest.result import Result
    from volest.stone.plan import Plan

_DEFAULTS = Settings()
_STREAM = "-"
_HELP = f"""Read scans (STL, PLY) and say how much stone each impression takes.

A PATH is a scan or a folder; folders are searched to their depths. Each scan gets a line with its
volume up to the base line and the interval it lies in, then powder, water and scoops. Doubts and
refusals follow below, each with what to do about it.

{BASE_HELP}
\b
Examples:
  volest size monday/
  volest size case-1042.stl --base rim=-1.5
  volest size monday/ --stone type-3 --waste 10 --by scoop
  volest size monday/ --json monday.json --csv monday.csv
  volest size monday/ --json - | another-program
  volest size monday/ --lab lab.toml --second-pour 12
  volest size monday/ --share --material alginate --age 5

Exit codes: 0 all measured, 1 some refused, 2 wrong use, 3 no scan found, 4 a fault in volest.
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivery:
    """Where the results of a run go.

    Parameters
    ----------
    json_file, csv_file : str or None
        A file, '-' for the output, or None.
    quiet : bool
        Neither progress nor hints nor cautions.
    sheet_file : str or None
        A file for the pour sheet.
    """

    json_file: str | None
    csv_file: str | None
    quiet: bool
    sheet_file: str | None = None

    def files(self) -> list[Path]:
        """Give the files that will be written.

        Returns
        -------
        list of Path
            None or up to three.
        """
        named = (self.json_file, self.csv_file, self.sheet_file)
        return [Path(name) for name in named if name is not None and name != _STREAM]

    @property
    def takes_stdout(self) -> bool:
        """Whether data for a program go to the output, so that the table may not."""
        return _STREAM in (self.json_file, self.csv_file)


@click.command("size", help=_HELP)
@click.argument(
    "paths",
    nargs=-1,
    required=True,
    metavar="PATH...",
    type=click.Path(readable=False, path_type=Path),
)
@measuring
@click.option(
    "--stone",
    default=_DEFAULTS.stone,
    show_default=True,
    metavar="NAME",
    help="Stone type; `volest stones` lists them.",
)
@click.option(
    "--wp", metavar="ML", type=float, help="mL of water per 100 g of powder; else the type's usual."
)
@click.option(
    "--waste",
    default=_DEFAULTS.waste_percent,
    show_default=True,
    metavar="PERCENT",
    type=float,
    help="Share of the cavity mixed on top.",
)
@click.option(
    "--residue",
    default=_DEFAULTS.residue_ml,
    show_default=True,
    metavar="ML",
    type=float,
    help="Fixed part that stays on bowl, spatula and brush.",
)
@click.option(
    "--by",
    default=_DEFAULTS.by,
    show_default=True,
    type=click.Choice(["gram", "scoop"]),
    help="Round powder up to steps of the scale or to scoops.",
)
@lab_options
@share_options
@click.option(
    "--json", "json_file", metavar="FILE", help="Write all figures as JSON; - for the output."
)
@click.option("--csv", "csv_file", metavar="FILE", help="Write a line a scan as CSV; - likewise.")
@click.option(
    "--sheet", "sheet_file", metavar="FILE", help="Write the pour sheet: one page (HTML) to print."
)
@click.option("--quiet", is_flag=True, help="Leave out progress, hints, settings and cautions.")
@click.option("--verbose", is_flag=True, help="Tell on the error stream what is done.")
@click.pass_context
def size_command(
    ctx: click.Context,
    /,
    *,
    paths: Sequence[Path],
    stone: str,
    wp: float | None,
    waste: float,
    residue: float,
    by: str,
    choice: LabChoice,
    sharing: ShareChoice,
    json_file: str | None,
    csv_file: str | None,
    sheet_file: str | None,
    quiet: bool,
    verbose: bool,
    **options: Any,
) -> None:
    """Size the scans behind the paths; the words for a person stand in `_HELP`."""
    set_talk(verbose)
    settings = settings_of(
        **options,
        stone=stone,
        wp_ml_per_100g=wp,
        waste_percent=waste,
        residue_ml=residue,
        by=by,
    )
    settings = with_lab(ctx, settings, choice)
    check_sharing(sharing)
    delivery = Delivery(json_file=json_file, csv_file=csv_file, quiet=quiet, sheet_file=sheet_file)
    bar = not quiet and not verbose  # a bar and log lines would overwrite each other
    ctx.exit(_size(paths, settings, delivery, sharing, bar=bar, size_scan=ctx.obj))


def _size(
    paths: Sequence[Path],
    settings: Settings,
    delivery: Delivery,
    sharing: ShareChoice,
    *,
    bar: bool,
    size_scan: "SizeScan | None",
) -> int:
    from volest.batch.finding import find_scans  # keeps --help quick
    from volest.batch.run import check_settings, exit_code, run  # keeps --help quick

    check_settings(settings)
    scans = find_scans(paths)
    _check_delivery(delivery, scans)
    with progress(len(scans), shown=bar) as advance, cards(delivery.sheet_file) as maker:
        results = run(scans, settings, on_result=advance, size_scan=maker or size_scan)
        plan = plan_for(results, settings, sharing)
        sheet = "" if maker is None else sheet_of(maker, results, settings, plan)
    _deliver(results, settings, delivery, plan, sheet)
    if len(results) < len(scans):
        click.echo(f"{len(results)} of {len(scans)} scans were done", err=True)
        raise click.Abort
    return exit_code(results)


def _check_delivery(delivery: Delivery, scans: Sequence[Path]) -> None:
    from volest.sheet.target import check_target  # keeps --help quick

    check_sheet(delivery.sheet_file)
    files = delivery.files()
    twice = delivery.json_file == delivery.csv_file == _STREAM
    if twice or len({os.path.realpath(file) for file in files}) < len(files):
        raise UsageError(
            "two of --json, --csv and --sheet to one file",
            needed="two places",
            remedy="name another file for one of them",
        )
    for file in files:
        check_target(file, scans)


def _deliver(
    results: "Sequence[Result]",
    settings: Settings,
    delivery: Delivery,
    plan: "Plan | None",
    sheet: str,
) -> None:
    from volest.sheet.names import visible  # keeps --help quick
    from volest.sheet.record import as_text, document  # keeps --help quick
    from volest.sheet.spread import spread_text  # keeps --help quick
    from volest.sheet.target import write_whole  # keeps --help quick

    wanted: tuple[tuple[str | None, Callable[[], str]], ...] = (
        (delivery.json_file, lambda: as_text(document(results, settings, plan))),
        (delivery.csv_file, lambda: spread_text(results)),
        (delivery.sheet_file, lambda: sheet),
    )
    texts = [(name, write()) for name, write in wanted if name is not None]
    try:
        for name, text in texts:
            if name != _STREAM:
                write_whole(Path(name), text)
    finally:  # a disk that turns out full must not cost the work: the figures are still shown
        if not (delivery.quiet and delivery.takes_stdout):
            _show(results, settings, delivery, plan)
        for name, text in texts:
            if name == _STREAM:
                click.echo(text.encode(), nl=False)
    for file in delivery.files():
        if not delivery.quiet:
            click.echo(f"wrote {visible(str(file))}", err=True)


def _show(
    results: "Sequence[Result]", settings: Settings, delivery: Delivery, plan: "Plan | None"
) -> None:
    from volest.sheet.table import table_text  # keeps --help quick

    stream = sys.stderr if delivery.takes_stdout else sys.stdout
    text = table_text(
        results,
        settings,
        plan=plan,
        width=_columns(stream),
        styled=_takes_styles(stream),
        brief=delivery.quiet,
        encoding=stream.encoding or "utf-8",
    )
    click.echo(text, file=stream, nl=False)


def _columns(stream: TextIO) -> int | None:
    wanted = os.environ.get("COLUMNS", "")
    if re.fullmatch(r"[1-9][0-9]{0,3}", wanted):
        return int(wanted)
    if not stream.isatty():
        return None  # a pipe or a file has no width
    return os.get_terminal_size(stream.fileno()).columns or None


def _takes_styles(stream: TextIO) -> bool:
    return (
        stream.isatty()
        and os.environ.get("TERM", "") not in {"", "dumb"}
        and not os.environ.get("NO_COLOR")
    )
