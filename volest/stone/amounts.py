"""Amounts that make no sense are refused before anything is worked out from them."""

from volest.errors import MixError
from volest.notes import Note
from volest.stone.reference import LEAST_WP

# Slips of the keyboard, not rules of the trade: a full arch takes some 35 to 70 mL.
MOST_VOLUME_ML = 2000.0
MOST_RESIDUE_ML = 500.0
MOST_WASTE_PERCENT = 500.0
MOST_AIR_PERCENT = 50.0
MOST_WP_ML_PER_100G = 100.0
MOST_STRETCH_ML_PER_100G = 20.0
MOST_MIXES = 50
_TINY_PERCENT = 2.0  # 0.15 and 1.15 are how spreadsheets have 15 %


def check_volume(volume_ml: float) -> None:
    """Refuse a volume that cannot be meant."""
    if not 0.0 < volume_ml <= MOST_VOLUME_ML:
        raise MixError(
            f"a volume of {volume_ml:g} mL",
            needed=f"more than 0 and at most {MOST_VOLUME_ML:g} mL",
            remedy="give the volume in mL; a full arch takes some 35 to 70 mL",
            code="mix-volume",
        )


def check_extras(
    waste_percent: float, residue_ml: float, air_percent: float, stretch_ml_per_100g: float
) -> None:
    """Refuse extras that cannot be meant."""
    for what, value, most, unit in (
        ("waste", waste_percent, MOST_WASTE_PERCENT, "%"),
        ("residue", residue_ml, MOST_RESIDUE_ML, "mL"),
        ("entrapped air", air_percent, MOST_AIR_PERCENT, "%"),
        ("stretch", stretch_ml_per_100g, MOST_STRETCH_ML_PER_100G, "mL per 100 g"),
    ):
        if not 0.0 <= value <= most:
            raise MixError(
                f"{value:g} {unit} of {what}",
                needed=f"0 to {most:g} {unit}",
                remedy=f"give the {what} in {unit}, 0 for none",
                code="mix-amount",
            )


def waste_notes(waste_percent: float) -> tuple[Note, ...]:
    """Flag a share of waste that looks like a fraction or a factor taken for a percentage."""
    if not 0.0 < waste_percent < _TINY_PERCENT:
        return ()
    meant = 100.0 * (waste_percent % 1.0 or waste_percent)  # of a fraction, or of a factor
    return (
        Note(
            code="waste-tiny",
            text=f"A waste of {waste_percent:g} % is next to nothing: the mix may run short.",
            do=f"If {meant:g} % is meant, write {meant:g}.",
        ),
    )


def check_wp(wp_ml_per_100g: float) -> None:
    """Refuse water that cannot set the powder, or a ratio in the wrong unit."""
    if not LEAST_WP.value <= wp_ml_per_100g <= MOST_WP_ML_PER_100G:
        raise MixError(
            f"W/P {wp_ml_per_100g:g} mL per 100 g",
            needed=f"{LEAST_WP} (less cannot set the powder) to {MOST_WP_ML_PER_100G:g}",
            remedy="give mL of water per 100 g of powder, for example 22 and not 0.22",
            code="mix-wp",
        )


def check_mixes(mixes: int) -> None:
    """Refuse a number of equal mixes below 1 or out of all reason."""
    if not 1 <= mixes <= MOST_MIXES:
        raise MixError(
            f"{mixes} mixes for one pour",
            needed=f"1 to {MOST_MIXES}",
            remedy="leave the number out",
            code="mix-amount",
        )
