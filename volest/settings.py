"""What may be set for one run, with the defaults in one place."""

import math
from dataclasses import asdict, dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import PurePath
from typing import Any

from volest.errors import UsageError
from volest.lab import VACUUM, Lab, Learned, Way

DEFAULT_PITCH_MM = (
    0.4  # columns were within 0.04 % of exact booleans here; halving it costs four-fold
)
PITCH_RANGE_MM = (0.05, 2.0)  # finer than scanners resolve; coarser than the gaps between teeth
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
WAYS_OF_DEALING = ("gram", "scoop")
PLANE_NUMBERS = 6
FARTHEST_MM = 1e6  # as for the scans themselves
LEAST_NORMAL = 1e-6  # a shorter one has no direction to speak of


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """Where the base line is asked for.

    Parameters
    ----------
    how : str
        'rim', 'depth', 'cover', 'plane', or 'saved': a plane that a person saved.
    offset_mm : float
        Height above the rim (rim), above the tips (depth) or the least stone over the highest
        floor (cover); unused for 'plane'.
    plane : tuple of float
        For 'plane' and 'saved': point in mm, then the normal, in the scan's own frame.
    """

    how: str = "rim"
    offset_mm: float = 0.0
    plane: tuple[float, ...] = ()

    def __str__(self) -> str:
        if self.how == "plane":
            return "plane=" + ",".join(f"{x:g}" for x in self.plane)
        if self.how == "rim" and self.offset_mm == 0:
            return "rim"
        return f"{self.how}={self.offset_mm:g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that changes a result, apart from the scan itself.

    Parameters
    ----------
    base : Base
        Where the base line lies.
    unit : str or None
        Unit of the files; None takes mm and refuses what clearly is not.
    pitch_mm : float
        Width of a column.
    stone : str
        Stone type of the first pour.
    stones_for : tuple of pairs of str
        Patterns of names of scans, each with the stone that those scans take instead; of several
        that fit, the last holds.
    wp_ml_per_100g : float or None
        Water to powder; None takes the stone's own.
    waste_percent : float
        Share of the cavity that is mixed on top and stays in the bowl.
    residue_ml : float
        Fixed part that stays on bowl, spatula and brush.
    by : str
        'gram' rounds the powder up to whole grams, 'scoop' to whole scoops.
    inside_out : bool
        Take scans whose faces point away from the opening as impressions.
    obey_saved : bool
        Take what a person saved beside a scan before `base`.
    way : str
        How it is mixed: 'hand' or 'vacuum'.
    stretch_ml_per_100g : float
        Water on top of the ratio for a longer pour, inside the stone's range.
    lab : Lab
        The lab's own stones, bowls, bench and base.
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

    def as_record(self) -> dict[str, Any]:
        """Return plain values for JSON; the base line in the words of the command line."""
        record = {**asdict(self), "base": str(self.base), "stones_for": dict(self.stones_for)}
        del record["scoop_stone"]  # each mix says whether its scoop is known
        return record


def fits(pattern: str, scan: str) -> bool:
    """Say whether a pattern of a shell's fits a scan's name; folders do not count, capitals do.

    >>> fits("b04*", "monday/b0417.stl"), fits("B04*", "monday/b0417.stl")
    (True, False)
    """
    return fnmatchcase(PurePath(scan).name, pattern)


def parse_base(text: str) -> Base:
    """Read a base line as it is written on the command line."""
    if text == "rim":
        return Base()
    how, _, rest = text.partition("=")
    numbers = _numbers(rest)
    if (
        how == "plane"
        and len(numbers) == PLANE_NUMBERS
        and math.hypot(*numbers[3:]) >= LEAST_NORMAL
    ):
        return Base(how="plane", plane=numbers)
    if how == "rim" and len(numbers) == 1:
        return Base(offset_mm=numbers[0])
    if how in ("depth", "cover") and len(numbers) == 1 and numbers[0] > 0:
        return Base(how=how, offset_mm=numbers[0])
    raise UsageError(
        f"base line {text!r}",
        needed="rim, rim=MM, depth=MM, cover=MM (MM above 0) or plane=PX,PY,PZ,NX,NY,NZ",
        remedy="write for example --base rim=-1.5",
    )


def _numbers(text: str) -> tuple[float, ...]:
    """Read numbers parted by commas; none where one of them is no number within reach."""
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        return ()
    return numbers if all(abs(x) <= FARTHEST_MM for x in numbers) else ()
