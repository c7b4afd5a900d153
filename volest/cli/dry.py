"""`volest size --dry`: what a run would do, told without doing it."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from volest.cli.run_options import RunChoice
from volest.cli.size_files import Delivery
from volest.errors import EXIT_MEASURED
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.places import Place


def tell_dry(
    scans: "Sequence[Place]", settings: Settings, running: RunChoice, delivery: Delivery
) -> int:
    """Tell which scans would be sized, how, and what would be written."""
    from volest.sheet.names import visible
    from volest.sheet.remarks import made_with

    kept = _kept(scans, settings, running)
    told = [("unchanged" if scan in kept else "to be sized", scan) for scan in scans]
    told += [("to be written", file) for file in delivery.files()]
    if running.out is not None:
        told.append(("to be written into", running.out))
    click.echo(made_with(settings))
    for what, place in told:
        click.echo(f"  {what:<18}  {visible(str(place))}")
    click.echo(f"{len(scans) - len(kept)} of {len(scans)} scans to be sized; nothing was done")
    return EXIT_MEASURED


def _kept(scans: "Sequence[Place]", settings: Settings, running: RunChoice) -> "set[Place]":
    from volest.batch.held_folder import KEPT
    from volest.batch.out import OutFolder

    out = running.out
    if not isinstance(out, Path) or not (out / KEPT).is_dir():
        return set()  # nothing was finished there, and asking must not make the folder
    with OutFolder(out, settings) as folder:
        return {scan for scan in scans if folder.known(scan) is not None}
