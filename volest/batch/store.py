"""Finished scans, kept so that they outlive whatever ends a run; read again by the next one."""

from pathlib import Path
from typing import Protocol

from pydantic import TypeAdapter, ValidationError

from volest.batch.find import Content
from volest.data_base import DataBase, Layout
from volest.result import Result

_TABLE = """
CREATE TABLE finished (
    key TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    size INTEGER NOT NULL,
    record BLOB NOT NULL
) STRICT, WITHOUT ROWID
"""
_MEND = "make room on the disk, name another --out, or remove that file to start anew"
_LAYOUT = Layout(
    table="finished",
    steps=((_TABLE, "CREATE INDEX by_name ON finished (name, size)"),),
    wait_s=30.0,  # nobody waits, and what is not kept must be sized again
    code="store",
    needed="a store of finished scans that can be read and written",
    mend=_MEND,
    mend_newer=_MEND,
    mend_locked=_MEND,
)
_RECORDS: TypeAdapter[Result] = TypeAdapter(Result)


class Store(Protocol):
    """Where finished scans are kept, by their keys."""

    def may_know(self, name: str, size: int) -> bool:
        """Say whether a key is worth working out: not where nothing of that name and size is."""

    def get(self, key: str) -> Result | None:
        """Give a finished scan; None where there is none that can be read."""

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan, whole or not at all; False where it could not be read back."""

    def close(self) -> None:
        """Let go of it."""


def as_bytes(result: Result) -> bytes | None:
    """Write a result as JSON that reads back the same; None where it would not."""
    try:
        record = _RECORDS.dump_json(result)
        _RECORDS.validate_json(record)
    except ValueError:  # a figure that is not finite, a name that is not UTF-8
        return None
    return record


def from_bytes(record: bytes) -> Result | None:
    """Read a result again; None where the record is of another version, or damaged."""
    try:
        return _RECORDS.validate_json(record)
    except ValidationError:
        return None


class FileStore:
    """A store in one file of this computer."""

    def __init__(self, path: Path) -> None:
        self._base = DataBase(path, _LAYOUT)

    def may_know(self, name: str, size: int) -> bool:
        """Say whether anything of that name and size is kept."""
        words = "SELECT 1 FROM finished WHERE name = ? AND size = ? LIMIT 1"
        return bool(self._base.rows(words, (_plain(name), size)))

    def get(self, key: str) -> Result | None:
        """Give a finished scan."""
        rows = self._base.rows("SELECT record FROM finished WHERE key = ?", (key,))
        return from_bytes(rows[0][0]) if rows else None

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan; once this returns, no end of the process undoes it."""
        record = as_bytes(result)
        if record is None:
            return False
        row = (key, _plain(content.name), content.size, record)
        self._base.change("INSERT OR REPLACE INTO finished VALUES (?, ?, ?, ?)", row)
        return True

    def close(self) -> None:
        """Close the file."""
        self._base.close()


def _plain(name: str) -> str:
    return name.encode("utf-8", "backslashreplace").decode("utf-8")
