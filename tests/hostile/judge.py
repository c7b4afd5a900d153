"""One mutant, measured in a child that may take only so much memory and time, and judged.

What the sound scan is noted for itself excuses nothing: only a further note is a word. Scans of
the real kinds are measured a second time with the base line left to volest, where no volume is
known and the end alone is judged.
"""

import json
import tempfile
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from tests.corpus.specimen import prisms_ml
from tests.hostile.forked import forked
from tests.hostile.mutate import HARMLESS, HOPELESS, OPEN
from tests.hostile.sources import REAL, UNDER_TOP_MM, Source
from volest.batch.workers import size_one
from volest.pipeline import size_scan
from volest.result import MEASURED, REFUSED, Result
from volest.settings import Base, Settings

# Of so few triangles a corner that moved makes another shape, which nobody can tell from a
# meant one: there the surface as it stands is right too. Scanners give tens of thousands.
COARSE = 100
WIDE_PITCH_MM = 0.8  # the grid is not what is tested here
LONGEST_LINE = 400
SAME_MM = 1e-3  # so near a stated plane a base line is that plane
RIGHT, NOTED, REFUSAL, BROKEN = "right", "noted", "refused", "BROKEN"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """What came of one mutant; ``why`` says what is broken."""

    end: str
    why: str
    peak_bytes: int
    cpu_s: float


def settings_for(base: Base) -> Settings:
    return Settings(base=base, pitch_mm=WIDE_PITCH_MM, obey_saved=False)


OWN_NOTES: dict[tuple[str, Base], frozenset[str]] = {}


def own_notes(source: Source) -> frozenset[str]:
    """Codes that the sound scan is noted with; sized beside, never in a child."""
    sound = source.name.removesuffix(f", {source.encoding}"), source.base
    if sound not in OWN_NOTES:  # another encoding of the same triangles is noted alike
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"sound{source.suffix}"
            path.write_bytes(source.data)
            (plane, *found) = _measured(path, source)
        OWN_NOTES[sound] = frozenset(code for said in (plane, *found) for code in said["notes"])
    return OWN_NOTES[sound]


def judged(source: Source, hope: str, data: bytes, path: Path) -> Verdict:
    """Write the mutant, measure it in a child, and say how it ended."""
    path.write_bytes(data)
    own = own_notes(source)
    ended = forked(lambda: json.dumps(_measured(path, source)).encode())
    if ended.code:
        end, why = BROKEN, ended.how
    else:
        (plane, *found) = json.loads(ended.answer)
        end, why = _verdict(source, hope, plane, path, own)
        for said in found:
            fault = _badly_told(said) or _badly_ended(said, hope, own)
            end, why = (BROKEN, f"base line found: {fault}") if fault else (end, why)
    return Verdict(end=end, why=why, peak_bytes=ended.peak_bytes, cpu_s=ended.cpu_s)


def _measured(path: Path, source: Source) -> list[dict[str, Any]]:
    """What is said up to the known plane, and of real kinds with the base line left to volest."""
    bases = [source.base, Base()] if source.of in REAL else [source.base]
    return [_said(path, base) for base in bases]


def _said(path: Path, base: Base) -> dict[str, Any]:
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        first = size_one(path, settings_for(base), size_scan).result  # loaded before
    result = _meant(first, base)
    notes = {note.code: note.text + note.do for note in (*first.notes, *result.notes)}
    return {
        "outcome": result.outcome,
        "code": result.code,
        "reason": result.reason,
        "volumes": [result.volume_low_ml, result.volume_ml, result.volume_high_ml],
        "notes": list(notes),
        "texts": list(notes.values()),
        "warned": [str(each.message) for each in warned],
    }


def _meant(first: Result, base: Base) -> Result:
    """The impression that is measured up to the stated plane; the first where none is."""
    if base.how != "plane":
        return first
    meant = [
        one
        for one in (first, *first.others)
        if one.base_line is not None
        and np.allclose(one.base_line.normal, base.plane[3:], atol=1e-6)
        and abs(np.subtract(one.base_line.point_mm, base.plane[:3]) @ base.plane[3:]) < SAME_MM
    ]
    return (meant or [first])[0]


def _verdict(
    source: Source, hope: str, said: dict[str, Any], path: Path, own: frozenset[str]
) -> tuple[str, str]:
    fault = _badly_told(said) or _badly_ended(said, hope, own)
    if fault:
        return BROKEN, fault
    if said["outcome"] == REFUSED:
        return REFUSAL, ""
    return _right_or_not(source, hope, said, path, own)


def _badly_ended(said: dict[str, Any], hope: str, own: frozenset[str]) -> str:
    if said["outcome"] == REFUSED:
        return f"refused: {said['reason']}" if hope == HARMLESS else ""
    if hope == HOPELESS and not {*said["notes"]} - own:
        return f"measured: {said['volumes']}"
    return ""


def _badly_told(said: dict[str, Any]) -> str:
    reason = said["reason"] or ""
    if said["warned"]:
        return f"a warning: {said['warned'][0]}"
    if said["code"] == "fault":
        return reason
    if said["outcome"] == REFUSED and "; needed " not in reason:
        return f"a refusal without what is needed: {reason}"
    if any(len(text) > LONGEST_LINE or not text.isprintable() for text in (reason, *said["texts"])):
        return f"not one clear line: {reason!r} {said['texts']!r}"
    return ""


def _right_or_not(
    source: Source, hope: str, said: dict[str, Any], path: Path, own: frozenset[str]
) -> tuple[str, str]:
    low, volume, high = said["volumes"]
    if None in (low, volume, high) or not low <= volume <= high:
        return BROKEN, f"no volume in its interval: {said['volumes']}"
    if low <= source.volume_ml <= high:
        return (RIGHT if said["outcome"] == MEASURED else NOTED), ""
    if {*said["notes"]} - own and hope != HARMLESS:
        return NOTED, ""
    if hope == OPEN and 0 < len(source.triangles) < COARSE:
        own_ml = as_it_stands_ml(source, path)
        if low <= own_ml <= high:
            return RIGHT, ""
    miss = volume / source.volume_ml - 1.0
    return BROKEN, f"wrong by {100 * miss:+.2f} %, {low:.3f}-{high:.3f}, notes {said['notes']}"


def as_it_stands_ml(source: Source, path: Path) -> float:
    """The cavity of the file's own surface: read by another library, summed as signed prisms."""
    corners = np.asarray(trimesh.load_mesh(path, process=False).triangles, np.float64)
    plane = np.array([0.0, 0.0, UNDER_TOP_MM, 0.0, 0.0, 1.0])
    own_ml = prisms_ml(corners, plane)
    if "closed" in source.name:  # its sum is the material, below nothing: take it out of its box
        low, high = source.triangles.min(axis=(0, 1)), source.triangles.max(axis=(0, 1))
        own_ml += float((high[0] - low[0]) * (high[1] - low[1]) * (UNDER_TOP_MM - low[2])) / 1000.0
    return own_ml
