"""The command `volest view`: a window in which a base line is looked at, moved and saved."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from volest.cli.options import BASE_HELP, measuring, settings_of
from volest.cli.talk import set_talk

_HELP = f"""Look at scans in a window, one after the other.

The base line is raised, lowered and tilted with keys or sliders; volume and mix follow. What is
saved stands beside the scan and is obeyed by `volest size`. The keys are listed in the window.

{BASE_HELP}
\b
Examples:
  volest view b0436.ply
  volest view monday/
"""


@click.command("view", help=_HELP)
@click.argument(
    "paths",
    nargs=-1,
    required=True,
    metavar="PATH...",
    type=click.Path(readable=False, path_type=Path),
)
@measuring
@click.option("--verbose", is_flag=True, help="Tell on the error stream what is done.")
def view_command(paths: Sequence[Path], *, verbose: bool, **options: Any) -> None:
    """Open the window; the words for a person stand in `_HELP`."""
    set_talk(verbose)
    settings = settings_of(**options)
    from volest.batch.finding import find_scans
    from volest.view.display import refuse_blind

    scans = find_scans(paths)
    refuse_blind(off_screen=False)
    from volest.view.window import Window

    Window(scans, settings).show()
