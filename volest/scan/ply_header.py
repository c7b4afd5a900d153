"""The header of a PLY file: what elements follow, how many, and of which numbers."""

from dataclasses import dataclass

from volest.scan.limits import damaged, truncated

HEADER_BYTES = 4_000_000  # comments of a megabyte have been met; a header beyond this is no header
HEADER_LINES = 20_000  # bounds the time a header of empty lines can take
ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
NUMBER_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
SCALAR_WORDS = 3  # property TYPE NAME
LIST_WORDS = 5  # property list COUNT-TYPE TYPE NAME


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

    @property
    def lists(self) -> tuple[Property, ...]:
        """Return the properties that are lists."""
        return tuple(each for each in self.properties if each.count)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlyHeader:
    """What the header of a PLY says; order is '<' little endian, '>' big endian, '' text."""

    order: str
    elements: tuple[Element, ...]
    body_at: int

    def element(self, name: str) -> Element | None:
        """Return the element of that name, None if there is none."""
        return next((each for each in self.elements if each.name == name), None)


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
            tables.append((*_element(words), []))
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
    _refuse_doubles([each.name for each in elements])
    return PlyHeader(order=order, elements=elements, body_at=body_at)


def _lines(head: bytes) -> tuple[list[str], int]:
    """Header lines without 'ply' and 'end_header', and where the body begins.

    The body may begin with any byte, so the line end is taken from the first line alone.
    """
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


def _element(words: list[str]) -> tuple[str, int]:
    try:
        name, count = words[1], int(words[2])
    except (IndexError, ValueError) as fault:
        raise damaged(f"{' '.join(words)[:60]!r} in the header", "'element NAME COUNT'") from fault
    return name, count


def _property(words: list[str]) -> Property:
    if words[1:2] == ["list"] and len(words) == LIST_WORDS:
        count, number = NUMBER_TYPES.get(words[2]), NUMBER_TYPES.get(words[3])
        if number and count and count[0] != "f":
            return Property(name=words[4], number=number, count=count)
    elif len(words) == SCALAR_WORDS and words[1] in NUMBER_TYPES:
        return Property(name=words[2], number=NUMBER_TYPES[words[1]])
    raise damaged(
        f"{' '.join(words)[:60]!r} in the header",
        "'property TYPE NAME' or 'property list TYPE TYPE NAME' with a known type",
    )


def _refuse_doubles(names: list[str]) -> None:
    for name in ("vertex", "face"):
        if names.count(name) > 1:
            raise damaged(f"{names.count(name)} elements named {name!r}", "one of each")
