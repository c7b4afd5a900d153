"""The command `volest view`: a window in which a base line is looked at, moved and saved."""

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from volest.cli.command import Command
from volest.cli.console import say, set_talk
from volest.cli.options import BASE_HELP, settings_of, sizing, verbose_option
from volest.errors import EXIT_MEASURED, EXIT_REFUSED, MixError, ScanError, UsageError, visible
from volest.settings import Settings

_HELP = f"""Look at scans in a window, one after the other.

The base line is raised, lowered and tilted with keys or sliders; volume and mix follow. What is
saved stands beside the scan and is obeyed by `volest size`. The keys are listed in the window.
Where no window can be opened, a picture of each scan is drawn into the folder you are in.

{BASE_HELP}
\b
Examples:
  volest view b0436.ply
  volest view monday/
"""


@click.command("view", cls=Command, help=_HELP)
@click.argument(
    "paths",
    nargs=-1,
    required=True,
    metavar="PATH...",
    type=click.Path(readable=False, path_type=Path),
)
@sizing
@verbose_option
@click.pass_context
def view_command(
    ctx: click.Context,
    /,
    paths: Sequence[Path],
    *,
    verbose: bool,
    **options: Any,
) -> None:
    """Open the window; the words for a person stand in `_HELP`."""
    if verbose:
        set_talk(True)
    from volest.batch.find import bring_decisions, find_scans
    from volest.dosing import check_settings
    from volest.view.picture import refuse_blind

    settings = settings_of(**options)
    check_settings(settings)
    scans = find_scans(paths)
    for line in bring_decisions(paths, scans):
        say(line)
    try:
        refuse_blind(off_screen=False)
    except UsageError as fault:
        refuse_blind(off_screen=True)
        say(f"volest: no window: {fault}")
        say("volest: pictures are drawn into this folder instead")
        ctx.exit(_pictures(scans, settings))
    from volest.view.window import Window

    window = Window(scans, settings)
    window.show()
    for scan in window.unsaved():
        say(f"{scan.name}: what was changed was not saved")


def _pictures(scans: Sequence[Path], settings: Settings) -> int:
    from volest.dosing import poured
    from volest.pipeline import examine_all
    from volest.storage import check_target
    from volest.view.picture import picture_of, save_picture

    refused = 0
    for scan in scans:
        if _is_there(Path(f"{scan.name}.png")):
            continue
        try:
            examined = examine_all(scan, settings)
        except ScanError as fault:
            refused += 1
            say(f"{scan}: {fault}")
            continue
        for result, found in examined:
            shown, target = result, Path(f"{Path(result.name).name}.png")
            if result.cavities > 1 and _is_there(target):
                continue
            try:
                if isinstance(found, ScanError):
                    raise found
                check_target(target, [scan])
                with suppress(MixError):  # it is drawn all the same
                    shown = poured(result, settings)
                save_picture(picture_of(shown, found), target)
            except (ScanError, UsageError) as fault:
                refused += 1
                say(f"{result.name}: {fault}")
            else:
                click.echo(visible(str(target)))
    return EXIT_REFUSED if refused else EXIT_MEASURED


def _is_there(target: Path) -> bool:
    there = os.path.exists(target)  # noqa: PTH110  # Path.exists raises at some names
    if there:
        say(f"{target} is there already and is left alone")
    return there
