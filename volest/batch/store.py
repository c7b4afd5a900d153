"""Finished scans, kept so that they outlive whatever ends a run; read again by the next one."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from pydantic import TypeAdapter, ValidationError

from volest.batch.journal_file import to_write_ahead
from volest.batch.stamp import Content
from volest.errors import UsageError
from volest.result import Result

SCHEMA_VERSION = 1
WAIT_S = 30.0
_TABLE = """
CREATE TABLE finished (
    key TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    size INTEGER NOT NULL,
    record BLOB NOT NULL
) STRICT, WITHOUT ROWID
"""
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
    """One SQLite file in write-ahead mode.

    Parameters
    ----------
    path : Path
        The file; made if it is not there.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        with self._telling():
            self._base = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
        try:
            with self._telling():
                self._prepare()
        except UsageError:
            self._base.close()
            raise

    def may_know(self, name: str, size: int) -> bool:
        """Say whether anything of that name and size is kept.

        Parameters
        ----------
        name : str
            Name of the file.
        size : int
            Its bytes.

        Returns
        -------
        bool
            False where there is none.
        """
        words = "SELECT 1 FROM finished WHERE name = ? AND size = ? LIMIT 1"
        with self._telling():
            return self._base.execute(words, (_plain(name), size)).fetchone() is not None

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
        with self._telling():
            row = self._base.execute("SELECT record FROM finished WHERE key = ?", (key,)).fetchone()
        return None if row is None else from_bytes(row[0])

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan; once this returns, no end of the process undoes it.

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
            False where it could not be read back.
        """
        record = as_bytes(result)
        if record is None:
            return False
        row = (key, _plain(content.name), content.size, record)
        with self._telling():
            self._base.execute("INSERT OR REPLACE INTO finished VALUES (?, ?, ?, ?)", row)
        return True

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def _prepare(self) -> None:
        to_write_ahead(self._base)
        self._base.execute("PRAGMA synchronous = FULL")  # a power cut loses nothing either
        self._base.execute("BEGIN IMMEDIATE")
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        if version == 0:
            self._base.execute(_TABLE)
            self._base.execute("CREATE INDEX by_name ON finished (name, size)")
            self._base.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        self._base.execute("COMMIT")
        if version > SCHEMA_VERSION:
            raise self._fault(f"version {version}")

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as fault:
            raise self._fault(str(fault)) from fault

    def _fault(self, found: str) -> UsageError:
        return UsageError(
            f"{self._path}: {found}",
            needed="a store of finished scans that can be read and written",
            remedy="make room on the disk, name another --out, or remove that file to start anew",
            code="store",
        )


def _plain(name: str) -> str:
    return name.encode("utf-8", "backslashreplace").decode("utf-8")
