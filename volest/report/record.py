"""Results for other programs: JSON, as docs/reference/json.md and schema.json tell, and CSV."""

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from importlib import resources
from typing import Any

from volest import __version__
from volest.report.table import cell, without_bowl
from volest.result import PLACES, Guide, Result, plain
from volest.settings import Settings
from volest.stone.shared import Plan

COLUMNS = tuple(PLACES)


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
    record: Any = plain(
        {
            "volest": __version__,
            **({} if stopped is None else {"stopped": {"done": stopped[0], "of": stopped[1]}}),
            "settings": settings.as_record(),
            "scans": [result.to_dict() for result in results],
            **({} if plan is None else {"shared": _shared(plan)}),
        }
    )
    return dict(record)


def guide_record(guide: Guide) -> dict[str, Any]:
    """Give what only a scan can tell, to stand beside what else is said of it."""
    from volest.report.guide import imprint_words  # most runs make no guide

    row, each = guide.imprints, () if guide.imprints is None else guide.imprints.each
    named = [] if row is None else [imprint_words(row, k) for k in range(1, len(each) + 1)]
    parts = {"preparations": guide.preparations, "palate": guide.palate}
    return {
        "guide": {
            "narrow_mm": guide.narrow_mm,
            "imprints": [_own(one) | {"name": n} for one, n in zip(each, named, strict=True)],
            "flow": guide.flow,
            **{name: _own(part) for name, part in parts.items() if part is not None},
        },
        "thickness": _own(guide.thickness),
        "separation": _own(guide.separation),
    }


def _own(part: Any) -> dict[str, Any]:
    """Leave out notes, which stand among those of the scan, and places in the work's own frame."""
    return {key: value for key, value in asdict(part).items() if key not in {"notes", "place_mm"}}


def _shared(plan: Plan) -> dict[str, Any]:
    return {
        "start": plan.start.isoformat(),
        "mixes": [
            {
                "scans": [one.scan or one.name for one in shared.impressions],
                "cavities": [one.cavity for one in shared.impressions],
                "kinds": [one.kind for one in shared.impressions],
                "start_min": shared.start_min,
                "turns_min": shared.turns_min,
                "pour_by_min": [one.closes_min for one in shared.impressions],
                "bowl": shared.mix.bowl,
                "equal_mixes": shared.mix.mixes,
                "mix": shared.mix,
                "notes": shared.notes,
            }
            for shared in plan.mixes
        ],
        "powder_g": plan.powder_g,
        "single_mixes_powder_g": plan.alone_g,
    }


def as_text(record: Mapping[str, Any]) -> str:
    r"""Write a record as ASCII JSON (RFC 8259), readable for people too.

    A byte of a file name that is not UTF-8 is written out, as in the table: ``caf\\xe9.stl``.
    """
    return _told(plain(record), "\n") + "\n"


def _told(value: Any, line: str) -> str:
    """Write as `json.dumps` does with an indent of 2, which takes three times as long over it."""
    if type(value) is float:
        return repr(value)
    within = line + "  "
    if isinstance(value, dict) and value:
        parts = [f"{json.dumps(key)}: {_told(part, within)}" for key, part in value.items()]
        return f"{{{within}{f',{within}'.join(parts)}{line}}}"
    if isinstance(value, list) and value:
        parts = [repr(p) if type(p) is float else _told(p, within) for p in value]
        return f"[{within}{f',{within}'.join(parts)}{line}]"
    return json.dumps(value)


def as_line(result: Result) -> str:
    """Write one impression as JSON in one line, for programs that read while a run goes on."""
    return json.dumps(result.to_dict(), allow_nan=False)


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
        yield before + "    " + _told(result.to_dict(), "\n    ")
        before = ",\n"
    yield ("]" if before == "\n" else "\n  ]") + tail


def schema() -> dict[str, Any]:
    """Read the JSON schema of the contract (draft 2020-12)."""
    text = resources.files("volest.report").joinpath("schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


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
        row = result.to_row()
        if shared is not None:  # what the plan notes of a scan goes first
            own = result if len(shared.impressions) == 1 else without_bowl(result)
            noted = replace(own, notes=(*shared.notes_of(result.name), *own.notes))
            row = noted.to_row() | {
                "shared_mix": number,
                "shared_mix_powder_g": shared.mix.powder_g,
                "shared_mix_water_ml": shared.mix.water_ml,
                "shared_mix_bowl": shared.mix.bowl,
            }
        yield _written([_text(row.get(column)) for column in COLUMNS])


def _written(cells: Sequence[str]) -> str:
    line = io.StringIO(newline="")
    csv.writer(line).writerow(cells)
    return line.getvalue()


def _text(value: str | float | None) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, str):
        return cell(value)
    if isinstance(value, int):
        return str(value)
    return f"{value:z.3f}"  # to a microlitre, a micrometre: below what any scan can tell
