"""What volest says of one scan: the record that tables, files and pages are made of."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from volest.cavity.trim import Trim
from volest.errors import VolestError
from volest.notes import Note
from volest.stone.mix import Mix

if TYPE_CHECKING:  # they are read when somebody asks for them
    from volest.cavity.flow import Flow
    from volest.cavity.imprints import Imprints
    from volest.cavity.separation import Separation
    from volest.cavity.thickness import Thickness

MEASURED = "measured"
NOTED = "measured with notes"
REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseLine:
    """The plane up to which the first pour fills, in the scan's own frame.

    Parameters
    ----------
    point_mm : tuple of float
        A point of the plane.
    normal : tuple of float
        Unit normal, out of the opening.
    how : str
        How it was found: 'rim', 'depth', 'cover', 'plane' or 'saved'.
    """

    point_mm: tuple[float, float, float]
    normal: tuple[float, float, float]
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """What only a scan can tell, where it was asked for.

    Parameters
    ----------
    imprints : Imprints or None
        The row and its tooth imprints; None where there is no row.
    flow : Flow or None
        How stone runs, and what air stays.
    thickness : Thickness
        How thick the cast will be.
    separation : Separation
        What holds it in the impression.
    narrow_mm : float
        The lab's: imprints narrower than that are helped by hand.
    """

    imprints: "Imprints | None"
    flow: "Flow | None"
    thickness: "Thickness"
    separation: "Separation"
    narrow_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What volest says of one impression; None where nothing was measured, or nothing mixed.

    Parameters
    ----------
    scan : str
        Path of the scan as it was given.
    outcome : str
        'measured', 'measured with notes' or 'refused'.
    seconds : float
        Time from opening the file to the result.
    volume_ml, volume_low_ml, volume_high_ml : float or None
        Cavity up to the base line, and its interval.
    base_line : BaseLine or None
        The plane up to which was measured.
    footprint_mm2 : float or None
        Area that the cavity covers, seen along the pour axis.
    rim_mm2 : float or None
        Area inside the rim's inner edge, on which the heap of the first pour stands.
    depth_mm : float or None
        From the base line down to the deepest place that stone fills.
    base_areas : tuple
        Rows of a width of land in mm and the area of a base with it in mm2, without and with the
        tongue space.
    slope_ml_per_mm : float or None
        Growth of the volume with the base line's height.
    curve : tuple
        Heights over the base line in mm, and volumes in mL.
    reserve_ml : float
        Mixed beyond the volume, since surface that was not seen may hide so much more room.
    mix : Mix or None
        The first pour.
    second_pour : Mix or None
        The base; None where none is asked for.
    trim : Trim or None
        The rim against the base line.
    guide : Guide or None
        What only a scan can tell; None unless asked for.
    notes : tuple of Note
        What a person should look at.
    reason, code : str or None
        Why the scan is refused: the sentence, and its short name.
    cavity, cavities : int
        Which impression of the scan this is, from 1, and how many it has.
    others : tuple of Result
        The further impressions of the scan, on the first of them only.
    """

    scan: str
    outcome: str
    seconds: float
    volume_ml: float | None = None
    volume_low_ml: float | None = None
    volume_high_ml: float | None = None
    base_line: BaseLine | None = None
    footprint_mm2: float | None = None
    rim_mm2: float | None = None
    depth_mm: float | None = None
    base_areas: tuple[tuple[float, float, float], ...] = ()
    slope_ml_per_mm: float | None = None
    curve: tuple[tuple[float, float], ...] = ()
    reserve_ml: float = 0.0
    mix: Mix | None = None
    second_pour: Mix | None = None
    trim: Trim | None = None
    guide: Guide | None = None
    notes: tuple[Note, ...] = ()
    reason: str | None = None
    code: str | None = None
    cavity: int = 1
    cavities: int = 1
    others: "tuple[Result, ...]" = ()

    @property
    def volume_u_ml(self) -> float:
        """How far more the cavity may hold, as a standard uncertainty, but for unseen surface."""
        if self.volume_ml is None or self.volume_high_ml is None:
            return 0.0
        above_ml = self.volume_high_ml - self.volume_ml  # with coverage factor 2
        return math.sqrt(max(above_ml**2 - self.reserve_ml**2, 0.0)) / 2.0

    @property
    def name(self) -> str:
        """What tells it from all others of a run: its scan, and its number if that has several."""
        return self.scan if self.cavities == 1 else f"{self.scan} #{self.cavity}"

    def taking(self, seconds: float) -> "Result":
        """Give the same with the time that its scan took, its further impressions too."""
        others = tuple(one.taking(seconds) for one in self.others)
        return replace(self, seconds=seconds, others=others)

    def of_scan(self, scan: str) -> "Result":
        """Give the same under another path, its further impressions too."""
        return replace(self, scan=scan, others=tuple(one.of_scan(scan) for one in self.others))


def refused(name: str, fault: VolestError) -> Result:
    """Say why a scan, or one of its impressions, is refused; its time is left at 0."""
    return Result(scan=name, outcome=REFUSED, seconds=0.0, reason=str(fault), code=fault.code)


def together(results: Iterable[Result]) -> Result:
    """Put the impressions of one scan into one result, the further ones as its ``others``."""
    first, *others = results
    return replace(first, others=tuple(others))


def one_by_one(results: Iterable[Result]) -> Iterator[Result]:
    """Give each impression for itself, with no others on it, where the results are one a scan."""
    for first in results:
        yield replace(first, others=()) if first.others else first
        yield from first.others
