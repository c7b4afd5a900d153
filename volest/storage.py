"""The one way to write: a file stands at its place whole and for good, or not at all."""

import hashlib
import os
import secrets
import stat
import time
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO

from volest.errors import MENDS, UsageError, owner_of
from volest.system import RENAMES_OPEN, lock_open, sync_folder

SCAN_SUFFIXES = (".stl", ".ply", ".obj", ".off")
_PARTS = ".volest-{}.part"
BESIDE = "-while-held"  # at the end of a name, of what is written beside a file held by others
_HELD_S, _HELD_TRIES = 3.0, 12  # a spreadsheet that saves lets go again
_SEAL = 65  # bytes: a SHA-256 in hexadecimal digits, and a line end


def check_target(target: Path, scans: Iterable[Path] = ()) -> None:
    """Make sure that a file can be written and is no scan, by its place or its suffix."""
    looks = target.suffix.lower() in SCAN_SUFFIXES or _real(target).suffix.lower() in SCAN_SUFFIXES
    if looks or any(_same(target, scan) for scan in scans):
        raise UsageError(
            f"{os.fspath(target)!r} to be written, which was read, or looks like a scan",
            needed="another file, so that nothing that was read is overwritten",
            remedy="name a new file that ends in .json or .csv",
        )
    try:
        if target.is_dir():
            raise IsADirectoryError("it is a folder")
        if target.exists() and not os.access(target, os.W_OK):
            raise PermissionError("it is write-protected")
        if not target.exists() or target.is_file():
            with _new_part(_real(target).parent) as part:  # only an attempt shows a full disk
                Path(part.name).unlink()
    except (OSError, ValueError) as fault:  # ValueError: a zero byte in the name
        raise unwritable(target, fault) from fault


def check_ending(target: Path, kinds: Sequence[str], what: str, option: str) -> None:
    """Refuse a file whose ending is none of the kinds that can be written."""
    if target.suffix.lower() not in kinds:
        raise UsageError(
            f"{what} named {target.name!r}",
            needed=f"one that ends in {', '.join(kinds)}",
            remedy=f"give another {option} FILE",
        )


def write_whole(
    target: Path,
    content: str | bytes | Iterable[str],
    *,
    through_link: bool = True,
    or_beside: bool = False,
) -> Path:
    """Write a file so that a reader, or a power cut, sees the old one or the new one, never half.

    A link is followed, or else replaced; a pipe or device is written straight into. Text is UTF-8
    with its line ends as they are; pieces are never held together. Once this returns the file is on
    the disk, where it says: `or_beside`, of a table that another program holds open, beside it.
    """
    whole = [content] if isinstance(content, str | bytes) else content
    pieces = (piece.encode() if isinstance(piece, str) else piece for piece in whole)
    try:
        if through_link and target.exists() and not target.is_file():
            with target.open("wb") as stream:
                stream.writelines(pieces)
            return target
        real = _real(target) if through_link else target
        placed = _replace(real, pieces, or_beside=or_beside)
        return target if placed == real else target.with_name(placed.name)
    except OSError as fault:
        raise unwritable(target, fault) from fault


def unwritable(target: os.PathLike[str], fault: Exception) -> UsageError:
    """Make the error that tells of a file or folder that does not take what it should hold."""
    why = getattr(fault, "strerror", None) or str(fault)
    mend = MENDS.get(owner_of(fault), "name another place")
    return UsageError(
        f"{os.fspath(target)!r} that cannot be written ({why})",
        needed="a place that exists and may be written, with room on its disk",
        remedy="look at the name: folders above it are not made"
        if isinstance(fault, FileNotFoundError)
        else mend,
        code=owner_of(fault),
    )


def _replace(target: Path, pieces: Iterable[bytes], *, or_beside: bool) -> Path:
    with _new_part(target.parent) as stream:
        part = Path(stream.name)
        try:
            stream.writelines(pieces)
            stream.flush()
            os.fsync(stream.fileno())
            if target.is_file() and not target.is_symlink():
                part.chmod(stat.S_IMODE(target.stat().st_mode))
            if not RENAMES_OPEN:
                stream.close()
            placed = _placed(part, target, or_beside=or_beside)
        finally:
            with suppress(OSError):
                part.unlink(missing_ok=True)
    sync_folder(target.parent)
    return placed


def _placed(part: Path, target: Path, *, or_beside: bool) -> Path:
    """Rename to the target; where another program holds it, wait, then take a name that says so."""
    beside = target.with_stem(f"{target.stem}{BESIDE}")
    for again in reversed(range(_HELD_TRIES if target.exists() else 1)):
        try:
            part.replace(target)
        except PermissionError:
            if again:
                time.sleep(_HELD_S / _HELD_TRIES)
            elif not (or_beside and target.exists()):
                raise
        else:
            with suppress(OSError):
                beside.unlink(missing_ok=True)  # of a time when the target was held
            return target
    part.replace(beside)
    return beside


def _new_part(folder: Path) -> IO[bytes]:
    """Open a new file beside the target, since a rename is only whole inside one file system.

    No other process can have its name, wherever that runs; it is locked as long as it is open, so
    that who tidies up can tell it from one that a killed run left.
    """
    while True:
        stream = (folder / _PARTS.format(secrets.token_hex(8))).open("xb")
        with suppress(OSError):  # a file system without locks: there nothing is tidied up
            lock_open(stream, wait=True)
        if os.fstat(stream.fileno()).st_nlink:
            return stream
        stream.close()  # taken for a left one between opening and locking


def remove_left_parts(folder: Path) -> None:
    """Take away what killed runs left half written in a folder; what is being written stays."""
    for part in folder.glob(_PARTS.format("*")):
        with suppress(OSError), part.open("ab") as stream:
            lock_open(stream, wait=False)
            part.unlink()


def sealed(name: str, data: bytes) -> bytes:
    """Put a checksum before what is kept under a name."""
    return _seal(name, data) + data


def unsealed(name: str, kept: bytes) -> bytes | None:
    """Give what was kept under a name; None where a single bit of it is not as it was."""
    data = kept[_SEAL:]
    return data if kept[:_SEAL] == _seal(name, data) else None


def _seal(name: str, data: bytes) -> bytes:
    return hashlib.sha256(name.encode() + b"\n" + data).hexdigest().encode() + b"\n"


def _real(target: Path) -> Path:
    try:
        return Path(os.path.realpath(target))
    except ValueError:  # a zero byte in the name; whoever opens it is told
        return target


def _same(target: Path, scan: Path) -> bool:
    try:
        return target.samefile(scan)  # also through links of both kinds
    except (OSError, ValueError):
        return os.path.realpath(target) == os.path.realpath(scan)
