"""Files that a run writes: looked at before the work, written whole or not at all after it."""

import os
import stat
from collections.abc import Iterable, Sequence
from pathlib import Path

from volest.errors import UsageError
from volest.scan.packed import READ_SUFFIXES


def check_target(target: Path, scans: Iterable[Path] = ()) -> None:
    """Make sure that a file can be written and is no scan, by its place or its suffix."""
    looks = target.suffix.lower() in READ_SUFFIXES or _real(target).suffix.lower() in READ_SUFFIXES
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
            part = _part_beside(target)
            part.touch(exist_ok=False)  # only a real attempt shows a full or read-only disk
            part.unlink()
    except (OSError, ValueError) as fault:  # ValueError: a zero byte in the name
        raise _unwritable(target, fault) from fault


def check_ending(target: Path, kinds: Sequence[str], what: str, option: str) -> None:
    """Refuse a file whose ending is none of the kinds that can be written."""
    if target.suffix.lower() not in kinds:
        raise UsageError(
            f"{what} named {target.name!r}",
            needed=f"one that ends in {', '.join(kinds)}",
            remedy=f"give another {option} FILE",
        )


def write_whole(target: Path, content: str | bytes | Iterable[str]) -> None:
    """Write a file so that a reader sees the old one or the new one, never half of one.

    A link is followed; a pipe or device is written straight into. Text is UTF-8 with its line ends
    as they are; pieces are never held together.
    """
    whole = [content] if isinstance(content, str | bytes) else content
    pieces = (piece.encode() if isinstance(piece, str) else piece for piece in whole)
    try:
        if target.exists() and not target.is_file():
            with target.open("wb") as stream:
                stream.writelines(pieces)
        else:
            _replace(Path(os.path.realpath(target)), pieces)
    except OSError as fault:
        raise _unwritable(target, fault) from fault


def _replace(target: Path, pieces: Iterable[bytes]) -> None:
    part = _part_beside(target)
    try:
        with part.open("xb") as stream:
            stream.writelines(pieces)
            stream.flush()
            os.fsync(stream.fileno())
        if target.exists():
            part.chmod(stat.S_IMODE(target.stat().st_mode))
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)


def _part_beside(target: Path) -> Path:
    # Beside the target, since a rename is only whole inside one file system.
    return _real(target).with_name(f".volest-{os.getpid()}.part")


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


def _unwritable(target: Path, fault: Exception) -> UsageError:
    why = getattr(fault, "strerror", None) or str(fault)
    return UsageError(
        f"{os.fspath(target)!r} that cannot be written ({why})",
        needed="a file in a folder that exists and may be written",
        remedy="name another file",
    )
