"""One mutant, measured in a child that may take only so much memory and time, and judged."""

import json
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from tests.corpus.specimen import prisms_ml
from tests.hostile.forked import forked
from tests.hostile.mutate import HARMLESS, HOPELESS, OPEN
from tests.hostile.sources import UNDER_TOP_MM, Source
from volest.batch.workers import size_one
from volest.pipeline import size_scan
from volest.result import MEASURED, REFUSED
from volest.settings import Settings

# Of so few triangles a corner that moved makes another shape, which nobody can tell from a
# meant one: there the surface as it stands is right too. Scanners give tens of thousands.
COARSE = 100
WIDE_PITCH_MM = 0.8  # the grid is not what is tested here
LONGEST_LINE = 400
RIGHT, NOTED, REFUSAL, BROKEN = "right", "noted", "refused", "BROKEN"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """What came of one mutant; ``why`` says what is broken."""

    end: str
    why: str
    peak_bytes: int
    cpu_s: float


def settings_for(source: Source) -> Settings:
    return Settings(base=source.base, pitch_mm=WIDE_PITCH_MM, obey_saved=False)


def judged(source: Source, hope: str, data: bytes, path: Path) -> Verdict:
    """Write the mutant, measure it in a child, and say how it ended."""
    path.write_bytes(data)
    ended = forked(lambda: _measured(path, settings_for(source)))
    if ended.code:
        end, why = BROKEN, ended.how
    else:
        end, why = _verdict(source, hope, json.loads(ended.answer), path)
    return Verdict(end=end, why=why, peak_bytes=ended.peak_bytes, cpu_s=ended.cpu_s)


def _measured(path: Path, settings: Settings) -> bytes:
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        result = size_one(path, settings, size_scan).result  # loaded before
    answer = {
        "outcome": result.outcome,
        "code": result.code,
        "reason": result.reason,
        "volumes": [result.volume_low_ml, result.volume_ml, result.volume_high_ml],
        "notes": [note.code for note in result.notes],
        "texts": [note.text + note.do for note in result.notes],
        "warned": [str(each.message) for each in warned],
    }
    return json.dumps(answer).encode()


def _verdict(source: Source, hope: str, said: dict[str, Any], path: Path) -> tuple[str, str]:
    fault = _badly_told(said)
    if fault:
        return BROKEN, fault
    if said["outcome"] == REFUSED:
        return (BROKEN, f"refused: {said['reason']}") if hope == HARMLESS else (REFUSAL, "")
    if hope == HOPELESS and not said["notes"]:
        return BROKEN, f"measured: {said['volumes']}"
    return _right_or_not(source, hope, said, path)


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


def _right_or_not(source: Source, hope: str, said: dict[str, Any], path: Path) -> tuple[str, str]:
    low, volume, high = said["volumes"]
    if None in (low, volume, high) or not low <= volume <= high:
        return BROKEN, f"no volume in its interval: {said['volumes']}"
    if low <= source.volume_ml <= high:
        return (RIGHT if said["outcome"] == MEASURED else NOTED), ""
    if said["notes"] and hope != HARMLESS:
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
