"""What kind of file it is, told by its first bytes and its size rather than by its name."""

from dataclasses import dataclass

from volest.errors import ScanError
from volest.notes import Note
from volest.scan.stl import fits_exactly

STL_BINARY = "binary STL"
STL_TEXT = "ASCII STL"
PLY = "PLY"
SUFFIXES = {STL_BINARY: ".stl", STL_TEXT: ".stl", PLY: ".ply"}
BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # some editors put it before a text
OTHER_KINDS = {
    b"PK\x03\x04": "a zip archive",
    b"\x1f\x8b": "a gzip archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"%PDF": "a PDF document",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"<?xml": "an XML document",
    b"{": "a JSON document",
}
# Names of solids may hold any letters, so bytes above 127 pass; control bytes do not.
TEXT_BYTES = frozenset(range(32, 127)) | frozenset(range(128, 256)) | {9, 10, 12, 13}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file that can be read, and the place of the first byte that counts."""

    name: str
    begins_at: int = 0


def recognise(head: bytes, size: int, suffix: str) -> Kind:
    """Tell the kind of a file; its suffix, in small letters, decides where the content does not."""
    if size == 0:
        raise ScanError(
            "0 bytes",
            needed="a scan as STL or PLY",
            remedy="copy or export it again",
            code="empty",
        )
    if head[:4] in {b"ply\n", b"ply\r"}:
        return Kind(name=PLY)
    if fits_exactly(head, size):
        return Kind(name=STL_BINARY)
    for magic, found in OTHER_KINDS.items():
        if head.startswith(magic):
            raise _not_a_mesh(found)
    mark = len(BYTE_ORDER_MARK) if head.startswith(BYTE_ORDER_MARK) else 0
    if _is_text(head[mark:]):
        if head[mark:].lstrip()[:5].lower() == b"solid":
            return Kind(name=STL_TEXT, begins_at=mark)
        raise _not_a_mesh("a text that is neither STL nor PLY")
    if suffix != ".stl":
        raise _not_a_mesh("bytes that are neither STL nor PLY")
    return Kind(name=STL_BINARY)


def misnamed_note(kind: Kind, suffix: str) -> tuple[Note, ...]:
    """Note a suffix, in small letters, that does not fit the content."""
    if suffix == SUFFIXES[kind.name]:
        return ()
    ending = f"ends in {suffix}" if suffix.isprintable() and suffix else "has no such ending"
    note = Note(
        code="misnamed",
        text=f"The file is {kind.name} by its content, though its name {ending}.",
        do=f"Give it a name that ends in {SUFFIXES[kind.name]}.",
    )
    return (note,)


def _is_text(head: bytes) -> bool:
    return TEXT_BYTES.issuperset(head[:1000])


def _not_a_mesh(found: str) -> ScanError:
    return ScanError(
        found,
        needed="a scan as STL or PLY",
        remedy="export the scan as STL or PLY",
        code="not-a-mesh",
    )
