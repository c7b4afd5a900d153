"""PLY, text and binary: vertices and faces to triangles.

Text is turned into float64 first, and its header into one that says so; from then on both are
read by the same code.
"""

import struct
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.checks import (
    MAX_TRIANGLES,
    damaged,
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
NATIVE = "="
PIECE_BYTES = 1 << 20  # measured for ASCII STL: quickest
WORD_BYTES = 1000  # no number is written longer
STRUCT_LETTERS = {"i1": "b", "u1": "B", "i2": "h", "u2": "H", "i4": "i", "u4": "I", "f8": "d"}
LIST_NAMES = ("vertex_indices", "vertex_index")  # both are in use for the corners of a face
TRIANGLE = 3
NUMBER_BYTES = 8  # of a float64, in which text is kept

_Keep = tuple[Callable[[int], None], Callable[[int], None]]
_Step = tuple[Callable[[Any, int], tuple[Any, ...]] | None, int, int, _Keep | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Property:
    """One number, or one list of numbers, of an element; types as numpy writes them: 'f4'."""

    name: str
    number: str
    count: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Element:
    """A table of the file, vertices, faces or anything else, with its rows stated."""

    name: str
    count: int
    properties: tuple[Property, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlyHeader:
    """What the header of a PLY says; order is '<' little endian, '>' big endian, '' text."""

    order: str
    elements: tuple[Element, ...]
    body_at: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """The columns of an element that were asked for, by name."""

    singles: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    lists: dict[str, tuple[NDArray[np.int64], NDArray[Any]]] = field(default_factory=dict)


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
        notes = (*notes, Note("degenerate", count=short_faces, what="faces", of=count))
    return _gather(points, corners), notes


def _corner_list(header: PlyHeader) -> str:
    by_name = {each.name: each for each in header.elements}
    vertex, face = by_name.get("vertex"), by_name.get("face")
    names = [each.name for each in face.properties if each.count] if face else []
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
        # A list may be empty, but its count is always there; text has a digit and a blank each.
        sizes = [int((each.count or each.number)[1:]) for each in element.properties]
        row = sum(sizes) if header.order else 2 * len(sizes)
        if row or element.count < 0:  # rows without properties take no room at all
            most = (room + (not header.order)) // max(row, 1)  # a last blank may be left out
            plural = {"vertex": "vertices", "face": "faces"}
            what = plural.get(element.name, f"rows of {element.name[:40]}")
            refuse_if_short(what, element.count, most)
        room -= element.count * row


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
    count, what = (left, "bytes") if header.order else (left // NUMBER_BYTES, "numbers")
    return tables, (Note("trailing-bytes", count=count, what=what, after="row"),)


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


def read_ply_header(head: bytes) -> PlyHeader:
    """Read the header of a PLY from the file's first ``HEADER_BYTES``."""
    lines, body_at = _lines(head)
    order: str | None = None
    tables: list[tuple[str, int, list[Property]]] = []
    for line in lines:
        words = line.split()
        if not words or words[0] in {"comment", "obj_info"}:
            continue
        if words[0] == "format" and len(words) > 1 and words[1] in ORDERS:
            order = ORDERS[words[1]]
        elif words[0] == "element":
            try:
                tables.append((words[1], int(words[2]), []))
            except (IndexError, ValueError) as fault:
                raise damaged(
                    f"{' '.join(words)[:60]!r} in the header", "'element NAME COUNT'"
                ) from fault
        elif words[0] == "property" and tables:
            tables[-1][2].append(_property(words))
        else:
            raise damaged(f"{line[:60]!r} in the header", "a PLY header's own lines")
    if order is None:
        raise damaged("no 'format' in the header", "'format ascii' or one of the binary ones")
    elements = tuple(
        Element(name=name, count=count, properties=tuple(properties))
        for name, count, properties in tables
    )
    names = [each.name for each in elements]
    for name in ("vertex", "face"):
        if names.count(name) > 1:
            raise damaged(f"{names.count(name)} elements named {name!r}", "one of each")
    return PlyHeader(order=order, elements=elements, body_at=body_at)


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


def _property(words: list[str]) -> Property:
    types = [NUMBER_TYPES.get(word, "") for word in words]
    match words:
        case [_, "list", _, _, name] if types[2] and types[2][0] != "f" and types[3]:
            return Property(name=name, number=types[3], count=types[2])
        case [_, _, name] if types[1]:
            return Property(name=name, number=types[1])
    raise damaged(
        f"{' '.join(words)[:60]!r} in the header",
        "'property TYPE NAME' or 'property list TYPE TYPE NAME' with a known type",
    )


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
        words = body[at:stop].split()
        try:
            parts.append(np.fromiter(map(float, words), np.float64, len(words)))
        except ValueError as fault:
            word = str(fault).rpartition(":")[2].strip().lstrip("b")[:40]
            raise damaged(f"{word} where a number belongs", "numbers") from fault
        at = stop
    return np.concatenate(parts)


def as_text(element: Element) -> Element:
    """Return the element as it is after its text was turned into float64."""
    columns = tuple(
        replace(each, number="f8", count="f8" if each.count else "") for each in element.properties
    )
    return replace(element, properties=columns)


def read_element(
    data: NDArray[np.uint8], at: int, element: Element, order: str, wanted: tuple[str, ...]
) -> tuple[Columns, int]:
    """Read the wanted columns of one element from this place on, and the place after its rows."""
    if not element.properties:
        return Columns(), at
    nothing = (0,) * len(element.properties)
    lengths = _row_lengths(data, at, element, order) if element.count else nothing
    rows = _even_rows(data, at, element, order, lengths)
    if rows is None:
        return uneven_columns(data, at, element, order, wanted)
    columns = Columns()
    for place, each in enumerate(element.properties):
        if each.name in wanted and each.count:
            numbers = plain(rows[f"list{place}"]).reshape(-1)
            columns.lists[each.name] = (rows[f"count{place}"].astype(np.int64), numbers)
        elif each.name in wanted:
            columns.singles[each.name] = rows[f"one{place}"].astype(np.float64)
    return columns, at + rows.nbytes


def _row_lengths(data: NDArray[np.uint8], at: int, element: Element, order: str) -> tuple[int, ...]:
    """Lengths of the lists of the row that begins at this place, 1 for single numbers."""
    lengths = []
    for each in element.properties:
        length = 1
        if each.count:
            size = int(each.count[1:])
            if at + size > len(data):
                raise cut_short(element)
            stated = float(data[at : at + size].view(order + each.count)[0])
            if not stated >= 0 or stated != stated // 1:
                raise damaged(f"a list of {stated:g} numbers", "a whole number of numbers")
            length = int(stated)
            at += size
        at += length * int(each.number[1:])
        if at > len(data):
            raise cut_short(element)
        lengths.append(length)
    return tuple(lengths)


def _even_rows(
    data: NDArray[np.uint8], at: int, element: Element, order: str, lengths: tuple[int, ...]
) -> NDArray[Any] | None:
    """Lay the rows out as one table if all have the list lengths of the first, else None."""
    fields: list[tuple[str, str, tuple[int, ...]]] = []
    for place, (each, length) in enumerate(zip(element.properties, lengths, strict=True)):
        if each.count:
            fields.append((f"count{place}", order + each.count, ()))
            fields.append((f"list{place}", order + each.number, (length,)))
        else:
            fields.append((f"one{place}", order + each.number, ()))
    table = np.dtype(fields)
    if element.count * table.itemsize > len(data) - at:
        return None
    rows = data[at : at + element.count * table.itemsize].view(table)  # (rows,)
    for place, (each, length) in enumerate(zip(element.properties, lengths, strict=True)):
        if each.count and not (rows[f"count{place}"] == length).all():
            return None
    return rows


def uneven_columns(
    data: NDArray[np.uint8], at: int, element: Element, order: str, wanted: tuple[str, ...]
) -> tuple[Columns, int]:
    """Walk the rows one by one, noting where what is wanted begins; also the place after them."""
    starts = [array("q") for _ in element.properties]
    lengths = [array("q") for _ in element.properties]
    steps = [
        (
            struct.Struct(order + STRUCT_LETTERS[each.count]).unpack_from if each.count else None,
            int((each.count or "u0")[1:]),
            int(each.number[1:]),
            (starts[place].append, lengths[place].append) if each.name in wanted else None,
        )
        for place, each in enumerate(element.properties)
    ]
    try:
        at = _walk(data, at, element.count, steps)
    except (struct.error, OverflowError) as fault:
        raise cut_short(element) from fault
    if at > len(data):
        raise cut_short(element)
    columns = Columns()
    for place, each in enumerate(element.properties):
        if each.name in wanted:
            counts = np.array(lengths[place], np.int64)
            numbers = _collect(data, np.array(starts[place], np.int64), counts, order + each.number)
            if each.count:
                columns.lists[each.name] = (counts, plain(numbers))
            else:
                columns.singles[each.name] = numbers.astype(np.float64)
    return columns, at


def _walk(data: NDArray[np.uint8], at: int, rows: int, steps: Sequence[_Step]) -> int:
    body = data.data
    end = len(body)
    for _ in range(rows):
        for unpack, count_size, size, keep in steps:
            length = unpack(body, at)[0] if unpack else 1
            at += count_size
            if length < 0 or length != length // 1:
                raise damaged(f"a list of {length:g} numbers", "a whole number of numbers")
            if keep:
                keep[0](at)
                keep[1](int(length))
            at += int(length) * size
        if at > end:
            break
    return at


def _collect(
    data: NDArray[np.uint8], starts: NDArray[np.int64], counts: NDArray[np.int64], kind: str
) -> NDArray[Any]:
    """Numbers that lie in runs of some length at some places, one after another."""
    total = int(counts.sum())
    if total > 3 * MAX_TRIANGLES:
        raise ScanError(
            f"{total:,} corners of faces",
            needed=f"{3 * MAX_TRIANGLES:,} at most",
            remedy="export the scan with fewer triangles",
            code="too-large",
        )
    size = int(kind[2:])
    before = np.cumsum(counts) - counts
    places = np.repeat(starts - before * size, counts) + np.arange(total) * size
    numbers = np.empty((total, size), np.uint8)
    for byte in range(size):
        numbers[:, byte] = data[places + byte]
    return numbers.view(kind)[:, 0]


def plain(numbers: NDArray[Any]) -> NDArray[Any]:
    """Return corner numbers as the machine counts; those from text stay float64 until checked."""
    return numbers.astype(np.float64 if numbers.dtype.kind == "f" else np.intp)


def cut_short(element: Element) -> ScanError:
    """Make the refusal of a body that ends inside this element."""
    return truncated(
        f"the end of the file inside the {element.count:,} rows of {element.name[:40]!r}",
        "all rows that the header states",
    )
