"""One result as the words and figures of one row; nothing here knows of widths or colours."""

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from volest.result import REFUSED, Result
from volest.settings import Base
from volest.sheet.names import visible
from volest.stone.in_cells import powder_dealt, scoops_dealt, water_dealt
from volest.stone.plan import PASSED

BLANK = "-"
NO_NOTE = "none"
_STEPS_PER_ML = 10  # a tenth of a mL: finer than a measuring cylinder is read at the bench
_PLAIN = Base()
_ROUNDING_NOISE = 6  # decimals; 1.1 mL times ten must not be rounded up to twelve tenths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """The cells of one impression, ready to be set.

    Parameters
    ----------
    stone : str
        Stone of the first pour; empty where all scans of the run take the same.
    volume : str
        Volume with its interval, mL; decimal points stand under each other.
    powder, water, scoops : str
        Powder in g, water in mL, full scoops and what is weighed on top; of each mix.
    base : str
        How the base line was found, and how far it was moved.
    notes : tuple of str
        Codes of the doubts, or one word.
    """

    name: str
    stone: str
    volume: str
    powder: str
    water: str
    scoops: str
    base: str
    notes: tuple[str, ...]
    refused: bool

    @property
    def noted(self) -> bool:
        """Whether anything has to be looked at."""
        return self.notes != (NO_NOTE,)

    def figures(self) -> tuple[str, ...]:
        """Give the cells that may never be cut, stone among them where there are several."""
        stone = (self.stone,) if self.stone else ()
        return self.volume, *stone, self.powder, self.water, self.scoops, self.base


def rows(
    results: Sequence[Result],
    names: Sequence[str],
    base: Base = _PLAIN,
    late: Collection[str] = (),
) -> list[Row]:
    """Turn results into rows; `late` are past their window when their turn comes."""
    volumes, stones = _volumes(results), _stones(results)
    return [
        _row(result, base, late, name=name, stone=stone, volume=volume)
        for result, name, stone, volume in zip(results, names, stones, volumes, strict=True)
    ]


def _row(
    result: Result, asked: Base, late: Collection[str], *, name: str, stone: str, volume: str
) -> Row:
    mix, base = result.mix, result.base_line
    refused = result.outcome == REFUSED
    passed = (PASSED,) if result.name in late else ()
    codes = tuple(dict.fromkeys((*passed, *(visible(note.code) for note in result.notes))))
    return Row(
        name=name,
        stone=stone,
        volume=volume,
        powder=BLANK if mix is None else powder_dealt(mix),
        water=BLANK if mix is None else water_dealt(mix),
        scoops=BLANK if mix is None else scoops_dealt(mix),
        base=BLANK if base is None else _base_words(base.how, asked),
        notes=(_refusal(result), *codes) if refused else codes or (NO_NOTE,),
        refused=refused,
    )


def _base_words(how: str, asked: Base) -> str:
    moved = how == asked.how and asked.offset_mm != 0
    return f"{visible(how)} {asked.offset_mm:+.1f} mm" if moved else visible(how)


def _refusal(result: Result) -> str:
    return "REFUSED" if result.code is None else f"REFUSED {visible(result.code)}"


def _stones(results: Sequence[Result]) -> list[str]:
    stones = [BLANK if result.mix is None else visible(result.mix.stone) for result in results]
    return stones if len(set(stones) - {BLANK}) > 1 else [""] * len(stones)


def _volumes(results: Sequence[Result]) -> list[str]:
    middles = [tenths(result.volume_ml, round) for result in results]
    widest = max((len(middle) for middle in middles), default=0)
    # Outwards, so that the interval in the table is never narrower than the one that was found.
    lows = [tenths(result.volume_low_ml, math.floor) for result in results]
    highs = [tenths(result.volume_high_ml, math.ceil) for result in results]
    return [
        f"{middle:>{widest}}" + (f" ({low}-{high})" if BLANK not in {low, high} else "")
        for middle, low, high in zip(middles, lows, highs, strict=True)
    ]


def tenths(value: float | None, rounded: Callable[[float], int]) -> str:
    """Write a volume in tenths of a mL, the ends of an interval by `math.floor` and `math.ceil`.

    >>> tenths(1.1, math.ceil), tenths(1.11, math.ceil), tenths(None, round)
    ('1.1', '1.2', '-')
    """
    if value is None or not math.isfinite(value):
        return BLANK
    return f"{rounded(round(value * _STEPS_PER_ML, _ROUNDING_NOISE)) / _STEPS_PER_ML:.1f}"
