"""What volest says of a scan, held against what is true of it."""

import tempfile
import traceback
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.corpus.blend import Array
from tests.corpus.files import write
from tests.corpus.harm import Damaged
from tests.corpus.mesh import Mesh
from tests.corpus.real_cases import Real
from tests.corpus.specimen import Specimen
from volest.pipeline import size_scan
from volest.result import MEASURED, REFUSED, Result
from volest.settings import Base, Settings

FAULT = "fault"
SAME_MM = 1e-3  # so near a stated plane a base line is that plane
# Share of the volume by which a measurement of a damaged scan may be off without a word
CLOSE = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One measurement beside its truth."""

    outcome: str  # 'measured', 'measured with notes', 'refused', or 'fault' where volest broke
    codes: tuple[str, ...]  # codes of the notes, or of the refusal
    truth_ml: float  # what is true
    # what volest says; not a number where it says nothing
    volume_ml: float = float("nan")
    low_ml: float = float("nan")
    high_ml: float = float("nan")
    # how far the base line lies from where it was intended
    off_mm: float = float("nan")
    off_deg: float = float("nan")
    owed: bool = False  # whether a note or a refusal was owed

    @property
    def error(self) -> float:
        """Error as a share of the truth, with its sign."""
        return self.volume_ml / self.truth_ml - 1.0

    @property
    def covered(self) -> bool:
        """Whether the truth lies in the interval."""
        return self.low_ml <= self.truth_ml <= self.high_ml

    @property
    def width(self) -> float:
        """Width of the interval as a share of the volume."""
        return (self.high_ml - self.low_ml) / self.volume_ml

    @property
    def says(self) -> str:
        """What became of the scan: one of `WORDS`."""
        if self.outcome in (REFUSED, FAULT):
            return self.outcome
        close = abs(self.error) <= CLOSE
        if self.outcome == MEASURED:
            wrong = self.owed or not (close or self.covered)
            return "silent wrong" if wrong else "right"
        if close:
            return "right, noted"
        return "noted, covered" if self.covered else "noted, off"


# What can become of a scan
WORDS = ("right", "right, noted", "noted, covered", "noted, off", REFUSED, "silent wrong", FAULT)


def judge_made(made: Specimen, *, by_plane: bool) -> Verdict:
    """Measure a specimen as it was made."""
    plane = made.plane if by_plane else None
    result = said(made.vertices[made.faces], plane)
    truth_ml = made.facets_ml if by_plane else made.rim_ml
    return _verdict(result, truth_ml, made.plane if by_plane else made.rim, owed=False)


def judge_damaged(made: Specimen, broken: Damaged, *, by_plane: bool) -> Verdict:
    """Measure a damaged scan."""
    result = said(broken.triangles, broken.plane if by_plane else None)
    truth_ml = broken.volume_ml if by_plane else broken.rim_ml
    aim = broken.plane.copy()
    if not by_plane:
        aim[:3] += ((made.rim[:3] - made.plane[:3]) @ made.up) * aim[3:]
    owed = broken.owed if by_plane else broken.owed_found
    return _verdict(result, truth_ml, aim, owed=owed)


def judge_real(made: Real, *, by_plane: bool) -> Verdict:
    """Measure a scan of the real kinds, each of its cavities for itself; the worst counts."""
    owed = made.owed or len(made.sides) > 1
    verdicts = []
    for side in made.sides:
        truth_ml = side.volume_ml if by_plane else float("nan")
        aim = side.plane if by_plane else side.rim
        plane = side.plane if by_plane else None
        result = said(made.scan, plane)
        if isinstance(result, str):
            verdicts.append(_verdict(result, truth_ml, aim, owed=owed))
            continue
        all_of_it = [_verdict(one, truth_ml, aim, owed=owed) for one in (result, *result.others)]
        meant = [one for one in all_of_it if plane is None or abs(one.off_mm) < SAME_MM]
        verdicts.append(min(meant or all_of_it, key=lambda one: np.nan_to_num(one.off_deg, nan=90)))
    return max(verdicts, key=lambda one: (np.nan_to_num(abs(one.error), nan=1.0), one.off_deg))


def said(triangles: Array, plane: Array | None) -> Result | str:
    """Write a scan to a file and let volest size it.

    `triangles` (m, 3, 3); `plane` (6,).
    """
    base = Base() if plane is None else Base(how="plane", plane=tuple(plane.tolist()))
    index = np.arange(3 * len(triangles)).reshape(-1, 3)
    mesh = Mesh(vertices=triangles.reshape(-1, 3), faces=index)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.stl"
        write(mesh, path, "stl", "made at random")
        try:
            return size_scan(path, Settings(base=base))
        except Exception:  # noqa: BLE001 - a break-down is one of the outcomes that are counted
            return traceback.format_exc()


def _verdict(result: Result | str, truth_ml: float, aim: Array, *, owed: bool) -> Verdict:
    if isinstance(result, str):
        return Verdict(outcome=FAULT, codes=(result.splitlines()[-1],), truth_ml=truth_ml)
    if result.outcome == REFUSED or result.base_line is None:
        return Verdict(outcome=REFUSED, codes=(str(result.code),), truth_ml=truth_ml)
    off_mm = (np.array(result.base_line.point_mm) - aim[:3]) @ aim[3:]
    cosine = np.clip(np.array(result.base_line.normal) @ aim[3:], -1.0, 1.0)
    return Verdict(
        outcome=result.outcome,
        codes=tuple(note.code for note in result.notes),
        truth_ml=truth_ml,
        volume_ml=result.volume_ml or 0.0,
        low_ml=result.volume_low_ml or 0.0,
        high_ml=result.volume_high_ml or 0.0,
        off_mm=float(off_mm),
        off_deg=float(np.degrees(np.arccos(cosine))),
        owed=owed,
    )
