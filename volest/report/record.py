"""Results for other programs: JSON, as docs/reference/json.md and schema.json tell, and CSV."""

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from importlib import resources
from numbers import Integral, Real
from textwrap import indent
from typing import Any

from volest import __version__
from volest.report.guide import imprint_words
from volest.report.names import cell
from volest.report.remarks import without_bowl
from volest.result import Guide, Result
from volest.settings import Settings
from volest.stone.mix import Mix
from volest.stone.shared import PASSED, Plan, SharedMix

COLUMNS = (
    "scan",
    "outcome",
    "volume_ml",
    "volume_low_ml",
    "volume_high_ml",
    "water_ml",
    "powder_g",
    "full_scoops",
    "rest_g",
    "whole_scoops",
    "whole_scoops_water_ml",
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


def document(
    results: Sequence[Result],
    settings: Settings,
    plan: Plan | None = None,
    *,
    stopped: tuple[int, int] | None = None,
) -> dict[str, Any]:
    """Put all that is known of a run into one record of finite numbers, None and plain values.

    A run that was stopped says so: scans that were done, of how many.
    """
    plain = _plain(
        {
            "volest": __version__,
            **({} if stopped is None else {"stopped": {"done": stopped[0], "of": stopped[1]}}),
            "settings": settings.as_record(),
            "scans": [scan_record(result) for result in results],
            **({} if plan is None else {"shared": shared_record(plan)}),
        }
    )
    assert isinstance(plain, dict)  # noqa: S101  # a mapping went in
    return plain


def scan_record(result: Result) -> dict[str, Any]:
    """Give one impression as an entry of ``scans``; lengths in mm, volumes in mL, masses in g."""
    return {
        "scan": result.scan,
        "cavity": result.cavity,
        "outcome": result.outcome,
        "volume_ml": result.volume_ml,
        "volume_low_ml": result.volume_low_ml,
        "volume_high_ml": result.volume_high_ml,
        "base_line": None if result.base_line is None else asdict(result.base_line),
        "footprint_mm2": result.footprint_mm2,
        "rim_mm2": result.rim_mm2,
        "depth_mm": result.depth_mm,
        "base_areas": result.base_areas,
        "slope_ml_per_mm": result.slope_ml_per_mm,
        "curve": result.curve,
        "reserve_ml": result.reserve_ml,
        "mix": None if result.mix is None else result.mix.as_record(),
        "second_pour": None if result.second_pour is None else result.second_pour.as_record(),
        "trim": None if result.trim is None else asdict(result.trim),
        **guide_record(result.guide),
        "notes": [note.as_record() for note in result.notes],
        "reason": result.reason,
        "seconds": result.seconds,
    }


def guide_record(guide: Guide | None) -> dict[str, Any]:
    """Give what only a scan can tell; nothing where it was not asked for."""
    if guide is None:
        return {}
    record = {
        "narrow_mm": guide.narrow_mm,
        "imprints": [],
        "flow": None if guide.flow is None else asdict(guide.flow),
    }
    if guide.imprints is not None:
        left_out = {"place_mm"}  # it is in the frame of the work
        record["imprints"] = [
            {key: value for key, value in asdict(one).items() if key not in left_out}
            | {"name": imprint_words(guide.imprints, number)}
            for number, one in enumerate(guide.imprints.each, start=1)
        ]
    told = {"thickness": asdict(guide.thickness), "separation": asdict(guide.separation)}
    for one in told.values():
        del one["notes"]  # they stand among those of the scan
    return {"guide": record, **told}


def shared_record(plan: Plan) -> dict[str, Any]:
    """Give the plan as plain values, the object under ``shared`` in JSON."""
    return {
        "mixes": [
            {
                "scans": [one.scan or one.name for one in shared.impressions],
                "cavities": [one.cavity for one in shared.impressions],
                "start_min": shared.start_min,
                "bowl": shared.mix.bowl,
                "equal_mixes": shared.mix.mixes,
                "mix": shared.mix.as_record(),
                "notes": [note.as_record() for note in shared.notes],
            }
            for shared in plan.mixes
        ],
        "powder_g": plan.powder_g,
        "single_mixes_powder_g": plan.alone_g,
    }


def as_text(record: Mapping[str, Any]) -> str:
    r"""Write a record as ASCII JSON (RFC 8259), readable for people too.

    A byte of a file name that is not UTF-8 stands as the lone surrogate of PEP 383 (``\udcff``),
    which gives the path back in Python.
    """
    return json.dumps(_plain(record), indent=2, allow_nan=False) + "\n"


def as_line(result: Result) -> str:
    """Write one impression as JSON in one line, for programs that read while a run goes on."""
    return json.dumps(_plain(scan_record(result)), allow_nan=False)


def text_in_pieces(
    results: Iterable[Result],
    settings: Settings,
    plan: Plan | None = None,
    *,
    stopped: tuple[int, int] | None = None,
) -> Iterator[str]:
    """Write the same text as ``as_text(document(...))`` scan by scan, however many there are."""
    head, _, tail = as_text(document([], settings, plan, stopped=stopped)).partition('"scans": []')
    yield head + '"scans": ['
    before = "\n"
    for result in results:
        yield before + indent(as_text(scan_record(result)).rstrip("\n"), "    ")
        before = ",\n"
    yield ("]" if before == "\n" else "\n  ]") + tail


def schema() -> dict[str, Any]:
    """Read the JSON schema of the contract (draft 2020-12)."""
    text = resources.files("volest.report").joinpath("schema.json").read_text(encoding="utf-8")
    loaded = json.loads(text)
    assert isinstance(loaded, dict)  # noqa: S101  # our own file
    return loaded


def _plain(value: object) -> object:
    """Turn tuples, numpy numbers and what is not finite into what JSON knows."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        number = float(value)
        return number if math.isfinite(number) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, Sequence):
        return [_plain(part) for part in value]
    raise TypeError(f"no JSON for {type(value).__name__}")


def csv_pieces(results: Iterable[Result], plan: Plan | None = None) -> Iterator[str]:
    """Write results as CSV (RFC 4180: comma, quotes doubled, CRLF), empty where unmeasured.

    It comes line by line, however many scans there are.
    """
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
        "notes": cell(
            " | ".join(f"{note.code}: {note.text} Do: {note.do}" for note in result.notes)
        ),
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
        if result.mix.whole_scoops is not None:
            cells["whole_scoops"] = str(result.mix.whole_scoops.scoops)
            cells["whole_scoops_water_ml"] = _number(result.mix.whole_scoops.water_ml)
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


def _number(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return ""
    return f"{round(value, _DECIMALS) + 0.0:.{_DECIMALS}f}"  # adding 0.0 makes -0.0 a plain zero
