"""The commands `volest show` and `volest view`: scans looked at, one after the other."""

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from textwrap import fill
from typing import Any

import click

from volest.cli.console import READING_WIDTH, STREAM, deliver, say, set_talk
from volest.cli.options import (
    BASE_HELP,
    Command,
    Number,
    file_option,
    from_input,
    settings_of,
    sizing,
    target_option,
    verbose_option,
)
from volest.errors import EXIT_MEASURED, EXIT_REFUSED, MixError, ScanError, UsageError, visible
from volest.settings import Settings

PICTURES = (".png", ".webp", ".jpg")
_SHOW = f"""Tell all about SCAN: its mix, where the rim must be cut or boxed, how stone runs, where
the cast is thin or held, how sure it is.

{BASE_HELP}
\b
Examples:
  volest show b0417.stl
  volest show b0417.stl --base rim=-1.5 --picture b0417.png
  volest show b0417.stl --outline b0417.svg
  volest show b0417.stl --curve - > b0417.csv
  volest show b0417.stl --json - | another-program
"""


@click.command("show", cls=Command, help=_SHOW)
@click.argument(
    "scan",
    metavar="SCAN",
    type=click.Path(readable=False, path_type=Path),
    callback=lambda _ctx, _param, scan: from_input() if str(scan) == STREAM else scan,
)
@click.option(
    "--cavity",
    type=Number(least=1, whole=True),
    metavar="N",
    help="Which impression, if the scan has several; else the first.",
)
@file_option("--picture", "picture", f"Draw it from above and cut open: {', '.join(PICTURES)}.")
@file_option("--outline", "outlined", "Draw its rim at true size, to lay the tray on: .svg.")
@file_option("--plot", "plot", "Draw volume against height: .svg, .png or .pdf.")
@target_option("--curve", "curve", "Write volume against height as CSV; - for the output alone.")
@target_option("--json", "json_file", "Write all figures as JSON; - for the output alone.")
@sizing
def show_command(
    scan: Path,
    *,
    cavity: int | None,
    json_file: str | None,
    picture: Path | None,
    outlined: Path | None,
    plot: Path | None,
    curve: str | None,
    **options: Any,
) -> None:
    """Tell and draw one scan; the words for a person stand in `_SHOW`."""
    from volest.dosing import poured
    from volest.notes import dial_in_words
    from volest.pipeline import examine, guided
    from volest.report.guide import PLOTS, curve_text, draw_curve, guide_text
    from volest.report.record import as_text, document, guide_record
    from volest.report.table import made_with
    from volest.scan.decision import read_told
    from volest.storage import check_ending, check_target

    for target, endings, what, option in (
        (picture, PICTURES, "a picture", "--picture"),
        (plot, PLOTS, "a plot", "--plot"),
        (outlined, (".svg",), "an outline", "--outline"),
    ):
        if target is not None:
            check_ending(target, endings, what, option)
            check_target(target, [scan])
    settings = _settings([scan], [scan] if scan.is_file() else [], options)
    result, found = examine(scan, settings, cavity or 1)
    if cavity is None and result.cavities > 1:
        say(f"{scan.name} has {result.cavities} impressions; this is 1, --cavity N gives another")
    result, guide = guided(result, found, settings, read_told(scan).preparations)
    with suppress(MixError):  # no bowl takes it: the rest is told all the same
        result = poured(result, settings)
    right = settings.right_is_one_to_five(str(scan), is_arch=result.is_arch)
    if STREAM not in (curve, json_file):
        click.echo(fill(f"{visible(scan.name)}: {made_with(settings)}", READING_WIDTH) + "\n")
        dial = dial_in_words(right, is_arch=result.is_arch)
        told = guide_text(result, found.trim, found.margin, found.base.lean_deg, dial, guide=guide)
        click.echo(told, nl=False)
    if curve is not None:
        deliver(curve_text(result.curve), curve, read=[scan])
    if json_file is not None:
        record = document([result], settings)
        record["scans"][0] |= guide_record(guide)
        deliver(as_text(record), json_file, read=[scan])
    if plot is not None:
        draw_curve(result, plot)
        say(f"wrote {plot}")
    if outlined is not None:
        from volest.view.around import outline

        deliver(outline(found, scan.name, right_is_one_to_five=right), str(outlined), read=[scan])
    if picture is not None:
        from volest.view.picture import picture_of, refuse_blind, save_picture

        refuse_blind(off_screen=True)
        dies = () if guide.preparations is None else guide.preparations.each
        save_picture(picture_of(result, found, [one.mark_mm for one in dies]), picture)
        say(f"wrote {picture}")


def _settings(named: Sequence[Path], scans: Sequence[Path], options: dict[str, Any]) -> Settings:
    """Give the settings, which mean something, and let saved base lines follow their scans."""
    from volest.batch.find import bring_decisions
    from volest.dosing import check_settings

    settings = settings_of(**options)
    check_settings(settings)
    for line in bring_decisions(named, scans):
        say(line)
    return settings


_VIEW = f"""Look at scans in a window, one after the other.

The base line is raised, lowered and tilted with keys or sliders; volume and mix follow. What is
saved stands beside the scan and is obeyed by `volest size`. The keys are listed in the window.
Where no window can be opened, a picture of each scan is drawn into the folder you are in.

{BASE_HELP}
\b
Examples:
  volest view b0436.ply
  volest view monday/
"""


@click.command("view", cls=Command, help=_VIEW)
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
    ctx: click.Context, /, paths: Sequence[Path], *, verbose: bool, **options: Any
) -> None:
    """Open the window; the words for a person stand in `_VIEW`."""
    if verbose:
        set_talk(True)
    from volest.batch.find import find_scans
    from volest.view.picture import refuse_blind

    scans = find_scans(paths)
    settings = _settings(paths, scans, options)
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
    from volest.pipeline import examine_all, own_marks
    from volest.result import refused
    from volest.scan.decision import read_told
    from volest.storage import check_target
    from volest.view.picture import picture_of, save_picture

    in_vain = 0
    for scan in scans:
        if _is_there(Path(f"{scan.name}.png")):
            continue
        try:
            found_in = examine_all(scan, settings)
        except ScanError as fault:
            found_in = [(refused(str(scan), fault), fault)]
        for result, found in found_in:
            shown, target = result, Path(f"{Path(result.name).name}.png")
            if result.cavities > 1 and _is_there(target):
                continue
            try:
                if isinstance(found, ScanError):
                    raise found
                check_target(target, [scan])
                with suppress(MixError):  # it is drawn all the same
                    shown = poured(result, settings)
                marks = own_marks(read_told(scan).preparations, result, found)
                save_picture(picture_of(shown, found, marks), target)
            except (ScanError, UsageError) as fault:
                in_vain += 1
                say(f"{result.name}: {fault}")
            else:
                click.echo(visible(str(target)))
    return EXIT_REFUSED if in_vain else EXIT_MEASURED


def _is_there(target: Path) -> bool:
    there = os.path.exists(target)  # noqa: PTH110  # Path.exists raises at some names
    if there:
        say(f"{target} is there already and is left alone")
    return there
