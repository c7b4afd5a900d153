"""The file of the journal: how it is laid out, brought up from older versions, copied whole."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path

WAIT_S = 10.0  # for another program that is just writing
_RETRY_S = 0.02
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
# What brings a journal from each version to the next; never changed once it is out.
_STEPS: tuple[tuple[str, ...], ...] = (
    (_FIRST,),
    ("ALTER TABLE pours ADD COLUMN source TEXT", "ALTER TABLE pours ADD COLUMN struck TEXT"),
)
SCHEMA_VERSION = len(_STEPS)  # kept in the file itself (PRAGMA user_version)


def prepare(base: sqlite3.Connection) -> int:
    """Make a journal what this volest reads and writes, from whatever older version it is.

    Parameters
    ----------
    base : sqlite3.Connection
        The open file, in autocommit mode.

    Returns
    -------
    int
        The version that it was; nothing is changed where that is above `SCHEMA_VERSION`.

    Raises
    ------
    sqlite3.Error
        If it is no data base, not a journal, or another program keeps it for longer than `WAIT_S`.
    """
    base.execute("PRAGMA trusted_schema = OFF")
    if not is_ours(base):  # another program's data base must stay as it is
        raise sqlite3.DatabaseError("another program's data base")
    to_write_ahead(base)
    base.execute("PRAGMA synchronous = FULL")  # a booked pour outlives a power cut
    base.execute("BEGIN IMMEDIATE")  # two programs may find it empty at the same time
    (version,) = base.execute("PRAGMA user_version").fetchone()
    for step in _STEPS[version:]:
        for statement in step:
            base.execute(statement)
    if version < SCHEMA_VERSION:
        base.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    base.execute("COMMIT")
    return int(version)


def is_ours(base: sqlite3.Connection) -> bool:
    """Say whether a data base is a journal, or nothing yet; nothing is changed by asking.

    Parameters
    ----------
    base : sqlite3.Connection
        The open file.

    Returns
    -------
    bool
        False for what another program keeps, and for what does something when it is read.
    """
    base.execute("BEGIN")  # so that both answers are of one moment
    (version,) = base.execute("PRAGMA user_version").fetchone()
    held = base.execute("SELECT name, rootpage FROM sqlite_master").fetchall()
    base.execute("COMMIT")
    # Views, triggers and virtual tables have no root page, and could do anything when read.
    plain = all(rootpage > 0 for _, rootpage in held)
    return version >= 0 and plain and ("pours" in dict(held) if version else not held)


def to_write_ahead(base: sqlite3.Connection) -> None:
    """Let readers never wait for a writer.

    The change itself does not wait as other statements do: a program that asks for it while another
    one does is told 'locked' at once, whatever the timeout (seen in a test of two programs).

    Parameters
    ----------
    base : sqlite3.Connection
        The open file.

    Raises
    ------
    sqlite3.Error
        If it cannot be changed, or stays locked for longer than `WAIT_S`.
    """
    end = time.monotonic() + WAIT_S
    while True:
        try:
            base.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as fault:
            if fault.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
            time.sleep(_RETRY_S)
        else:
            return


def copy_whole(base: sqlite3.Connection, target: Path) -> None:
    """Copy a data base into one file, while others may go on writing.

    Parameters
    ----------
    base : sqlite3.Connection
        The open file.
    target : Path
        The copy; an older one is replaced when the new one is there.

    Raises
    ------
    OSError, sqlite3.Error
        If the copy cannot be written.
    """
    part = target.with_name(f".{target.name}.part")
    try:
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(part)) as copy:
            base.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
