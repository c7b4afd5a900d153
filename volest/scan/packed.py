"""Scans that lie packed: each in a zip file by a path below it, or by itself in a gzip file.

What is unpacked is bounded, whatever the file states, and nothing is written to the disk.
"""

import gzip
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO, BinaryIO
from zipfile import BadZipFile, ZipFile, ZipInfo

from volest.errors import ScanError
from volest.scan.checks import MAX_BYTES, refuse_if_large
from volest.storage import SCAN_SUFFIXES

READ_SUFFIXES = SCAN_SUFFIXES
ZIP, GZIP = ".zip", ".gz"
MOST_MEMBERS = 10_000  # of a zip file; a lab's year has fewer scans
_ENCRYPTED = 1  # bit of a member's flags (PKWARE APPNOTE 4.4.4)
_FAULTS = (BadZipFile, EOFError, zlib.error, NotImplementedError, RuntimeError, ValueError)


def kind_suffix(name: str) -> str:
    """Give the ending that tells a scan's kind, in small letters; that of gzip is looked through.

    >>> kind_suffix("b0417.STL"), kind_suffix("b0417.stl.gz")
    ('.stl', '.stl')
    """
    path = PurePosixPath(name.lower())
    return PurePosixPath(path.stem).suffix if path.suffix == GZIP else path.suffix


def members(path: Path) -> list[Path]:
    """List the scans in a zip file as paths below it; none where it is none, or is not whole."""
    try:
        with ZipFile(path) as packed:
            names = [PurePosixPath(name) for name in packed.namelist()]
    except (OSError, *_FAULTS):
        return []
    return [
        path.joinpath(*name.parts)
        for name in names
        if kind_suffix(name.name) in READ_SUFFIXES
        and not name.is_absolute()
        and not any(part.startswith((".", "__MACOSX")) for part in name.parts)  # '..' among them
    ][:MOST_MEMBERS]


def holder(path: Path) -> Path:
    """Name the file of the disk that a scan lies in: a zip file, or the scan itself."""
    for parent in path.parents:
        if parent.suffix.lower() == ZIP and parent.is_file():
            return parent
    return path


@contextmanager
def opened(path: Path) -> Iterator[tuple[BinaryIO, int]]:
    """Open a scan, wherever it lies, and say how many bytes it has."""
    file = holder(path)
    if file == path:
        with path.open("rb") as stream:
            yield stream, path.stat().st_size
        return
    try:
        with ZipFile(file) as packed:
            info = _member(packed, file, path)
            refuse_if_large(info.file_size, text=False)
            if info.flag_bits & _ENCRYPTED:
                raise _not_unpacked("a scan in a zip file with a password", "unpack it yourself")
            with packed.open(info) as stream:
                data = _bounded(stream)
    except _FAULTS as fault:
        raise _not_unpacked(f"a zip file that is damaged ({fault})", "copy it again") from fault
    yield io.BytesIO(data), len(data)


def size_of(path: Path) -> int:
    """Say how many bytes a scan has, unpacked from a zip file."""
    file = holder(path)
    if file == path:
        return path.stat().st_size
    try:
        with ZipFile(file) as packed:
            return _member(packed, file, path).file_size
    except _FAULTS as fault:
        raise OSError(str(fault)) from fault


def unzipped(stream: BinaryIO) -> bytes:
    """Unpack what gzip packed."""
    try:
        with gzip.GzipFile(fileobj=stream) as packed:
            return _bounded(packed)
    except (gzip.BadGzipFile, EOFError, zlib.error) as fault:
        raise _not_unpacked(f"a gzip file that is damaged ({fault})", "copy it again") from fault


def _member(packed: ZipFile, file: Path, path: Path) -> ZipInfo:
    try:
        return packed.getinfo(path.relative_to(file).as_posix())
    except KeyError as fault:
        raise FileNotFoundError(f"{path.name} is not in {file}") from fault


def _bounded(stream: "gzip.GzipFile | IO[bytes]") -> bytes:
    data = bytes(stream.read(MAX_BYTES + 1))
    refuse_if_large(len(data), text=False)
    return data


def _not_unpacked(found: str, remedy: str) -> ScanError:
    return ScanError(found, needed="one that can be unpacked", remedy=remedy, code="packed")
