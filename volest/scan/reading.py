"""Reading a scan: from a file of any kind to triangles in mm that can be trusted."""

import difflib
import os
import stat
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.checks import areas_mm2, drop_degenerate, refuse_not_finite
from volest.scan.kind import PLY, STL_TEXT, misnamed_note, recognise
from volest.scan.limits import refuse_if_large
from volest.scan.ply import read_ply
from volest.scan.scale import check_scale, mm_per_unit
from volest.scan.stl import read_stl_binary, read_stl_text
from volest.scan.strays import note_lost, note_needles

HEAD_BYTES = 4096  # enough to recognise any kind
_MOST_LOOKED_AT = 10_000  # names beside a missing file


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """A surface as the scanner left it, in its own frame.

    Parameters
    ----------
    triangles : ndarray of float64, shape (n, 3, 3)
        Corners in mm, read-only, finite, each triangle with an area; n is at least 1. Order and
        winding are those of the file.
    notes : tuple of Note
        What was doubtful in the file.
    """

    path: Path
    triangles: NDArray[np.float64]
    notes: tuple[Note, ...]


def read_scan(path: Path | str, *, unit: str | None = None) -> Scan:
    """Read a scan from an STL or PLY file in this unit, mm if none is given.

    Its kind is told by its content, not by its name; docs/reference/refusals.md has all refusals.
    """
    path = Path(path)
    mm_per_unit(unit)  # a slip in the unit is told before the file is read
    # Bytes that are no numbers set off numpy's warnings on the way; they are refused right after.
    with np.errstate(invalid="ignore", over="ignore"):
        triangles, notes = _read_file(path)
    return scan_of(triangles, path=path, unit=unit, notes=notes)


def scan_of(
    triangles: NDArray[np.float64],
    *,
    path: Path,
    unit: str | None = None,
    notes: tuple[Note, ...] = (),
) -> Scan:
    """Check triangles (n, 3, 3) and make them a scan; they are brought to mm in place."""
    factor = mm_per_unit(unit)
    with np.errstate(invalid="ignore", over="ignore"):
        if factor != 1.0:
            triangles *= factor
        refuse_not_finite(triangles)
    areas = areas_mm2(triangles)
    lost = note_lost(triangles, areas)
    triangles, areas, dropped = drop_degenerate(triangles, areas)
    size_notes = check_scale(triangles, areas, unit)
    strays = lost or note_needles(triangles, areas)
    triangles.flags.writeable = False
    return Scan(path=path, triangles=triangles, notes=(*notes, *dropped, *strays, *size_notes))


def _read_file(path: Path) -> tuple[NDArray[np.float64], tuple[Note, ...]]:
    try:
        _refuse_special(_mode(path))
        with path.open("rb") as file:
            return _read_open(file, path.suffix.lower())
    except OSError as fault:
        raise _unreadable(path, fault) from fault
    except MemoryError as fault:
        raise ScanError(
            "more triangles than this computer has memory for",
            needed="a scan that fits into memory",
            remedy="export it with fewer triangles",
            code="too-large",
        ) from fault


def _mode(path: Path) -> int:
    try:
        return path.stat().st_mode
    except ValueError as fault:  # a name with a zero byte in it
        raise OSError(str(fault)) from fault


def _refuse_special(mode: int) -> None:
    # Opening a pipe or a device can wait for ever or act on it: told apart before opening.
    if stat.S_ISREG(mode):
        return
    raise ScanError(
        "a folder" if stat.S_ISDIR(mode) else "a pipe, socket or device",
        needed="a file with a scan",
        remedy="name an STL or PLY file",
        code="unreadable",
    )


def _read_open(file: BinaryIO, suffix: str) -> tuple[NDArray[np.float64], tuple[Note, ...]]:
    size = os.fstat(file.fileno()).st_size
    head = file.read(HEAD_BYTES)
    kind = recognise(head, size, suffix)
    refuse_if_large(size, text=kind.name == STL_TEXT)
    file.seek(kind.begins_at)
    if kind.name == STL_TEXT:
        triangles, notes = read_stl_text(file)
    elif kind.name == PLY:
        triangles, notes = read_ply(file, size)
    else:
        triangles, notes = read_stl_binary(file, head, size)
    return triangles, (*misnamed_note(kind, suffix), *notes)


def _unreadable(path: Path, fault: OSError) -> ScanError:
    missing = isinstance(fault, FileNotFoundError)
    why = getattr(fault, "strerror", None) or str(fault)
    return ScanError(
        "no such file or folder" if missing else f"a file that cannot be read ({why})",
        needed="a scan as STL or PLY, or a folder of them",
        remedy=f"check the name{_near(path)}" if missing else "check the name and the rights to it",
        code="unreadable",
    )


def _near(path: Path) -> str:
    """Name what lies beside a missing file and is called nearly the same."""
    try:
        beside = [other.name for other in islice(path.parent.iterdir(), _MOST_LOOKED_AT)]
    except OSError:
        return ""
    near = difflib.get_close_matches(path.name, beside, n=1)
    return f": {near[0]!r} is there" if near else ""
