"""What a person decided about one scan: a small TOML file beside it, obeyed from then on."""

import hashlib
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard

import tomli_w

from volest.errors import ScanError

VERSION = 1
SUFFIX = ".decision.toml"
LARGEST_BYTES = 1_000_000  # a decision is a few lines; anything larger is something else
PLACES = ("leave-out", "take-in")


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A round patch of the footprint, seen along the pour axis, decided by hand.

    Parameters
    ----------
    what : str
        'leave-out' or 'take-in'.
    centre_mm : tuple of float
        Its middle in the scan's own frame.
    radius_mm : float
        Its radius.
    """

    what: str
    centre_mm: tuple[float, float, float]
    radius_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The base line that a person chose, and patches of the footprint, in the scan's own frame.

    Parameters
    ----------
    point_mm, normal : tuple of float
        The base line; its normal is the pour axis, out of the opening.
    patches : tuple of Patch
        Corrections of the footprint, in order.
    """

    point_mm: tuple[float, float, float]
    normal: tuple[float, float, float]
    patches: tuple[Patch, ...] = ()


def decision_path(scan: Path) -> Path:
    """Say where the decision about a scan is kept.

    Parameters
    ----------
    scan : Path
        The scan.

    Returns
    -------
    Path
        The file beside it.

    Examples
    --------
    >>> decision_path(Path("b0417.stl")).name
    'b0417.stl.decision.toml'
    """
    return scan.with_name(scan.name + SUFFIX)


def write_decision(scan: Path, decision: Decision) -> Path:
    """Save a decision beside its scan, whole or not at all.

    Parameters
    ----------
    scan : Path
        The scan that was looked at.
    decision : Decision
        What was decided.

    Returns
    -------
    Path
        The file that was written.
    """
    target = decision_path(scan)
    record = {
        "volest_decision": VERSION,
        "scan_sha256": _fingerprint(scan),
        "base_line": {"point_mm": list(decision.point_mm), "normal": list(decision.normal)},
        "patch": [
            {"what": p.what, "centre_mm": list(p.centre_mm), "radius_mm": p.radius_mm}
            for p in decision.patches
        ],
    }
    part = target.with_name(target.name + ".part")
    part.write_text(tomli_w.dumps(record), encoding="utf-8")
    part.replace(target)
    return target


def read_decision(scan: Path) -> Decision | None:
    """Read the decision about a scan, if there is one.

    Parameters
    ----------
    scan : Path
        The scan.

    Returns
    -------
    Decision or None
        What was decided.

    Raises
    ------
    ScanError
        'decision' if the file is not one, is of another version, or was made for another scan.
    """
    path = decision_path(scan)
    if not path.is_file():
        return None
    if path.stat().st_size > LARGEST_BYTES:
        raise _faulty(path, "more than a million bytes", "a few lines")
    try:
        record = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise _faulty(path, str(fault), "TOML as `volest view` saves it") from fault
    if record.get("volest_decision") != VERSION:
        said = record.get("volest_decision")
        found = "no line volest_decision" if said is None else f"volest_decision = {said!r}"
        raise _faulty(path, found, f"volest_decision = {VERSION}")
    if record.get("scan_sha256") != _fingerprint(scan):
        raise _faulty(path, "a decision about another content of this scan", "one about this scan")
    return _decision(path, record)


def _decision(path: Path, record: dict[str, Any]) -> Decision:
    base = record.get("base_line")
    if not isinstance(base, dict):
        raise _faulty(path, "no [base_line]", "point_mm and normal under [base_line]")
    normal = _triple(path, base, "normal")
    if not any(normal):
        raise _faulty(path, "normal = [0, 0, 0]", "a direction")
    patches = record.get("patch", [])
    if not isinstance(patches, list):
        raise _faulty(path, f"patch = {patches!r}", "a list of tables [[patch]]")
    return Decision(
        point_mm=_triple(path, base, "point_mm"),
        normal=normal,
        patches=tuple(_patch(path, patch) for patch in patches),
    )


def _patch(path: Path, patch: Any) -> Patch:
    if not isinstance(patch, dict) or patch.get("what") not in PLACES:
        raise _faulty(path, f"patch {patch!r}", f"what = one of {', '.join(PLACES)}")
    radius = patch.get("radius_mm")
    radius_mm = float(radius) if _is_number(radius) else 0.0
    if radius_mm <= 0.0:
        raise _faulty(path, f"radius_mm = {radius!r}", "a number over 0")
    return Patch(
        what=patch["what"], centre_mm=_triple(path, patch, "centre_mm"), radius_mm=radius_mm
    )


def _triple(path: Path, table: dict[str, Any], key: str) -> tuple[float, float, float]:
    value = table.get(key)
    if not isinstance(value, list) or [_is_number(part) for part in value] != [True] * 3:
        raise _faulty(path, f"{key} = {value!r}", f"{key} = three finite numbers")
    x, y, z = (float(part) for part in value)
    return x, y, z


def _is_number(value: Any) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _fingerprint(scan: Path) -> str:
    with scan.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _faulty(path: Path, found: str, needed: str) -> ScanError:
    return ScanError(
        f"{found} in {path.name}",
        needed=needed,
        remedy="look at the scan again and save, or remove that file",
        code="decision",
    )
