"""Names and texts that came from outside, made safe and short enough to show."""

import os
import re
from collections.abc import Sequence
from pathlib import Path
from textwrap import fill

from rich.cells import cell_len, chop_cells

from volest.errors import visible as visible  # noqa: PLC0414  # handed on

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
    head = chop_cells(name, room - room // 2)[0]
    tail = chop_cells(name[::-1], room - cell_len(head))[0][::-1]
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
