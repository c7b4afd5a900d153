"""The journal of pours: one SQLite file that several programs may write into at once."""

import math
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from volest.errors import UsageError
from volest.lab import HAND, VACUUM
from volest.stone.learning import Pour

SCHEMA_VERSION = 1  # kept in the file itself (PRAGMA user_version), so that later ones can move it
WAIT_S = 10.0  # for another program that is just writing
# A pour that took less than half of its cavity, or three times as much, is a slip of the pen.
ODD_BELOW, ODD_ABOVE = 0.5, 3.0
_TABLE = """
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Entry:
    """One pour as it is booked.

    Parameters
    ----------
    booked : str
        When, in UTC (ISO 8601).
    stone, way : str
        Stone and way of mixing.
    volume_ml : float
        Cavity that was to be filled.
    powder_g, water_ml, mix_ml : float
        What was mixed.
    left_g, left_ml : float
        Mix that could still have been poured, weighed and as a volume; below 0: what was missing.
    lot, mark, scan : str or None
        Lot of the powder, mark of the operator, the scan; for tracing.
    """

    booked: str
    stone: str
    way: str
    volume_ml: float
    powder_g: float
    water_ml: float
    mix_ml: float
    left_g: float
    left_ml: float
    lot: str | None = None
    mark: str | None = None
    scan: str | None = None

    def pour(self) -> Pour:
        """Give what the waste is learned from.

        Returns
        -------
        Pour
            Volumes, stone and way.
        """
        return Pour(
            stone=self.stone,
            way=self.way,
            volume_ml=self.volume_ml,
            mix_ml=self.mix_ml,
            left_ml=self.left_ml,
            powder_g=self.powder_g,
        )


COLUMNS = tuple(field.name for field in fields(Entry))


class Journal:
    """An open journal; use it in a `with` block.

    Parameters
    ----------
    path : Path
        The file.
    new : bool
        Make it if it is not there.
    """

    def __init__(self, path: Path, *, new: bool = True) -> None:
        self._path = path
        if not new and not path.is_file():
            raise self._fault("no such file", "book a first pour with 'volest log'")
        with self._telling():
            self._base = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
        try:
            with self._telling():
                self._prepare()
        except UsageError:
            self._base.close()
            raise

    def __enter__(self) -> "Journal":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._base.close()

    def book(self, entry: Entry) -> int:
        """Write one pour down.

        Parameters
        ----------
        entry : Entry
            The pour.

        Returns
        -------
        int
            Its number.

        Raises
        ------
        UsageError
            If its figures cannot be meant, or the file cannot be written.
        """
        _check(entry)
        places = ", ".join("?" * len(COLUMNS))
        with self._telling():
            done = self._base.execute(
                f"INSERT INTO pours ({', '.join(COLUMNS)}) VALUES ({places})",  # noqa: S608  # own names
                astuple(entry),
            )
        return int(done.lastrowid or 0)

    def entries(self) -> list[Entry]:
        """Read all pours, the oldest first.

        Returns
        -------
        list of Entry
            The pours.
        """
        with self._telling():
            rows = self._base.execute(
                f"SELECT {', '.join(COLUMNS)} FROM pours ORDER BY number"  # noqa: S608  # own names
            ).fetchall()
        entries = [Entry(**dict(zip(COLUMNS, row, strict=True))) for row in rows]
        for number, entry in enumerate(entries, start=1):
            if not _is_sound(entry):
                raise self._fault(f"pour {number} is none", "name another --journal FILE")
        return entries

    def pours(self) -> list[Pour]:
        """Read what the waste is learned from.

        Returns
        -------
        list of Pour
            One a booked pour.
        """
        return [entry.pour() for entry in self.entries()]

    def _prepare(self) -> None:
        # Looked at before anything is changed: another program's data base must stay as it is.
        self._base.execute("PRAGMA trusted_schema = OFF")
        self._refuse_strange()
        self._base.execute("PRAGMA journal_mode = WAL")  # readers never wait for a writer
        self._base.execute("PRAGMA synchronous = FULL")  # a booked pour outlives a power cut
        self._base.execute("BEGIN IMMEDIATE")  # two programs may find it empty at the same time
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        if version == 0:
            self._base.execute(_TABLE)
            self._base.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        self._base.execute("COMMIT")

    def _refuse_strange(self) -> None:
        self._base.execute("BEGIN")  # so that both answers are of one moment
        (version,) = self._base.execute("PRAGMA user_version").fetchone()
        held = self._base.execute("SELECT name, rootpage FROM sqlite_master").fetchall()
        self._base.execute("COMMIT")
        if version > SCHEMA_VERSION:
            raise self._fault(f"version {version}", "use the volest that wrote it, or a newer one")
        # Views, triggers and virtual tables have no root page, and could do anything when read.
        plain = all(rootpage > 0 for _, rootpage in held)
        ours = "pours" in dict(held) if version else not held
        if version < 0 or not plain or not ours:
            raise self._fault("another program's data base", "name another --journal FILE")

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as fault:
            busy = getattr(fault, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
            wait = "close the program that is writing into it, and try again"
            raise self._fault(
                str(fault), wait if busy else "name another --journal FILE"
            ) from fault

    def _fault(self, found: str, remedy: str) -> UsageError:
        return UsageError(
            f"{self._path}: {found}",
            needed=f"a journal of volest, version {SCHEMA_VERSION} or below",
            remedy=remedy,
            code="journal",
        )


def now() -> str:
    """Give the time as it is booked.

    Returns
    -------
    str
        UTC to the second, ISO 8601.
    """
    return datetime.now(UTC).isoformat(timespec="seconds")


def _is_sound(entry: Entry) -> bool:
    """Tell whether an entry that another program may have written holds what it should."""
    amounts = (entry.volume_ml, entry.powder_g, entry.water_ml, entry.mix_ml)
    figures = (*amounts, entry.left_g, entry.left_ml)
    return (
        all(isinstance(x, float) and math.isfinite(x) for x in figures)
        and min(amounts) > 0
        and isinstance(entry.stone, str)
        and entry.way in (HAND, VACUUM)
    )


def _check(entry: Entry) -> None:
    amounts = (entry.volume_ml, entry.powder_g, entry.water_ml, entry.mix_ml)
    if not all(math.isfinite(x) and x > 0 for x in amounts) or not math.isfinite(entry.left_g):
        raise _odd("an amount that is not above 0", "volume, powder and water above 0")
    taken = (entry.mix_ml - entry.left_ml) / entry.volume_ml
    if not ODD_BELOW <= taken <= ODD_ABOVE:
        raise _odd(
            f"a pour that took {taken:.2f} times its volume",
            f"{ODD_BELOW:g} to {ODD_ABOVE:g} times",
        )


def _odd(found: str, needed: str) -> UsageError:
    return UsageError(
        found,
        needed=needed,
        remedy="look at the figures again: volume in mL, powder and leftover in g",
        code="journal-odd",
    )
