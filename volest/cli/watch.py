"""The command `volest watch`: each scan that arrives in a folder is sized, the sheet kept up."""

import shutil
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.cli.command import Command
from volest.cli.console import READING_WIDTH, say, stoppable
from volest.cli.options import BASE_HELP, running, sizing, verbose_option
from volest.cli.size import damaged_line, drawn, request_of
from volest.errors import UsageError

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.workers import Engine
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
    from volest.report.remarks import made_with  # same
    from volest.run import opened  # same

    request = request_of(size_scan=ctx.obj, **options)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} to be watched, a file", needed="a folder", remedy="name it")
    arrivals = Arrivals(folder)
    # They are told late: what is on its way gets another name when it is whole.
    others = Arrivals(folder, find=passed_over, settle_s=EMPTY_SETTLE_S)
    request = replace(drawn(request, quiet=quiet), most_held=0)
    with opened(request) as day:
        desk = _Desk(day, folder, quiet=quiet)
        try:
            with request.engine(_FROM_A_POOL) as engine:
                if not quiet:
                    say(made_with(request.settings))
                    say(f"watching {folder}; Ctrl-C ends it")
                if not folder.exists():
                    say(f"{folder} is not there yet; it is waited for")
                for _ in wakes(folder, threading.Event(), lambda: arrivals.busy):
                    desk.take(arrivals.look(), others.look(), engine)
        except KeyboardInterrupt:
            desk.end()
        except UsageError:
            desk.write()
            raise


class _Desk:
    """Takes what arrives, tells of it, and keeps the files up to date as well as it can."""

    def __init__(self, day: "Desk", folder: Path, *, quiet: bool) -> None:
        from volest.batch.find import Twins

        self._day = day
        self._folder = folder
        self._quiet = quiet
        self._twins = Twins()
        self._scans: dict[Path, None] = {}
        self._others: dict[Path, None] = {}  # files of other kinds
        self._volumes: dict[str, str] = {}  # what was told of each scan so far
        self._stale = False
        self._told: UsageError | None = None
        self._damaged = 0

    def take(self, ready: Sequence[Path], others: Sequence[Path], engine: "Engine") -> None:
        """Size what is there, and write."""
        from volest.batch.find import Found, bring_decisions

        if ready:
            self._stale = True  # also where the work is broken off
            for line in bring_decisions([self._folder], ready):
                say(line)
            self._scans.update(dict.fromkeys(ready))
            alike = {scan: self._twins.take(scan) for scan in ready}  # at once: names may change
            self._day.size(ready, engine, self._tell)
            for scan, same in alike.items():
                self._compare(scan, same)
        if others:
            self._others.update(dict.fromkeys(others))
            for line in Found(unread=others).doubts:
                say(line)
        self._stale = self._stale or bool(others)
        self.write()

    def _compare(self, scan: Path, same: Sequence[Path]) -> None:
        """Tell of a scan that came under another name; where that is gone, it was renamed."""
        from volest.batch.find import Found

        gone = [other for other in same if other != scan and not other.exists()]
        for other in gone:
            self._twins.forget(other)
            self._scans.pop(other, None)
            say(f"{self._called(other)} is {self._called(scan)} now")
        here = [other for other in same if other not in gone]
        if len(here) > 1:
            for line in Found(twins=[here]).doubts:
                say(line)

    def write(self) -> None:
        """Write what is not written yet."""
        from volest.batch.find import Found, natural_key

        if not self._stale:
            return
        found = Found(
            scans=sorted(self._scans, key=natural_key),
            unread=[other for other in self._others if other.exists()],
            twins=self._twins.groups(),
        )
        report = self._day.write(found)
        if report.damaged != self._damaged:
            self._damaged = report.damaged
            say(damaged_line(report.damaged))
        fault = report.failed  # a disk that is full may have room in a minute
        if fault is not None and str(fault) != str(self._told):
            say(f"volest: {fault}; it is tried again")
        self._stale, self._told = fault is not None, fault

    def end(self) -> None:
        """Write once more, and raise what kept the last tables from being whole."""
        self.write()
        if self._told is not None:
            raise self._told

    def _called(self, scan: Path) -> str:
        """Name a scan as the table does: with the folders below the watched one."""
        return str(scan.relative_to(self._folder) if scan.is_relative_to(self._folder) else scan)

    def _tell(self, result: "Result") -> None:
        if self._quiet:
            return
        from volest.report.names import visible
        from volest.report.table import rows
        from volest.result import one_by_one

        settings = self._day.request.settings
        for one in one_by_one([result]):
            (row,) = rows([one], [visible(self._called(Path(one.name)))], settings.base)
            before = self._volumes.get(one.name)
            self._volumes[one.name] = "refused" if row.refused else f"{row.volume} mL"
            click.echo("\n".join(_lines(row, one, before, named=bool(settings.stones_for))))


def _lines(row: "Row", result: "Result", before: str | None, *, named: bool) -> list[str]:
    """Say of one scan what `volest size` says of it; its stone is named where there are several."""
    from volest.report.names import TIE, visible, wrapped
    from volest.stone.words import bowl_in_words, powder_in_words, water_in_words

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
