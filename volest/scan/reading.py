"""Reading a scan: from a file of any kind, or another library's mesh, to triangles in mm.

The kind of a file is told by its first bytes and its size rather than by its name; a mesh is known
by what it has, not by who made it.
"""

import difflib
import io
import stat
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError, too_large
from volest.notes import Note
from volest.scan.checks import (
    Blocks,
    Looked,
    check_scale,
    drop_degenerate,
    look_over,
    mm_per_unit,
    note_lost,
    note_needles,
    refuse_if_large,
)
from volest.scan.packed import holder, kind_suffix, opened, unzipped
from volest.scan.ply import read_ply
from volest.scan.stl import fits_exactly, read_stl_binary, read_stl_text

HEAD_BYTES = 4096  # enough to recognise any kind
MOST_LOOKED_AT = 10_000  # names beside a missing file
STL_BINARY = "binary STL"
STL_TEXT = "ASCII STL"
PLY = "PLY"
OTHERS_READ = {".obj": "OBJ", ".off": "OFF"}  # by trimesh
SUFFIXES = {STL_BINARY: ".stl", STL_TEXT: ".stl", PLY: ".ply", "OBJ": ".obj", "OFF": ".off"}
MOST_UNUSED = 0.01  # of an OBJ's corners: whole ones leave none or a few
# What trimesh raises on a text that it cannot take.
_NO_MESH = (ValueError, ArithmeticError, LookupError, TypeError, AttributeError, AssertionError)
GZIP_MAGIC = b"\x1f\x8b"
BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # some editors put it before a text
OTHER_KINDS = {
    b"PK\x03\x04": "a zip archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"%PDF": "a PDF document",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"<?xml": "an XML document",
    b"{": "a JSON document",
}
# Names of solids may hold any letters, so bytes above 127 pass; control bytes do not.
TEXT_BYTES = frozenset(range(32, 127)) | frozenset(range(128, 256)) | {9, 10, 12, 13}


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
    looked, notes = _read_file(path, mm_per_unit(unit))
    return _checked(looked, path, unit, notes)


def scan_from(given: object, *, name: str = "mesh", unit: str | None = None) -> Scan:
    """Take a scan from a program: bytes of a file, an open file, or a mesh, which is not changed.

    A mesh is (n, 3, 3) corners, a pair of corners (n, 3) and faces (m, 3), or what trimesh or
    pyvista hold. Lengths are in the unit, else in mm.
    """
    read = getattr(given, "read", None)
    if read is not None or isinstance(given, bytes | bytearray | memoryview):
        looked, notes = _read_given(
            given if read is None else read, kind_suffix(name), mm_per_unit(unit)
        )
        return _checked(looked, Path(name), unit, notes)
    without = ScanError(
        f"a {type(given).__name__} without triangles",
        needed="a triangle mesh",
        remedy="give a path, a mesh of trimesh or pyvista, corners of shape (n, 3, 3), "
        "or corners (n, 3) and faces (m, 3)",
        code="not-a-mesh",
    )
    try:
        triangles = np.asarray(_corners(given), dtype=np.float64)  # what looks it over copies
    except (TypeError, ValueError, IndexError) as fault:
        raise without from fault
    if triangles.shape[1:] != (3, 3) or not len(triangles):
        raise without
    with np.errstate(invalid="ignore", over="ignore"):
        looked = look_over(triangles, mm_per_unit(unit))
    return _checked(looked, Path(name), unit, ())


def _checked(looked: Looked, path: Path, unit: str | None, notes: tuple[Note, ...]) -> Scan:
    triangles, areas, keys, zeros = looked
    lost = note_lost(triangles, areas, keys, zeros)
    triangles, areas, dropped = drop_degenerate(triangles, areas)
    size_notes = check_scale(triangles, areas, unit)
    strays = lost or note_needles(triangles, areas)
    triangles.flags.writeable = False
    return Scan(path=path, triangles=triangles, notes=(*notes, *dropped, *strays, *size_notes))


def _corners(mesh: Any) -> object:
    """Find corners (n, 3, 3) in what a mesh of any maker has; the caller looks at their shape."""
    if isinstance(mesh, np.ndarray):
        return mesh
    if isinstance(mesh, tuple | list) and len(mesh) == 2:  # noqa: PLR2004  # corners and faces
        points, faces = np.asarray(mesh[0]), np.asarray(mesh[1])
        if points.shape[1:] != (3,) or faces.shape[1:] != (3,) or faces.dtype.kind not in "iu":
            raise ValueError("no corners (n, 3) and whole numbers (m, 3)")
        if faces.size and faces.min() < 0:  # numpy would count it from the end
            raise IndexError("a face with a corner that is not there")
        return points[faces]
    if not (hasattr(mesh, "triangulate") and hasattr(mesh, "points")):
        return getattr(mesh, "triangles", None)
    if hasattr(mesh, "celltypes") or not hasattr(mesh, "faces"):
        try:
            mesh = mesh.extract_surface(algorithm=None)
        except TypeError:  # an older pyvista, which knows one way only
            mesh = mesh.extract_surface()
    mesh = mesh.triangulate()
    faces = np.asarray(mesh.faces).reshape(-1, 4)[:, 1:]  # each led by its count
    return np.asarray(mesh.points)[faces]


def _read_given(given: Any, suffix: str, factor: float) -> tuple[Looked, tuple[Note, ...]]:
    """Read bytes, or what a program's own file gives; it may be no file of the disk."""
    try:
        data = given() if callable(given) else given
    except (OSError, ValueError) as fault:  # ValueError: it is closed, or text that is no UTF-8
        found = f"a file that cannot be read ({fault})"
        raise _unreadable(found, "give it open, in binary") from fault
    if not isinstance(data, bytes | bytearray | memoryview):
        found = f"a file that cannot be read (it gives {type(data).__name__}, not bytes)"
        raise _unreadable(found, 'open it by "rb"')
    return _read_open(io.BytesIO(data), memoryview(data).nbytes, suffix or None, factor)


def _read_file(path: Path, factor: float = 1.0) -> tuple[Looked, tuple[Note, ...]]:
    try:
        try:
            mode = holder(path).stat().st_mode
        except ValueError as fault:  # a name with a zero byte in it
            raise OSError(str(fault)) from fault
        # Opening a pipe or a device can wait for ever or act on it: told apart before opening.
        if not stat.S_ISREG(mode):
            raise ScanError(
                "a folder" if stat.S_ISDIR(mode) else "a pipe, socket or device",
                needed="a file with a scan",
                remedy="name an STL or PLY file",
                code="unreadable",
            )
        with opened(path) as (file, size):
            return _read_open(file, size, kind_suffix(path.name), factor)
    except FileNotFoundError as fault:
        raise _unreadable("no such file or folder", "check the name" + _near(path)) from fault
    except OSError as fault:
        found = f"a file that cannot be read ({fault.strerror or fault})"
        raise _unreadable(found, "check the name and the rights to it") from fault
    except MemoryError as fault:
        raise too_large() from fault


def _near(path: Path) -> str:
    """Name what lies beside a missing file and is called nearly the same."""
    try:
        beside = [other.name for other in islice(path.parent.iterdir(), MOST_LOOKED_AT)]
    except OSError:
        return ""
    near = difflib.get_close_matches(path.name, beside, n=1)
    return f": {near[0]!r} is there" if near else ""


def _unreadable(found: str, remedy: str) -> ScanError:
    needed = "a scan as STL or PLY, or a folder of them"
    return ScanError(found, needed=needed, remedy=remedy, code="unreadable")


def _read_open(
    file: BinaryIO, size: int, suffix: str | None, factor: float
) -> tuple[Looked, tuple[Note, ...]]:
    """Read an open file; where nothing has a name (None), nothing is misnamed."""
    head = file.read(HEAD_BYTES)
    if head.startswith(GZIP_MAGIC) and not fits_exactly(head, size):
        file.seek(0)
        data = unzipped(file)
        file, size, head = io.BytesIO(data), len(data), data[:HEAD_BYTES]
    kind, begins_at = _kind_of(head, size, suffix or ".stl")
    refuse_if_large(size, text=kind not in {STL_BINARY, PLY})
    file.seek(begins_at)
    triangles: NDArray[np.float64] | Blocks
    notes: tuple[Note, ...] = ()
    # Bytes that are no numbers set off numpy's warnings on the way; they are refused right after.
    with np.errstate(invalid="ignore", over="ignore"):
        if kind == STL_BINARY:
            triangles, notes = read_stl_binary(file, head, size)
        elif kind == STL_TEXT:
            triangles, notes = read_stl_text(file)
        elif kind == PLY:
            triangles, notes = read_ply(file, size)
        else:
            triangles = _read_other(file, kind)
        looked = look_over(triangles, factor)
    if suffix is not None and suffix != SUFFIXES[kind]:
        told = suffix if suffix.isprintable() else ""
        notes = (Note("misnamed", kind=kind, suffix=told, right=SUFFIXES[kind]), *notes)
    return looked, notes


def _kind_of(head: bytes, size: int, suffix: str) -> tuple[str, int]:
    """Tell the kind of a file and where it begins; by its suffix only what content leaves open."""
    if size == 0:
        raise ScanError(
            "0 bytes",
            needed="a scan as STL or PLY",
            remedy="copy or export it again",
            code="empty",
        )
    if head[:4] in {b"ply\n", b"ply\r"}:
        return PLY, 0
    if fits_exactly(head, size):
        return STL_BINARY, 0
    for magic, found in OTHER_KINDS.items():
        if head.startswith(magic):
            raise _not_a_mesh(found)
    text = head.removeprefix(BYTE_ORDER_MARK)
    if not TEXT_BYTES.issuperset(text[:1000]):
        if suffix != ".stl":
            raise _not_a_mesh("bytes that are neither STL nor PLY")
        return STL_BINARY, 0
    if text.lstrip()[:5].lower() == b"solid":
        return STL_TEXT, len(head) - len(text)
    if suffix in OTHERS_READ:
        return OTHERS_READ[suffix], len(head) - len(text)
    raise _not_a_mesh("a text that is neither STL, PLY, OBJ nor OFF")


def _read_other(file: BinaryIO, kind: str) -> NDArray[np.float64]:
    """Read a text by trimesh, which takes a cut one without a word; that is looked for."""
    import trimesh

    text = file.read().decode("latin-1")  # names may hold any letters; figures are ASCII
    rows = [line.split() for line in text.splitlines() if line.strip() and line[0] != "#"]
    try:
        loaded: Any = trimesh.load(
            io.BytesIO(text.encode()), file_type=kind.lower(), process=False, skip_materials=True
        )
        triangles = np.array(loaded.triangles, dtype=np.float64)
        stated, unused = _counted(rows, kind)
    except _NO_MESH as fault:
        raise _not_a_mesh(f"a text that is no {kind} with faces") from fault
    if len(triangles) != stated or unused > MOST_UNUSED:
        raise ScanError(
            f"{len(triangles):,} triangles of {stated:,}, {100.0 * unused:.0f} % of corners unused",
            needed="a file that is whole",
            remedy="copy or export it again",
            code="truncated",
        )
    if triangles.size and triangles.shape[1:] != (3, 3):
        raise _not_a_mesh(f"an {kind} that has corners of fewer than three numbers")
    return triangles


def _counted(rows: list[list[str]], kind: str) -> tuple[int, float]:
    """Count the triangles that a text has or states, and the share of corners without a face."""
    if kind == "OFF":  # as many of its last lines as its head states
        numbers = rows[1] if rows[0] == ["OFF"] else rows[0][-3:]
        return sum(int(face[0]) - 2 for face in rows[-int(numbers[1]) :]), 0.0
    faces = [row[1:] for row in rows if row[0] == "f"]
    corners = sum(row[0] == "v" for row in rows)
    used = {int(word.partition("/")[0]) for face in faces for word in face}
    counted_back = any(number < 0 for number in used)  # from the line on: each then has its own
    return sum(len(face) - 2 for face in faces), 0.0 if counted_back else 1.0 - len(used) / corners


def _not_a_mesh(found: str) -> ScanError:
    return ScanError(
        found,
        needed="a scan as STL or PLY",
        remedy="export the scan as STL or PLY",
        code="not-a-mesh",
    )
