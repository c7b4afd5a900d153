"""The command `volest trim`: where the rim must be cut or boxed."""

from pathlib import Path
from typing import Any

import click

from volest.cli.options import BASE_HELP, cavity_option, examined, measuring, one_scan, settings_of

_HELP = f"""Say where the rim of SCAN stands over the base line or under it, hour by hour.

{BASE_HELP}
\b
Examples:
  volest trim b0417.stl
  volest trim b0417.stl --base rim=-1.5
"""


@click.command("trim", help=_HELP)
@one_scan
@cavity_option
@measuring
def trim_command(scan: Path, *, cavity: int | None, **options: Any) -> None:
    """Print the trim guide; the words for a person stand in `_HELP`."""
    from volest.sheet.guide import trim_text

    result, found = examined(scan, settings_of(**options), cavity)
    click.echo(trim_text(result, found.trim, found.margin, found.base.lean_deg), nl=False)
