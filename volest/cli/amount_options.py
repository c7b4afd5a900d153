"""Options that say how much is mixed for a volume, and of which stone."""

import click

from volest.cli.number import Number
from volest.cli.options import with_options
from volest.settings import WAYS_OF_DEALING, Settings

_DEFAULTS = Settings()
_STONE = (
    click.option(
        "--stone",
        default=_DEFAULTS.stone,
        show_default=True,
        metavar="NAME",
        help="Stone type; `volest stones` lists them.",
    ),
)
_STONE_FOR = (
    click.option(
        "--stone-for",
        "stones_for",
        multiple=True,
        metavar="PATTERN=NAME",
        help="Another stone for scans of such names, for example '*-bite*=type-3'.",
    ),
)
_AMOUNTS = (
    click.option(
        "--wp",
        metavar="ML",
        type=Number(),
        help="mL of water per 100 g of powder; else the type's usual.",
    ),
    click.option(
        "--waste",
        default=_DEFAULTS.waste_percent,
        metavar="PERCENT",
        type=Number(),
        help="Share of the cavity mixed on top; else the lab's, "
        f"{_DEFAULTS.waste_percent:g} where it says none.",
    ),
    click.option(
        "--residue",
        default=_DEFAULTS.residue_ml,
        metavar="ML",
        type=Number(),
        help="Fixed part that stays on bowl, spatula and brush; else the lab's, or 0.",
    ),
    click.option(
        "--by",
        default=_DEFAULTS.by,
        show_default=True,
        type=click.Choice(WAYS_OF_DEALING),
        help="Round powder up to steps of the scale or to scoops.",
    ),
)

amounts = with_options(_STONE + _AMOUNTS)  # stone, wp, waste, residue and by
amounts_of_scans = with_options(_STONE + _STONE_FOR + _AMOUNTS)  # and stones_for
