"""One pour as it is booked, and what can be meant by its figures."""

import math
from dataclasses import dataclass, fields
from datetime import UTC, datetime

from volest.errors import UsageError
from volest.lab import HAND, VACUUM
from volest.stone.learning import Pour
from volest.stone.mix import MOST_WP_ML_PER_100G
from volest.stone.reference import LEAST_WP, water_density_g_per_ml
from volest.stone.stones import StoneType

# A pour that took less than half of its cavity, or three times as much, is a slip of the pen.
ODD_BELOW, ODD_ABOVE = 0.5, 3.0
TOLD_ABOVE = 1.4  # of the cavity: a second mix was weighed whole
TOLD_BELOW = 0.95  # of the cavity, which no scan misses by more: more was hardly left
LEAST_WEIGHED_G = 0.1  # less than scales at the bench show: kg are meant


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Entry:
    """One pour as it is booked.

    Parameters
    ----------
    booked, struck : str
        When, and when it was struck out as a slip (None: it counts), in UTC (ISO 8601).
    volume_ml : float
        Cavity that was to be filled.
    left_g, left_ml : float
        Mix that could still have been poured; below 0: what was missing.
    lot, mark, scan : str or None
        Lot of the powder, mark of the operator, the scan; for tracing.
    source : str or None
        Fingerprint of the file that the mix was read from, so that a second booking is seen.
    number : int or None
        Its number in the journal; None before it is booked.
    """

    booked: str
    stone: str
    way: str
    volume_ml: float
    powder_g: float
    water_ml: float
    mix_ml: float
    left_g: float
    left_ml: float
    lot: str | None = None
    mark: str | None = None
    scan: str | None = None
    source: str | None = None
    struck: str | None = None
    number: int | None = None

    def pour(self) -> Pour:
        """Give what the waste is learned from."""
        return Pour(
            stone=self.stone,
            way=self.way,
            volume_ml=self.volume_ml,
            mix_ml=self.mix_ml,
            left_ml=self.left_ml,
            powder_g=self.powder_g,
        )


COLUMNS = tuple(field.name for field in fields(Entry))


def now() -> str:
    """Give the time as it is booked: UTC to the second, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def entry_of(
    kind: StoneType,
    *,
    way: str,
    volume_ml: float,
    powder_g: float,
    water_ml: float,
    left_g: float,
    water_c: float,
    lot: str | None = None,
    mark: str | None = None,
    scan: str | None = None,
    source: str | None = None,
) -> Entry:
    """Put a pour of now down, mix and leftover as volumes too; its figures are not checked yet."""
    mix_ml = powder_g / kind.powder_density.value + water_ml
    mass_g = powder_g + water_ml * water_density_g_per_ml(water_c)
    return Entry(
        booked=now(),
        stone=kind.name,
        way=way,
        volume_ml=volume_ml,
        powder_g=powder_g,
        water_ml=water_ml,
        mix_ml=mix_ml,
        left_g=left_g,
        left_ml=left_g * mix_ml / mass_g if mass_g > 0 else 0.0,  # booking refuses amounts of 0
        lot=lot,
        mark=mark,
        scan=scan,
        source=source,
    )


def is_sound(entry: Entry) -> bool:
    """Tell whether an entry that another program may have written holds what it should."""
    amounts = (entry.volume_ml, entry.powder_g, entry.water_ml, entry.mix_ml)
    figures = (*amounts, entry.left_g, entry.left_ml)
    words = (entry.lot, entry.mark, entry.scan, entry.source, entry.struck)
    return (
        all(isinstance(x, float) and math.isfinite(x) for x in figures)
        and min(amounts) > 0
        and isinstance(entry.stone, str)
        and isinstance(entry.booked, str)
        and all(isinstance(word, str | None) for word in words)
        and entry.way in (HAND, VACUUM)
    )


def check_entry(entry: Entry) -> None:
    """Refuse a pour ('journal-odd') whose figures cannot be meant."""
    amounts = (entry.volume_ml, entry.powder_g, entry.water_ml, entry.mix_ml)
    if not all(math.isfinite(x) and x > 0 for x in amounts) or not math.isfinite(entry.left_g):
        raise _odd("an amount that is not above 0", "volume, powder and water above 0")
    if 0.0 < abs(entry.left_g) < LEAST_WEIGHED_G:
        raise _odd(f"{abs(entry.left_g):g} g", f"0, or at least {LEAST_WEIGHED_G:g} g")
    if not LEAST_WP.value <= 100.0 * entry.water_ml / entry.powder_g <= MOST_WP_ML_PER_100G:
        raise _odd(
            f"{entry.water_ml:g} mL of water to {entry.powder_g:g} g of powder",
            f"{LEAST_WP} to {MOST_WP_ML_PER_100G:g} mL for 100 g",
        )
    taken_ml = entry.mix_ml - entry.left_ml
    if taken_ml < 0.0:
        raise _odd(
            f"{entry.left_g:g} g left of {entry.powder_g:g} g of powder and "
            f"{entry.water_ml:g} mL of water",
            "no more left than was mixed",
        )
    if not ODD_BELOW <= taken_ml / entry.volume_ml <= ODD_ABOVE:
        raise _odd(
            f"{taken_ml:.1f} mL poured into a cavity of {entry.volume_ml:g} mL",
            f"{ODD_BELOW:g} to {ODD_ABOVE:g} times the cavity",
        )


def _odd(found: str, needed: str) -> UsageError:
    return UsageError(
        found,
        needed=needed,
        remedy="look at the figures again: volume in mL, powder and leftover in g",
        code="journal-odd",
    )
