"""What a person decided about one scan: a small TOML file beside it, obeyed from then on."""

import errno
import hashlib
import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeGuard

import tomli_w

from volest.errors import ScanError, UsageError
from volest.scan.packed import holder, opened
from volest.settings import FARTHEST_MM, LEAST_NORMAL
from volest.storage import GivenFileError, in_short, toml_of, write_whole

VERSION = 1
SUFFIX = ".decision.toml"
_SUM = "figures_sha256"
LARGEST_BYTES = 200_000  # a decision is a few lines; anything larger is something else
MOST_PATCHES = 1000  # a hand sets a few
MOST_OTHERS = 100  # impressions in one scan: far more than fit into one
MOST_PREPARATIONS = 32  # all teeth of a mouth
_MARKS = (
    f"preparations = [[x, y, z], ...]: {MOST_PREPARATIONS} places at most, in mm, each of three "
    "numbers of a million at most"
)
_TOLD: dict[str, tuple[Callable[[Any], bool], str]] = {  # of the impression itself
    "taken": (
        lambda said: isinstance(said, datetime),
        "a date and a time: taken = 2026-03-02T13:40:00",
    ),
    "material": (lambda said: isinstance(said, str), 'a name: material = "alginate"'),
    "preparations": (
        lambda said: _is_list(said, MOST_PREPARATIONS) and all(map(_is_triple, said)),
        _MARKS,
    ),
}
PLACES = ("leave-out", "take-in")
# Beside a name that leaves no room for one nothing can be saved.
_NOT_THERE = (errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG)
Place = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A round patch of the footprint, seen along the pour axis, decided by hand."""

    what: str  # one of `PLACES`
    centre_mm: Place  # in the scan's own frame
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The base line that a person chose, and patches of the footprint, in the scan's own frame."""

    point_mm: Place  # of the base line
    normal: Place  # the pour axis, out of the opening
    patches: tuple[Patch, ...] = ()  # corrections of the footprint, in order
    others: "tuple[Decision, ...]" = ()  # what was decided about further impressions of the scan


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a person told of an impression itself, whatever base line holds."""

    taken: datetime | None = None
    material: str | None = None
    preparations: tuple[Place, ...] = ()  # where prepared teeth lie, in the scan's own frame


def decision_path(scan: Path) -> Path:
    """Say where the decision about a scan is kept: beside it, or beside the zip file it lies in."""
    file = holder(scan)
    if file != scan:
        inside = "-".join(scan.relative_to(file).parts)
        return file.with_name(f"{file.name}-{inside}{SUFFIX}")
    return scan.with_name(scan.name + SUFFIX)


def has_decision(scan: Path) -> bool:
    """Tell whether anything is saved beside a scan, be it a link to nowhere."""
    try:
        decision_path(scan).lstat()
    except OSError as fault:
        if fault.errno in _NOT_THERE:
            return False
        raise
    return True


def fingerprint(scan: Path) -> str:
    """Give what tells the content of a scan from any other: its SHA-256."""
    if not holder(scan).is_file():  # opening a pipe could wait for ever
        raise OSError("not a plain file")
    with opened(scan) as (stream, _):
        whole: Any = stream  # its type does not say that it has a readinto
        return hashlib.file_digest(whole, "sha256").hexdigest()


def write_decision(scan: Path, decision: Decision | None) -> Path:
    """Save a decision beside its scan, or take it away, and return the file; what is told stays."""
    return _write(scan, decision, _told(scan))


def write_told(scan: Path, **said: Any) -> None:
    """Save some of what is told of an impression itself; what is None is told no more."""
    told = {**_told(scan), **said}
    _write(scan, read_decision(scan), {key: one for key, one in told.items() if one is not None})


def write_preparations(scan: Path, places_mm: Sequence[Place]) -> None:
    """Save where prepared teeth lie, in the scan's own frame, (k, 3) in mm; of none, nothing."""
    marks = [list(place) for place in places_mm]
    if not _TOLD["preparations"][0](marks):
        found = f"{in_short(marks)} as preparations"
        raise UsageError(found, needed=_MARKS, remedy="mark them again")
    write_told(scan, preparations=marks or None)


def _write(scan: Path, decision: Decision | None, told: dict[str, Any]) -> Path:
    """Write the file whole or not at all, none where there is nothing to say."""
    target = decision_path(scan)
    record = {"volest_decision": VERSION, **told}
    if decision is None and not told:
        target.unlink(missing_ok=True)
        return target
    if decision is not None or "preparations" in told:  # places hold for this content alone
        record["scan_sha256"] = fingerprint(scan)
    if decision is not None:
        figures = {**_record(decision), "other": [_record(other) for other in decision.others]}
        record |= {_SUM: _sum_of(figures), **figures}
    write_whole(target, tomli_w.dumps(record), through_link=False)
    return target


def saved_bytes(scan: Path) -> bytes | None:
    """Give what is saved beside a scan as it stands, be it sound or not; None if there is none."""
    try:
        with decision_path(scan).open("rb") as stream:
            return stream.read(LARGEST_BYTES + 1)
    except OSError as fault:
        if fault.errno in _NOT_THERE:
            return None
        raise


def put_back(scan: Path, content: bytes | None) -> None:
    """Put back what `saved_bytes` gave: whole, or nothing saved any more."""
    if content is None:
        decision_path(scan).unlink(missing_ok=True)
    else:
        write_whole(decision_path(scan), content, through_link=False)


def _sum_of(record: dict[str, Any]) -> str:
    """Give the checksum of what was decided, whatever order and layout it is written in."""
    said = {key: record.get(key, []) for key in ("base_line", "patch", "other")}
    text = json.dumps(said, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _record(decision: Decision) -> dict[str, Any]:
    return {
        "base_line": {"point_mm": decision.point_mm, "normal": decision.normal},
        "patch": [asdict(patch) for patch in decision.patches],
    }


def read_decision(scan: Path) -> Decision | None:
    """Read the decision about a scan, if there is one; refuse one that was made for another."""
    path = decision_path(scan)
    try:
        if not has_decision(scan):
            return None
        record = _sound_record(path)
    except GivenFileError as fault:
        raise _faulty(path, str(fault), "TOML as `volest view` saves it") from fault
    except OSError as fault:
        raise _faulty(path, fault.strerror or str(fault), "a file that can be read") from fault
    told = record.keys() & _TOLD
    told_alone = bool(told) and record.keys() - {"scan_sha256"} == {"volest_decision", *told}
    is_of_any = told_alone and "scan_sha256" not in record  # as a hand wrote it
    if not is_of_any and record.get("scan_sha256") != fingerprint(scan):
        raise _faulty(path, "a decision about another content of this scan", "one about this scan")
    if told_alone:
        return None
    if record.get(_SUM, _sum_of(record)) != _sum_of(record):  # without one it is a hand's own
        needed = f"the file as it was saved, or no line {_SUM}"
        raise _faulty(path, f"figures that do not fit {_SUM}", needed)
    others = tuple(_decision(path, one) for one in _tables(path, record, "other", MOST_OTHERS))
    return replace(_decision(path, record), others=others)


def _sound_record(path: Path) -> dict[str, Any]:
    """Read what stands in a decision's file, of this version and with what is told in order."""
    if path.is_symlink():  # no line of what lies elsewhere is to be told, nor obeyed
        raise _faulty(path, "a link", "a file of its own")
    record = toml_of(path, LARGEST_BYTES)
    version = record.get("volest_decision")
    if type(version) is not int or version != VERSION:
        said = (
            "no line volest_decision"
            if version is None
            else f"volest_decision = {in_short(version)}"
        )
        raise _faulty(path, said, f"volest_decision = {VERSION}")
    for key, (is_sound, needed) in _TOLD.items():
        if key in record and not is_sound(record[key]):
            raise _faulty(path, f"{key} = {in_short(record[key])}", needed)
    return record


def read_told(scan: Path) -> Told:
    """Read what is saved beside a scan of its impression itself."""
    told = _told(scan)
    taken: datetime | None = told.get("taken")
    marks: list[list[float]] = told.get("preparations", [])
    return Told(
        taken=None if taken is None else taken.astimezone(),
        material=told.get("material"),
        preparations=tuple((float(x), float(y), float(z)) for x, y, z in marks),
    )


def _told(scan: Path) -> dict[str, Any]:
    path = decision_path(scan)
    try:
        record = toml_of(path, LARGEST_BYTES) if path.is_file() else {}
    except (GivenFileError, OSError):  # told where the decision is read
        return {}
    told = {key: record[key] for key in _TOLD if key in record and _TOLD[key][0](record[key])}
    whose = record.get("scan_sha256")
    if told.get("preparations") and whose is not None and whose != fingerprint(scan):
        del told["preparations"]  # of another content: told where the decision is read
    return told


def scan_mark(path: Path) -> str | None:
    """Give the fingerprint of the scan that a decision is about; None where it cannot be read."""
    try:
        mark = toml_of(path, LARGEST_BYTES).get("scan_sha256")
    except GivenFileError:
        return None
    return mark if isinstance(mark, str) else None


def _tables(path: Path, record: dict[str, Any], key: str, most: int) -> list[Any]:
    said = record.get(key, [])
    if not _is_list(said, most):
        needed = f"a list of up to {most} tables [[{key}]]"
        raise _faulty(path, f"{key} = {in_short(said)}", needed)
    return said


def _decision(path: Path, record: Any) -> Decision:
    base = record.get("base_line") if isinstance(record, dict) else None
    if not isinstance(base, dict):
        raise _faulty(path, "no [base_line]", "point_mm and normal under [base_line]")
    normal = _triple(path, base, "normal")
    if math.hypot(*normal) < LEAST_NORMAL:
        raise _faulty(path, f"normal = {list(normal)}", "a direction")
    patches = _tables(path, record, "patch", MOST_PATCHES)
    return Decision(
        point_mm=_triple(path, base, "point_mm"),
        normal=normal,
        patches=tuple(patch_in(path, patch) for patch in patches),
    )


def patch_in(path: Path, patch: Any) -> Patch:
    """Take a patch as a file, or a call of the page, says it; refuse what is none."""
    if not isinstance(patch, dict) or patch.get("what") not in PLACES:
        raise _faulty(path, f"patch {in_short(patch)}", f"what = one of {', '.join(PLACES)}")
    radius = patch.get("radius_mm")
    if not _is_number(radius) or radius <= 0.0:
        raise _faulty(path, f"radius_mm = {in_short(radius)}", "a number over 0")
    centre_mm = _triple(path, patch, "centre_mm")
    return Patch(what=patch["what"], centre_mm=centre_mm, radius_mm=float(radius))


def _triple(path: Path, table: dict[str, Any], key: str) -> Place:
    value = table.get(key)
    if not _is_triple(value):
        needed = f"{key} = three numbers of a million at most"
        raise _faulty(path, f"{key} = {in_short(value)}", needed)
    x, y, z = map(float, value)
    return x, y, z


def _is_list(value: Any, most: int) -> TypeGuard[list[Any]]:
    return isinstance(value, list) and len(value) <= most


def _is_triple(value: Any) -> TypeGuard[list[float]]:
    return isinstance(value, list) and [_is_number(part) for part in value] == [True] * 3


def _is_number(value: Any) -> TypeGuard[int | float]:
    # A comparison also holds for whole numbers that no float can, and fails for what is no number.
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and abs(value) <= FARTHEST_MM


def _faulty(path: Path, found: str, needed: str) -> ScanError:
    return ScanError(
        f"{found} in {path.name}",
        needed=needed,
        remedy="look at the scan again and save, or remove that file",
        code="decision",
    )
