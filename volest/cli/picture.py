"""The command `volest picture`: two views of a scan in one file, without a display."""

from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from volest.cli.console import say
from volest.cli.options import (
    BASE_HELP,
    cavity_option,
    examined,
    file_option,
    one_scan,
    settings_of,
    sizing,
)

KINDS = (".png", ".webp", ".jpg")
_HELP = f"""Draw SCAN from above with heights, and cut open; no display is needed.

{BASE_HELP}
\b
Examples:
  volest picture b0417.stl --to b0417.png
  volest picture b0417.stl --base rim=-1.5 --to b0417.png
"""


@click.command("picture", help=_HELP)
@one_scan
@file_option("--to", "target", f"Where to; it ends in {', '.join(KINDS)}.", required=True)
@cavity_option
@sizing
def picture_command(
    scan: Path,
    *,
    cavity: int | None,
    target: Path,
    **options: Any,
) -> None:
    """Draw one scan; the words for a person stand in `_HELP`."""
    from volest.dosing import check_settings, poured
    from volest.errors import MixError
    from volest.sheet.target import check_ending, check_target
    from volest.view.picture import picture_of, refuse_blind, save_picture

    check_ending(target, KINDS, "a picture", "--to")
    check_target(target, [scan])
    settings = settings_of(**options)
    check_settings(settings)
    result, found = examined(scan, settings, cavity)
    with suppress(MixError):  # it is drawn all the same
        result = poured(result, settings)
    refuse_blind(off_screen=True)
    save_picture(picture_of(result, found), target)
    say(f"wrote {target}")
