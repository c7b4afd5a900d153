"""The SQLite file of a journal: told from others', brought up to date, shared.

A file of another program is never changed; what goes wrong is told in one line.
"""

import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from volest.errors import UsageError
from volest.storage import write_whole

_RETRY_S = 0.02
WAIT_S = 10.0  # for another program that is just writing: a person waits for the answer
_WAIT_S = 1.0  # for others that have the file of a backup open
_MAGIC = b"SQLite format 3\0"  # how each of its files begins
_COPIES = 5  # tries to copy a file that another program is just changing
BESIDE = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file (its file format, 4.1)


# The statements that bring a file from each version to the next, the first from nothing; none is
# changed once it is out.
_FIRST = """
CREATE TABLE pours (
    number INTEGER PRIMARY KEY,
    booked TEXT NOT NULL,
    stone TEXT NOT NULL,
    way TEXT NOT NULL,
    volume_ml REAL NOT NULL CHECK (volume_ml > 0),
    powder_g REAL NOT NULL CHECK (powder_g > 0),
    water_ml REAL NOT NULL CHECK (water_ml > 0),
    mix_ml REAL NOT NULL CHECK (mix_ml > 0),
    left_g REAL NOT NULL,
    left_ml REAL NOT NULL,
    lot TEXT,
    mark TEXT,
    scan TEXT
) STRICT
"""
_DELIVERIES = """
CREATE TABLE deliveries (
    number INTEGER PRIMARY KEY,
    booked TEXT NOT NULL,
    stone TEXT NOT NULL,
    powder_g REAL NOT NULL,
    lot TEXT,
    expires TEXT,
    mark TEXT,
    checksum TEXT
) STRICT
"""
_STEPS: tuple[tuple[str, ...], ...] = (
    (_FIRST,),
    ("ALTER TABLE pours ADD COLUMN source TEXT", "ALTER TABLE pours ADD COLUMN struck TEXT"),
    (
        "ALTER TABLE pours ADD COLUMN cases TEXT",
        "ALTER TABLE pours ADD COLUMN outcome TEXT",
        "ALTER TABLE pours ADD COLUMN why TEXT",
        "ALTER TABLE pours ADD COLUMN volume_u_ml REAL NOT NULL DEFAULT 0",
        "ALTER TABLE pours ADD COLUMN checksum TEXT",
        """
        UPDATE pours SET checksum = checksum_of_old(booked, stone, way, volume_ml, powder_g,
            water_ml, mix_ml, left_g, left_ml, lot, mark, scan, source, struck, number, cases,
            outcome, why, volume_u_ml)
        """,
        _DELIVERIES,
    ),
)
VERSION = len(_STEPS)  # it stands in the file itself (PRAGMA user_version)


def fault_of(path: Path, found: str, remedy: str = "name another --journal FILE") -> UsageError:
    """Make the error that tells of a journal's file, to be raised."""
    needed = f"a journal of volest, version {VERSION} or below"
    return UsageError(f"{path}: {found}", needed=needed, remedy=remedy, code="journal")


class DataBase:
    """An open data base of ours, one file by itself.

    With a rollback journal, which a network share stands as far as its locks do; write-ahead mode,
    which earlier versions chose, needs memory that readers share (SQLite, "Write-Ahead Logging").
    """

    def __init__(
        self, path: Path, checksum_of_old: Callable[..., str | None], *, copied: bool = False
    ) -> None:
        """Open a file, or a copy of it, which is read without a touch to the file.

        `checksum_of_old` gives that of a pour from before there were any, by its columns.
        """
        if not os.path.isdir(path.parent):  # noqa: PTH112  # Path.is_dir raises at some names
            raise fault_of(path, f"no folder {path.parent} that can be opened")
        self.path, self._is_copy = path, copied
        with ExitStack() as opening, self._telling():
            opened = path
            if copied:
                opened = _copied(path, Path(opening.enter_context(_scratch())))
            base = sqlite3.connect(opened, timeout=WAIT_S, isolation_level=None)
            self._base = opening.enter_context(closing(base))
            # Text that is damaged is read as well as it can be; its row's checksum tells.
            base.text_factory = lambda raw: raw.decode(errors="replace")
            base.create_function("checksum_of_old", -1, checksum_of_old, deterministic=True)
            version = self._prepare()
            if version > VERSION:
                newer = "use the volest that wrote it, or a newer one"
                raise fault_of(path, f"version {version}", newer)
            self.close = opening.pop_all().close

    def change(self, words: str, values: Sequence[object] = ()) -> "sqlite3.Cursor":
        """Carry one statement out; outside a transaction, no end of the process undoes it then."""
        if self._is_copy:
            raise fault_of(self.path, "no right to write")
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
            raise fault_of(self.path, "a backup onto itself", remedy)
        if target.exists() and not target.is_file():
            raise fault_of(target, "not a plain file", "name another file")
        left = [real + end for end in BESIDE if os.path.lexists(real + end)]
        if left and not (target.exists() and target.stat().st_size):
            raise fault_of(
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

    def _prepare(self) -> int:
        """Bring the file to our version, and give the one that it had."""
        self._base.execute("PRAGMA trusted_schema = OFF")
        if not self._is_ours():  # another program's data base must stay as it is
            raise sqlite3.DatabaseError("another program's data base")
        self._base.execute("PRAGMA journal_mode = DELETE")
        self._base.execute("PRAGMA synchronous = FULL")  # what is written outlives a power cut
        self._base.execute("BEGIN IMMEDIATE")  # two programs may find it empty at the same time
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        for step in _STEPS[version:]:
            for statement in step:
                self._base.execute(statement)
        if version < VERSION:
            self._base.execute(f"PRAGMA user_version = {VERSION}")
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
        return version >= 0 and plain and ("pours" in dict(held) if version else not held)

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except (OSError, UnicodeDecodeError, sqlite3.Error) as fault:
            if isinstance(fault, UnicodeDecodeError):  # in SQLite's words about a damaged layout
                raise fault_of(self.path, "a damaged file") from fault
            found = getattr(fault, "strerror", None) or str(fault)
            if getattr(fault, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY:
                remedy = "close the program that is writing into it, and try again"
                raise fault_of(self.path, found, remedy) from fault
            raise fault_of(self.path, found) from fault


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
