"""Results as CSV for a spreadsheet: one line an impression, units in the column names."""

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from volest.notes import Note
from volest.result import Result
from volest.sheet.names import cell
from volest.sheet.pours import without_bowl
from volest.stone.mix import Mix
from volest.stone.plan import PASSED, Plan, SharedMix

COLUMNS = (
    "scan",
    "outcome",
    "volume_ml",
    "volume_low_ml",
    "volume_high_ml",
    "powder_g",
    "water_ml",
    "full_scoops",
    "rest_g",
    "stone",
    "waste_ml",
    "mix_ml",
    "base_line",
    "footprint_mm2",
    "slope_ml_per_mm",
    "rim_highest_mm",
    "rim_mean_mm",
    "rim_lowest_mm",
    "excess_length_mm",
    "gap_length_mm",
    "note_codes",
    "notes",
    "reason",
    "seconds",
    "second_pour_stone",
    "second_pour_powder_g",
    "second_pour_water_ml",
    "shared_mix",
    "shared_mix_powder_g",
    "shared_mix_water_ml",
    "bowl",
    "second_pour_bowl",
    "shared_mix_bowl",
    "cavity",
)
_DECIMALS = 3  # one microlitre, one micrometre: below what any scan can tell


def spread_text(results: Sequence[Result], plan: Plan | None = None) -> str:
    """Write results as CSV (RFC 4180: comma, quotes doubled, CRLF), empty where unmeasured."""
    return "".join(spread_pieces(results, plan))


def spread_pieces(results: Iterable[Result], plan: Plan | None = None) -> Iterator[str]:
    """Write the same line by line, however many scans there are."""
    mixes = () if plan is None else plan.mixes
    numbered = {
        one.name: (number, shared)
        for number, shared in enumerate(mixes, start=1)
        for one in shared.impressions
    }
    yield _written(COLUMNS)
    for result in results:
        number, shared = numbered.get(result.name, (0, None))
        cells = _cells(result if shared is None else _planned(result, shared))
        if shared is not None:
            cells |= _bowlful(shared.mix, "shared_mix_") | {"shared_mix": str(number)}
        yield _written([cells.get(column, "") for column in COLUMNS])


def _planned(result: Result, shared: SharedMix) -> Result:
    """Put into the notes of a scan what the plan says of it."""
    alone = len(shared.impressions) == 1
    late = any(one.name == result.name for one in shared.late)
    passed = (note for note in shared.notes if late and note.code == PASSED)
    result = result if alone else without_bowl(result)
    return replace(result, notes=(*passed, *result.notes))


def _written(cells: Sequence[str]) -> str:
    buffer = io.StringIO(newline="")
    csv.writer(buffer).writerow(cells)
    return buffer.getvalue()


def _cells(result: Result) -> dict[str, str]:
    cells: dict[str, str] = {
        "scan": cell(result.scan),
        "cavity": str(result.cavity),
        "outcome": cell(result.outcome),
        "volume_ml": _number(result.volume_ml),
        "volume_low_ml": _number(result.volume_low_ml),
        "volume_high_ml": _number(result.volume_high_ml),
        "footprint_mm2": _number(result.footprint_mm2),
        "slope_ml_per_mm": _number(result.slope_ml_per_mm),
        "note_codes": cell(" ".join(note.code for note in result.notes)),
        "notes": cell(" | ".join(_told(note) for note in result.notes)),
        "reason": cell(result.reason or ""),
        "seconds": _number(result.seconds),
    }
    if result.base_line is not None:
        cells["base_line"] = cell(result.base_line.how)
    if result.trim is not None:
        cells["rim_highest_mm"] = _number(result.trim.rim_highest_mm)
        cells["rim_mean_mm"] = _number(result.trim.rim_mean_mm)
        cells["rim_lowest_mm"] = _number(result.trim.rim_lowest_mm)
        cells["excess_length_mm"] = _number(result.trim.excess_length_mm)
        cells["gap_length_mm"] = _number(result.trim.gap_length_mm)
    if result.mix is not None:
        cells |= _bowlful(result.mix)
        cells["full_scoops"] = str(result.mix.full_scoops)
        cells["rest_g"] = _number(result.mix.rest_g)
        cells["stone"] = cell(result.mix.stone)
        cells["waste_ml"] = _number(result.mix.waste_ml)
        cells["mix_ml"] = _number(result.mix.mix_ml)
    if result.second_pour is not None:
        cells |= _bowlful(result.second_pour, "second_pour_")
        cells["second_pour_stone"] = cell(result.second_pour.stone)
    return cells


def _bowlful(made: Mix, of: str = "") -> dict[str, str]:
    return {
        f"{of}powder_g": _number(made.powder_g),
        f"{of}water_ml": _number(made.water_ml),
        f"{of}bowl": cell(made.bowl or ""),
    }


def _told(note: Note) -> str:
    return f"{note.code}: {note.text} Do: {note.do}"


def _number(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return ""
    return f"{round(value, _DECIMALS) + 0.0:.{_DECIMALS}f}"  # adding 0.0 makes -0.0 a plain zero
