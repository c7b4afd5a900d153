"""The body of a PLY: rows of numbers and of lists, from bytes or from text.

Text is turned into float64 first, and its header into one that says so; from then on both are
read by the same code.
"""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volest.scan.limits import damaged
from volest.scan.ply_header import Element
from volest.scan.ply_rows import Columns, cut_short, plain, uneven_columns

NATIVE = "="
PIECE_BYTES = 1 << 20  # measured for ASCII STL: quickest
WORD_BYTES = 1000  # no number is written longer


def shortest_row(element: Element, *, text: bool) -> int:
    """Return the least bytes that a row of this element can take."""
    if text:
        return 2 * len(element.properties)  # a digit and a blank each
    return sum(int((each.count or each.number)[1:]) for each in element.properties)


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
            length = _length(data, at, order + each.count, element)
            at += int(each.count[1:])
        at += length * int(each.number[1:])
        if at > len(data):
            raise cut_short(element)
        lengths.append(length)
    return tuple(lengths)


def _length(data: NDArray[np.uint8], at: int, kind: str, element: Element) -> int:
    size = int(kind[2:])
    if at + size > len(data):
        raise cut_short(element)
    length = float(data[at : at + size].view(kind)[0])
    if not length >= 0 or length != length // 1:
        raise damaged(f"a list of {length:g} numbers", "a whole number of numbers")
    return int(length)


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
