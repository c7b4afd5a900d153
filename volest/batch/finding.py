"""From the paths a person named to the scans a run is going to read."""

import logging
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from volest.errors import NothingError
from volest.sheet.target import SCAN_SUFFIXES

OTHER_SUFFIXES = (".obj", ".off", ".3mf", ".amf", ".zip", ".gz")  # what scanners may send instead
HALF_SUFFIXES = (".part", ".partial", ".tmp", ".download")  # a copy that is under way, or broke off
_LOG = logging.getLogger(__name__)
_DIGITS = re.compile(r"(\d+)")
_MOST_DIGITS = 18  # longer rows are no numbers of cases, and Python reads none of over 4300 digits


def find_scans(paths: Sequence[Path]) -> list[Path]:
    """List the scans behind files and folders, each once, in natural order; none is an error.

    A file that is named is taken whatever its suffix, also when it is missing: its row then tells.
    Folders are searched to their depths for .stl and .ply in any case, hidden names left out. A
    folder that cannot be read is listed itself, so that it is refused and not passed over.
    """
    found: dict[str, Path] = {}
    for scan in sorted(_all_scans(paths), key=natural_key):
        kept = found.setdefault(os.path.realpath(scan), scan)
        if kept is not scan:
            _LOG.info("%s is the same file as %s; read once", scan, kept)
    if not found:
        raise no_scan_in(paths)
    return list(found.values())


def passed_over(paths: Sequence[Path]) -> list[Path]:
    """List surfaces of other kinds, packed files and half copies that lie in folders."""
    folders = [path for path in paths if _is_folder(path)]
    others = set(_files_below(folders, (*OTHER_SUFFIXES, *HALF_SUFFIXES)))
    # A folder that cannot be read is listed too, but as a scan that is refused.
    return sorted(
        (path for path in others if _may_hold_a_scan(path) and not _is_folder(path)),
        key=natural_key,
    )


def no_scan_in(named: Iterable[os.PathLike[str]]) -> NothingError:
    """Make the error that tells of places without a scan."""
    return NothingError(
        "no scan in " + ", ".join(repr(os.fspath(one)) for one in named),
        needed="at least one .stl or .ply file",
        remedy="name the folder where the scanner saves, or the file itself",
    )


def natural_key(path: os.PathLike[str]) -> tuple[tuple[int, int, str], ...]:
    """Give a key that sorts names as people do, 'case 2' before 'case 10'; ties by the text."""
    text = os.fspath(path)
    parts = [
        (0, int(part), "")
        if part.isascii() and part.isdigit() and len(part) <= _MOST_DIGITS
        else (1, 0, part)
        for part in _DIGITS.split(text.casefold())
    ]
    return (*parts, (1, 0, text))


def _all_scans(paths: Iterable[Path]) -> Iterator[Path]:
    for path in paths:
        if not _is_folder(path):
            yield path
    yield from _files_below([path for path in paths if _is_folder(path)], SCAN_SUFFIXES)


def _files_below(tops: Iterable[Path], suffixes: Sequence[str]) -> Iterator[Path]:
    seen: set[tuple[int, int]] = set()
    folders = list(tops)  # a list and no recursion: folders may lie deeper than Python's stack
    while folders:
        folder = folders.pop()
        try:
            mark = (folder.stat().st_dev, folder.stat().st_ino)
            if mark in seen:  # a link that leads back, or a folder named twice
                continue
            seen.add(mark)
            entries = [entry for entry in folder.iterdir() if not entry.name.startswith(".")]
        except OSError:
            _LOG.exception("folder %s cannot be read", folder)
            yield folder
            continue
        folders += [entry for entry in entries if _is_folder(entry)]
        yield from (
            entry for entry in entries if entry.suffix.lower() in suffixes and not _is_folder(entry)
        )


def _may_hold_a_scan(path: Path) -> bool:
    if path.suffix.lower() not in HALF_SUFFIXES:
        return True
    return Path(path.stem).suffix.lower() in (*SCAN_SUFFIXES, *OTHER_SUFFIXES)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # no right to look; the reader says so in the scan's row
        return False
