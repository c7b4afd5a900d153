"""The command `volest desk`: a day's folder on one page, to look, move, mix and book."""

import webbrowser
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from volest.cli.console import say
from volest.cli.options import (
    BASE_HELP,
    Command,
    Number,
    request_of,
    running,
    sizing,
    verbose_option,
)
from volest.errors import UsageError

_HELP = f"""Open a day's folder on one page in the browser.

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
_DEFAULT_PORT = 8417


@click.command("desk", cls=Command, help=_HELP)
@click.argument("folder", metavar="FOLDER", type=click.Path(path_type=Path))
@click.option("--network", is_flag=True, help="Let the network in, with the code that is told.")
@click.option(
    "--port",
    type=Number(least=0, most=65535, whole=True),
    metavar="N",
    default=_DEFAULT_PORT,
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
    """Serve the page; the words for a person stand in `_HELP`."""
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
    request = replace(request.drawn(say), most_held=0)
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
            server.run_here()
