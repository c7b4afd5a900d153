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
    r"""Write out what a terminal would obey, hide or fail to print.

    Parameters
    ----------
    text : str
        Any text, also a file name with bytes that are not UTF-8 (PEP 383).

    Returns
    -------
    str
        The same with such characters as ``\x1b``, ``\u202e`` and the like.

    Examples
    --------
    >>> print(visible("upper\x1b[2J.stl"))
    upper\x1b[2J.stl
    """
    return "".join(
        _escaped(char) if unicodedata.category(char) in _HIDDEN else char for char in text
    )


def tied(text: str) -> str:
    """Tie amounts to their units, so that no line ends between them.

    Parameters
    ----------
    text : str
        A sentence.

    Returns
    -------
    str
        The same with `TIE` between a figure and its unit.

    Examples
    --------
    >>> tied("50 g to 10 mL").replace(TIE, "_")
    '50_g to 10_mL'
    """
    return _AMOUNT.sub(TIE, text)


def wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> str:
    r"""Set a sentence in lines, amounts with their units.

    Parameters
    ----------
    text : str
        The sentence.
    width : int
        Letters a line.
    first, rest : str
        What the first line and the others begin with.

    Returns
    -------
    str
        The lines, joined by line ends.

    Examples
    --------
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
    """Make a text safe as a cell of a spreadsheet.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The visible text; a leading apostrophe keeps a spreadsheet from taking it for a formula.

    Examples
    --------
    >>> cell("=1+1.stl")
    "'=1+1.stl"
    """
    shown = visible(text)
    return f"'{shown}" if shown.lstrip().startswith(_FORMULA_STARTS) else shown


def short_names(scans: Sequence[str]) -> tuple[str, list[str]]:
    """Leave out the folder that all scans have in common.

    Parameters
    ----------
    scans : sequence of str
        Paths as they were given.

    Returns
    -------
    folder : str
        The common folder, made visible; empty where there is none worth telling.
    names : list of str
        One visible name a scan, relative to it.

    Examples
    --------
    >>> short_names(["monday/a.stl", "monday/late/b.stl"])
    ('monday', ['a.stl', 'late/b.stl'])
    """
    if not scans:
        return "", []
    try:
        common = os.path.commonpath([os.fspath(Path(scan).parent) for scan in scans])
    except ValueError:  # absolute paths among relative ones
        return "", [visible(scan) for scan in scans]
    names = [visible(os.path.relpath(scan, common or ".")) for scan in scans]
    return ("" if common in {"", "."} else visible(common)), names


def shortened(name: str, cells: int) -> str:
    """Cut a name in its middle, so that its start and its end can still be read.

    Parameters
    ----------
    name : str
        A visible name.
    cells : int
        Terminal cells it may fill, at least 5.

    Returns
    -------
    str
        The name, with ``...`` in place of what was cut.

    Examples
    --------
    >>> shortened("case-1042-upper-arch.stl", 15)
    'case-1...ch.stl'
    """
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
    """Take a name or a row of codes apart where a reader would: after its joints.

    Parameters
    ----------
    text : str
        A visible name or codes.

    Returns
    -------
    list of str
        The pieces without spaces round them, at least one.

    Examples
    --------
    >>> pieces("open-heel, ragged")
    ['open-', 'heel,', 'ragged']
    """
    return [piece.strip() for piece in _AFTER_A_JOINT.split(text) if piece.strip()] or [""]


def folded(text: str, cells: int) -> str:
    r"""Fold a name or codes into lines, at its joints where that is possible.

    Parameters
    ----------
    text : str
        A visible name or codes.
    cells : int
        Terminal cells a line may fill.

    Returns
    -------
    str
        The lines, joined by line ends; nothing is left out but spaces at the folds.

    Examples
    --------
    >>> folded("case-1042-upper.stl", 12)
    'case-1042-\nupper.stl'
    """
    lines = [""]
    for piece in _AFTER_A_JOINT.split(text):
        if cell_len((lines[-1] + piece).rstrip()) <= cells:
            lines[-1] += piece
        elif cell_len(piece) <= cells:
            lines.append(piece)
        else:
            lines += chop_cells(piece, cells)
    return "\n".join(line.strip() for line in lines if line.strip())
