"""The command `volest size`: scans in, one line each out, and files for programs."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.cli.amount_options import amounts_of_scans
from volest.cli.console import progress, say, set_talk
from volest.cli.defaults import is_from_file
from volest.cli.lab_options import LabChoice, lab_options, with_lab
from volest.cli.options import BASE_HELP, measuring, settings_of
from volest.cli.out import size_into
from volest.cli.patterns import check_fits
from volest.cli.run_options import RunChoice, place, run_options
from volest.cli.share_options import ShareChoice, check_sharing, plan_for, share_options
from volest.cli.sheet import cards, sheet_of
from volest.cli.size_files import Delivery, check_delivery, show_table, write_results
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.places import Place
    from volest.batch.run import SizeScan
    from volest.result import Result
    from volest.stone.plan import Plan

_HELP = f"""Read scans (STL, PLY) and say how much stone each impression takes.

A PATH is a scan, a folder or an address (store://folder); folders are searched to their depths.
Each scan gets a line with its volume up to the base line and the interval it lies in, then powder,
water and scoops. Doubts and refusals follow below, each with what to do about it.

With --out, every scan that is done is kept there at once. The same command again, after whatever
ended it, sizes only what is new or changed, with other settings all of it.

{BASE_HELP}
\b
Examples:
  volest size monday/
  volest size case-1042.stl --base rim=-1.5
  volest size monday/ --stone type-3 --waste 10 --by scoop
  volest size monday/ --json monday.json --csv monday.csv
  volest size monday/ --json - | another-program
  volest size monday/ --out monday-out/ --workers 8
  volest size monday/ --lab lab.toml --second-pour 12
  volest size monday/ --stone type-4 --stone-for '*-bite*=type-3'
  volest size monday/ --share --material alginate --age 5

Exit codes: 0 all measured, 1 some refused, 2 wrong use, 3 no scan found, 4 a fault in volest.
"""


@click.command("size", help=_HELP)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=place)
@measuring
@amounts_of_scans
@lab_options
@share_options
@run_options(out_needed=False)
@click.option(
    "--json", "json_file", metavar="FILE", help="Write all figures as JSON; - for the output."
)
@click.option("--csv", "csv_file", metavar="FILE", help="Write a line a scan as CSV; - likewise.")
@click.option(
    "--sheet", "sheet_file", metavar="FILE", help="Write the pour sheet: one page (HTML) to print."
)
@click.option("--dry", is_flag=True, help="Only tell what would be sized and written.")
@click.option("--quiet", is_flag=True, help="Leave out progress, hints, settings and cautions.")
@click.option("--verbose", is_flag=True, help="Tell on the error stream what is done.")
@click.pass_context
def size_command(
    ctx: click.Context,
    /,
    *,
    paths: "Sequence[Place]",
    choice: LabChoice,
    sharing: ShareChoice,
    running: RunChoice,
    json_file: str | None,
    csv_file: str | None,
    sheet_file: str | None,
    dry: bool,
    quiet: bool,
    verbose: bool,
    **options: Any,
) -> None:
    """Size the scans behind the paths; the words for a person stand in `_HELP`."""
    if verbose:
        set_talk(True)
    settings = with_lab(ctx, settings_of(**options), choice)
    running.check()
    delivery = Delivery(json_file=json_file, csv_file=csv_file, quiet=quiet, sheet_file=sheet_file)
    bar = not quiet and not verbose  # a bar and log lines would overwrite each other
    scans = _checked(paths, settings, delivery, sharing, running)
    told, twins = _told(paths), _twins(scans)
    if dry:
        from volest.cli.dry import tell_dry  # keeps --help quick

        ctx.exit(tell_dry(scans, settings, running, delivery))
    ctx.exit(
        _size(
            scans,
            settings,
            delivery,
            sharing,
            running,
            told=told,
            twins=twins,
            bar=bar,
            size_scan=ctx.obj,
        )
    )


def _checked(
    paths: "Sequence[Place]",
    settings: Settings,
    delivery: Delivery,
    sharing: ShareChoice,
    running: RunChoice,
) -> "Sequence[Place]":
    """Find the scans, and refuse what cannot be done with them before any is read."""
    from volest.batch.places import find_places  # keeps --help quick
    from volest.batch.run import check_settings  # keeps --help quick

    check_settings(settings)
    scans = find_places(paths)
    if not is_from_file("stones_for"):  # it is written for every day, and not each has such scans
        check_fits(
            "--stone-for", [f"{names}={stone}" for names, stone in settings.stones_for], scans
        )
    check_sharing(sharing, scans)
    check_delivery(delivery, scans, running)
    return scans


def _told(paths: "Sequence[Place]") -> list[str]:
    """Tell which files are not read, and keep it for the sheet."""
    from volest.batch.beside import words_of_unread  # keeps --help quick

    told = words_of_unread(paths)
    for line in told:
        say(line)
    return told


def _twins(scans: "Sequence[Place]") -> list[list[Path]]:
    """Tell which scans lie under two names, and keep it for their notes."""
    from volest.batch.beside import words_of_twins  # keeps --help quick
    from volest.batch.twins import same_scans  # keeps --help quick

    twins = same_scans(scans)
    for line in words_of_twins(twins):
        say(line)
    return twins


def _size(
    scans: "Sequence[Place]",
    settings: Settings,
    delivery: Delivery,
    sharing: ShareChoice,
    running: RunChoice,
    *,
    told: Sequence[str],
    twins: Sequence[Sequence[Path]],
    bar: bool,
    size_scan: "SizeScan | None",
) -> int:
    from volest.batch.beside import noted  # keeps --help quick
    from volest.batch.many import run_many  # keeps --help quick
    from volest.batch.run import exit_code  # keeps --help quick

    if running.out is not None:

        def show_them(results: "Sequence[Result]", plan: "Plan | None") -> None:
            show_table(results, settings, delivery, plan)

        return size_into(
            scans,
            settings,
            running,
            sharing,
            show_them,
            told=told,
            twins=twins,
            bar=bar,
            quiet=delivery.quiet,
            size_scan=size_scan,
        )
    with progress(len(scans), shown=bar) as advance, cards(delivery.sheet_file) as maker:
        results = run_many(
            scans,
            settings,
            limits=running.limits(),
            cluster=running.cluster,
            on_result=advance,
            size_scan=maker or size_scan,
            here=size_scan is not None,
        )
        results = list(noted(results, twins))
        plan = plan_for(results, settings, sharing)
        sheet = "" if maker is None else sheet_of(maker, results, settings, plan, told)
    write_results(results, settings, delivery, plan, sheet)
    done = sum(result.cavity == 1 for result in results)
    if done < len(scans):
        say(f"{done} of {len(scans)} scans were done")
        raise click.Abort
    return exit_code(results)
