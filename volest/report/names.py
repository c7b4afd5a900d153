"""Names and texts that came from outside, made safe and short enough to show."""

import os
import re
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from textwrap import fill

from rich.cells import cell_len, chop_cells

# Unicode categories that a terminal obeys, hides or cannot draw: controls, formats (also those that
# turn the reading direction), lone surrogates, private use, unassigned, line and paragraph ends.
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_FIRST_BYTE_SURROGATE, _LAST_BYTE_SURROGATE = 0xDC80, 0xDCFF  # PEP 383
_BYTE_OFFSET = 0xDC00
# Also the wide forms of Chinese and Japanese keyboards, and | and % of old spreadsheets.
_FORMULA_STARTS = tuple(
    "=+-@|%\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}"
    "\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)
# Stands for a space that no line ends at. A no-break space would not do, rich ends lines at those;
# and no name from outside brings this one in, `visible` writes it out.
TIE = "\ue000"
_AMOUNT = re.compile(r"(?<=\d) (?=(?:mL|g|s|min|mm|%)\b)")
_AFTER_A_JOINT = re.compile(r"(?<=[-_/, ])|(?<=\.)(?!\.)")  # the dots of a cut stay together


def visible(text: str) -> str:
    """Write out what a terminal would obey, hide or fail to print; so bytes not UTF-8 (PEP 383)."""
    return "".join(
        _escaped(char) if unicodedata.category(char) in _HIDDEN else char for char in text
    )


def encodable(text: str) -> str:
    r"""Write out what UTF-8 has no bytes for: of names with bytes that are none (PEP 383).

    >>> encodable("caf\udce9.stl")
    'caf\\xe9.stl'
    """
    if text.isascii():
        return text
    return "".join(_escaped(char) if unicodedata.category(char) == "Cs" else char for char in text)


def tied(text: str) -> str:
    """Tie amounts to their units, so that no line ends between them.

    >>> tied("50 g to 10 mL").replace(TIE, "_")
    '50_g to 10_mL'
    """
    return _AMOUNT.sub(TIE, text)


def wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> str:
    r"""Set a sentence in lines, amounts with their units.

    >>> wrapped("Pour 50 g", 8)
    'Pour\n50 g'
    """
    lines = fill(
        tied(text),
        width,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,  # names and amounts can be taken as they stand
        break_on_hyphens=False,
    )
    return lines.replace(TIE, " ")


def _escaped(char: str) -> str:
    point = ord(char)
    if _FIRST_BYTE_SURROGATE <= point <= _LAST_BYTE_SURROGATE:
        return f"\\x{point - _BYTE_OFFSET:02x}"  # the byte as it stands in the file system
    return char.encode("unicode_escape").decode("ascii")


def cell(text: str) -> str:
    """Make a text safe as a cell: a leading apostrophe keeps it from being taken for a formula."""
    shown = visible(text)
    return f"'{shown}" if shown.lstrip().startswith(_FORMULA_STARTS) else shown


def short_names(scans: Sequence[str]) -> tuple[str, list[str]]:
    """Give the folder that all scans have in common, or '', and their visible names in it."""
    if not scans:
        return "", []
    try:
        common = os.path.commonpath([os.fspath(Path(scan).parent) for scan in scans])
    except ValueError:  # absolute paths among relative ones
        return "", [visible(scan) for scan in scans]
    names = [visible(os.path.relpath(scan, common or ".")) for scan in scans]
    return ("" if common in {"", "."} else visible(common)), names


def shortened(name: str, cells: int) -> str:
    """Cut a visible name in its middle, to at least 5 terminal cells."""
    if cell_len(name) <= cells:
        return name
    room = cells - len("...")
    head, tail = "", ""
    for char in name:
        if cell_len(head + char) > room - room // 2:
            break
        head += char
    for char in reversed(name):
        if cell_len(tail + char) > room - cell_len(head):
            break
        tail = char + tail
    return f"{head}...{tail}"


def pieces(text: str) -> list[str]:
    """Take a visible name or codes apart where a reader would, after its joints; at least one."""
    return [piece.strip() for piece in _AFTER_A_JOINT.split(text) if piece.strip()] or [""]


def folded(text: str, cells: int) -> str:
    """Fold a visible name or codes into lines, at its joints where that is possible."""
    lines = [""]
    for piece in _AFTER_A_JOINT.split(text):
        if cell_len((lines[-1] + piece).rstrip()) <= cells:
            lines[-1] += piece
        elif cell_len(piece) <= cells:
            lines.append(piece)
        else:
            lines += chop_cells(piece, cells)
    return "\n".join(line.strip() for line in lines if line.strip())
