"""STL, binary and text: triangles, each with its three corners."""

import re
from collections import Counter
from collections.abc import Iterator
from functools import partial
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.checks import WAIT, Blocks, damaged, floats, refuse_if_short, truncated

# Binary: 80 bytes of header, a count, then 50 bytes a triangle.
PREAMBLE_BYTES = 84  # 80 of header and a 4-byte count
RECORD_BYTES = 50  # normal and three corners as 12 float32, then 2 bytes of attributes
RECORD = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
SMALL_TAIL_BYTES = 65_536  # a tail of colours or text is short; a longer one is a mesh left unread

# Text: read in pieces, so that a large file does not fill the memory with words.
PIECE_BYTES = 1 << 20  # measured: quickest; its words take about 10 MB at a time
LINE_BYTES = 1 << 23  # a line longer than this is no STL
FACET_WORDS = 21  # facet normal i j k outer loop, three times vertex x y z, endloop endfacet
WORD_PLACES = {
    b"facet": (0,),
    b"normal": (1,),
    b"outer": (5,),
    b"loop": (6,),
    b"vertex": (7, 11, 15),
    b"endloop": (19,),
    b"endfacet": (20,),
}
NUMBER_PLACES = (8, 9, 10, 12, 13, 14, 16, 17, 18)
MARKS = {b"facet": 0, b"vertex": 1, b"endfacet": 2}
FACET_MARKS = [0, 1, 1, 1, 2]
# With the name after it, which may hold any word. At the end of a longer word than 'endsolid' it is
# left in, and refused as no word of a facet. It is looked for by its letters first: far quicker.
_SOLID = re.compile(rb"solid(?:(?<!\Ssolid)|(?<=endsolid)(?<!\Sendsolid)).*")


def stated_triangles(head: bytes) -> int:
    """Read the count of triangles from the first 84 bytes."""
    return int.from_bytes(head[PREAMBLE_BYTES - 4 : PREAMBLE_BYTES], "little")


def fits_exactly(head: bytes, size: int) -> bool:
    """Tell whether the size is that of a binary STL with the count that stands in it."""
    is_whole = min(size, len(head)) >= PREAMBLE_BYTES
    return is_whole and size == PREAMBLE_BYTES + RECORD_BYTES * stated_triangles(head)


def read_stl_binary(file: BinaryIO, head: bytes, size: int) -> tuple[Blocks, tuple[Note, ...]]:
    """Read triangles in the file's unit; a note if more follows than the count says."""
    if size < PREAMBLE_BYTES:
        raise truncated(f"{size} bytes", f"the {PREAMBLE_BYTES} bytes a binary STL begins with")
    stated = stated_triangles(head)
    room = (size - PREAMBLE_BYTES) // RECORD_BYTES
    refuse_if_short("triangles", stated, room)
    surplus = size - PREAMBLE_BYTES - RECORD_BYTES * stated
    if stated == 0:
        raise ScanError(
            f"a count of 0 triangles in a file with room for {room:,}" if room else "no triangles",
            needed="a surface of triangles",
            remedy=WAIT,
            code="no-triangles",
        )
    if surplus > max(SMALL_TAIL_BYTES, RECORD_BYTES * stated):
        raise ScanError(
            f"a count of {stated:,} triangles in a file with room for {room:,}",
            needed="a count that covers the file",
            remedy="export the scan again; most of this one would be left unread",
            code="absurd-count",
        )
    file.seek(PREAMBLE_BYTES)
    left = Note("trailing-bytes", count=surplus, what="bytes", after="triangle")
    return Blocks(count=stated, of=partial(_blocks, file, stated)), (left,) if surplus else ()


def _blocks(file: BinaryIO, count: int, at_once: int) -> Iterator[NDArray[np.float32]]:
    """Read the corners of so many triangles, (b, 3, 3), each block into the same memory."""
    records = np.empty(min(at_once, count), RECORD)
    for start in range(0, count, at_once):
        part = records[: count - start]
        if file.readinto(part) != part.nbytes:  # type: ignore[attr-defined]  # all open ones have it
            raise truncated("a file that became shorter while it was read", "a file at rest")
        yield part["corners"]


def read_stl_text(file: BinaryIO) -> tuple[NDArray[np.float64], tuple[Note, ...]]:
    """Read triangles (n, 3, 3) in the file's unit; several solids become one surface.

    Normals are not used; words after the last solid are noted.
    """
    solids: Counter[bool] = Counter()  # how many were begun, and ended
    parts = [np.empty((0, 3, 3))]
    rest = b""
    for lines in _pieces(file):
        rest += _without_names(lines, solids)
        cut = rest.rfind(b"endfacet") + len(b"endfacet")
        if cut >= len(b"endfacet"):
            parts.append(_facets(rest[:cut].split()))
            rest = rest[cut:]
        elif len(rest) > LINE_BYTES:
            raise damaged("megabytes of text without a triangle", "'facet' ... 'endfacet'")
    left = rest.split()
    opened, closed = solids[False], solids[True]
    if closed < opened:
        where = "in the midst of a triangle" if left else "after a whole triangle"
        raise truncated(
            f"a text STL that breaks off {where}", "the whole file, with its 'endsolid'"
        )
    if closed > opened:
        raise damaged(f"{opened} 'solid' and {closed} 'endsolid'", "as many of one as the other")
    if MARKS.keys() & left:
        raise damaged("a triangle that is never ended", "'endfacet' after each")
    surplus = Note("trailing-bytes", count=len(left), what="words", after="facet")
    return np.concatenate(parts), (surplus,) if left else ()


def _without_names(text: bytes, solids: Counter[bool]) -> bytes:
    """Cut out lines from where they begin or end a solid, and count whether these end one."""
    kept, begin = [], 0
    for found in _SOLID.finditer(text):
        ends = text.endswith(b"end", 0, found.start())
        solids[ends] += 1
        kept.append(text[begin : found.start() - len(b"end") * ends])
        begin = found.end()
    return b"".join([*kept, text[begin:]])


def _pieces(file: BinaryIO) -> Iterator[bytes]:
    rest = b""
    while piece := file.read(PIECE_BYTES):
        text = rest + piece.lower().replace(b"\r", b"\n")
        cut = text.rfind(b"\n") + 1
        if not cut and len(text) > LINE_BYTES:
            raise damaged(f"a line of more than {LINE_BYTES:,} bytes", "lines of an ASCII STL")
        rest = text[cut:]
        yield text[:cut]
    yield rest


def _facets(words: list[bytes]) -> NDArray[np.float64]:
    count, over = divmod(len(words), FACET_WORDS)
    regular = not over and all(
        words[place::FACET_WORDS].count(word) == count
        for word, places in WORD_PLACES.items()
        for place in places
    )
    numbers = (
        [words[place::FACET_WORDS] for place in NUMBER_PLACES]
        if regular
        else _irregular_numbers(words)
    )
    columns = [
        floats(each, "a coordinate", "numbers with a point as decimal mark") for each in numbers
    ]
    return np.stack(columns, axis=1).reshape(-1, 3, 3)


def _irregular_numbers(words: list[bytes]) -> list[list[bytes]]:
    """Nine columns of numbers from facets that lack a normal or hold further words."""
    places = [place for place, word in enumerate(words) if word in MARKS]
    marks = [MARKS[words[place]] for place in places]
    if len(marks) % 5 or marks != FACET_MARKS * (len(marks) // 5):
        raise damaged(
            f"{marks.count(0):,} triangles begun, {marks.count(1):,} corners and "
            f"{marks.count(2):,} triangles ended in a part of the file, out of step",
            "three 'vertex' in each 'facet' ... 'endfacet'",
        )
    words = [*words, b"", b"", b""]  # so that looking past a broken last facet finds no number
    corners = [place for place, mark in zip(places, marks, strict=True) if mark == MARKS[b"vertex"]]
    return [
        [words[place + step] for place in corners[corner::3]]
        for corner in range(3)
        for step in (1, 2, 3)
    ]
