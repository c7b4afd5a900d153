"""What volest says of one scan: the record that tables, files and pages are made of."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from html import escape
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

from volest.cavity.trim import Trim
from volest.errors import ScanError, VolestError, visible
from volest.notes import Note
from volest.stone.mix import Mix

if TYPE_CHECKING:  # they are read when somebody asks for them
    from volest.cavity.cast import Palate, Separation, Thickness
    from volest.cavity.flow import Flow
    from volest.cavity.imprints import Imprints
    from volest.cavity.preparations import Preparations

MEASURED = "measured"
NOTED = "measured with notes"
REFUSED = "refused"
_NOT_TOLD = ("code", "cavities", "others", "refusal")  # in the JSON: other keys say it
# Columns of the CSV, and where in a result each stands; without a place, it is of a shared mix.
PLACES = {
    "scan": "scan",
    "outcome": "outcome",
    "volume_ml": "volume_ml",
    "volume_low_ml": "volume_low_ml",
    "volume_high_ml": "volume_high_ml",
    "water_ml": "mix.water_ml",
    "powder_g": "mix.powder_g",
    "full_scoops": "mix.full_scoops",
    "rest_g": "mix.rest_g",
    "whole_scoops": "mix.whole_scoops.scoops",
    "whole_scoops_water_ml": "mix.whole_scoops.water_ml",
    "stone": "mix.stone",
    "waste_ml": "mix.waste_ml",
    "mix_ml": "mix.mix_ml",
    "base_line": "base_line.how",
    "footprint_mm2": "footprint_mm2",
    "slope_ml_per_mm": "slope_ml_per_mm",
    "rim_highest_mm": "trim.rim_highest_mm",
    "rim_mean_mm": "trim.rim_mean_mm",
    "rim_lowest_mm": "trim.rim_lowest_mm",
    "excess_length_mm": "trim.excess_length_mm",
    "gap_length_mm": "trim.gap_length_mm",
    "note_codes": "notes",
    "notes": "notes",
    "reason": "reason",
    "seconds": "seconds",
    "second_pour_stone": "second_pour.stone",
    "second_pour_powder_g": "second_pour.powder_g",
    "second_pour_water_ml": "second_pour.water_ml",
    "shared_mix": "",
    "shared_mix_powder_g": "",
    "shared_mix_water_ml": "",
    "bowl": "mix.bowl",
    "second_pour_bowl": "second_pour.bowl",
    "shared_mix_bowl": "",
    "cavity": "cavity",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseLine:
    """The plane up to which the first pour fills, in the scan's own frame."""

    point_mm: tuple[float, float, float]  # of the plane
    normal: tuple[float, float, float]  # of length 1, out of the opening
    how: str  # 'rim', 'depth', 'cover', 'plane' or 'saved'


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """What only a scan can tell, where it was asked for."""

    imprints: "Imprints | None"  # None where there is no row
    flow: "Flow | None"  # how stone runs, and what air stays
    thickness: "Thickness"  # how thick the cast will be
    separation: "Separation"  # what holds it in the impression
    narrow_mm: float  # the lab's: narrower imprints are helped by hand
    preparations: "Preparations | None" = None  # round those that a person marked
    palate: "Palate | None" = None  # what is saved where the lab pours uppers without it


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Result:
    """What volest says of one impression; None where nothing was measured, or nothing mixed.

    Parameters
    ----------
    scan, cavity : str, int
        Path of the scan as it was given; which impression of it this is, from 1.
    outcome : str
        'measured', 'measured with notes' or 'refused'.
    volume_ml, volume_low_ml, volume_high_ml : float or None
        Cavity up to the base line, and its interval.
    base_line : BaseLine or None
        The plane up to which was measured.
    footprint_mm2, rim_mm2 : float or None
        Area that the cavity covers, seen along the pour axis, and that inside the rim's inner edge,
        on which the heap of the first pour stands.
    depth_mm : float or None
        From the base line down to the deepest place that stone fills.
    base_areas : tuple
        Rows of a width of land in mm and the area of a base with it in mm2, without and with the
        tongue space.
    slope_ml_per_mm, curve : float or None, tuple
        Growth of the volume with the base line's height; heights over it in mm, and volumes in mL.
    reserve_ml : float
        Mixed beyond the volume, since surface that was not seen may hide so much more room.
    mix, second_pour : Mix or None
        The first pour, and the base, where one is asked for.
    trim : Trim or None
        The rim against the base line.
    notes : tuple of Note
        What a person should look at.
    reason : str or None
        Why the scan is refused, in a sentence.
    seconds : float
        Time from opening the file to the result.
    code, cavities : str or None, int
        The short name of that reason; how many impressions the scan has.
    others : tuple of Result
        The further impressions of the scan, on the first of them only.
    refusal : tuple of str
        The reason in its parts: what was found, what is needed, what to do.
    """

    scan: str  # from here to `seconds` in the order of the JSON
    cavity: int = 1
    outcome: str
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
    notes: tuple[Note, ...] = ()
    reason: str | None = None
    seconds: float
    code: str | None = None
    cavities: int = 1
    others: "tuple[Result, ...]" = ()
    refusal: tuple[str, ...] = ()

    def __repr__(self) -> str:
        told = ", ".join(self._figures().values()) or f"{REFUSED} ({self.code})"
        return f"<Result {visible(self.name)}: {told}>"

    def _repr_html_(self) -> str:
        """Give the figures as notebooks show them, and each note with what to do."""
        cells = {"scan": self.name, **self._figures()}
        told = [self.reason] if self.reason else [f"{one.text} {one.do}" for one in self.notes]
        shown = {key: escape(visible(text)) for key, text in cells.items()}
        rows = [f"<tr><th>{key}</th><td>{text}</td></tr>" for key, text in shown.items()]
        notes = [f"<li>{escape(visible(text))}</li>" for text in told]
        return f"<table>{''.join(rows)}</table><ul>{''.join(notes)}</ul>"

    def _figures(self) -> dict[str, str]:
        low_ml, high_ml = self.volume_low_ml, self.volume_high_ml
        if self.volume_ml is None:
            return {}
        texts = {"volume": f"{self.volume_ml:.1f} mL ({low_ml:.1f} to {high_ml:.1f})"}
        if self.mix is not None:
            texts["powder"] = f"{self.mix.powder_g:g} g powder"
            texts["water"] = f"{self.mix.water_ml:.1f} mL water"
        codes = ", ".join(note.code for note in self.notes)
        return {**texts, "outcome": self.outcome + (f" ({codes})" if codes else "")}

    @property
    def volume_u_ml(self) -> float:
        """How far more the cavity may hold, as a standard uncertainty, but for unseen surface."""
        if self.volume_ml is None or self.volume_high_ml is None:
            return 0.0
        above_ml = self.volume_high_ml - self.volume_ml  # with coverage factor 2
        return math.sqrt(max(above_ml**2 - self.reserve_ml**2, 0.0)) / 2.0

    @property
    def is_arch(self) -> bool:
        """Whether 12 on the dial is an arch's front, and not the narrower end of a quadrant."""
        return self.trim is None or self.trim.is_arch

    @property
    def name(self) -> str:
        """What tells it from all others of a run: its scan, and its number if that has several."""
        return self.scan if self.cavities == 1 else f"{self.scan} #{self.cavity}"

    def to_dict(self) -> dict[str, Any]:
        """Give this impression as plain values, as an entry of ``scans`` in the JSON.

        Returns
        -------
        dict
            Lengths in mm, volumes in mL, masses in g; what is not finite is None.
        """
        told = [field.name for field in fields(self) if field.name not in _NOT_TOLD]
        values = {name: getattr(self, name) for name in told}
        try:
            self.scan.encode()
        except UnicodeEncodeError:  # the path byte for byte, since its text cannot give it
            in_bytes = self.scan.encode("utf-8", "surrogateescape").hex()
            values = {"scan": self.scan, "scan_bytes": in_bytes, **values}
        made: dict[str, Any] = plain(values)
        return made

    def to_row(self) -> dict[str, Any]:
        """Give this impression as a row of a table, under the names of the CSV's columns.

        Returns
        -------
        dict
            Numbers and texts; None where nothing was measured or mixed.
        """
        row = {column: _at(self, place) for column, place in PLACES.items() if place}
        row["note_codes"] = " ".join(note.code for note in self.notes)
        row["notes"] = " | ".join(f"{one.code}: {one.text} Do: {one.do}" for one in self.notes)
        return row

    def raise_for_refused(self) -> None:
        """Raise why this impression, or a further one of the scan, is refused; else do nothing.

        Raises
        ------
        ScanError
            With the reason and code of the first that is refused; a note names its scan.
        """
        for one in (self, *self.others):
            if one.outcome == REFUSED:
                remedy = "look at the scan, and at what is said of it"
                parts = one.refusal or (str(one.reason), "a scan that can be sized", remedy)
                fault = ScanError(parts[0], needed=parts[1], remedy=parts[2], code=one.code)
                fault.add_note(f"scan: {one.name}")
                raise fault

    def taking(self, seconds: float) -> "Result":
        """Give the same with the time that its scan took, its further impressions too."""
        others = tuple(one.taking(seconds) for one in self.others)
        return replace(self, seconds=seconds, others=others)

    def of_scan(self, scan: str) -> "Result":
        """Give the same under another path, its further impressions too."""
        return replace(self, scan=scan, others=tuple(one.of_scan(scan) for one in self.others))


def refused(name: str, fault: VolestError) -> Result:
    """Say why a scan, or one of its impressions, is refused; its time is left at 0."""
    return Result(
        scan=name,
        outcome=REFUSED,
        seconds=0.0,
        reason=str(fault),
        code=fault.code,
        refusal=(fault.found, fault.needed, fault.remedy),
    )


def together(results: Iterable[Result]) -> Result:
    """Put the impressions of one scan into one result, the further ones as its ``others``."""
    first, *others = results
    return replace(first, others=tuple(others))


def one_by_one(results: Iterable[Result]) -> Iterator[Result]:
    """Give each impression for itself, with no others on it, where the results are one a scan."""
    for first in results:
        yield replace(first, others=()) if first.others else first
        yield from first.others


def _at(record: Any, place: str) -> Any:
    """Look up a place such as ``mix.stone``; None where one of its parts is missing."""
    for name in place.split("."):
        record = None if record is None else getattr(record, name)
    return float(record) if isinstance(record, float) else record  # numpy's is one too


def encodable(text: str) -> str:
    r"""Write out what no text can hold, a byte of a path that is not UTF-8: ``\\xff``."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def plain(value: object) -> Any:
    """Turn records, tuples, numpy numbers and what is not finite into what JSON knows."""
    if isinstance(value, float):  # nearly all of a result
        return float(value) if math.isfinite(value) else None
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, Mix | Note):
        value = value.as_record()
    elif is_dataclass(value):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        return {encodable(str(key)): plain(part) for key, part in value.items()}
    if isinstance(value, Sequence):
        return [plain(part) for part in value]
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, Real):
        return int(value) if isinstance(value, Integral) else plain(float(value))
    raise TypeError(f"no JSON for {type(value).__name__}")
