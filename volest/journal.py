"""The journal: a pour as it is booked, the file of pours, what they teach, which waste holds."""

import math
from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from volest.data_base import DataBase, Layout
from volest.errors import UsageError
from volest.lab import HAND, USUAL_VOLUME_ML, VACUUM, Lab, Learned
from volest.report.names import visible
from volest.settings import Settings
from volest.stone.learning import PRIOR_POURS, Pour, learn_all
from volest.stone.mix import MOST_WP_ML_PER_100G
from volest.stone.reference import LEAST_WP, water_density_g_per_ml
from volest.stone.stones import StoneType, own_stone
from volest.stone.words import cost_in_words, way_in_words

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


_FIRST = """
CREATE TABLE pours (
    number INTEGER PRIMARY KEY,
    booked TEXT NOT NULL,
    stone TEXT NOT NULL,
    way TEXT NOT NULL,
    volume_ml REAL NOT NULL CHECK (volume_ml > 0),
    powder_g REAL NOT NULL CHECK (powder_g > 0),
    water_ml REAL NOT NULL CHECK (water_ml > 0),
    mix_ml REAL NOT NULL CHECK (mix_ml > 0),
    left_g REAL NOT NULL,
    left_ml REAL NOT NULL,
    lot TEXT,
    mark TEXT,
    scan TEXT
) STRICT
"""
_STEPS: tuple[tuple[str, ...], ...] = (
    (_FIRST,),
    ("ALTER TABLE pours ADD COLUMN source TEXT", "ALTER TABLE pours ADD COLUMN struck TEXT"),
)
LAYOUT = Layout(
    table="pours",
    steps=_STEPS,
    wait_s=10.0,  # a person waits for the answer
    code="journal",
    needed=f"a journal of volest, version {len(_STEPS)} or below",
    mend="name another --journal FILE",
    mend_newer="use the volest that wrote it, or a newer one",
    mend_locked="close the program that is writing into it, and try again",
)
_NAMES = ", ".join(COLUMNS)


class Journal:
    """An open journal; use it in a `with` block."""

    def __init__(self, path: Path, *, new: bool = True) -> None:
        if not new and not path.is_file():
            raise LAYOUT.fault(
                path,
                "no such file",
                "book a first pour: --volume 50 --powder 103 --water 20.6 --left 9",
            )
        self._base = DataBase(path, LAYOUT)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self._base.close()

    def book(self, entry: Entry) -> int:
        """Write one pour down after `check_entry`, and give its number."""
        check_entry(entry)
        marks = ", ".join("?" * len(COLUMNS))
        done = self._base.change(
            f"INSERT INTO pours ({_NAMES}) VALUES ({marks})",  # noqa: S608  # own names
            astuple(entry),
        )
        return int(done.lastrowid or 0)

    def entries(self) -> list[Entry]:
        """Read all pours, the oldest first; one that another program spoilt is refused."""
        rows = self._base.rows(f"SELECT {_NAMES} FROM pours ORDER BY number")  # noqa: S608  # own names
        entries = [Entry(**dict(zip(COLUMNS, row, strict=True))) for row in rows]
        for number, entry in enumerate(entries, start=1):
            if not is_sound(entry):
                raise self._base.fault(f"pour {number} is none")
        return entries

    def pours(self) -> list[Pour]:
        """Read what the waste is learned from: the pours that were not struck out."""
        return [entry.pour() for entry in self.entries() if entry.struck is None]

    def strike(self, number: int) -> None:
        """Strike a pour out: it stays in the journal, and nothing is learned from it."""
        done = self._base.change(
            "UPDATE pours SET struck = ? WHERE number = ? AND struck IS NULL", (now(), number)
        )
        if done.rowcount == 0:
            raise UsageError(
                f"no pour {number} that still counts",
                needed="the number of a pour that was not struck out before",
                remedy="the last pours and their numbers are shown by 'volest log' alone",
                code=LAYOUT.code,
            )

    def booked_from(self, source: str) -> list[int]:
        """Find the numbers of the pours booked from the file of a fingerprint that still count."""
        query = "SELECT number FROM pours WHERE source = ? AND struck IS NULL ORDER BY number"
        return [number for (number,) in self._base.rows(query, (source,))]

    def back_up(self, target: Path) -> None:
        """Copy the journal into one file that is whole, while others may go on booking."""
        self._base.back_up(target)


LAST = 5  # pours that are listed: a slip is noticed soon or never


def journal_lines(pours: Sequence[Pour], lab: Lab) -> list[str]:
    """Tell what the journal holds and teaches, stone by stone and way by way."""
    if not pours:
        return ["No pour is booked yet."]
    lines = []
    for law in learn_all(pours, lab):
        own = [pour for pour in pours if (pour.stone, pour.way) == (law.stone, law.way)]
        lines += [_heading(law, own), _powder(law, own, lab), *_lesson(law, lab)]
    return lines


def last_lines(entries: Sequence[Entry]) -> list[str]:
    """List the last of all pours with their numbers, so that a slip can be found."""
    if not entries:
        return []
    told = [f"  {entry.number}. {_entry_words(entry)}" for entry in entries[-LAST:]]
    return ["Last pours, by number (a slip: --strike NUMBER; all: --csv FILE)", *told]


def _entry_words(entry: Entry) -> str:
    end = f"{entry.left_g:g} g left" if entry.left_g >= 0 else f"{-entry.left_g:g} g short"
    words = [
        entry.booked.partition("T")[0],
        *(visible(text) for text in (entry.scan, entry.stone) if text is not None),
        way_in_words(entry.way),
        f"{entry.powder_g:g} g powder",
        end,
        *(("struck out",) if entry.struck is not None else ()),
    ]
    return ", ".join(words)


def _heading(law: Learned, pours: Sequence[Pour]) -> str:
    short = sum(pour.short for pour in pours)
    count = f"{len(pours)} pour{'s' * (len(pours) != 1)}"
    return f"{visible(law.stone)}, mixed {way_in_words(law.way)}: {count}, {short} of them short"


def _powder(law: Learned, pours: Sequence[Pour], lab: Lab) -> str:
    powder_g = sum(pour.powder_g for pour in pours)
    lost_g = sum(
        pour.powder_g * max(pour.mix_ml - pour.volume_ml, 0.0) / pour.mix_ml for pour in pours
    )
    line = f"  powder {powder_g:.0f} g, {lost_g:.0f} g of it beyond the cavities"
    kinds = {own.name: own_stone(own, lab.currency) for own in lab.stone}
    cost = cost_in_words(powder_g, lost_g, kinds[law.stone]) if law.stone in kinds else ""
    return f"{line}; {cost}" if cost else line


def _lesson(law: Learned, lab: Lab) -> list[str]:
    volume_ml = USUAL_VOLUME_ML
    default = lab.way.of(law.way)
    usual_ml = default.share_percent / 100.0 * volume_ml + default.residue_ml
    average = (
        f"  a pour of {volume_ml:g} mL takes {law.expected_ml(volume_ml):.1f} mL more than the "
        f"cavity on average, give or take {law.scatter_ml(volume_ml):.1f} mL"
    )
    advice = (
        f"  so mix {law.allowance_ml(volume_ml):.1f} mL on top ({usual_ml:.1f} mL without the "
        f"journal): {law.risk_percent:g} % chance of running short"
    )
    few = law.pours < 2 * PRIOR_POURS
    ground = f"  this rests on {law.pours} pour{'s' * (law.pours != 1)}"
    return [average, advice, ground + (": few, it still leans on the default" if few else "")]


def with_waste(
    settings: Settings,
    *,
    waste_percent: float | None,
    residue_ml: float | None,
    journal_file: Path | None,
) -> Settings:
    """Put the waste into settings that know their lab; where any was said, nothing is learned."""
    usual = settings.lab.way.of(settings.way)
    learned: tuple[Learned, ...] = ()
    if waste_percent is None and residue_ml is None and journal_file is not None:
        with Journal(journal_file, new=False) as journal:
            learned = learn_all(journal.pours(), settings.lab)
    return replace(
        settings,
        waste_percent=usual.share_percent if waste_percent is None else waste_percent,
        residue_ml=usual.residue_ml if residue_ml is None else residue_ml,
        learned=learned,
    )
