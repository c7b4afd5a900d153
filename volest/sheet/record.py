"""Results as JSON, to the contract that docs/reference/json.md and schema.json tell."""

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from importlib import resources
from numbers import Integral, Real
from textwrap import indent
from typing import Any

from volest import __version__
from volest.result import Result
from volest.settings import Settings
from volest.sheet.pours import shared_record
from volest.stone.plan import Plan


def document(
    results: Sequence[Result], settings: Settings, plan: Plan | None = None
) -> dict[str, Any]:
    """Put all that is known of a run into one record of finite numbers, None and plain values."""
    plain = _plain(
        {
            "volest": __version__,
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
        "slope_ml_per_mm": result.slope_ml_per_mm,
        "curve": result.curve,
        "reserve_ml": result.reserve_ml,
        "mix": None if result.mix is None else result.mix.as_record(),
        "second_pour": None if result.second_pour is None else result.second_pour.as_record(),
        "trim": None if result.trim is None else asdict(result.trim),
        "notes": [asdict(note) for note in result.notes],
        "reason": result.reason,
        "seconds": result.seconds,
    }


def as_text(record: Mapping[str, Any]) -> str:
    r"""Write a record as ASCII JSON (RFC 8259), readable for people too.

    A byte of a file name that is not UTF-8 stands as the lone surrogate of PEP 383 (``\udcff``),
    which gives the path back in Python.
    """
    return json.dumps(_plain(record), indent=2, allow_nan=False) + "\n"


def text_in_pieces(
    results: Iterable[Result], settings: Settings, plan: Plan | None = None
) -> Iterator[str]:
    """Write the same text as ``as_text(document(...))`` scan by scan, however many there are."""
    head, _, tail = as_text(document([], settings, plan)).partition('"scans": []')
    yield head + '"scans": ['
    before = "\n"
    for result in results:
        yield before + indent(as_text(scan_record(result)).rstrip("\n"), "    ")
        before = ",\n"
    yield ("]" if before == "\n" else "\n  ]") + tail


def schema() -> dict[str, Any]:
    """Read the JSON schema of the contract (draft 2020-12)."""
    text = resources.files("volest.sheet").joinpath("schema.json").read_text(encoding="utf-8")
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
