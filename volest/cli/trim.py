"""The command `volest trim`: where the rim must be cut or boxed."""

from pathlib import Path
from typing import Any

import click

from volest.cli.options import BASE_HELP, measuring, one_scan, settings_of

_HELP = f"""Say where the rim of SCAN stands over the base line or under it, hour by hour.

{BASE_HELP}
\b
Examples:
  volest trim b0417.stl
  volest trim b0417.stl --base rim=-1.5
"""


@click.command("trim", help=_HELP)
@one_scan
@measuring
def trim_command(scan: Path, **options: Any) -> None:
    """Print the trim guide; the words for a person stand in `_HELP`."""
    from volest.pipeline import examine
    from volest.sheet.guide import trim_text

    result, cavity = examine(scan, settings_of(**options))
    click.echo(trim_text(result, cavity.trim, cavity.margin, cavity.base.lean_deg), nl=False)
