"""The journal of pours: one SQLite file that several programs may write into at once."""

import math
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import astuple, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from volest.batch.journal_file import SCHEMA_VERSION, WAIT_S, copy_whole, prepare
from volest.errors import UsageError
from volest.stone.learning import Pour

# A pour that took less than half of its cavity, or three times as much, is a slip of the pen.
ODD_BELOW, ODD_ABOVE = 0.5, 3.0


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
    source : str or None
        Fingerprint of the file that the mix was read from, so that a second booking is seen.
    struck : str or None
        When it was struck out as a slip, in UTC; such a pour is kept and teaches nothing.
    number : int or None
        Its number in the journal; None before it is booked.
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
    source: str | None = None
    struck: str | None = None
    number: int | None = None

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
        return [Entry(**dict(zip(COLUMNS, row, strict=True))) for row in rows]

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
            raise self._fault(str(fault), "name another --journal FILE") from fault

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
