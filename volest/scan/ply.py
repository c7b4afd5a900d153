"""PLY, text and binary: vertices and faces to triangles."""

from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.limits import (
    MAX_TRIANGLES,
    damaged,
    refuse_if_large,
    refuse_if_short,
    refuse_if_unfilled,
)
from volest.scan.ply_body import NATIVE, as_text, number_table, read_element, shortest_row
from volest.scan.ply_header import HEADER_BYTES, Element, PlyHeader, read_ply_header
from volest.scan.ply_rows import Columns

LIST_NAMES = ("vertex_indices", "vertex_index")  # both are in use for the corners of a face
TRIANGLE = 3
NUMBER_BYTES = 8  # of a float64, in which text is kept


def read_ply(file: BinaryIO, size: int) -> tuple[NDArray[np.float64], tuple[Note, ...]]:
    """Read triangles (n, 3, 3) in the file's unit; faces of more corners are cut into fans."""
    header = read_ply_header(file.read(HEADER_BYTES))
    refuse_if_large(size, text=not header.order)
    corner_list = _corner_list(header)
    _refuse_what_cannot_fit(header, size - header.body_at)
    file.seek(header.body_at)
    body = file.read()
    wanted = {"vertex": ("x", "y", "z"), "face": (corner_list,)}
    tables, notes = _tables(header, body, wanted)
    del body
    points = np.stack([tables["vertex"].singles[axis] for axis in "xyz"], axis=1)  # (v, 3)
    corners, short_faces = _fans(*tables["face"].lists[corner_list])
    if short_faces:
        count = len(tables["face"].lists[corner_list][0])
        refuse_if_unfilled("faces with fewer than three corners", short_faces, count)
        notes = (*notes, _short_faces_note(short_faces))
    return _gather(points, corners), notes


def _corner_list(header: PlyHeader) -> str:
    vertex, face = header.element("vertex"), header.element("face")
    names = [each.name for each in face.lists] if face else []
    corner_list = next((name for name in LIST_NAMES if name in names), None)
    if face is None or not face.count or corner_list is None:
        raise ScanError(
            "points without faces" if vertex and vertex.count else "no vertices and no faces",
            needed="a surface of triangles",
            remedy="export the scan as a mesh, not as a point cloud",
            code="no-triangles",
        )
    singles = [each.name for each in vertex.properties if not each.count] if vertex else []
    if not all(singles.count(axis) == 1 for axis in "xyz"):
        raise damaged("vertices without x, y and z", "'property float x', y and z, once each")
    return corner_list


def _refuse_what_cannot_fit(header: PlyHeader, room: int) -> None:
    for element in header.elements:
        row = shortest_row(element, text=not header.order)
        if row or element.count < 0:  # rows without properties take no room at all
            most = (room + (not header.order)) // max(row, 1)  # a last blank may be left out
            refuse_if_short(_plural(element), element.count, most)
        room -= element.count * row


def _plural(element: Element) -> str:
    return {"vertex": "vertices", "face": "faces"}.get(element.name, f"rows of {element.name[:40]}")


def _tables(
    header: PlyHeader, body: bytes, wanted: dict[str, tuple[str, ...]]
) -> tuple[dict[str, Columns], tuple[Note, ...]]:
    elements, order = header.elements, header.order
    if order:
        data = np.frombuffer(body, np.uint8)
    else:
        data, order = number_table(body).view(np.uint8), NATIVE
        elements = tuple(as_text(each) for each in elements)
    tables = {}
    at = 0
    for element in elements:
        columns, at = read_element(data, at, element, order, wanted.get(element.name, ()))
        tables[element.name] = columns
    if at == len(data):
        return tables, ()
    left = len(data) - at
    surplus = f"{left:,} bytes" if header.order else f"{left // NUMBER_BYTES:,} numbers"
    return tables, (_surplus_note(surplus),)


def _fans(
    counts: NDArray[np.int64], indices: NDArray[np.float64] | NDArray[np.intp]
) -> tuple[NDArray[np.float64] | NDArray[np.intp], int]:
    """Corners of triangles (n, 3) from the corners of faces one after another."""
    if len(counts) and counts.min() == TRIANGLE == counts.max():
        return indices.reshape(-1, TRIANGLE), 0
    pieces = np.maximum(counts - 2, 0)
    total = int(pieces.sum())
    refuse_if_short("triangles", total, max(total, MAX_TRIANGLES))
    first = np.repeat(np.cumsum(counts) - counts, pieces)
    step = np.arange(total) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    fan = np.stack([first, first + step + 1, first + step + 2], axis=1)
    return indices[fan], int((pieces == 0).sum())


def _gather(
    points: NDArray[np.float64], corners: NDArray[np.float64] | NDArray[np.intp]
) -> NDArray[np.float64]:
    if not len(corners):
        return np.empty((0, 3, 3))
    lowest, highest = corners.min(), corners.max()
    if not (lowest >= 0 and highest < len(points)):
        raise ScanError(
            f"a face with corner {lowest if not lowest >= 0 else highest:g} "
            f"among {len(points):,} vertices",
            needed="corners from 0 to the number of vertices less one",
            remedy="export the scan again",
            code="bad-index",
        )
    places = corners.astype(np.intp)
    if corners.dtype.kind == "f" and (places != corners).any():
        raise damaged("a face with a broken corner number", "whole numbers")
    # Indexing by an array gives the same and takes twice as long.
    triangles: NDArray[np.float64] = points.take(places, axis=0)  # (n, 3, 3)
    return triangles


def _surplus_note(surplus: str) -> Note:
    return Note(
        code="trailing-bytes",
        text=f"{surplus} follow the last row that the header states; not read.",
        do="Look at the scan: if a part is missing, export it again.",
    )


def _short_faces_note(count: int) -> Note:
    return Note(
        code="degenerate",
        text=f"{count:,} faces with fewer than three corners were dropped.",
        do="Nothing, if there are few; otherwise export the scan again.",
    )
