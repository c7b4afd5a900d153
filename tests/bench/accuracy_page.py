"""Tables of what came out of the random impressions, as a page."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from tests.corpus.judging import FAULT, WORDS, Verdict
from volest.result import MEASURED, REFUSED

HEAD = """# Accuracy

Written by `python tests/bench/accuracy.py`; do not edit by hand.

{sound} impressions and {hurt} damaged scans, drawn at random by number. Each impression is an
implicit solid made by tests/corpus, which shares no code with volest; its triangles are some 1 mm
wide, in any pose, rounded to 32-bit floats and read from an STL file. *Truth* is what the triangles
themselves hold before holes are cut: signed prisms (divergence theorem) for open scans, an exact
boolean (manifold3d) for closed ones. For one impression in four the solid's own field was
integrated too, in columns of 0.4 mm: it differs by {field_median:.4f} % in the middle and
{field_worst:.4f} % at worst. Damage is done to impressions without a fault of their own.
"""

NEAR_MM, NEAR_DEG = 0.3, 1.0  # how far a base line that was found may lie from the rim as intended
DAMAGE_HEAD = """## Damaged scans

*Right*: within 0.5 %, or the truth inside the interval, and no note. *Right, noted*: within 0.5 %.
*Noted, covered*: farther off, noted, the truth inside the interval. *Noted, off*: noted, the truth
outside. *Silent wrong*: no note, and farther off than 0.5 % and than the interval, or a note was
owed. Where damage takes part of the footprint away, truth is what is left, by its prisms.
"""
REAL_HEAD = """## As trays and scanners leave them

Truth is an exact boolean (manifold3d) of the closed solid's triangles with a block below the stated
plane, which lies under every notch of the rim. *Ragged*: the crest strays by 0.3 to 1.5 mm, walls
are 3 to 9 mm wide. *Unequal*: one flange is 2 to 6 mm lower. *Sight*: of any such solid only what
some direction within 25, 35 or 45 degrees of the pour axis sees, pockets of 0 to 4 mm under the
rim. *Patched*: the same with borders under 90 mm closed by long triangles, or (*fine*) meshed anew.
Where two cavities stand in one file, or surface or file is spoilt, a note is owed; without one the
scan counts as silent wrong.

Up to the stated plane:
"""
REAL_GIVEN = (
    "kind",
    "scans",
    "measured",
    "of these noted",
    "silent wrong",
    "median, %",
    "95 % below, %",
    "worst, %",
    "truth inside, %",
    "median width, %",
)
REAL_FOUND = """The base line that is found, against the plane of the rim's crest (least absolute
deviations of the solid's own crest, where it is ragged a matter of choice within its straying):
"""
REAL_LINE = (
    "kind",
    "scans",
    "measured",
    f"within {NEAR_MM} mm and {NEAR_DEG:.0f}°",
    "farther, not noted",
    "median, mm",
    "median, °",
    "worst, mm",
    "worst, °",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One scan of the bench: what it is, and what came out both ways."""

    name: str  # how to make it again: the impression's number, and the damage's after a slash
    kind: str  # what is the matter with it, or else its shape
    clean: bool  # whether nothing is missing of the scan and nothing torn
    rim: str  # its rim's kind
    field: float  # difference between triangles and field, as a share
    # up to the stated plane, and up to the base line that volest finds
    given: Verdict
    found: Verdict


Pick = Callable[[Row], Verdict]


def page(sound: list[Row], hurt: list[Row], real: list[Row]) -> str:
    """Write the whole page."""
    field = 100.0 * np.abs([row.field for row in sound])
    field = field[np.isfinite(field)]
    head = HEAD.format(
        sound=len(sound),
        hurt=len(hurt),
        field_median=float(np.median(field)),
        field_worst=float(field.max(initial=0.0)),
    )
    parts = [head, _given(sound), _found(sound), _intervals(sound), _damage(hurt), _real(real)]
    return "\n".join([*parts, _faults([*sound, *hurt, *real])])


def _by_kind(rows: list[Row]) -> dict[str, list[Row]]:
    groups = {kind: [row for row in rows if row.kind == kind] for kind in sorted(_kinds(rows))}
    clean = [row for row in rows if row.clean]
    return {**groups, "all without fault": clean, "all": rows}


def _kinds(rows: Iterable[Row]) -> set[str]:
    return {row.kind for row in rows}


def _measured(rows: list[Row], pick: Pick) -> list[Verdict]:
    return [pick(row) for row in rows if pick(row).outcome not in (REFUSED, FAULT)]


def _noted(verdicts: list[Verdict]) -> int:
    return sum(verdict.outcome != MEASURED for verdict in verdicts)


def _line(*cells: object) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def _table(head: tuple[str, ...], lines: list[str]) -> str:
    return "\n".join([_line(*head), "|" + "---|" * len(head), *lines, ""])


def _given(rows: list[Row]) -> str:
    lines = []
    for kind, group in _by_kind(rows).items():
        good = _measured(group, lambda row: row.given)
        error = 100.0 * np.abs([verdict.error for verdict in good])
        if error.size:
            figures = [f"{part:.4f}" for part in (*np.quantile(error, (0.5, 0.95)), error.max())]
            lines.append(_line(kind, len(group), len(good), _noted(good), *figures))
    head = ("kind", "scans", "measured", "of these noted", "median, %", "95 % below, %", "worst, %")
    return "## Error of the volume up to a stated plane\n\n" + _table(head, lines)


def _found(rows: list[Row]) -> str:
    lines = []
    for rim in ("whole", "wavy", "notch", "open heel"):
        group = [row for row in rows if row.rim == rim]
        good = _measured(group, lambda row: row.found)
        if good:
            off = np.abs([[verdict.off_mm, verdict.off_deg] for verdict in good])
            near = (off[:, 0] <= NEAR_MM) & (off[:, 1] <= NEAR_DEG)
            mute = np.array([verdict.outcome == MEASURED for verdict in good])
            counts = (int(near.sum()), int((~near & mute).sum()))
            figures = [f"{part:.2f}" for part in (*np.median(off, axis=0), *off.max(axis=0))]
            lines.append(_line(rim, len(group), len(good), _noted(good), *counts, *figures))
    head = (
        "rim",
        "scans",
        "measured",
        "of these noted",
        f"within {NEAR_MM} mm and {NEAR_DEG:.0f}°",
        "farther, not noted",
        "median, mm",
        "median, °",
        "worst, mm",
        "worst, °",
    )
    return "## The base line that is found, against the rim as intended\n\n" + _table(head, lines)


def _intervals(rows: list[Row]) -> str:
    lines = []
    for base, pick in _WAYS.items():
        for what, group in (
            ("without fault", [row for row in rows if row.clean]),
            ("with one", [row for row in rows if not row.clean]),
            ("all", rows),
        ):
            good = _measured(group, pick)
            if good:
                inside = sum(verdict.covered for verdict in good)
                width = 100.0 * float(np.median([verdict.width for verdict in good]))
                share = 100.0 * inside / len(good)
                lines.append(_line(base, what, len(good), f"{share:.1f}", f"{width:.2f}"))
    head = ("base line", "scans", "measured", "truth inside, %", "median width, %")
    return "## The interval\n\n" + _table(head, lines)


_WAYS: dict[str, Pick] = {"stated": lambda row: row.given, "found": lambda row: row.found}


def _damage(rows: list[Row]) -> str:
    parts = [DAMAGE_HEAD]
    for base, pick in _WAYS.items():
        lines = []
        for kind in [*sorted(_kinds(rows)), "all"]:
            group = [pick(row) for row in rows if kind in (row.kind, "all")]
            counts = [sum(verdict.says == word for verdict in group) for word in WORDS]
            lines.append(_line(kind, len(group), *counts))
        parts.append(f"Base line {base}:\n\n" + _table(("damage", "scans", *WORDS), lines))
    return "\n".join(parts)


def _real(rows: list[Row]) -> str:
    given, found = [], []
    for kind in dict.fromkeys(row.kind for row in rows):
        group = [row for row in rows if row.kind == kind]
        good = _measured(group, lambda row: row.given)
        silent = sum(row.given.says in ("silent wrong", FAULT) for row in group)
        cells: list[object] = [kind, len(group), len(good), _noted(good), silent]
        if good:
            error = 100.0 * np.abs([verdict.error for verdict in good])
            cells += [f"{part:.3f}" for part in (*np.quantile(error, (0.5, 0.95)), error.max())]
            cells.append(f"{100.0 * sum(verdict.covered for verdict in good) / len(good):.0f}")
            cells.append(f"{100.0 * float(np.median([verdict.width for verdict in good])):.1f}")
        given.append(_line(*cells, *["-"] * (10 - len(cells))))
        lines = _measured(group, lambda row: row.found)
        off = np.abs([[verdict.off_mm, verdict.off_deg] for verdict in lines]).reshape(-1, 2)
        near = (off[:, 0] <= NEAR_MM) & (off[:, 1] <= NEAR_DEG)
        mute = np.array([verdict.outcome == MEASURED for verdict in lines], dtype=bool)
        counts = (len(group), len(lines), int(near.sum()), int((~near & mute).sum()))
        if lines:
            figures = [f"{part:.2f}" for part in (*np.median(off, axis=0), *off.max(axis=0))]
            found.append(_line(kind, *counts, *figures))
    return "\n".join([REAL_HEAD, _table(REAL_GIVEN, given), REAL_FOUND, _table(REAL_LINE, found)])


def _faults(rows: list[Row]) -> str:
    lines = []
    for base, pick in _WAYS.items():
        for row in rows:
            verdict = pick(row)
            if not np.isfinite(verdict.truth_ml) and verdict.says != FAULT:
                continue  # nothing is known to hold it against
            if verdict.says in ("silent wrong", "noted, off", FAULT):
                codes = ", ".join(verdict.codes) or "-"
                error = f"{100.0 * verdict.error:.2f}"
                lines.append(_line(row.name, row.kind, base, verdict.says, error, codes))
    head = ("number", "kind", "base line", "what", "error, %", "notes")
    table = _table(head, lines) if lines else "None.\n"
    return "## Wrong, by number\n\n" + table
