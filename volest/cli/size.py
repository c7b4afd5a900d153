"""The command `volest size`: scans in; out come a table, files for programs, or a folder."""

import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, TextIO

import click

from volest.cli.console import (
    STREAM,
    can_draw,
    columns,
    deliver,
    progress,
    say,
    set_talk,
    stoppable,
    takes_styles,
)
from volest.cli.defaults import is_from_file, split
from volest.cli.options import (
    BASE_HELP,
    Number,
    check_fits,
    holds_for,
    limits_of,
    place,
    running,
    settings_of,
    sizing,
    verbose_option,
    wants_sheet,
)
from volest.errors import EXIT_MEASURED, UsageError
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.find import Place
    from volest.batch.workers import Limits, SizeScan
    from volest.result import Result
    from volest.stone.shared import Plan
    from volest.view.card import CardMaker

    PlanFor = Callable[[Sequence[Result]], Plan]

MOST_ROWS = 200  # a longer table is not read but searched: results.csv does that better
KINDS = (".html", ".htm")  # what a browser opens
LONGEST_AGE_MIN = 1e6  # two years: no impression waits so long
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
@sizing
@click.option("--share", is_flag=True, help="Plan mixes for several impressions.")
@click.option(
    "--at-most",
    type=Number(least=1, most=4, whole=True),
    metavar="N",
    help="Impressions in one mix, 1 to 4; else the lab's limit, or 3.",
)
@click.option(
    "--material",
    "materials",
    multiple=True,
    metavar="[PATTERN=]NAME",
    help="Impression material, for example b04*=alginate; its window is kept to.",
)
@click.option(
    "--age",
    "ages",
    multiple=True,
    metavar="[PATTERN=]MIN",
    help="Minutes since the impression was taken; else 0.",
)
@running(out_needed=False)
@click.option(
    "--json", "json_file", metavar="FILE", help="Write all figures as JSON; - for the output."
)
@click.option("--csv", "csv_file", metavar="FILE", help="Write a line a scan as CSV; - likewise.")
@click.option(
    "--sheet", "sheet_file", metavar="FILE", help="Write the pour sheet: one page (HTML) to print."
)
@click.option("--dry", is_flag=True, help="Only tell what would be sized and written.")
@click.option("--quiet", is_flag=True, help="Leave out progress, hints, settings and cautions.")
@verbose_option
@click.pass_context
def size_command(
    ctx: click.Context,
    /,
    *,
    paths: "Sequence[Place]",
    share: bool,
    at_most: int | None,
    materials: Sequence[str],
    ages: Sequence[str],
    out: "Place | None",
    no_sheet: bool,
    workers: int | None,
    memory_mb: int | None,
    seconds_each: float | None,
    cluster: str | None,
    json_file: str | None,
    csv_file: str | None,
    sheet_file: str | None,
    dry: bool,
    quiet: bool,
    verbose: bool,
    **options: Any,
) -> None:
    """Size the scans behind the paths; the words for a person stand in `_HELP`."""
    from volest.batch.find import find_places, same_scans, words_of_twins, words_of_unread
    from volest.batch.run import check_settings  # keeps --help quick

    if verbose:
        set_talk(True)
    settings = settings_of(**options)
    limits = limits_of(
        out=out,
        no_sheet=no_sheet,
        cluster=cluster,
        workers=workers,
        memory_mb=memory_mb,
        seconds_each=seconds_each,
    )
    check_settings(settings)
    scans = find_places(paths)
    if not is_from_file("stones_for"):  # it is written for every day, and not each has such scans
        check_fits(
            "--stone-for", [f"{names}={stone}" for names, stone in settings.stones_for], scans
        )
    plan_for = _planner(
        scans, settings, share=share, at_most=at_most, materials=materials, ages=ages
    )
    files = _checked_files(json_file, csv_file, sheet_file, scans, out=out, cluster=cluster)
    told = words_of_unread(paths)
    for line in told:
        say(line)
    twins = same_scans(scans)
    for line in words_of_twins(twins):
        say(line)
    if dry:
        _tell_dry(scans, settings, out, files)
        ctx.exit(EXIT_MEASURED)
    bar = not quiet and not verbose  # a bar and log lines would overwrite each other
    if out is not None:
        code = _size_into(
            out,
            scans,
            settings,
            sheet=wants_sheet(out, no_sheet=no_sheet, cluster=cluster),
            limits=limits,
            cluster=cluster,
            plan_for=plan_for,
            told=told,
            twins=twins,
            bar=bar,
            quiet=quiet,
            size_scan=ctx.obj,
        )
    else:
        code = _size(
            scans,
            settings,
            json_file,
            csv_file,
            sheet_file,
            files=files,
            limits=limits,
            cluster=cluster,
            plan_for=plan_for,
            told=told,
            twins=twins,
            bar=bar,
            quiet=quiet,
            size_scan=ctx.obj,
        )
    ctx.exit(code)


def _planner(
    scans: "Sequence[Place]",
    settings: Settings,
    *,
    share: bool,
    at_most: int | None,
    materials: Sequence[str],
    ages: Sequence[str],
) -> "PlanFor | None":
    """Refuse materials and ages that mean nothing before any scan is read; give what plans."""
    if not share:
        if materials or ages or at_most:
            raise UsageError(
                "--material, --age or --at-most without --share",
                needed="--share",
                remedy="add --share (with --at-most 1 for a mix each), or leave them out",
            )
        return None
    from volest.stone.reference import pour_window
    from volest.stone.shared import (
        Impression,
        plan_mixes,  # keeps --help quick
    )

    windows = [(pattern, pour_window(name)) for pattern, name in map(split, materials)]
    minutes = [(pattern, _minutes(text)) for pattern, text in map(split, ages)]
    check_fits("--material", materials, scans)
    check_fits("--age", ages, scans)
    for said in (windows, minutes):  # a pattern is meant for its scans, whatever all others have
        said.sort(key=lambda parts: bool(parts[0]))

    def plan_for(results: "Sequence[Result]") -> "Plan":
        waiting = []
        for result in results:
            if result.volume_ml is None:
                continue
            fitting = [window for names, window in windows if holds_for(names, result.scan)]
            age_min = [minute for names, minute in minutes if holds_for(names, result.scan)]
            waiting.append(
                Impression(
                    name=result.name,
                    scan=result.scan,
                    cavity=result.cavity,
                    volume_ml=result.volume_ml + result.reserve_ml,
                    window=fitting[-1] if fitting else None,
                    age_min=age_min[-1] if age_min else 0.0,
                )
            )
        return plan_mixes(waiting, settings, at_most=at_most)

    return plan_for


def _minutes(text: str) -> float:
    try:
        minutes = float(text)
    except ValueError:
        minutes = -1.0
    if not 0.0 <= minutes < LONGEST_AGE_MIN:
        raise UsageError(
            f"age {text!r}",
            needed="minutes, 0 or more",
            remedy="write for example --age 10 or --age b04*=10",
        )
    return minutes


def _checked_files(
    json_file: str | None,
    csv_file: str | None,
    sheet_file: str | None,
    scans: "Sequence[Place]",
    *,
    out: "Place | None",
    cluster: str | None,
) -> list[Path]:
    """Give the files to be written; refuse those that cannot all be, before any scan is read."""
    from volest.sheet.target import check_ending, check_target  # keeps --help quick

    if sheet_file is not None:
        check_ending(Path(sheet_file), KINDS, "a pour sheet", "--sheet")
    named = [name for name in (json_file, csv_file, sheet_file) if name is not None]
    files = [Path(name) for name in named if name != STREAM]
    if out is not None and named:
        raise UsageError(
            "--out with --json, --csv or --sheet",
            needed="one or the other",
            remedy="take the files from the folder of --out",
        )
    if cluster is not None and sheet_file is not None:
        raise UsageError(
            "--sheet with --cluster",
            needed="a sheet of scans sized on this computer",
            remedy="leave one out",
        )
    twice = json_file == csv_file == STREAM
    if twice or len({os.path.realpath(file) for file in files}) < len(files):
        raise UsageError(
            "two of --json, --csv and --sheet to one file",
            needed="two places",
            remedy="name another file for one of them",
        )
    for file in files:
        check_target(file, [scan for scan in scans if isinstance(scan, Path)])
    return files


def _tell_dry(
    scans: "Sequence[Place]", settings: Settings, out: "Place | None", files: Sequence[Path]
) -> None:
    """Tell which scans would be sized, how, and what would be written."""
    from volest.batch.store import KEPT, OutFolder
    from volest.sheet.names import visible
    from volest.sheet.remarks import made_with

    kept: set[Place] = set()
    if isinstance(out, Path) and (out / KEPT).is_dir():  # asking must not make the folder
        with OutFolder(out, settings) as folder:
            kept = {scan for scan in scans if folder.known(scan) is not None}
    told: list[tuple[str, Place]] = [
        ("unchanged" if scan in kept else "to be sized", scan) for scan in scans
    ]
    told += [("to be written", file) for file in files]
    if out is not None:
        told.append(("to be written into", out))
    click.echo(made_with(settings))
    for what, where in told:
        click.echo(f"  {what:<18}  {visible(str(where))}")
    click.echo(f"{len(scans) - len(kept)} of {len(scans)} scans to be sized; nothing was done")


def _size(
    scans: "Sequence[Place]",
    settings: Settings,
    json_file: str | None,
    csv_file: str | None,
    sheet_file: str | None,
    *,
    files: Sequence[Path],
    limits: "Limits",
    cluster: str | None,
    plan_for: "PlanFor | None",
    told: Sequence[str],
    twins: Sequence[Sequence[Path]],
    bar: bool,
    quiet: bool,
    size_scan: "SizeScan | None",
) -> int:
    """Size scans, write the files that were asked for, show the table; give the exit code."""
    from volest.batch.find import noted
    from volest.batch.run import (
        exit_code,  # keeps --help quick
        run_many,
    )
    from volest.sheet.record import as_text, document, spread_text  # keeps --help quick
    from volest.sheet.target import write_whole  # keeps --help quick

    with progress(len(scans), shown=bar) as advance, _cards(sheet_file) as maker:
        results = run_many(
            scans,
            settings,
            limits=limits,
            cluster=cluster,
            on_result=advance,
            size_scan=maker or size_scan,
            here=size_scan is not None,
        )
        results = list(noted(results, twins))
        plan = None if plan_for is None else plan_for(results)
        sheet = ""
        if maker is not None:
            from volest.view.page import sheet_text

            made = [maker.card(result) for result in results]
            sheet = sheet_text(results, made, settings, plan, told=told)
    wanted: tuple[tuple[str | None, Callable[[], str]], ...] = (
        (json_file, lambda: as_text(document(results, settings, plan))),
        (csv_file, lambda: spread_text(results, plan)),
        (sheet_file, lambda: sheet),
    )
    texts = [(name, write()) for name, write in wanted if name is not None]
    takes_output = any(name == STREAM for name, _ in texts)  # so that the table may not
    try:
        for name, text in texts:
            if name != STREAM:
                write_whole(Path(name), text)
    finally:  # a disk that turns out full must not cost the work: the figures are still shown
        if not (quiet and takes_output):
            stream = sys.stderr if takes_output else sys.stdout
            _show_table(results, settings, plan, stream=stream, quiet=quiet)
        for name, text in texts:
            if name == STREAM:
                deliver(text, name)
    if not quiet:
        for file in files:
            say(f"wrote {file}")
    done = sum(result.cavity == 1 for result in results)
    if done < len(scans):
        say(f"{done} of {len(scans)} scans were done")
        raise click.Abort
    return exit_code(results)


@contextmanager
def _cards(sheet_file: str | None) -> Iterator["CardMaker | None"]:
    """Keep cards for as long as a run lasts, if a sheet is wanted."""
    if sheet_file is None:
        yield None
        return
    from volest.view.card import CardMaker

    with TemporaryDirectory(prefix="volest-") as folder:
        yield CardMaker(Path(folder), pictures=can_draw())


def _show_table(
    results: "Sequence[Result]",
    settings: Settings,
    plan: "Plan | None",
    *,
    stream: TextIO,
    quiet: bool,
) -> None:
    from volest.sheet.table import table_text  # keeps --help quick

    text = table_text(
        results,
        settings,
        plan=plan,
        width=columns(stream),
        styled=takes_styles(stream),
        brief=quiet,
        encoding=stream.encoding or "utf-8",
    )
    click.echo(text, file=stream, nl=False)


def _size_into(
    out: "Place",
    scans: "Sequence[Place]",
    settings: Settings,
    *,
    sheet: bool,
    limits: "Limits",
    cluster: str | None,
    plan_for: "PlanFor | None",
    told: Sequence[str],
    twins: Sequence[Sequence[Path]],
    bar: bool,
    quiet: bool,
    size_scan: "SizeScan | None",
) -> int:
    """Size scans into a folder that a next run takes up again; give the exit code."""
    from volest.batch.run import worst_of
    from volest.batch.workers import FAULT, engine_for
    from volest.result import REFUSED, one_by_one
    from volest.sheet.remarks import tally_of
    from volest.view.page import day_folder

    outcomes: Counter[str] = Counter()  # counted as they come: no result has to stay in memory
    done = faults = 0
    stopped = False
    with (
        stoppable(),
        day_folder(out, settings, sheet=sheet, pictures=sheet and can_draw(quiet=quiet)) as day,
    ):
        day.out.twins = twins
        try:
            with (
                progress(len(scans), shown=bar, lines=not quiet) as advance,
                engine_for(
                    len(scans), limits, cluster=cluster, here=size_scan is not None
                ) as engine,
            ):

                def on_result(result: "Result") -> None:
                    nonlocal done, faults
                    done += 1
                    outcomes.update(one.outcome for one in one_by_one([result]))
                    faults += result.code == FAULT
                    advance(result)

                day.size(scans, engine, size_scan=size_scan, on_result=on_result)
        except KeyboardInterrupt:
            stopped = True
        few = len(scans) <= MOST_ROWS
        brief = day.brief(scans) if few or plan_for is not None else []
        plan = None if plan_for is None else plan_for(brief)
        try:
            written = day.write(scans, plan, told)
        finally:  # a disk that turns out full must not cost the work: the figures are still shown
            if few:
                _show_table(brief, settings, plan, stream=sys.stdout, quiet=quiet)
            else:
                click.echo(tally_of(outcomes, done))
        if not quiet and day.out.reused:
            say(f"{day.out.reused} unchanged since an earlier run")
        for name in () if quiet else written:
            say(f"wrote {name}")
    if stopped:
        say(f"{done} of {len(scans)} scans were done")
        raise click.Abort
    return worst_of(outcomes[REFUSED], faults)
