"""Binary STL: 80 bytes of header, a count, then 50 bytes a triangle."""

import struct
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.limits import WAIT, refuse_if_short, truncated

PREAMBLE_BYTES = 84  # 80 of header and a 4-byte count
RECORD_BYTES = 50  # normal and three corners as 12 float32, then 2 bytes of attributes
RECORD = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
BLOCK = 8192  # records at a time: they stay in the processor's cache
SMALL_TAIL_BYTES = 65_536  # a tail of colours or text is short; a longer one is a mesh left unread


def stated_triangles(head: bytes) -> int:
    """Read the count of triangles from the first 84 bytes."""
    count: int = struct.unpack_from("<I", head, PREAMBLE_BYTES - 4)[0]
    return count


def fits_exactly(head: bytes, size: int) -> bool:
    """Tell whether the size is that of a binary STL with the count that stands in it."""
    if size < PREAMBLE_BYTES or len(head) < PREAMBLE_BYTES:
        return False
    return size == PREAMBLE_BYTES + RECORD_BYTES * stated_triangles(head)


def read_stl_binary(
    file: BinaryIO, head: bytes, size: int
) -> tuple[NDArray[np.float64], tuple[Note, ...]]:
    """Read triangles (n, 3, 3) in the file's unit; a note if more follows than the count says."""
    if size < PREAMBLE_BYTES:
        raise truncated(f"{size} bytes", f"the {PREAMBLE_BYTES} bytes a binary STL begins with")
    stated = stated_triangles(head)
    room = (size - PREAMBLE_BYTES) // RECORD_BYTES
    refuse_if_short("triangles", stated, room)
    surplus = size - PREAMBLE_BYTES - RECORD_BYTES * stated
    _refuse_unread(stated, room, surplus)
    file.seek(PREAMBLE_BYTES)
    triangles = _records(file, stated)  # (n, 3, 3)
    return triangles, (_surplus_note(surplus),) if surplus else ()


def _records(file: BinaryIO, count: int) -> NDArray[np.float64]:
    triangles = np.empty((count, 3, 3))
    for start in range(0, count, BLOCK):
        part = triangles[start : start + BLOCK]
        raw = file.read(RECORD_BYTES * len(part))
        if len(raw) != RECORD_BYTES * len(part):
            raise truncated("a file that became shorter while it was read", "a file at rest")
        part[:] = np.frombuffer(raw, dtype=RECORD)["corners"]
    return triangles


def _refuse_unread(stated: int, room: int, surplus: int) -> None:
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


def _surplus_note(surplus: int) -> Note:
    return Note(
        code="trailing-bytes",
        text=f"{surplus:,} bytes follow the last triangle that the file states; not read.",
        do="Look at the scan: if a part is missing, export it again.",
    )
