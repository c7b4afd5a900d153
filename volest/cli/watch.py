"""The command `volest watch`: each scan that arrives in a folder is sized, the sheet kept up."""

import shutil
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.cli.command import Command
from volest.cli.console import READING_WIDTH, say, stoppable
from volest.cli.options import BASE_HELP, request_of, running, sizing, verbose_option
from volest.cli.size import drawn
from volest.errors import UsageError, visible

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.desk.day import Day
    from volest.report.table import Row
    from volest.result import Result
    from volest.run import Desk

_HELP = f"""Size each scan that arrives in a folder, and keep tables and sheet up to date.

A file is taken once it has not changed for a moment, so none is read half written; if it changes
later, or a base line is saved beside it, it is sized again. The folder may be taken away and come
back. What was sized stays on the sheet until the command ends, also if its file goes; a scan that
was renamed stands there under its new name.

Stop it with Ctrl-C; the same command takes everything up again.

{BASE_HELP}
\b
Examples:
  volest watch scans/ --out today/
  volest watch scans/ --out today/ --no-sheet --lab lab.toml

Exit codes: 0 stopped by a person or a signal, 2 wrong use, or tables that could not be written,
4 a fault in volest.
"""
_FROM_A_POOL = 1000  # scans to come; the number of workers is not to be cut down to the first ones
_NARROWEST = 20  # cells; a window that says it has less is not believed


@click.command("watch", cls=Command, help=_HELP)
@click.argument("folder", metavar="FOLDER", type=click.Path(path_type=Path))
@sizing
@running(out_needed=True)
@click.option("-q", "--quiet", is_flag=True, help="No line for each scan.")
@verbose_option
@click.pass_context
@stoppable()
def watch_command(ctx: click.Context, /, *, folder: Path, quiet: bool, **options: Any) -> None:
    """Watch a folder; the words for a person stand in `_HELP`."""
    from volest.batch.find import passed_over
    from volest.batch.watch import EMPTY_SETTLE_S, Arrivals, wakes  # same
    from volest.report.remarks import made_with, tally  # same
    from volest.run import opened  # same

    request = request_of(size_scan=ctx.obj, **options)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} to be watched, a file", needed="a folder", remedy="name it")
    arrivals = Arrivals(folder)
    # They are told late: what is on its way gets another name when it is whole.
    others = Arrivals(folder, find=passed_over, settle_s=EMPTY_SETTLE_S)
    request = replace(drawn(request, quiet=quiet), most_held=0)
    with opened(request) as day:
        desk = _told_of(day, folder, quiet=quiet)
        try:
            with request.engine(_FROM_A_POOL) as engine:
                engine.check()  # workers start now, and not when the first scan waits
                if not quiet:
                    say(made_with(request.settings))
                    say(f"watching {folder}; Ctrl-C ends it")
                if not folder.exists():
                    say(f"{folder} is not there yet; it is waited for")
                for _ in wakes(folder, threading.Event(), lambda: arrivals.busy):
                    for scan in desk.take(arrivals.look(), others.look(), engine):
                        arrivals.later(scan)
                    desk.write()
        except KeyboardInterrupt:
            desk.end()
            if not quiet:
                click.echo(tally(list(day.results(desk.found))))
        except UsageError:
            desk.write()
            raise


def _told_of(day: "Desk", folder: Path, *, quiet: bool) -> "Day":
    """Make the day that tells in the terminal what arrives."""
    from volest.desk.day import Day
    from volest.report.table import rows
    from volest.result import one_by_one

    last: dict[str, tuple[str, str | None]] = {}  # what was told of each scan, and why
    settings = day.request.settings

    def tell(result: "Result") -> None:
        for one in () if quiet else one_by_one([result]):
            (row,) = rows([one], [visible(told.called(Path(one.name)))], settings.base)
            before, reason = last.get(one.name, (None, None))
            if row.refused and reason == one.reason:  # tried in vain once more
                continue
            last[one.name] = "refused" if row.refused else f"{row.volume} mL", one.reason
            click.echo("\n".join(_lines(row, one, before, named=bool(settings.stones_for))))

    told = Day(day, folder, say=say, tell=tell)
    return told


def _lines(row: "Row", result: "Result", before: str | None, *, named: bool) -> list[str]:
    """Say of one scan what `volest size` says of it; its stone is named where there are several."""
    from volest.report.names import TIE, visible, wrapped
    from volest.stone.mix import powder_in_words, water_in_words
    from volest.stone.words import bowl_in_words

    width = max(min(shutil.get_terminal_size().columns, READING_WIDTH), _NARROWEST)
    again = "" if before is None else f"sized again (before: {before}): "
    if row.refused:
        figures = f"{' '.join(row.notes)}: {visible(result.reason or '')}"
    else:
        mix, base = result.mix, result.second_pour
        stone = f" {visible(mix.stone)}" if named and mix is not None else ""
        figures = f"{row.volume} mL, water {row.water} mL, powder {row.powder} g{stone}"
        bowl = visible(bowl_in_words(mix)) if mix is not None else ""
        figures = f"{figures}, scoops {row.scoops}" + (f", {bowl}" if bowl else "")
        if base is not None:
            figures += f", base: water {water_in_words(base)}, powder {powder_in_words(base)}"
        figures = figures.replace(" ", TIE).replace(f",{TIE}", ", ")
    lines = [wrapped(f"{row.name}  {again}{figures}", width, rest="  ")]
    for note in result.notes:
        said = f"{visible(note.code)}: {visible(note.text)}"
        lines.append(wrapped(said, width, first="  ", rest="    "))
        lines.append(wrapped(f"Do: {visible(note.do)}", width, first="    ", rest="    "))
    return lines
