"""The journal of pours: one SQLite file that several programs may write into at once."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import astuple
from pathlib import Path
from types import TracebackType

from volest.batch.entry import COLUMNS, Entry, check_entry, is_sound, now
from volest.batch.journal_file import SCHEMA_VERSION, WAIT_S, copy_whole, prepare
from volest.errors import UsageError
from volest.stone.learning import Pour


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
            raise self._fault(
                "no such file", "book a first pour: --volume 50 --powder 103 --water 20.6 --left 9"
            )
        with self._telling():
            self._base = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
        try:
            with self._telling():
                version = prepare(self._base)
            if version > SCHEMA_VERSION:
                raise self._fault(
                    f"version {version}", "use the volest that wrote it, or a newer one"
                )
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
        check_entry(entry)
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
            if not is_sound(entry):
                raise self._fault(f"pour {number} is none", "name another --journal FILE")
        return entries

    def pours(self) -> list[Pour]:
        """Read what the waste is learned from.

        Returns
        -------
        list of Pour
            One a booked pour that was not struck out.
        """
        return [entry.pour() for entry in self.entries() if entry.struck is None]

    def strike(self, number: int) -> None:
        """Strike a pour out: it stays in the journal, and nothing is learned from it.

        Parameters
        ----------
        number : int
            Its number.

        Raises
        ------
        UsageError
            If there is no such pour, or it was struck out before.
        """
        with self._telling():
            done = self._base.execute(
                "UPDATE pours SET struck = ? WHERE number = ? AND struck IS NULL", (now(), number)
            )
        if done.rowcount == 0:
            raise UsageError(
                f"no pour {number} that still counts",
                needed="the number of a pour that was not struck out before",
                remedy="the last pours and their numbers are shown by 'volest log' alone",
                code="journal",
            )

    def booked_from(self, source: str) -> list[int]:
        """Find the pours that were booked from the same file and still count.

        Parameters
        ----------
        source : str
            Fingerprint of the file.

        Returns
        -------
        list of int
            Their numbers.
        """
        query = "SELECT number FROM pours WHERE source = ? AND struck IS NULL ORDER BY number"
        with self._telling():
            return [number for (number,) in self._base.execute(query, (source,))]

    def back_up(self, target: Path) -> None:
        """Copy the journal into one file that is whole, while others may go on booking.

        Parameters
        ----------
        target : Path
            The copy; an older one is replaced when the new one is there.

        Raises
        ------
        UsageError
            If it is the journal itself, or cannot be written.
        """
        if os.path.realpath(target) == os.path.realpath(self._path):
            raise self._fault("a backup onto itself", "name another file, best on another disk")
        try:
            copy_whole(self._base, target)
        except (OSError, sqlite3.Error) as fault:
            raise UsageError(
                f"{target} that cannot be written ({fault})",
                needed="a file in a folder that exists and may be written",
                remedy="name another file",
            ) from fault

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
