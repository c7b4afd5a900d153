"""What may be set for one run, with the defaults in one place."""

import math
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta
from fnmatch import fnmatchcase, translate
from pathlib import PurePath
from typing import Any

from volest.errors import UsageError
from volest.lab import HAND, VACUUM, Lab, Learned, Way

# Columns were within 0.04 % of exact booleans here; halving it costs four-fold.
DEFAULT_PITCH_MM = 0.4
PITCH_RANGE_MM = (0.05, 2.0)  # finer than scanners resolve; coarser than the gaps between teeth
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
PLANE_NUMBERS = 6
FARTHEST_MM = 1e6  # a kilometre from the scanner's own zero is no scan, whatever its size
LEAST_NORMAL = 1e-6  # a shorter one has no direction to speak of


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """Where the base line is asked for.

    Parameters
    ----------
    how : str
        'rim', 'depth', 'cover', 'plane', or 'saved': a plane that a person saved.
    offset_mm : float
        Height above the rim (rim), above the deepest floor (depth) or the least stone over the
        highest floor (cover); unused for 'plane'.
    plane : tuple of float
        For 'plane' and 'saved': point in mm, then the normal, in the scan's own frame.
    """

    how: str = "rim"
    offset_mm: float = 0.0
    plane: tuple[float, ...] = ()

    def __str__(self) -> str:
        if self.how == "plane":
            return "plane=" + ",".join(f"{x:g}" for x in self.plane)
        is_usual = self.how == "rim" and self.offset_mm == 0
        return "rim" if is_usual else f"{self.how}={self.offset_mm:g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that changes a result, apart from the scan itself.

    Parameters
    ----------
    base : Base
        Where the base line lies.
    unit : str or None
        Unit of the files; None takes mm and refuses what clearly is not.
    stones_for : tuple of pairs of str
        Patterns of names of scans, and the stone that those take instead; the last that fits holds.
    wp_ml_per_100g : float or None
        Water to powder; None takes the stone's own.
    waste_percent, residue_ml : float
        Share of what is filled that is mixed on top and lost; fixed part that stays in the bowl.
    by, way : str
        'gram' or 'scoop': what powder is rounded up to; 'hand' or 'vacuum': how it is mixed.
    inside_out, obey_saved : bool
        Take scans whose faces point away from the opening; take a saved base line before `base`.
    stretch_ml_per_100g : float
        Water on top of the ratio for a longer pour, inside the stone's range.
    lab, lab_file : Lab, str or None
        The lab's own stones, bowls, bench and base; the file that they come from.
    learned : tuple of Learned
        Waste learned from the lab's pours; it goes before share and residue where it fits.
    scoop_stone : str or None
        Stone that the scoop of the bench was weighed with; None takes `stone`.
    """

    base: Base = Base()
    unit: str | None = None
    pitch_mm: float = DEFAULT_PITCH_MM
    stone: str = "type-4"
    stones_for: tuple[tuple[str, str], ...] = ()
    wp_ml_per_100g: float | None = None
    waste_percent: float = Way().share_percent
    residue_ml: float = Way().residue_ml
    by: str = "gram"
    inside_out: bool = False
    obey_saved: bool = True
    way: str = VACUUM
    stretch_ml_per_100g: float = 0.0
    lab: Lab = field(default_factory=Lab)
    learned: tuple[Learned, ...] = ()
    scoop_stone: str | None = None
    lab_file: str | None = None

    @property
    def stones(self) -> tuple[str, ...]:
        """The stones of first pours, the usual one first."""
        return tuple(dict.fromkeys((self.stone, *(stone for _, stone in self.stones_for))))

    def with_stone(self, stone: str) -> "Settings":
        """Give another stone to all first pours; the bench's scoop stays one of the old stone."""
        return replace(self, stone=stone, stones_for=(), scoop_stone=self.scoop_stone or self.stone)

    def for_scan(self, scan: str) -> "Settings":
        """Give the settings of one scan of a run, with the stone of the last pattern that fits."""
        fitting = [stone for pattern, stone in self.stones_for if fits(pattern, scan)]
        return self.with_stone(fitting[-1]) if fitting else self

    def is_upper(self, scan: str) -> bool | None:
        """Say whether a scan is of an upper jaw; None where the lab's file does not say."""
        upper, lower = (
            any(fits(names, scan) for names in patterns)
            for patterns in (self.lab.jaw.upper, self.lab.jaw.lower)
        )
        return None if upper == lower else upper

    def right_is_one_to_five(self, scan: str, *, is_arch: bool) -> bool | None:
        """Say whether 1 to 5 on the dial are the patient's right; None where no jaw is known.

        A quadrant lies on one side of the patient, so nothing is said of it.

        The dial is seen into the opening, 12 at the front: of an upper jaw that is from above, and
        right is right; of a lower jaw it is from below.
        """
        return self.is_upper(scan) if is_arch else None

    def as_record(self) -> dict[str, Any]:
        """Return plain values for JSON; the base line in the words of the command line."""
        record = {**asdict(self), "base": str(self.base), "stones_for": dict(self.stones_for)}
        del record["scoop_stone"]  # each mix says whether its scoop is known
        return record


def fits(pattern: str, scan: str) -> bool:
    """Say whether a pattern of a shell's fits a scan's name; folders and capitals do not count.

    An empty one, of a word that has no pattern before it, fits all.

    >>> fits("b04*", "monday/b0417.stl"), fits("B04*", "monday/b0417.stl"), fits("", "b0417.stl")
    (True, True, True)
    """
    return not pattern or fnmatchcase(PurePath(scan).name.casefold(), pattern.casefold())


_CLOCK = re.compile(r"(?:(\d{4}-\d\d-\d\d)[ T])?(\d{1,2}:\d\d)")
_BEFORE = re.compile(r"(\d{1,6}(?:\.\d+)?) ?min")  # two years: no impression waits so long
_DIGITS = {"%Y": 4, "%m": 2, "%d": 2, "%H": 2, "%M": 2}  # in a pattern
IN_NAME = "name"  # for a time: it is read from the scan's name


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """When impressions were taken whose scans have such a name, in the words of the option."""

    pattern: str
    word: str

    def fits(self, scan: str) -> bool:
        """Say whether it speaks of a scan."""
        return fits(digits_for(self.pattern), scan)

    def at(self, scan: str, start: datetime) -> datetime | None:
        """Give the time, a clock's on the day of `start`; None where the name has none."""
        if before := _BEFORE.fullmatch(self.word):
            return start - timedelta(minutes=float(before[1]))
        if self.word != IN_NAME:
            return clock_time(self.word, start)
        marks = translate(self.pattern)
        for mark, digits in _DIGITS.items():
            marks = marks.replace(mark, f"(?P<{mark[1]}>[0-9]{{{digits}}})", 1)
        found = re.match(digits_for(marks), PurePath(scan).name, re.IGNORECASE)
        if found is None:
            return None
        said = {key: f"{start:%{key}}" for key in "Ymd"} | found.groupdict()
        return clock_time("{Y}-{m}-{d} {H}:{M}".format(**said), start)


def digits_for(pattern: str) -> str:
    """Put digits in the places of a pattern that stand for year, month, day, hour and minute."""
    for mark, digits in _DIGITS.items():
        pattern = pattern.replace(mark, "[0-9]" * digits)
    return pattern


def clock_time(text: str, start: datetime) -> datetime | None:
    """Read a time of a clock here, on the day of `start` unless it says which; None if it is none.

    >>> noon = datetime.fromisoformat("2026-03-02T12:00").astimezone()
    >>> f"{clock_time('9:05', noon):%d %H:%M}", f"{clock_time('2026-03-01 21:30', noon):%d %H:%M}"
    ('02 09:05', '01 21:30')
    """
    parts = _CLOCK.fullmatch(text)
    if parts is None:
        return None
    with suppress(ValueError, OverflowError):  # no such day; in the year 1 no zone can be told
        return datetime.fromisoformat(f"{parts[1] or start.date()} {parts[2]:0>5}").astimezone()
    return None


def parse_taken(text: str) -> Taken:
    """Read `[PATTERN=]WHEN` as it is written on the command line."""
    pattern, word = pattern_and_word(text)
    noon = datetime.fromisoformat("2000-01-01 12:00").astimezone()  # its form alone is asked
    marks = re.sub(r"\[[^]]*]", "", pattern)  # of those in brackets one digit alone would be read
    in_name = word == IN_NAME and marks.count("%") == pattern.count("%")
    in_name = in_name and "%H" in marks and "%M" in marks
    if not (in_name or _BEFORE.fullmatch(word) or clock_time(word, noon)):
        raise UsageError(
            f"time taken {text!r}",
            needed="13:40, '2026-03-02 13:40', '20 min' (before the plan), or name where the "
            "pattern has %H and %M, outside of brackets",
            remedy="write for example --taken 'b04*=13:40' or --taken '*_%H%M.*=name'",
        )
    return Taken(pattern=pattern, word=word)


def parse_base(text: str) -> Base:
    """Read a base line as it is written on the command line."""
    how, _, rest = text.partition("=")
    try:
        numbers = (0.0,) if text == "rim" else tuple(map(float, rest.split(",")))
    except ValueError:
        numbers = ()
    if not all(abs(x) <= FARTHEST_MM for x in numbers):  # nor is one that is no number
        numbers = ()
    is_plane = how == "plane" and len(numbers) == PLANE_NUMBERS
    if is_plane and math.hypot(*numbers[3:]) >= LEAST_NORMAL:
        return Base(how=how, plane=numbers)
    if len(numbers) == 1 and (how == "rim" or (how in ("depth", "cover") and numbers[0] > 0)):
        return Base(how=how, offset_mm=numbers[0])
    raise UsageError(
        f"base line {text!r}",
        needed="rim, rim=MM, depth=MM, cover=MM (MM above 0) or plane=PX,PY,PZ,NX,NY,NZ",
        remedy="write for example --base rim=-1.5",
    )


def pattern_and_word(text: str) -> tuple[str, str]:
    """Part `[PATTERN=]WORD`; the pattern is empty where there is none.

    >>> pattern_and_word("*-bite*=type-3"), pattern_and_word("'*-bite*=type-3'")
    (('*-bite*', 'type-3'), ('*-bite*', 'type-3'))
    """
    if text.startswith("'") and text.endswith("'"):  # the cmd of Windows hands them on
        text = text.strip("'")
    pattern, _, word = text.rpartition("=")
    return pattern, word


_USUAL = Settings()


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing that may be set, and everywhere that it may be said: a row of a table."""

    name: str  # of the field of `Settings`, the keyword in Python, the parameter of a command
    flag: str
    says: str  # the help
    kind: type = float  # of its value; tuple for what may be said often
    metavar: str | None = None
    example: str = ""  # a line of a lab's file, where it may stand there as a habit
    choices: tuple[str, ...] = ()
    shows_default: bool = False
    limits: tuple[float, float] = (-math.inf, math.inf)
    word: str = ""  # what a pattern has there
    variable: str | None = None  # of the environment; goes before the file

    @property
    def default(self) -> str | float | bool | None:
        """What holds where nothing is said, if one word can say it."""
        usual = getattr(_USUAL, self.name, None)
        return usual if isinstance(usual, str | float | bool) else None

    @property
    def habit(self) -> str:
        """Its key under [habits] in a lab's file: the option's word."""
        return self.flag.removeprefix("--").replace("-", "_")

    def needs(self, value: Any) -> str | None:
        """Say what is needed where a value under ``[habits]`` cannot be meant."""
        if self.kind is tuple:
            words = value if isinstance(value, list) and value else [None]
            is_meant = all(isinstance(one, str) and all(pattern_and_word(one)) for one in words)
            needed = f"texts in brackets, each with a pattern and its {self.word}"
        elif self.kind is float:
            low, high = self.limits
            is_number = isinstance(value, int | float) and not isinstance(value, bool)
            is_meant = is_number and low <= value <= high
            needed = f"{low:g} to {high:g}" if is_number else "a number"
        else:
            is_text = isinstance(value, str)
            is_meant = is_text and value in (self.choices or [value])
            needed = f"one of {', '.join(self.choices)}" if self.choices else "a text in quotes"
        return None if is_meant else needed


# By the commands that take them: those that measure, that mix, that plan a day, that run.
SETTINGS: Mapping[str, tuple[Setting, ...]] = {
    "measuring": (
        Setting("base", "--base", "Base line, as above; rim if nothing is saved.", str, "HOW",
                'base = "rim=-1.5"'),
        Setting("unit", "--unit", "Unit of the files; else mm.", str, None, 'unit = "mm"',
                choices=tuple(MM_PER_UNIT)),
        Setting("pitch_mm", "--pitch",
                "Width of a column, {:g} to {:g}; finer takes longer.".format(*PITCH_RANGE_MM),
                float, "MM", "pitch = 0.4", shows_default=True, limits=PITCH_RANGE_MM),
        Setting("inside_out", "--inside-out",
                "Take scans whose faces point the wrong way as impressions.", bool),
    ),
    "stone": (
        Setting("stone", "--stone", "Stone type; `volest lab` lists them.", str, "NAME",
                'stone = "type-4"', shows_default=True),
    ),
    "stones": (
        Setting("stones_for", "--stone-for",
                "Another stone for scans of such names, for example '*-bite*=type-3'.",
                tuple, "PATTERN=NAME", "stone_for = ['*-bite*=type-3']", word="stone"),
    ),
    "amounts": (
        Setting("wp_ml_per_100g", "--wp", "mL of water per 100 g of powder; else the type's usual.",
                float, "ML"),
        Setting("waste_percent", "--waste", "Share of what is filled, mixed on top; else the lab's,"
                f" {Way().share_percent:g} where it says none.", float, "PERCENT"),
        Setting("residue_ml", "--residue", "Fixed part that stays on bowl, spatula and brush; else "
                f"the lab's, or {Way().residue_ml:g}.", float, "ML"),
        Setting("by", "--by", "Round powder up to steps of the scale or to scoops.", str, None,
                'by = "gram"', choices=("gram", "scoop"), shows_default=True),
        Setting("lab_file", "--lab",
                "The lab's own file; else lab.toml beside the scans or above, or yours.",
                PurePath, "FILE", variable="VOLEST_LAB"),
        Setting("journal_file", "--journal",
                "Learn the waste from the pours booked there, unless --waste or --residue is "
                "given.", PurePath, "FILE", 'journal = "journal.db"', variable="VOLEST_JOURNAL"),
        Setting("way", "--way", "How it is mixed.", str, None, 'way = "vacuum"',
                choices=(HAND, VACUUM), shows_default=True),
        Setting("stretch_ml_per_100g", "--extra-water",
                "Extra water per 100 g for a longer pour, held inside the stone's range.",
                float, "ML"),
        Setting("second_pour_mm", "--second-pour",
                "A base of this height under the first pour; 0 for none.",
                float, "MM", limits=(0.0, math.inf)),
        Setting("heap_mm", "--heap",
                "How far the first pour stands over the rim; else the lab's, or 2; 0 for flush.",
                float, "MM", limits=(0.0, 10.0)),
    ),
    "day": (
        Setting("materials", "--material", "Material, as b04*=alginate; its window is kept.",
                tuple, "[PATTERN=]NAME", "material = ['*-alg*=alginate']", word="material"),
        Setting("kinds", "--kind",
                "quadrant, arch or dies (an arch with prepared teeth); else as the scan has it.",
                tuple, "[PATTERN=]KIND", "kind = ['*-prep*=dies']", word="kind"),
        Setting("taken", "--taken",
                "When it was taken: 13:40, '20 min' (before now), or name (%H%M of the pattern).",
                tuple, "[PATTERN=]WHEN", "taken = ['*_%H%M.*=name']", word="time"),
    ),
    "out": (
        Setting("out", "--out",
                "Write results.json, results.csv and sheet.html there; what is finished stays "
                "finished.", PurePath, "DIR"),
        Setting("no_sheet", "--no-sheet",
                "With --out: leave out the pour sheet; so it is with --cluster or an address.",
                bool),
    ),
    "running": (
        Setting("workers", "--workers", "Scans sized at a time; else one a processor.", int, "N"),
        Setting("memory_mb", "--memory",
                "Memory of each worker; else four fifths of the computer's, shared.", int, "MB"),
        Setting("seconds_each", "--seconds-each",
                "Time for one scan, 300 if not given; a longer one is ended and told as a fault.",
                float, "S"),
        Setting("cluster", "--cluster",
                "Size the scans on the workers of this Dask scheduler (extra 'cluster').",
                str, "ADDRESS"),
    ),
}  # fmt: skip
NAMED = {setting.name: setting for group in SETTINGS.values() for setting in group}
HABITS = {setting.habit: setting for setting in NAMED.values() if setting.example}
