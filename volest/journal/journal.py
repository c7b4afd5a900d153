"""The journal of pours: one file that several programs may write into at once."""

from dataclasses import astuple
from pathlib import Path
from typing import Self

from volest.data_base import DataBase, Layout
from volest.errors import UsageError
from volest.journal.entry import COLUMNS, Entry, check_entry, is_sound, now
from volest.stone.learning import Pour

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
_STEPS: tuple[tuple[str, ...], ...] = (
    (_FIRST,),
    ("ALTER TABLE pours ADD COLUMN source TEXT", "ALTER TABLE pours ADD COLUMN struck TEXT"),
)
LAYOUT = Layout(
    table="pours",
    steps=_STEPS,
    wait_s=10.0,  # a person waits for the answer
    code="journal",
    needed=f"a journal of volest, version {len(_STEPS)} or below",
    mend="name another --journal FILE",
    mend_newer="use the volest that wrote it, or a newer one",
    mend_locked="close the program that is writing into it, and try again",
)
_NAMES = ", ".join(COLUMNS)


class Journal:
    """An open journal; use it in a `with` block."""

    def __init__(self, path: Path, *, new: bool = True) -> None:
        if not new and not path.is_file():
            raise LAYOUT.fault(
                path,
                "no such file",
                "book a first pour: --volume 50 --powder 103 --water 20.6 --left 9",
            )
        self._base = DataBase(path, LAYOUT)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self._base.close()

    def book(self, entry: Entry) -> int:
        """Write one pour down after `check_entry`, and give its number."""
        check_entry(entry)
        marks = ", ".join("?" * len(COLUMNS))
        done = self._base.change(
            f"INSERT INTO pours ({_NAMES}) VALUES ({marks})",  # noqa: S608  # own names
            astuple(entry),
        )
        return int(done.lastrowid or 0)

    def entries(self) -> list[Entry]:
        """Read all pours, the oldest first; one that another program spoilt is refused."""
        rows = self._base.rows(f"SELECT {_NAMES} FROM pours ORDER BY number")  # noqa: S608  # own names
        entries = [Entry(**dict(zip(COLUMNS, row, strict=True))) for row in rows]
        for number, entry in enumerate(entries, start=1):
            if not is_sound(entry):
                raise self._base.fault(f"pour {number} is none")
        return entries

    def pours(self) -> list[Pour]:
        """Read what the waste is learned from: the pours that were not struck out."""
        return [entry.pour() for entry in self.entries() if entry.struck is None]

    def strike(self, number: int) -> None:
        """Strike a pour out: it stays in the journal, and nothing is learned from it."""
        done = self._base.change(
            "UPDATE pours SET struck = ? WHERE number = ? AND struck IS NULL", (now(), number)
        )
        if done.rowcount == 0:
            raise UsageError(
                f"no pour {number} that still counts",
                needed="the number of a pour that was not struck out before",
                remedy="the last pours and their numbers are shown by 'volest log' alone",
                code=LAYOUT.code,
            )

    def booked_from(self, source: str) -> list[int]:
        """Find the numbers of the pours booked from the file of a fingerprint that still count."""
        query = "SELECT number FROM pours WHERE source = ? AND struck IS NULL ORDER BY number"
        return [number for (number,) in self._base.rows(query, (source,))]

    def back_up(self, target: Path) -> None:
        """Copy the journal into one file that is whole, while others may go on booking."""
        self._base.back_up(target)
