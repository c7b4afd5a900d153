"""Options that `mix` and `size` share: the lab file, the way of mixing, the second pour."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import click

from volest.cli.console import say
from volest.cli.default_keys import KEYS
from volest.cli.defaults import check_default_stone, defaults_path, is_from_file
from volest.cli.number import Number
from volest.cli.options import Command, bundled, file_option
from volest.journal.waste import with_waste
from volest.lab import HAND, VACUUM, Lab
from volest.settings import Settings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabChoice:
    """What was asked for on the command line."""

    lab_file: Path | None
    journal_file: Path | None
    way: str
    stretch_ml_per_100g: float
    second_pour_mm: float | None


LAB_OPTION = file_option(
    "--lab",
    "lab_file",
    "The lab's stones, bowls and bench; `volest stones --new FILE` starts one.",
    envvar=KEYS["lab"].variable,
)


def journal_option(told: str) -> Callable[[Command], Command]:
    """Give a command the option that names the journal."""
    return file_option("--journal", "journal_file", told, envvar=KEYS["journal"].variable)


_OPTIONS = (
    LAB_OPTION,
    journal_option(
        "Learn the waste from the pours booked there, unless --waste or --residue is given."
    ),
    click.option(
        "--way",
        type=click.Choice([HAND, VACUUM]),
        default=VACUUM,
        show_default=True,
        help="How it is mixed.",
    ),
    click.option(
        "--stretch",
        "stretch_ml_per_100g",
        metavar="ML",
        type=Number(),
        default=0.0,
        help="More water per 100 g for a longer pour, held inside the stone's range.",
    ),
    click.option(
        "--second-pour",
        "second_pour_mm",
        metavar="MM",
        type=Number(least=0),
        help="A base of this height under the first pour; 0 for none.",
    ),
)
lab_options = bundled(_OPTIONS, LabChoice, "choice")


def with_lab(ctx: click.Context, settings: Settings, choice: LabChoice) -> Settings:
    """Put the lab file and the journal into the settings; words of the command line win."""
    lab = lab_from(choice.lab_file).with_height(choice.second_pour_mm)
    if is_from_file("stone"):
        check_default_stone(settings.stone, lab)
    if is_from_file("stones_for"):
        for _, stone in settings.stones_for:
            check_default_stone(stone, lab, "stone_for")
    journal_file = choice.journal_file
    if journal_file is not None and is_from_file("journal_file") and not journal_file.exists():
        say(f"no journal {journal_file} yet: the waste is as set")
        journal_file = None
    return with_waste(
        replace(
            settings,
            lab=lab,
            scoop_stone=ctx.lookup_default("stone"),  # the scoop was weighed with the usual one
            way=choice.way,
            stretch_ml_per_100g=choice.stretch_ml_per_100g,
        ),
        waste_percent=settings.waste_percent if _written(ctx, "waste") else None,
        residue_ml=settings.residue_ml if _written(ctx, "residue") else None,
        journal_file=journal_file,
    )


def lab_from(lab_file: Path | None) -> Lab:
    """Read the lab file, if there is one."""
    if lab_file is None:
        return Lab()
    from volest.stone.lab_file import read_lab  # keeps --help quick

    return read_lab(lab_file, named_by=defaults_path() if is_from_file("lab_file") else None)


def _written(ctx: click.Context, name: str) -> bool:
    return ctx.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT
