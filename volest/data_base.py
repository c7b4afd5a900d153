"""A data base in one SQLite file that volest keeps: told from others', brought up to date, shared.

A file of another program is never changed; what goes wrong is told in one line.
"""

import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from volest.errors import UsageError

_RETRY_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """How one kind of data base is laid out, and what is said where a file is none or fails.

    Parameters
    ----------
    table : str
        A table that each of them holds.
    steps : tuple of tuple of str
        The statements that bring a file from each version to the next, the first from nothing;
        never changed once they are out.
    wait_s : float
        How long another program that is just writing is waited for.
    code, needed, mend, mend_newer, mend_locked : str
        The words of a fault; what can be done in general, about a file of a later version, and
        about one that another program keeps to itself.
    """

    table: str
    steps: tuple[tuple[str, ...], ...]
    wait_s: float
    code: str
    needed: str
    mend: str
    mend_newer: str
    mend_locked: str

    @property
    def version(self) -> int:
        """The version that is written; it stands in the file itself (PRAGMA user_version)."""
        return len(self.steps)

    def fault(self, path: Path, found: str, remedy: str) -> UsageError:
        """Make the error that tells of a file of this kind, to be raised."""
        return UsageError(f"{path}: {found}", needed=self.needed, remedy=remedy, code=self.code)


class DataBase:
    """An open data base of ours, in write-ahead mode: readers never wait for a writer."""

    def __init__(self, path: Path, layout: Layout) -> None:
        if not os.path.isdir(path.parent):  # noqa: PTH112  # Path.is_dir raises at some names
            raise layout.fault(path, f"no folder {path.parent} that can be opened", layout.mend)
        self.path = path
        self.layout = layout
        with self._telling():
            self._base = sqlite3.connect(path, timeout=layout.wait_s, isolation_level=None)
        try:
            with self._telling():
                version = self._prepare()
            if version > layout.version:
                raise layout.fault(path, f"version {version}", layout.mend_newer)
        except UsageError:
            self._base.close()
            raise

    def change(self, words: str, values: Sequence[object] = ()) -> "sqlite3.Cursor":
        """Carry one statement out; once this returns, no end of the process undoes it."""
        with self._telling():
            return self._base.execute(words, values)

    def rows(self, words: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Read all rows of a query."""
        with self._telling():
            return self._base.execute(words, values).fetchall()

    def back_up(self, target: Path) -> None:
        """Copy it into one whole file while others go on writing; an older copy is replaced."""
        if os.path.realpath(target) == os.path.realpath(self.path):
            remedy = "name another file, best on another disk"
            raise self.layout.fault(self.path, "a backup onto itself", remedy)
        try:
            self._copy(target)
        except (OSError, sqlite3.Error) as fault:
            raise UsageError(
                f"{target} that cannot be written ({fault})",
                needed="a file in a folder that exists and may be written",
                remedy="name another file",
            ) from fault

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def fault(self, found: str) -> UsageError:
        """Make the error that tells of something wrong in the file, to be raised."""
        return self.layout.fault(self.path, found, self.layout.mend)

    def _prepare(self) -> int:
        """Bring the file to our version, and give the one that it had."""
        self._base.execute("PRAGMA trusted_schema = OFF")
        if not self._is_ours():  # another program's data base must stay as it is
            raise sqlite3.DatabaseError("another program's data base")
        self._to_write_ahead()
        self._base.execute("PRAGMA synchronous = FULL")  # what is written outlives a power cut
        self._base.execute("BEGIN IMMEDIATE")  # two programs may find it empty at the same time
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        for step in self.layout.steps[version:]:
            for statement in step:
                self._base.execute(statement)
        if version < self.layout.version:
            self._base.execute(f"PRAGMA user_version = {self.layout.version}")
        self._base.execute("COMMIT")
        return int(version)

    def _is_ours(self) -> bool:
        """Say whether the file is ours, or holds nothing yet; nothing is changed by asking."""
        self._base.execute("BEGIN")  # so that both answers are of one moment
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        held = self._base.execute("SELECT name, rootpage FROM sqlite_master").fetchall()
        self._base.execute("COMMIT")
        # Views, triggers and virtual tables have no root page, and could do anything when read.
        plain = all(rootpage > 0 for _, rootpage in held)
        return version >= 0 and plain and (self.layout.table in dict(held) if version else not held)

    def _to_write_ahead(self) -> None:
        # The change itself does not wait as other statements do: a program that asks for it while
        # another one does is told 'locked' at once, whatever the timeout (seen in a test of two).
        end = time.monotonic() + self.layout.wait_s
        while True:
            try:
                self._base.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError as fault:
                if fault.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                    raise
                time.sleep(_RETRY_S)
            else:
                return

    def _copy(self, target: Path) -> None:
        part = target.with_name(f".{target.name}.part")
        try:
            part.unlink(missing_ok=True)
            with closing(sqlite3.connect(part)) as copy:
                self._base.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as fault:
            locked = getattr(fault, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
            remedy = self.layout.mend_locked if locked else self.layout.mend
            raise self.layout.fault(self.path, str(fault), remedy) from fault
