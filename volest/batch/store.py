"""Finished scans, kept so that they outlive whatever ends a run; read again by the next one."""

from pathlib import Path
from typing import Protocol

from pydantic import TypeAdapter, ValidationError

from volest.batch.stamp import Content
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
        """Say whether it is worth working out a key.

        Parameters
        ----------
        name : str
            Name of the file.
        size : int
            Its bytes.

        Returns
        -------
        bool
            False only where nothing of that name and size is kept.
        """

    def get(self, key: str) -> Result | None:
        """Give a finished scan.

        Parameters
        ----------
        key : str
            Its key.

        Returns
        -------
        Result or None
            None where there is none that can be read.
        """

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan, whole or not at all.

        Parameters
        ----------
        key : str
            Its key.
        content : Content
            What lay at its place.
        result : Result
            What is said of it.

        Returns
        -------
        bool
            False where it could not be read back, and so is not kept.
        """

    def close(self) -> None:
        """Let go of it."""


def as_bytes(result: Result) -> bytes | None:
    """Write a result so that it reads back the same.

    Parameters
    ----------
    result : Result
        The result.

    Returns
    -------
    bytes or None
        JSON; None where it would not read back.
    """
    try:
        record = _RECORDS.dump_json(result)
        _RECORDS.validate_json(record)
    except ValueError:  # a figure that is not finite, a name that is not UTF-8
        return None
    return record


def from_bytes(record: bytes) -> Result | None:
    """Read a result again.

    Parameters
    ----------
    record : bytes
        What `as_bytes` gave.

    Returns
    -------
    Result or None
        None where the record is of another version, or damaged.
    """
    try:
        return _RECORDS.validate_json(record)
    except ValidationError:
        return None


class FileStore:
    """A store in one file of this computer.

    Parameters
    ----------
    path : Path
        The file; made if it is not there.
    """

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
