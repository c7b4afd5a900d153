"""The command `mix`: a volume in, a mix card out."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.errors import UsageError
from volest.settings import Settings
from volest.stone.card import BEFORE, CAUTIONS, scoops_in_words, steps
from volest.stone.mix import Mix, mix
from volest.stone.types import stone_type

if TYPE_CHECKING:
    from rich.text import Text

_DEFAULTS = Settings()


@click.command("mix")
@click.argument("volume", type=float, metavar="VOLUME")
@click.option(
    "--stone", metavar="NAME", default=_DEFAULTS.stone, show_default=True, help="Stone type."
)
@click.option(
    "--wp", type=float, metavar="ML", help="mL of water per 100 g of powder; else the type's usual."
)
@click.option(
    "--waste",
    type=float,
    metavar="PERCENT",
    default=_DEFAULTS.waste_percent,
    show_default=True,
    help="Share of the volume mixed on top.",
)
@click.option(
    "--residue",
    type=float,
    metavar="ML",
    default=_DEFAULTS.residue_ml,
    show_default=True,
    help="Fixed part that stays on bowl, spatula and brush.",
)
@click.option(
    "--by",
    type=click.Choice(["gram", "scoop"]),
    default=_DEFAULTS.by,
    show_default=True,
    help="Round the powder up to whole grams or whole scoops.",
)
@click.option(
    "--json", "json_file", metavar="FILE", help="Write the mix as JSON; - writes only that."
)
def mix_command(
    *,
    volume: float,
    stone: str,
    wp: float | None,
    waste: float,
    residue: float,
    by: str,
    json_file: str | None,
) -> None:
    """Say how much water and powder fill VOLUME (in mL)."""
    made = mix(
        volume, stone=stone, wp_ml_per_100g=wp, waste_percent=waste, residue_ml=residue, by=by
    )
    if json_file is not None:
        write_json(made.as_record(), json_file)
    if json_file != "-":
        _print_card(made, volume)
        return
    for note in made.notes:
        click.echo(f"{note.code}: {note.text} {note.do}", err=True)


def write_json(record: dict[str, Any], target: str) -> None:
    """Write one record as JSON to a file, or to stdout for '-'.

    Parameters
    ----------
    record : dict
        Plain values.
    target : str
        Path of the file, or '-'.

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    if target == "-":
        click.echo(text)
        return
    try:
        Path(target).write_text(text + "\n", encoding="utf-8")
    except OSError as fault:
        raise UsageError(
            f"{target} cannot be written ({fault.strerror})",
            needed="a file in a folder that is there and may be written",
            remedy="give another --json FILE",
        ) from fault


def _print_card(made: Mix, volume_ml: float) -> None:
    from rich.console import Console  # keeps --help quick

    console = Console(highlight=False, markup=False, emoji=False)
    console.print(_amounts(made, volume_ml))
    for note in made.notes:
        console.print(f"\nLOOK  {note.text} {note.do}", style="bold yellow")
    for title, lines in (("Before", BEFORE), ("Steps", steps(made)), ("Take care", CAUTIONS)):
        console.print(f"\n{title}", style="bold")
        for number, line in enumerate(lines, start=1):
            console.print(f"  {number}. {line}" if title == "Steps" else f"  - {line}")


def _amounts(made: Mix, volume_ml: float) -> "Text":
    from rich.text import Text  # keeps --help quick

    kind = stone_type(made.stone)
    wp = 100.0 * made.unrounded_water_ml / made.unrounded_powder_g
    water = f"{made.water_ml:.1f} mL"
    powder = f"{made.powder_g:.0f} g"
    return Text.assemble(
        f"To fill {volume_ml:g} mL with {kind.name}, {kind.title}\n\n",
        ("  1  WATER  ", "bold"),
        (f"{water:>10}", "bold cyan"),
        f"   or weigh it: {made.water_g:.1f} g\n",
        ("  2  POWDER ", "bold"),
        (f"{powder:>10}", "bold cyan"),
        f"   {scoops_in_words(made)}\n\n",
        f"Makes {made.mix_ml:.1f} mL at W/P {wp:.4g}; {made.waste_ml:.1f} mL of it is waste.",
    )
