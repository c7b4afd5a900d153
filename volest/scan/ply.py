"""PLY, text and binary: vertices and faces to triangles.

Text is turned into float64 first; from then on both are read by the same code.
"""

import re
import struct
from array import array
from typing import Any, BinaryIO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.checks import (
    damaged,
    floats,
    refuse_if_large,
    refuse_if_short,
    refuse_if_unfilled,
    truncated,
)

HEADER_BYTES = 4_000_000  # comments of a megabyte have been met; a header beyond this is no header
HEADER_LINES = 20_000  # bounds the time a header of empty lines can take
ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
NUMBER_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
NATIVE, OF_TEXT = "=", "f8"  # text is kept as float64 of this machine
PIECE_BYTES = 1 << 20  # measured for ASCII STL: quickest
WORD_BYTES = 1000  # no number is written longer
LIST_NAMES = ("vertex_indices", "vertex_index")  # both are in use for the corners of a face
TRIANGLE = 3
_WHOLE = re.compile("[+-]?[0-9]+")
_NEEDED = {
    "element": "'element NAME COUNT'",
    "property": "'property TYPE NAME' or 'property list TYPE TYPE NAME' with a known type",
}

_Numbers = tuple[NDArray[Any], NDArray[Any]]  # how many each row has, and these in a row


class Column(NamedTuple):
    """One number of each row, or a list with its count before it; types as numpy writes them."""

    name: str
    number: str
    counted: str


class Element(NamedTuple):
    """A table of the file, vertices, faces or anything else, with its rows stated."""

    name: str
    rows: int
    columns: list[Column]


def read_ply(file: BinaryIO, size: int) -> tuple[NDArray[np.float64], tuple[Note, ...]]:
    """Read triangles (n, 3, 3) in the file's unit; faces of more corners are cut into fans."""
    order, elements, body_at = read_ply_header(file.read(HEADER_BYTES))
    refuse_if_large(size, text=not order)
    corner_list = _corner_list({each.name: each for each in elements})
    _refuse_what_cannot_fit(elements, size - body_at, is_text=not order)
    file.seek(body_at)
    body, unit, unit_bytes = file.read(), "bytes", 1
    if order:
        data = np.frombuffer(body, np.uint8)
    else:
        numbers = number_table(body)
        data, order, unit, unit_bytes = numbers.view(np.uint8), NATIVE, "numbers", numbers.itemsize
        elements = [
            each._replace(columns=[Column(c.name, OF_TEXT, c.counted and OF_TEXT) for c in each[2]])
            for each in elements
        ]
    del body
    tables, at = {}, 0
    for element in elements:
        tables[element.name], at = _columns(data, at, element, order)
    left = (len(data) - at) // unit_bytes
    notes: tuple[Note, ...] = (
        (Note("trailing-bytes", count=left, what=unit, after="row"),) if left else ()
    )
    vertices, (counts, indices) = tables["vertex"], tables["face"][corner_list, True]
    columns = [vertices[name, False][1].reshape(-1) for name in "xyz"]
    points = np.stack(columns, axis=1, dtype=np.float64)
    corners, short_faces = _fans(counts, indices.reshape(-1))
    if short_faces:
        refuse_if_unfilled("faces with fewer than three corners", short_faces, len(counts))
        notes = (*notes, Note("degenerate", count=short_faces, what="faces", of=len(counts)))
    return _gather(points, corners), notes


def read_ply_header(head: bytes) -> tuple[str, list[Element], int]:
    """Read byte order ('' for text), elements and where the body begins from ``HEADER_BYTES``."""
    lines, body_at = _lines(head)
    order: str | None = None
    elements: list[Element] = []
    for line in lines:
        words = line.split()
        if not words or words[0] in {"comment", "obj_info"}:
            continue
        types = [NUMBER_TYPES.get(word, "") for word in words]
        match words:
            case ["format", word, *_] if word in ORDERS:
                order = ORDERS[word]
            case ["element", name, rows, *_] if _WHOLE.fullmatch(rows):
                elements.append(Element(name, int(rows), []))
            case ["property", "list", _, _, name] if (
                elements and types[2][:1] in {"i", "u"} and types[3]
            ):
                elements[-1].columns.append(Column(name, types[3], types[2]))
            case ["property", _, name] if elements and types[1]:
                elements[-1].columns.append(Column(name, types[1], ""))
            case _:
                kind = words[0] if elements or words[0] == "element" else ""
                needed = _NEEDED.get(kind, "a PLY header's own lines")
                raise damaged(f"{' '.join(words)[:60]!r} in the header", needed)
    if order is None:
        raise damaged("no 'format' in the header", "'format ascii' or one of the binary ones")
    names = [each.name for each in elements]
    for name in ("vertex", "face"):
        if names.count(name) > 1:
            raise damaged(f"{names.count(name)} elements named {name!r}", "one of each")
    return order, elements, body_at


def _lines(head: bytes) -> tuple[list[str], int]:
    """Header lines without 'ply' and 'end_header', and where the body begins."""
    # The body may begin with any byte, so the line end is taken from the first line alone.
    end = b"\r" if head[3:4] == b"\r" and head[4:5] != b"\n" else b"\n"
    lines: list[str] = []
    at = head.find(end) + 1
    while at and len(lines) < HEADER_LINES:
        stop = head.find(end, at)
        line = head[at : stop if stop >= 0 else len(head)].strip()
        if line == b"end_header":
            return lines, stop + 1 if stop >= 0 else len(head)
        lines.append(line[:200].decode("latin-1"))
        at = stop + 1
    if len(lines) >= HEADER_LINES or len(head) >= HEADER_BYTES:
        raise damaged("a header without end", "'end_header' within four megabytes")
    raise truncated("the end of the file inside the header", "'end_header'")


def _corner_list(by_name: dict[str, Element]) -> str:
    """Name the list of a face's corners; what is no mesh is refused."""
    nothing = Element("", 0, [])
    vertex, face = by_name.get("vertex", nothing), by_name.get("face", nothing)
    lists = [each.name for each in face.columns if each.counted]
    corner_list = next((name for name in LIST_NAMES if name in lists), None)
    if not face.rows or corner_list is None:
        raise ScanError(
            "points without faces" if vertex.rows else "no vertices and no faces",
            needed="a surface of triangles",
            remedy="export the scan as a mesh, not as a point cloud",
            code="no-triangles",
        )
    singles = [each.name for each in vertex.columns if not each.counted]
    if not all(singles.count(axis) == 1 for axis in "xyz"):
        raise damaged("vertices without x, y and z", "'property float x', y and z, once each")
    return corner_list


def _refuse_what_cannot_fit(elements: list[Element], room: int, *, is_text: bool) -> None:
    for element in elements:
        # A list may be empty, but its count is always there; text has a digit and a blank each.
        sizes = [int((each.counted or each.number)[1:]) for each in element.columns]
        row = 2 * len(sizes) if is_text else sum(sizes)
        if row or element.rows < 0:  # rows without properties take no room at all
            plural = {"vertex": "vertices", "face": "faces"}
            what = plural.get(element.name, f"rows of {element.name[:40]}")
            most = (room + is_text) // max(row, 1)  # a last blank may be left out
            refuse_if_short(what, element.rows, most)
        room -= element.rows * row


def number_table(body: bytes) -> NDArray[np.float64]:
    """Turn the text of an ASCII body into its numbers, in order."""
    parts = [np.empty(0)]
    at = 0
    while at < len(body):
        stop = min(at + PIECE_BYTES, len(body))
        while stop < len(body) and not body[stop : stop + 1].isspace():
            stop += 1
            if stop - at > PIECE_BYTES + WORD_BYTES:
                raise damaged("a word of more than a thousand letters", "numbers")
        parts.append(floats(body[at:stop].split(), "a number", "numbers"))
        at = stop
    return np.concatenate(parts)


def _columns(
    data: NDArray[np.uint8], at: int, element: Element, order: str
) -> tuple[dict[tuple[str, bool], _Numbers], int]:
    """Read columns, by name and whether they are lists, and the place after them.

    Rows that are all alike are read at once.
    """
    if not element.columns:
        return {}, at
    first, _ = _walked(data, at, min(element.rows, 1), element, order)
    lists = [place for place, column in enumerate(element.columns) if column.counted]
    fields: list[tuple[str, str, tuple[int, ...]]] = []
    for place, (column, (lengths, _)) in enumerate(zip(element.columns, first, strict=True)):
        if place in lists:
            fields.append((f"count{place}", order + column.counted, ()))
        length = int(lengths.sum()) if place in lists else 1  # where there is no row: 0
        fields.append((f"numbers{place}", order + column.number, (length,)))
    row = np.dtype(fields)
    after = at + element.rows * row.itemsize
    rows = data[at:after].view(row) if after <= len(data) else None
    if rows is None or any((rows[f"count{one}"] != first[one][0]).any() for one in lists):
        found, after = _walked(data, at, element.rows, element, order)
    else:
        found = [
            (rows[f"count{place}"] if place in lists else first[place][0], rows[f"numbers{place}"])
            for place in range(len(element.columns))
        ]
    names = ((column.name, bool(column.counted)) for column in element.columns)
    return dict(zip(names, found, strict=True)), after


def _walked(
    data: NDArray[np.uint8], at: int, rows: int, element: Element, order: str
) -> tuple[list[_Numbers], int]:
    """Read so many rows one by one: of each column the counts and numbers; and the place after."""
    cut_short = truncated(
        f"the end of the file inside the {element.rows:,} rows of {element.name[:40]!r}",
        "all rows that the header states",
    )
    columns = [
        (
            struct.Struct(order + np.dtype(each.counted).char).unpack_from
            if each.counted
            else None,
            int((each.counted or "u0")[1:]),
            int(each.number[1:]),
            array("q"),
            bytearray(),
        )
        for each in element.columns
    ]
    body = data.data
    try:
        for _ in range(rows):
            for unpack, count_bytes, number_bytes, counts, kept in columns:
                count = unpack(body, at)[0] if unpack else 1
                if count < 0 or count != count // 1:
                    raise damaged(f"a list of {count:g} numbers", "a whole number of numbers")
                counts.append(int(count))
                after = at + count_bytes + int(count) * number_bytes
                kept.extend(body[at + count_bytes : after])
                at = after
            if at > len(body):
                raise cut_short
    except (struct.error, OverflowError) as fault:
        raise cut_short from fault
    return [
        (np.array(counts), np.frombuffer(numbers, order + each.number))
        for each, (*_, counts, numbers) in zip(element.columns, columns, strict=True)
    ], at


def _fans(counts: NDArray[Any], indices: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """Corners of triangles (n, 3) from the corners of faces one after another; faces of none."""
    if len(counts) and counts.min() == TRIANGLE == counts.max():
        return indices.reshape(-1, TRIANGLE), 0
    counts = counts.astype(np.int64)
    pieces = np.maximum(counts - 2, 0)
    total = int(pieces.sum())
    refuse_if_short("triangles", total, total)
    first = np.repeat(np.cumsum(counts) - counts, pieces)
    step = np.arange(total) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    fan = np.stack([first, first + step + 1, first + step + 2], axis=1)
    return indices[fan], int((pieces == 0).sum())


def _gather(points: NDArray[np.float64], corners: NDArray[Any]) -> NDArray[np.float64]:
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
