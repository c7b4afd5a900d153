"""The command `volest curve`: volume against the base line's height."""

from pathlib import Path
from typing import Any

import click

from volest.cli.console import say
from volest.cli.options import (
    BASE_HELP,
    cavity_option,
    examined,
    file_option,
    measuring,
    one_scan,
    settings_of,
)

_HELP = f"""Write volume against height over the base line of SCAN as CSV.

{BASE_HELP}
\b
Examples:
  volest curve b0417.stl > b0417.csv
  volest curve b0417.stl --plot b0417.svg
"""


@click.command("curve", help=_HELP)
@one_scan
@cavity_option
@measuring
@file_option("--plot", "plot", "Draw it: .svg, .png or .pdf.")
def curve_command(scan: Path, *, cavity: int | None, plot: Path | None, **options: Any) -> None:
    """Write the curve; the words for a person stand in `_HELP`."""
    from volest.sheet.guide import KINDS, curve_text, draw_curve
    from volest.sheet.target import check_ending, check_target

    if plot is not None:
        check_ending(plot, KINDS, "a plot", "--plot")
        check_target(plot, [scan])
    result, _ = examined(scan, settings_of(**options), cavity)
    click.echo(curve_text(result.curve), nl=False)
    if plot is not None:
        draw_curve(result, plot)
        say(f"wrote {plot}")
