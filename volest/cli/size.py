"""The command `volest size`: scans in; out come a table, files for programs, or a folder."""

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.cli.console import STREAM, columns, deliver, is_screen, progress, say, stoppable
from volest.cli.options import (
    BASE_HELP,
    Command,
    Number,
    is_from_file,
    lab_in_force,
    options_of,
    place,
    request_of,
    running,
    sizing,
    target_option,
    verbose_option,
)
from volest.errors import EXIT_MEASURED, UsageError, visible
from volest.settings import NAMED, clock_time, digits_for, fits, parse_taken, pattern_and_word

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.find import Place
    from volest.result import Result
    from volest.run import Planner, Request, Run, Target
    from volest.settings import Taken

MOST_ROWS = 200  # with --out: a longer table is not read but searched, in results.csv
KINDS = (".html", ".htm")  # what a browser opens
_DAY = ("share", "at_most", "start", "materials", "kinds", "taken", "ages")
_PATTERNS = ("stones_for", "materials", "kinds", "taken", "ages")  # what may be said by them
_HELP = f"""Read scans (STL, PLY) and say how much stone each impression takes.

A PATH is a scan, - for one on the input, a folder or an address (store://folder); folders are
searched to their depths.
Each scan gets a line with its volume up to the base line and the interval it lies in, then water,
powder and scoops; below stands what is doubted or refused, and what to do about it.

With --out, every scan that is done is kept there at once. The same command again, after whatever
ended it, sizes only what is new or changed, with other settings all of it.

{BASE_HELP}
\b
Examples:
  volest size monday/
  volest size case-1042.stl --base rim=-1.5
  volest size monday/ --stone type-3 --waste 10 --by scoop
  volest size monday/ --out monday-out/ --workers 8
  volest size monday/ --stone type-4 --stone-for '*-bite*=type-3'
  volest size monday/ --share --material alginate --taken 13:40

Exit codes: 0 all measured, 1 some refused, 2 wrong use, 3 no scan found, 4 a fault in volest.
"""


@click.command("size", cls=Command, help=_HELP)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...", type=place)
@sizing
@click.option("--share", is_flag=True, help="Plan mixes for several impressions.")
@click.option(
    "--at-most",
    type=Number(least=1, most=4, whole=True),
    metavar="N",
    help="Impressions in one mix, 1 to 4; else the lab's limit, or 3.",
)
@options_of("day")
@click.option(
    "--age", "ages", multiple=True, metavar="[PATTERN=]MIN", help="The same in minutes since then."
)
@click.option(
    "--start",
    metavar="TIME",
    help="When the first mix may begin, 14:00 or '2026-03-02 14:00'; else now.",
)
@running(out_needed=False)
@target_option("--json", "json_file", "Write all figures as JSON; - for the output.")
@target_option("--csv", "csv_file", "Write a line an impression as CSV; - likewise.")
@target_option("--sheet", "sheet_file", "Write the pour sheet: one page (HTML) to print.")
@click.option(
    "--json-lines",
    is_flag=True,
    help="Put each impression's figures out as a line of JSON as soon as they are there.",
)
@click.option("--dry", is_flag=True, help="Only tell what would be sized and written.")
@click.option(
    "-q", "--quiet", is_flag=True, help="Leave out progress, hints, settings and cautions."
)
@verbose_option
@click.pass_context
@stoppable()
def size_command(
    ctx: click.Context,
    /,
    *,
    paths: "Sequence[Place]",
    json_file: str | None,
    csv_file: str | None,
    sheet_file: str | None,
    json_lines: bool,
    dry: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Size the scans behind the paths; the words for a person stand in `_HELP`."""
    from volest.batch.find import find, follow
    from volest.report.record import as_line
    from volest.report.table import table_text, tally_of
    from volest.result import one_by_one
    from volest.run import run

    put_out: list[str] = []  # what goes to the output, so that the table may not

    def target(name: str | None) -> "Target | None":
        return None if name is None else put_out.append if name == STREAM else Path(name)

    day = {name: options.pop(name) for name in _DAY}
    request, found = request_of(size_scan=ctx.obj, **options), find(paths)
    request = replace(
        request,
        share=_planner(day),
        found=found if dry else follow(found),
        json=target(json_file),
        csv=target(csv_file),
        sheet=None if sheet_file is None else Path(sheet_file),
    )
    found = request.found
    _check_patterns(ctx.params, request, quiet=quiet)
    streams = (json_file, csv_file).count(STREAM) + json_lines
    files = _checked_files(request, streams)
    for line in (*found.doubts, *_other_labs(found.scans, request.settings.lab_file)):
        say(line)
    if dry:
        _tell_dry(request, files)
        ctx.exit(EXIT_MEASURED)
    bar = not quiet and not options["verbose"]  # a bar and log lines would overwrite each other
    lines = request.out is not None and not quiet
    request = request.drawn(None if quiet else say)
    with progress(len(found.scans), shown=bar, lines=lines) as advance:

        def put_line(result: "Result") -> None:
            for one in one_by_one([result]):
                click.echo(as_line(one))
            advance(result)

        report = run(request, put_line if json_lines else advance)
    is_long = request.out is not None and len(found.scans) > MOST_ROWS
    results = () if is_long else report.results
    _tell_booked(results, options["journal_file"])
    if not (quiet and streams):
        stream = sys.stderr if streams else sys.stdout
        text = f"{tally_of(report.outcomes, report.done)}\n"
        if not is_long:
            text = table_text(
                results,
                request.settings,
                plan=report.plan,
                width=columns(stream),
                styled=is_screen(stream) and not os.environ.get("NO_COLOR"),
                brief=quiet,
                encoding=stream.encoding or "utf-8",
            )
        click.echo(text, file=stream, nl=False)
    for text in put_out:
        deliver(text, STREAM)
    ctx.exit(_code(report, quiet=quiet))


def _tell_booked(results: "Sequence[Result]", journal_file: Path | None) -> None:
    """Tell which scans were poured already, by what the journal knows of their content."""
    if journal_file is None or not journal_file.is_file():
        return
    from volest.batch.find import content_of
    from volest.journal import BASE, Journal, cases_of

    with Journal(journal_file, new=False) as journal:
        poured = {
            (case.content, case.cavity): entry
            for entry in journal.pours()
            for case in cases_of(entry)
            if case.content is not None and case.pour != BASE
        }
    if not poured:  # reading all scans once more would tell nothing
        return
    contents = {scan: content_of(Path(scan)) for scan in {result.scan for result in results}}
    for result in results:
        content = contents[result.scan]
        entry = None if content is None else poured.get((content.mark, result.cavity))
        if entry is not None:
            day = entry.booked.partition("T")[0]
            say(f"{result.name} is booked as pour {entry.number} of {day}: poured already?")


def _other_labs(scans: "Sequence[Place]", in_force: str | None) -> list[str]:
    """Tell of scans that lie by another lab's file than the one that was found for the first."""
    if not is_from_file("lab_file"):
        return []
    folders = {scan.parent for scan in scans if isinstance(scan, Path)}
    near = (lab_in_force(folder)[0] for folder in folders)
    others = {other for other in near if other and not other.samefile(str(in_force))}
    return [f"{other} is not in force: {in_force} holds for all scans" for other in sorted(others)]


def _code(report: "Run", *, quiet: bool) -> int:
    """Tell what was written, or why not all was done; give the exit code."""
    from volest.report.table import damaged_line  # keeps --help quick

    if report.kept.damaged:
        say(damaged_line(report.kept.damaged))
    if report.failed is not None:  # only now: it must not cost the work
        raise report.failed
    if not quiet and report.reused:
        say(f"{report.reused} unchanged since an earlier run")
    for name in () if quiet else report.written:
        say(f"wrote {name}")
    if report.stopped:
        say(f"{report.done} of {len(report.found.scans)} scans were done")
        raise click.Abort
    return report.exit_code


def _planner(day: Mapping[str, Any]) -> "Planner | None":
    """Refuse materials, kinds and times that mean nothing before any scan is read."""
    if day["at_most"] is not None and not day["share"]:
        raise UsageError("--at-most without --share", needed="--share", remedy="add it")
    if not any(day.values()):
        return None
    from volest.run import Planner
    from volest.stone.reference import check_kind, pour_window
    from volest.stone.shared import this_minute

    now, start, taken = this_minute(), day["start"], [*day["taken"]]
    taken += [f"{age} min" for age in day["ages"]]
    begins = None if start is None else clock_time(start, now)
    if start is not None and begins is None:
        raise UsageError(f"start {start!r}", needed="a time", remedy="write for example 14:00")
    usual = click.get_current_context().lookup_default("taken")
    habits = () if is_from_file("taken") else usual or ()
    times = [_when(text, now, begins or now) for text in sorted(taken, key=_has_pattern)]
    for check, name in ((pour_window, "materials"), (check_kind, "kinds")):
        for text in day[name]:
            check(pattern_and_word(text)[1])
    return Planner(
        at_most=day["at_most"] if day["share"] else 1,
        materials=sorted(day["materials"], key=_has_pattern),
        kinds=sorted(day["kinds"], key=_has_pattern),
        taken=(*map(parse_taken, habits), *times),
        start=begins,
    )


def _has_pattern(text: str) -> bool:
    """Say what holds later: a pattern is meant for its scans, whatever all others have."""
    return bool(pattern_and_word(text)[0])


def _when(text: str, now: datetime, start: datetime) -> "Taken":
    """Read when something was taken; a clock that is ahead of the plan is a slip, or yesterday."""
    taken = parse_taken(text)
    at = clock_time(taken.word, start)
    if at is None and (ago := taken.at("", now)) is not None:  # before now, whenever the plan is
        return replace(taken, word=f"{ago:%Y-%m-%d %H:%M}")
    if at is not None and at > start:
        raise UsageError(
            f"--taken {text}, after the plan's start at {start:%H:%M} by this computer's clock",
            needed="a time before it",
            remedy="look whether that clock is right, or write its day where it was another: "
            f"'{start.date() - timedelta(days=1)} {taken.word}'",
        )
    return taken


def _check_patterns(params: Mapping[str, Any], request: "Request", *, quiet: bool) -> None:
    """Refuse patterns that fit no scan; tell those of a lab's file, which is for all days."""
    scans = [str(scan) for scan in request.found.scans]
    for name, said in [(one, text) for one in _PATTERNS for text in params[one]]:
        pattern, _ = pattern_and_word(digits_for(said))
        if any(fits(pattern, scan) for scan in scans):
            continue
        if not is_from_file(name):
            option = "--age" if name == "ages" else NAMED[name].flag
            raise UsageError(
                f"{option} {said}, which fits no scan",
                needed="a pattern of names of scans, without their folder",
                remedy=f"write for example {option} '{Path(scans[0]).stem}*=...'",
            )
        if len(scans) > 1 and not quiet:
            say(f"{NAMED[name].habit} {said!r} in {request.settings.lab_file} fits no scan")


def _checked_files(request: "Request", streams: int) -> list[Path]:
    """Give the files to be written; refuse those that cannot all be, before any scan is read."""
    from volest.storage import check_ending, check_target

    if request.sheet is not None:
        check_ending(request.sheet, KINDS, "a pour sheet", "--sheet")
        if request.cluster is not None:
            raise UsageError(
                "--sheet with --cluster",
                needed="a sheet of scans sized on this computer",
                remedy="leave one out",
            )
    wanted = (request.json, request.csv, request.sheet)
    files = [target for target in wanted if isinstance(target, Path)]
    if streams > 1 or len({os.path.realpath(file) for file in files}) < len(files):
        raise UsageError(
            "two of --json, --csv, --json-lines and --sheet to one place",
            needed="two places",
            remedy="name another file for one of them",
        )
    for file in files:
        check_target(file, [scan for scan in request.found.scans if isinstance(scan, Path)])
    return files


def _tell_dry(request: "Request", files: Sequence[Path]) -> None:
    """Tell which scans would be sized, how, and what would be written."""
    from volest.batch.store import KEPT, OutFolder
    from volest.report.table import made_with

    scans, out = request.found.scans, request.out
    kept: set[Place] = set()
    if isinstance(out, Path) and (out / KEPT).is_dir():  # asking must not make the folder
        with OutFolder(out, request.settings) as folder:
            kept = {scan for scan in scans if folder.known(scan) is not None}
    told = [("unchanged" if scan in kept else "to be sized", scan) for scan in scans]
    told += [("to be written", file) for file in files]
    told += [] if out is None else [("to be written into", out)]
    click.echo(made_with(request.settings))
    for what, where in told:
        click.echo(f"  {what:<18}  {visible(str(where))}")
    click.echo(f"{len(scans) - len(kept)} of {len(scans)} scans to be sized; nothing was done")
