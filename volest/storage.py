"""Files with care: one is written whole and for good, or not at all; a small one is read.

What a person names is only read if it is a plain file of a sensible size.
"""

import codecs
import hashlib
import json
import os
import re
import secrets
import stat
import time
import tomllib
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from volest.errors import MENDS, UsageError, owner_of
from volest.system import RENAMES_OPEN, lock_open, sync_folder

SCAN_SUFFIXES = (".stl", ".ply", ".obj", ".off")
_PARTS = ".volest-{}.part"
BESIDE = "-while-held"  # at the end of a name, of what is written beside a file held by others
_HELD_S, _HELD_TRIES = 3.0, 12  # a spreadsheet that saves lets go again
_SEAL = 65  # bytes: a SHA-256 in hexadecimal digits, and a line end
LARGEST_BYTES = 100_000_000  # the JSON of some ten thousand scans
LONGEST_WORDS = 60
_BARE = re.compile(r"\s*[\w.\"'-]+\s*=\s*([A-Za-z][\w /-]*?)\s*(?:#.*)?$")
_LINE = re.compile(r"at line (\d+)")
_COMMA = re.compile(r"\s*[\w.\"'-]+\s*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$")
# The parser of Python takes a time that grows as the square of a key's dots: thousands stop it.
LONGEST_TOML_LINE = 4000


def check_target(target: Path, scans: Iterable[Path] = ()) -> None:
    """Make sure that a file can be written and is no scan, by its place or its suffix."""
    is_called_so = any(one.suffix.lower() in SCAN_SUFFIXES for one in (target, _real(target)))
    if is_called_so or any(_same(target, scan) for scan in scans):
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
        with _new_part(real.parent) as stream:
            part = Path(stream.name)
            try:
                stream.writelines(pieces)
                stream.flush()
                os.fsync(stream.fileno())
                if real.is_file() and not real.is_symlink():
                    part.chmod(stat.S_IMODE(real.stat().st_mode))
                if not RENAMES_OPEN:
                    stream.close()
                placed = _placed(part, real, or_beside=or_beside)
            finally:
                with suppress(OSError):
                    part.unlink(missing_ok=True)
        sync_folder(real.parent)
        return target if placed == real else target.with_name(placed.name)
    except OSError as fault:
        raise unwritable(target, fault) from fault


def unwritable(target: os.PathLike[str], fault: Exception) -> UsageError:
    """Make the error that tells of a file or folder that does not take what it should hold."""
    why = getattr(fault, "strerror", None) or str(fault)
    mend = MENDS.get(owner_of(fault), "name another place")
    if isinstance(fault, FileNotFoundError):
        mend = "look at the name: folders above it are not made"
    return UsageError(
        f"{os.fspath(target)!r} that cannot be written ({why})",
        needed="a place that exists and may be written, with room on its disk",
        remedy=mend,
        code=owner_of(fault),
    )


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
    seal = hashlib.sha256(name.encode() + b"\n" + data).hexdigest()
    return seal.encode() + b"\n" + data


def unsealed(name: str, kept: bytes) -> bytes | None:
    """Give what was kept under a name; None where a single bit of it is not as it was."""
    data = kept[_SEAL:]
    return data if kept == sealed(name, data) else None


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


class GivenFileError(ValueError):
    """A file that cannot be read, or is not what it should be; the caller says for what."""


def text_of(path: Path, largest_bytes: int = LARGEST_BYTES) -> str:
    """Read a text, but never wait for a pipe, and never take in a device or a huge file."""
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):  # told apart before opening, which could wait for ever
            raise GivenFileError("not a plain file")
        if state.st_size > largest_bytes:
            raise GivenFileError(f"{state.st_size:,} bytes; {largest_bytes:,} at most")
        raw = path.read_bytes()
        if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            raise GivenFileError("text in UTF-16: save it as UTF-8")
        return raw.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except OSError as fault:
        raise GivenFileError(fault.strerror or str(fault)) from fault
    except UnicodeDecodeError as fault:
        raise GivenFileError(f"no text in UTF-8: {fault.reason} at byte {fault.start}") from fault


def toml_of(path: Path, largest_bytes: int = LARGEST_BYTES) -> dict[str, Any]:
    """Read a TOML file (toml.io, version 1.0); one nested or long beyond all use is refused."""
    text = text_of(path, largest_bytes)
    if max(map(len, text.splitlines()), default=0) > LONGEST_TOML_LINE:
        raise GivenFileError(f"a line of more than {LONGEST_TOML_LINE:,} letters")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise GivenFileError(_slip(text, str(fault))) from fault
    except (RecursionError, ValueError) as fault:
        raise _not_meant(fault) from fault


def json_in(text: str) -> Any:
    """Read JSON (RFC 8259) that is at hand."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as fault:
        raise GivenFileError(f"no JSON ({fault})") from fault
    except (RecursionError, ValueError) as fault:
        raise _not_meant(fault) from fault


def in_short(value: object) -> str:
    """Write a value out for one line of an error, 60 characters at most."""
    try:
        text = repr(value)
    except (RecursionError, ValueError):  # Python writes no whole number of over 4300 digits
        return "something beyond all measure"
    return text if len(text) <= LONGEST_WORDS else text[: LONGEST_WORDS - 3] + "..."


def _slip(toml: str, fault: str) -> str:
    """Say which line has a comma in a number or a text without quotes, else what the parser says.

    The line that it names is added: numbers are no help to who does not count lines.
    """
    lines = toml.splitlines()
    for number, line in enumerate(lines, start=1):
        comma, bare = _COMMA.match(line), _BARE.match(line)
        if comma:
            whole, part = comma.groups()
            return f"line {number}: {whole},{part}; a number has a point: {whole}.{part}"
        if bare and bare[1] not in ("true", "false", "inf", "nan"):
            return f'line {number}: {bare[1]}; a text has quotes: "{bare[1]}"'
    at = _LINE.search(fault)
    if at is None or not 1 <= int(at[1]) <= len(lines):
        return fault
    said = fault.replace("Cannot overwrite a value", "The same key twice")
    return f"{said}: {in_short(lines[int(at[1]) - 1].strip())}"


def _not_meant(fault: Exception) -> GivenFileError:
    deep = isinstance(fault, RecursionError)
    return GivenFileError("nested too deeply" if deep else "a number of thousands of digits")
