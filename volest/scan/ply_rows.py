"""Rows of a PLY whose lists differ in length: triangles and quads in one table, for example."""

import struct
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.scan.limits import MAX_TRIANGLES, damaged, truncated
from volest.scan.ply_header import Element

STRUCT_LETTERS = {"i1": "b", "u1": "B", "i2": "h", "u2": "H", "i4": "i", "u4": "I", "f8": "d"}

_Keep = tuple[Callable[[int], None], Callable[[int], None]]
_Step = tuple[Callable[[Any, int], tuple[Any, ...]] | None, int, int, _Keep | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """The columns of an element that were asked for, by name."""

    singles: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    lists: dict[str, tuple[NDArray[np.int64], NDArray[Any]]] = field(default_factory=dict)


def plain(numbers: NDArray[Any]) -> NDArray[Any]:
    """Return corner numbers as the machine counts; those from text stay float64 until checked."""
    return numbers.astype(np.float64 if numbers.dtype.kind == "f" else np.intp)


def cut_short(element: Element) -> ScanError:
    """Make the refusal of a body that ends inside this element."""
    return truncated(
        f"the end of the file inside the {element.count:,} rows of {element.name[:40]!r}",
        "all rows that the header states",
    )


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
