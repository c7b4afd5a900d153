"""A data base in one SQLite file that volest keeps: told from others', brought up to date, shared.

A file of another program is never changed; what goes wrong is told in one line.
"""

import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from volest.errors import UsageError
from volest.storage import write_whole

_RETRY_S = 0.02
_WAIT_S = 1.0  # for others that have the file of a backup open
_MAGIC = b"SQLite format 3\0"  # how each of its files begins
_COPIES = 5  # tries to copy a file that another program is just changing
BESIDE = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file (its file format, 4.1)


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
    functions : tuple of (str, callable)
        What the statements of the steps may call, each by its name.
    """

    table: str
    steps: tuple[tuple[str, ...], ...]
    wait_s: float
    code: str
    needed: str
    mend: str
    mend_newer: str
    mend_locked: str
    functions: tuple[tuple[str, Callable[..., str | None]], ...] = ()

    @property
    def version(self) -> int:
        """The version that is written; it stands in the file itself (PRAGMA user_version)."""
        return len(self.steps)

    def fault(self, path: Path, found: str, remedy: str) -> UsageError:
        """Make the error that tells of a file of this kind, to be raised."""
        return UsageError(f"{path}: {found}", needed=self.needed, remedy=remedy, code=self.code)


class DataBase:
    """An open data base of ours, one file by itself.

    With a rollback journal, which a network share stands as far as its locks do; write-ahead mode,
    which earlier versions chose, needs memory that readers share (SQLite, "Write-Ahead Logging").
    """

    def __init__(self, path: Path, layout: Layout, *, copied: bool = False) -> None:
        """Open a file, or a copy of it, which is read without a touch to the file."""
        if not os.path.isdir(path.parent):  # noqa: PTH112  # Path.is_dir raises at some names
            raise layout.fault(path, f"no folder {path.parent} that can be opened", layout.mend)
        self.path = path
        self.layout = layout
        self._copy: TemporaryDirectory[str] | None = None
        try:
            with self._telling():
                opened = path
                if copied:
                    self._copy = _scratch()
                    opened = _copied(path, Path(self._copy.name))
                self._base = sqlite3.connect(opened, timeout=layout.wait_s, isolation_level=None)
                # Text that is damaged is read as well as it can be; its row's checksum tells.
                self._base.text_factory = lambda raw: raw.decode(errors="replace")
                for name, function in layout.functions:
                    self._base.create_function(name, -1, function, deterministic=True)
                version = self._prepare()
            if version > layout.version:
                raise layout.fault(path, f"version {version}", layout.mend_newer)
        except UsageError:
            self.close()
            raise

    def change(self, words: str, values: Sequence[object] = ()) -> "sqlite3.Cursor":
        """Carry one statement out; outside a transaction, no end of the process undoes it then."""
        if self._copy is not None:
            raise self.layout.fault(self.path, "no right to write", self.layout.mend)
        with self._telling():
            return self._base.execute(words, values)

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Keep other writers out; all changes within stand together for good, or none does."""
        self.change("BEGIN IMMEDIATE")
        try:
            yield
            self.change("COMMIT")
        finally:
            if self._base.in_transaction:
                self._base.execute("ROLLBACK")

    def rows(self, words: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Read all rows of a query."""
        with self._telling():
            return self._base.execute(words, values).fetchall()

    def damage(self) -> str | None:
        """Say what is wrong with the file's own order; None where it is whole."""
        ((found,), *_) = self.rows("PRAGMA quick_check(1)")
        return None if found == "ok" else str(found)

    def check_beside(self, target: Path) -> None:
        """Refuse as a backup the file itself, what belongs to it, and what hides under it."""
        real, own = os.path.realpath(target), os.path.realpath(self.path)
        same = target.exists() and target.samefile(self.path)
        if same or real in (own, *(own + end for end in BESIDE)):
            remedy = "name another file, best on another disk"
            raise self.layout.fault(self.path, "a backup onto itself", remedy)
        if target.exists() and not target.is_file():
            raise self.layout.fault(target, "not a plain file", "name another file")
        left = [real + end for end in BESIDE if os.path.lexists(real + end)]
        if left and not (target.exists() and target.stat().st_size):
            raise self.layout.fault(
                target,
                f"{Path(left[0]).name}, left of another data base",
                "name another file, or move that one away",
            )

    def back_up(self, target: Path) -> None:
        """Copy it into one whole file while others go on writing; what is there is replaced."""
        self.check_beside(target)
        real = Path(os.path.realpath(target))
        try:
            if real.exists() and real.stat().st_size:  # by SQLite: others may have it open
                self._copy_into(real)
                return
            with _scratch() as folder:
                part = Path(folder) / "copy"
                self._copy_into(part)
                data = part.read_bytes()
            write_whole(real, data)
        except (OSError, sqlite3.Error) as fault:
            raise UsageError(
                f"{target} that cannot be written ({fault})",
                needed="a file in a folder that exists and may be written",
                remedy="name another file",
            ) from fault

    def _copy_into(self, target: Path) -> None:
        with closing(sqlite3.connect(target, timeout=_WAIT_S, isolation_level=None)) as copy:
            copy.execute("PRAGMA journal_mode = DELETE")  # takes in what lies beside it
            copy.execute("PRAGMA synchronous = FULL")
            for words in ("BEGIN EXCLUSIVE", "ROLLBACK"):
                copy.execute(words)  # told if others have it; a copy would wait for ever
            self._base.backup(copy)

    def close(self) -> None:
        """Close the file."""
        if hasattr(self, "_base"):
            self._base.close()
        if self._copy is not None:
            self._copy.cleanup()

    def fault(self, found: str) -> UsageError:
        """Make the error that tells of something wrong in the file, to be raised."""
        return self.layout.fault(self.path, found, self.layout.mend)

    def _prepare(self) -> int:
        """Bring the file to our version, and give the one that it had."""
        self._base.execute("PRAGMA trusted_schema = OFF")
        if not self._is_ours():  # another program's data base must stay as it is
            raise sqlite3.DatabaseError("another program's data base")
        self._base.execute("PRAGMA journal_mode = DELETE")
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

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except OSError as fault:
            raise self.fault(fault.strerror or str(fault)) from fault
        except UnicodeDecodeError as fault:  # in the words of SQLite about a damaged layout
            raise self.fault("a damaged file") from fault
        except sqlite3.Error as fault:
            locked = getattr(fault, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
            remedy = self.layout.mend_locked if locked else self.layout.mend
            raise self.layout.fault(self.path, str(fault), remedy) from fault


def is_writable(path: Path) -> bool:
    """Say whether a data base may be changed here: SQLite writes beside it too."""
    return all(os.access(one, os.W_OK) for one in (path, path.parent))


def _scratch() -> TemporaryDirectory[str]:
    return TemporaryDirectory(prefix="volest-", ignore_cleanup_errors=True)


def _copied(path: Path, folder: Path) -> Path:
    """Copy a data base and what was not yet put into it, both of one moment."""

    def states() -> list[tuple[int, int] | None]:
        at = [file.stat() if file.exists() else None for file in files]
        return [None if one is None else (one.st_size, one.st_mtime_ns) for one in at]

    with path.open("rb") as stream:
        if not _MAGIC.startswith(stream.read(len(_MAGIC))):  # a scan may be large
            raise sqlite3.DatabaseError("file is not a database")
    files = [path, *(Path(f"{path}{end}") for end in ("-wal", "-journal"))]
    for _ in range(_COPIES):
        before = states()
        for file in files:
            target = folder / file.name
            target.unlink(missing_ok=True)
            if file.exists():
                shutil.copyfile(file, target)
        if states() == before:
            return folder / path.name
        time.sleep(_RETRY_S)
    raise OSError("another program is writing into it")
