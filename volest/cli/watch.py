"""The commands `volest watch` and `volest desk`: a folder is kept up to date, told or on a page."""

import shutil
import threading
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.cli.console import READING_WIDTH, say, stoppable
from volest.cli.options import (
    BASE_HELP,
    Command,
    Number,
    request_of,
    running,
    sizing,
    verbose_option,
)
from volest.errors import UsageError, visible

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.result import Result
    from volest.run import Run, Tell

_WATCH = f"""Size each scan that arrives in a folder, and keep tables and sheet up to date.

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
_NARROWEST = 20  # cells; a window that says it has less is not believed


@click.command("watch", cls=Command, help=_WATCH)
@click.argument("folder", metavar="FOLDER", type=click.Path(path_type=Path))
@sizing
@running(out_needed=True)
@click.option("-q", "--quiet", is_flag=True, help="No line for each scan.")
@verbose_option
@click.pass_context
@stoppable()
def watch_command(ctx: click.Context, /, *, folder: Path, quiet: bool, **options: Any) -> None:
    """Watch a folder; the words for a person stand in `_WATCH`."""
    from volest.batch.find import Arrivals, wakes
    from volest.report.table import made_with, tally  # same
    from volest.run import Run  # same

    request = request_of(size_scan=ctx.obj, **options)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} to be watched, a file", needed="a folder", remedy="name it")
    arrivals = Arrivals(folder)
    request = request.drawn(None if quiet else say)
    with Run(request, folder, say=say) as day:
        day.tell = None if quiet else _teller(day)
        try:
            with request.engine() as engine:
                engine.check()  # workers start now, and not when the first scan waits
                if not quiet:
                    say(made_with(request.settings))
                    say(f"watching {folder}; Ctrl-C ends it")
                if not folder.exists():
                    say(f"{folder} is not there yet; it is waited for")
                for _ in wakes(folder, threading.Event(), lambda: arrivals.busy):
                    for scan in day.take(*arrivals.look(), engine):
                        arrivals.later(scan)
                    day.update()
        except KeyboardInterrupt:
            day.update()
            if day.failed is not None:
                raise day.failed from None
            if not quiet:
                click.echo(tally(day.results))
        except UsageError:
            day.update()
            raise


def _teller(day: "Run") -> "Tell":
    """Make what tells in the terminal of each scan that is sized, as `volest size` does."""
    from volest.report.table import TIE, rows, wrapped
    from volest.result import one_by_one
    from volest.stone.mix import powder_in_words, water_in_words
    from volest.stone.words import bowl_in_words

    last: dict[str, tuple[str, str | None]] = {}  # what was told of each scan, and why
    settings = day.request.settings

    def tell(result: "Result") -> None:
        width = max(min(shutil.get_terminal_size().columns, READING_WIDTH), _NARROWEST)
        for one in one_by_one([result]):
            (row,) = rows([one], [visible(day.called(Path(one.name)))], settings.base)
            before, reason = last.get(one.name, (None, None))
            if row.refused and reason == one.reason:  # tried in vain once more
                continue
            last[one.name] = "refused" if row.refused else f"{row.volume} mL", one.reason
            told = [f"{row.volume} mL", f"water {row.water} mL", f"powder {row.powder} g"]
            if one.mix is not None and settings.stones_for:
                told[-1] += f" {visible(one.mix.stone)}"
            told.append(f"scoops {row.scoops}")
            if one.mix is not None and one.mix.bowl is not None:
                told.append(visible(bowl_in_words(one.mix)))
            if one.second_pour is not None:
                told.append(f"base: water {water_in_words(one.second_pour)}")
                told.append(f"powder {powder_in_words(one.second_pour)}")
            figures = ", ".join(part.replace(" ", TIE) for part in told)
            if row.refused:
                figures = f"{' '.join(row.notes)}: {visible(one.reason or '')}"
            again = "" if before is None else f"sized again (before: {before}): "
            click.echo(wrapped(f"{row.name}  {again}{figures}", width, rest="  "))
            for note in one.notes:
                said = f"{visible(note.code)}: {visible(note.text)}"
                click.echo(wrapped(said, width, first="  ", rest="    "))
                click.echo(wrapped(f"Do: {visible(note.do)}", width, first="    ", rest="    "))

    return tell


_DESK = f"""Open a day's folder on one page in the browser.

Scans are sized as they arrive in FOLDER, or as they are dropped onto the page. There a scan is
looked at, its base line moved and saved, mixes are ticked when they are poured, and what was left
is booked. A line that is saved stands beside its scan; `volest size` obeys it.

Only this computer sees the page, unless --network lets tablets at the bench in: they are asked for
the code that is told here. What goes through the network is not encrypted; use your own.

Stop it with Ctrl-C; the same command takes everything up again.

{BASE_HELP}
\b
Examples:
  volest desk monday/
  volest desk monday/ --network --journal lab.db
  volest desk monday/ --at-most 3 --lab lab.toml

Exit codes: 0 stopped by a person or a signal, 2 wrong use, 4 a fault in volest.
"""


@click.command("desk", cls=Command, help=_DESK)
@click.argument("folder", metavar="FOLDER", type=click.Path(path_type=Path))
@click.option("--network", is_flag=True, help="Let the network in, with the code that is told.")
@click.option(
    "--port",
    type=Number(least=0, most=65535, whole=True),
    metavar="N",
    default=8417,
    show_default=True,
    help="Port of this computer; 0 takes a free one.",
)
@click.option(
    "--at-most",
    type=Number(least=1, most=4, whole=True),
    metavar="N",
    default=1,
    show_default=True,
    help="Impressions in one mix, 1 to 4, to begin with.",
)
@click.option("--no-browser", is_flag=True, help="Only tell the address; open nothing.")
@sizing
@running(out_needed=False)
@verbose_option
@click.pass_context
def desk_command(
    ctx: click.Context,
    /,
    *,
    folder: Path,
    network: bool,
    port: int,
    at_most: int,
    no_browser: bool,
    journal_file: Path | None,
    **options: Any,
) -> None:
    """Serve the page; the words for a person stand in `_DESK`."""
    from volest.desk.server import HERE, DeskServer, Keys, address_in_network, bound
    from volest.desk.state import OpenDay
    from volest.storage import unwritable

    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} for a desk, a file", needed="a folder", remedy="name it")
    options["out"] = options["out"] or folder
    # A journal that is new has taught nothing yet: the first booking makes it.
    learned = journal_file if journal_file is not None and journal_file.is_file() else None
    request = request_of(size_scan=ctx.obj, journal_file=learned, **options)
    if not request.has_cards or not isinstance(request.out, Path):
        raise UsageError(
            "--no-sheet, --cluster or an address as --out",
            needed="a folder of this computer: the page shows what lies there",
            remedy="leave it out",
        )
    request = request.drawn(say)
    with bound(port, network=network) as sock:
        try:
            folder.mkdir(exist_ok=True)
        except OSError as fault:
            raise unwritable(folder, fault) from fault
        day = OpenDay(request, folder, journal_file=journal_file, at_most=at_most, say=say)
        keys = Keys()
        server = DeskServer(day, sock, keys)
        with day.open() as run:
            run.add_done_callback(server.stop)
            at = f"http://{HERE}:{sock.getsockname()[1]}/#{keys.token}"
            say(f"the desk of {folder} is open; Ctrl-C ends it")
            say(f"on this computer: {at}")
            if network:
                near = f"http://{address_in_network()}:{sock.getsockname()[1]}/"
                say(f"in the network: {near} with the code {keys.code}")
            if journal_file is None:
                say("leftovers are not booked: no journal; add --journal FILE")
            if not no_browser:
                webbrowser.open(at)
            server.run(sockets=[sock])
