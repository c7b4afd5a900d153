"""Small files that a person names: read only if they are plain files of a sensible size."""

import codecs
import json
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

LARGEST_BYTES = 100_000_000  # the JSON of some ten thousand scans
LONGEST_WORDS = 60
_BARE = re.compile(r"\s*[\w.\"'-]+\s*=\s*([A-Za-z][\w /-]*?)\s*(?:#.*)?$")
_LINE = re.compile(r"at line (\d+)")
_COMMA = re.compile(r"\s*[\w.\"'-]+\s*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$")
# The parser of Python takes a time that grows as the square of a key's dots: thousands stop it.
LONGEST_TOML_LINE = 4000


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
        raise GivenFileError(_slip(text) or _told(text, str(fault))) from fault
    except (RecursionError, ValueError) as fault:
        raise _not_meant(fault) from fault


def _told(text: str, fault: str) -> str:
    """Add the line that a fault names: numbers are no help to who does not count lines."""
    at = _LINE.search(fault)
    lines = text.splitlines()
    if at is None or not 1 <= int(at[1]) <= len(lines):
        return fault
    said = fault.replace("Cannot overwrite a value", "The same key twice")
    return f"{said}: {in_short(lines[int(at[1]) - 1].strip())}"


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


def _slip(toml: str) -> str | None:
    """Say which line has a comma in a number or a text without quotes, if one has."""
    for number, line in enumerate(toml.splitlines(), start=1):
        comma, bare = _COMMA.match(line), _BARE.match(line)
        if comma:
            whole, part = comma.groups()
            return f"line {number}: {whole},{part}; a number has a point: {whole}.{part}"
        if bare and bare[1] not in ("true", "false", "inf", "nan"):
            return f'line {number}: {bare[1]}; a text has quotes: "{bare[1]}"'
    return None


def _not_meant(fault: Exception) -> GivenFileError:
    deep = isinstance(fault, RecursionError)
    return GivenFileError("nested too deeply" if deep else "a number of thousands of digits")
