"""The lab file: read, checked, and every fault listed with its key, its value and what it needs."""

import difflib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from volest.errors import LabError, UsageError
from volest.lab import HAND, LEAST_SHARE_PERCENT, VACUUM, BenchTime, Bowl, Lab, OwnStone, Way
from volest.settings import HABITS, parse_base, parse_taken, pattern_and_word
from volest.stone.reference import (
    LEAST_WP,
    STONE_TYPES,
    check_kind,
    find_stone,
    is_type,
    own_stone,
    pour_window,
)
from volest.storage import GivenFileError, in_short, toml_of

_CHECKER = TypeAdapter(Lab)
LARGEST_BYTES = 200_000  # a lab file is a page or two
# What the checker says in its own words, in ours.
_NEEDS = {
    "missing": "a value",
    "unexpected_keyword_argument": "no such key",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "finite_number": "a finite number",
    **dict.fromkeys(("bool_type", "bool_parsing"), "true or false"),
    "string_type": "a text in quotes",
    "dataclass_type": "a table",
    "tuple_type": "a list: two brackets, [[...]], over each entry",
    "greater_than": "above {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than_equal": "at most {le:g}",
    "literal_error": "{expected}",
}
_RECORDS: dict[str, type[Any]] = {
    **{f"[{one.name}]": type(one.default) for one in fields(Lab) if is_dataclass(one.default)},
    "[way.hand] or [way.vacuum]": Way,
    "[[stone]]": OwnStone,
    "[[bowl]]": Bowl,
}
_TABLES = {table: {one.name for one in fields(record)} for table, record in _RECORDS.items()}
_TABLES["[habits]"] = {*HABITS}
_KEYS = {one.name for one in fields(Lab)}.union({"habits"}, *_TABLES.values())
# How a slip is mended, for keys whose unit or meaning is easily taken for another.
_MEND = {
    "scale_step_g": "the smallest step of the scale, in g",
    "cylinder_step_ml": "the smallest mark of the cylinder, in mL",
    "scoop_g": "g in one level scoop: weigh ten, divide by ten",
    "share_percent": "per cent of the volume: 12, not 0.12 or 112",
    "residue_ml": "mL left on bowl and spatula: weigh them before and after ten mixes",
    "powder_density": "true density in g/cm3 from the maker's sheet, not of the heap; or leave out",
    "working_low_min": "minutes, not seconds",
    "working_high_min": "minutes, not seconds",
    **dict.fromkeys((field.name for field in fields(BenchTime)), "minutes, not seconds"),
    "most_ml": "mL, not litres",
    "price_per_kg": "the invoice's price of a kg; leave it out where there is none",
}


def read_lab_and_habits(path: Path) -> tuple[Lab, dict[str, Any]]:
    """Read a lab file in TOML: the lab, and what it says under ``[habits]``, by settings' names."""
    if not path.exists():
        raise LabError(
            f"no lab file {path}",
            needed="your lab file",
            remedy="mend the name, or start one: volest lab --new FILE",
        )
    try:
        values = toml_of(path, LARGEST_BYTES)
    except GivenFileError as fault:
        raise LabError(
            f"{path}: {fault}",
            needed="a lab file in TOML",
            remedy="'volest lab --new FILE' writes one to start from",
        ) from fault
    said = values.pop("habits", {})
    lab = check_lab(values, str(path))
    _refuse([f"{path}: {slip}" for slip in _habit_slips(said, lab)])
    habits = {HABITS[key].name: value for key, value in said.items()}
    for name, value in habits.items():
        if isinstance(value, str) and name.endswith("_file"):  # looked for beside the lab file
            habits[name] = str(path.parent / Path(value).expanduser())
    return lab, habits


def _habit_slips(said: Any, lab: Lab) -> Iterator[str]:
    if not isinstance(said, dict):
        yield f"habits = {_short(said)} (needed: a table)"
        return
    checks: dict[str, Callable[[str], object]] = {
        "base": parse_base,
        "material": pour_window,
        "kind": check_kind,
        "taken": parse_taken,
        **dict.fromkeys(("stone", "stone_for"), partial(find_stone, lab=lab)),
    }
    for key, value in said.items():
        if key not in HABITS:
            near = difflib.get_close_matches(key, HABITS, n=1)
            which = f"{near[0]}?" if near else f"one of {', '.join(HABITS)}"
            yield f"habits.{key} = {_short(value)} (needed: no such key; {which})"
            continue
        slips = [(value, needed)] if (needed := HABITS[key].needs(value)) else []
        texts = [value] if isinstance(value, str) else value
        for text in texts if key in checks and not slips else ():
            try:
                is_whole = HABITS[key].kind is str or key == "taken"
                checks[key](text if is_whole else pattern_and_word(text)[1])
            except UsageError as fault:
                slips.append((text, fault.needed))
        for slip, needed in slips:
            example = HABITS[key].example
            yield f"habits.{key} = {_short(slip)} (needed: {needed}; for example {example})"


def check_lab(values: dict[str, Any], name: str) -> Lab:
    """Turn the values of a lab file into a lab; a refusal lists all faults of one kind."""
    try:
        lab = _CHECKER.validate_python(values)
    except ValidationError as fault:
        _refuse([_told(error, name) for error in fault.errors(include_url=False)])
    _refuse([f"{name}: {said}" for said in _contradictions(lab)])
    return lab


def _refuse(faults: Sequence[str]) -> None:
    if faults:
        raise LabError(
            "; ".join(faults),
            needed="a lab file without these",
            remedy=f"mend {'it' if len(faults) == 1 else f'all {len(faults)}'} and try again",
        )


def _told(error: Any, name: str) -> str:
    kind, path = error["type"], error["loc"]
    key, bounds = str(path[-1]) if path else "", error.get("ctx", {})
    needs = _NEEDS.get(kind, error["msg"]).format(**bounds)
    if kind == "unexpected_keyword_argument":
        places = [table for table, keys in _TABLES.items() if key in keys]
        near = difflib.get_close_matches(key, _KEYS, n=1)
        if places:
            needs += f" here; it belongs under {' or '.join(places)}"
        elif near:
            needs += f"; {near[0]}?"
    if key in _MEND and bounds.keys() & {"gt", "ge", "le"}:
        needs += f"; {_MEND[key]}"
    value = "" if kind == "missing" else f" = {_short(error['input'])}"
    # Entries of a list are counted from 1, as people do: the second [[bowl]] is bowl 2.
    parts = (f" {part + 1}" if isinstance(part, int) else f".{part}" for part in path)
    dotted = "".join(parts).removeprefix(".")
    return f"{name}: {dotted}{value} (needed: {needs})"


def _short(value: object) -> str:
    return "a table" if isinstance(value, dict) else in_short(value)


def _contradictions(lab: Lab) -> Iterator[str]:
    """Name what each value alone allows, but not all together."""
    for number, own in enumerate(lab.stone, start=1):
        key = f"stone {number}"
        like = own.name if own.like is None else own.like
        if not any(is_type(like, known) for known in STONE_TYPES):
            said = f"{own.name!r} without like" if own.like is None else f"like = {own.like!r}"
            yield f"{key}: {said} (needed: like = one of {', '.join(STONE_TYPES)})"
            continue
        yield from _stone_slips(key, own, lab)
    for way in (HAND, VACUUM):
        share = lab.way.of(way).share_percent
        if 0.0 < share < LEAST_SHARE_PERCENT:
            needed = f"0, or {LEAST_SHARE_PERCENT:g} and above; {_MEND['share_percent']}"
            yield f"way.{way}.share_percent = {share:g} (needed: {needed})"
    for number, bowl in enumerate(lab.bowl, start=1):
        if bowl.least_ml >= bowl.most_ml:
            told = f"{bowl.least_ml:g}, {bowl.most_ml:g}"
            yield f"bowl {number}: least_ml, most_ml = {told} (needed: the smaller one first)"
    yield from _name_slips(lab)
    try:
        find_stone(lab.second_pour.stone, lab)
    except UsageError as fault:
        if all(own.like is not None for own in lab.stone):
            yield f"second_pour.stone = {lab.second_pour.stone!r} (needed: {fault.needed})"


def _stone_slips(key: str, own: OwnStone, lab: Lab) -> Iterator[str]:
    given = {"wp": own.wp, "wp_low": own.wp_low, "wp_high": own.wp_high}
    waters = {name: wp for name, wp in given.items() if wp is not None}
    if waters and min(waters.values()) < 1.0:  # mL to a gram: nothing sets so dry in mL per 100 g
        waters = {name: wp for name, wp in waters.items() if wp < 1.0}
        told = ", ".join(f"{name} = {wp:g}" for name, wp in waters.items())
        meant = ", ".join(f"{100.0 * wp:g}" for wp in waters.values())
        yield f"{key}: {told} (needed: mL of water per 100 g of powder: {meant})"
        return
    kind = own_stone(own, lab.currency)
    low, high = kind.wp_range.low, kind.wp_range.high
    if low > high or low < LEAST_WP.value:
        yield f"{key}: wp_low, wp_high = {low:g}, {high:g} (needed: rising, from {LEAST_WP})"
    elif kind.wp.value not in kind.wp_range:
        yield f"{key}.wp = {kind.wp} (needed: {kind.wp_range}, or wp_low and wp_high)"
    shortest, longest = own.working_low_min, own.working_high_min
    if shortest is not None and longest is not None and shortest > longest:
        told = f"{shortest:g}, {longest:g}"
        yield f"{key}: working_low_min, working_high_min = {told} (needed: the shorter time first)"


def _name_slips(lab: Lab) -> Iterator[str]:
    """Name what no terminal shows, and the second of one name."""
    texts = {"currency": lab.currency}
    named: dict[str, Sequence[OwnStone | Bowl]] = {"stone": lab.stone, "bowl": lab.bowl}
    for what, entries in named.items():
        seen: dict[str, int] = {}
        for number, one in enumerate(entries, start=1):
            texts[f"{what} {number}.name"] = one.name
            texts[f"{what} {number}.title"] = getattr(one, "title", None) or "-"
            first = seen.setdefault(one.name.strip().casefold(), number)
            if first != number:
                needed = f"a name that {what} {first} has not"
                yield f"{what} {number}.name = {one.name!r} (needed: {needed})"
    for key, text in texts.items():
        if not text.strip() or not text.isprintable():  # names are printed, on any terminal
            yield f"{key} = {text!a} (needed: a text of printable characters)"
