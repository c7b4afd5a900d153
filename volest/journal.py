"""The journal: a pour as it is booked, the SQLite file of pours, and which waste holds for a run.

A file of another program is never changed; what goes wrong is told in one line.
"""

import hashlib
import json
import logging
import math
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Self, TypeVar

from volest.errors import UsageError, visible
from volest.lab import HAND, VACUUM, Lab, Learned, Pour, learn_all
from volest.settings import Settings, parse_base
from volest.stone.mix import MOST_WP_ML_PER_100G
from volest.stone.reference import LEAST_WP, find_stone, water_density_g_per_ml
from volest.storage import SCAN_SUFFIXES, check_target, write_whole

# A pour that took less than half of its cavity, or three times as much, is a slip of the pen.
ODD_BELOW, ODD_ABOVE = 0.5, 3.0
TOLD_ABOVE = 1.4  # of the cavity: a second mix was weighed whole
TOLD_BELOW = 0.95  # of the cavity, which no scan misses by more: more was hardly left
LEAST_CAME_G, MOST_CAME_G = 100.0, 10_000_000.0  # under it stands kg; ten tonnes at once
LEAST_WEIGHED_G = 0.1  # less than scales at the bench show: kg are meant
_LOG = logging.getLogger(__name__)


SHORT, REMAKE = "short", "remake"
OUTCOMES = ("good", SHORT, "bubbles", "broken", REMAKE)
FIRST, BASE = "first", "base"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """An impression that a pour was for."""

    name: str  # the scan, as the file that was booked from names it
    cavity: int
    pour: str | None  # 'first' or 'base'; None where the amounts were typed
    content: str | None  # SHA-256 of the scan, where it could be read
    volume_ml: float  # its part of the cavity that was to be filled


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Entry(Pour):
    """One pour as it is booked."""

    booked: str  # UTC (ISO 8601)
    water_ml: float
    left_g: float  # could still have been poured; below 0: was missing
    lot: str | None = None
    mark: str | None = None  # of the operator
    scan: str | None = None
    source: str | None = None  # fingerprint of the file of the mix: a second booking is seen
    struck: str | None = None  # when it was struck out as a slip, UTC; None: it counts
    number: int = 0  # in the journal; 0 before it is booked
    cases: str | None = None  # as `written` writes them
    outcome: str | None = None  # one of `OUTCOMES`; None where nobody said
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivery:
    """Powder that came (below 0: that went without a pour); `expires` is a date (ISO 8601)."""

    booked: str
    stone: str
    powder_g: float
    lot: str | None = None
    expires: str | None = None
    mark: str | None = None
    number: int = 0


# In the order that checksums are made of.
COLUMNS = (
    *("booked", "stone", "way", "volume_ml", "powder_g", "water_ml", "mix_ml", "left_g", "left_ml"),
    *("lot", "mark", "scan", "source", "struck", "number", "cases", "outcome", "why"),
    "volume_u_ml",
)


def written(cases: Sequence[Case]) -> str | None:
    """Write impressions down for a pour; None where there is none."""
    return json.dumps([asdict(case) for case in cases]) if cases else None


def cases_of(entry: Entry) -> list[Case]:
    """Read the impressions that a pour was for."""
    return [Case(**case) for case in json.loads(entry.cases or "[]")]


def checksum(*values: object) -> str:
    """Give what tells the figures of a row from any others: part of their SHA-256."""
    return hashlib.sha256(json.dumps(values, default=repr).encode()).hexdigest()[:16]


def now() -> str:
    """Give the time as it is booked: UTC to the second, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def entry_of(
    lab: Lab,
    *,
    stone: str,
    powder_g: float,
    water_ml: float,
    left_g: float,
    cases: Sequence[Case] = (),
    outcome: str | None = None,
    **said: Any,
) -> Entry:
    """Put a pour of now down, mix and leftover as volumes too; its figures are not checked yet.

    What else is said are fields of the entry.
    """
    kind = find_stone(stone, lab)
    mix_ml = powder_g / kind.powder_density.value + water_ml
    mass_g = powder_g + water_ml * water_density_g_per_ml(lab.bench.water_c)
    return Entry(
        booked=now(),
        stone=kind.name,
        powder_g=powder_g,
        water_ml=water_ml,
        mix_ml=mix_ml,
        left_g=left_g,
        left_ml=left_g * mix_ml / mass_g if mass_g > 0 else 0.0,  # booking refuses amounts of 0
        cases=written(cases),
        outcome=outcome or (SHORT if left_g < 0.0 else None),
        **said,
    )


def _is_sound(entry: Entry) -> bool:
    """Tell whether a pour that another program may have written holds what figures can rest on."""
    amounts = (entry.volume_ml, entry.powder_g, entry.water_ml, entry.mix_ml)
    figures = (*amounts, entry.left_g, entry.left_ml, entry.volume_u_ml)
    words = (entry.lot, entry.mark, entry.scan, entry.source, entry.struck, entry.why)
    try:
        day_of(entry), cases_of(entry)
        are_texts = all(isinstance(word, str | None) for word in words)
        is_known = entry.way in (HAND, VACUUM) and entry.outcome in (None, *OUTCOMES)
        are_said = are_texts and is_known and isinstance(entry.stone, str)
        return are_said and all(map(math.isfinite, figures)) and min(amounts) > 0
    except (TypeError, ValueError, OverflowError):
        return False


def check_entry(entry: Entry) -> None:
    """Refuse a pour ('journal-odd') whose figures cannot be meant."""
    amounts = [entry.volume_ml, entry.powder_g, entry.water_ml, entry.mix_ml]
    amounts += (case.volume_ml for case in cases_of(entry))  # by which its cost is parted
    if not all(math.isfinite(x) and x > 0 for x in amounts) or not math.isfinite(entry.left_g):
        raise _odd("an amount that is not above 0", "volume, powder and water above 0")
    if 0.0 < abs(entry.left_g) < LEAST_WEIGHED_G:
        raise _odd(f"{abs(entry.left_g):g} g", f"0, or at least {LEAST_WEIGHED_G:g} g")
    if not LEAST_WP.value <= 100.0 * entry.water_ml / entry.powder_g <= MOST_WP_ML_PER_100G:
        raise _odd(
            f"{entry.water_ml:g} mL of water to {entry.powder_g:g} g of powder",
            f"{LEAST_WP} to {MOST_WP_ML_PER_100G:g} mL for 100 g",
        )
    taken_ml = entry.mix_ml - entry.left_ml
    if taken_ml < 0.0:
        raise _odd(
            f"{entry.left_g:g} g left of {entry.powder_g:g} g of powder and "
            f"{entry.water_ml:g} mL of water",
            "no more left than was mixed",
        )
    if not ODD_BELOW <= taken_ml / entry.volume_ml <= ODD_ABOVE:
        raise _odd(
            f"{taken_ml:.1f} mL poured into a cavity of {entry.volume_ml:g} mL",
            f"{ODD_BELOW:g} to {ODD_ABOVE:g} times the cavity",
        )


def _odd(found: str, needed: str) -> UsageError:
    return UsageError(
        found,
        needed=needed,
        remedy="look at the figures again: volume in mL, powder and leftover in g",
        code="journal-odd",
    )


_RETRY_S = 0.02
WAIT_S = 10.0  # for another program that is just writing: a person waits for the answer
_WAIT_S = 1.0  # for others that have the file of a backup open
_MAGIC = b"SQLite format 3\0"  # how each of its files begins
_COPIES = 5  # tries to copy a file that another program is just changing
BESIDE = ("-wal", "-shm", "-journal")  # what SQLite keeps beside a file (its file format, 4.1)
_GIVEN_UP = "damaged, and given up"  # in the checksum of a row that a person struck out so
_Row = TypeVar("_Row", bound=Entry | Delivery)
_TABLES: dict[type, tuple[str, tuple[str, ...]]] = {
    Entry: ("pours", COLUMNS),
    Delivery: ("deliveries", tuple(field.name for field in fields(Delivery))),
}
_scratch = partial(TemporaryDirectory, prefix="volest-", ignore_cleanup_errors=True)

VERSION = 3  # it stands in the file itself (PRAGMA user_version)
_MADE = (
    """
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
    scan TEXT,
    source TEXT,
    struck TEXT,
    cases TEXT,
    outcome TEXT,
    why TEXT,
    volume_u_ml REAL NOT NULL,
    checksum TEXT
) STRICT
""",
    """
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
""",
    f"PRAGMA user_version = {VERSION}",
)


def _fault_of(path: Path, found: str, remedy: str = "name another --journal FILE") -> UsageError:
    """Make the error that tells of a journal's file, to be raised."""
    needed = f"a journal of volest, version {VERSION}"
    return UsageError(f"{path}: {found}", needed=needed, remedy=remedy, code="journal")


class Journal:
    """An open journal, one file by itself; use it in a `with` block.

    With a rollback journal, which a network share stands as far as its locks do; write-ahead mode
    needs memory that readers share (SQLite, "Write-Ahead Logging").
    Where it is only to be read (`new=False`) and may not be written, or `copied` asks for it, a
    copy is read without a touch to the file.
    """

    def __init__(self, path: Path, *, new: bool = True, copied: bool = False) -> None:
        if not new and not path.is_file():
            raise _fault_of(
                path,
                "no such file",
                "book a first pour: --volume 50 --powder 103 --water 20.6 --left 9",
            )
        if path.suffix.lower() in SCAN_SUFFIXES:
            raise _fault_of(path, "the name of a scan")
        if not os.path.isdir(path.parent):  # noqa: PTH112  # Path.is_dir raises at some names
            raise _fault_of(path, f"no folder {path.parent} that can be opened")
        # SQLite writes beside it too.
        is_writable = all(os.access(one, os.W_OK) for one in (path, path.parent))
        self.path, self._is_copy = path, copied or not (new or is_writable)
        with ExitStack() as opening, self._telling():
            if path.is_file():
                with path.open("rb") as stream:
                    head = stream.read(len(_MAGIC))
                if head not in ({_MAGIC, b""} if new else {_MAGIC}):  # SQLite fills a tiny one
                    raise sqlite3.DatabaseError("file is not a database")
            opened = path
            if self._is_copy:
                opened = _copied(path, Path(opening.enter_context(_scratch())))
            base = sqlite3.connect(opened, timeout=WAIT_S, isolation_level=None)
            self._base = opening.enter_context(closing(base))
            # Text that is damaged is read as well as it can be; its row's checksum tells.
            base.text_factory = lambda raw: raw.decode(errors="replace")
            self._prepare()
            self._close = opening.pop_all().close

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self._close()

    def book(self, entry: Entry, *, again: bool = False) -> int:
        """Write one pour down after `check_entry`, and give its number.

        One of an impression, or out of a file, that a pour was booked for is refused
        ('journal-again') unless `again` says that it was poured once more.
        """
        check_entry(entry)
        with self._transaction():
            twins = [] if again else self.twins(entry)
            if twins:
                told = ", ".join(f"{twin.number} of {day_of(twin)}" for twin in twins)
                names = sorted({visible(case.name) for twin in twins for case in cases_of(twin)})
                what = ", ".join(names) or "the same file"
                raise UsageError(
                    f"pour{'s' * (len(twins) > 1)} {told} booked for {what}",
                    needed="each pour booked once",
                    remedy="if it was poured once more, add --again to 'volest log'",
                    code="journal-again",
                )
            return self._add(entry)

    def receive(self, delivery: Delivery) -> int:
        """Write one delivery down, and give its number; one that cannot be meant is refused."""
        least_g = LEAST_CAME_G if delivery.powder_g > 0.0 else -MOST_CAME_G
        if not least_g <= delivery.powder_g <= MOST_CAME_G or delivery.powder_g == 0.0:
            raise _odd(
                f"{delivery.powder_g:g} g delivered", f"{LEAST_CAME_G:g} to {MOST_CAME_G:g} g"
            )
        with self._transaction():
            return self._add(delivery)

    def entries(self) -> list[Entry]:
        """Read all pours that fit their checksums, the oldest first."""
        return self._read(Entry)[0]

    def deliveries(self) -> list[Delivery]:
        """Read all deliveries that fit their checksums, the oldest first."""
        return self._read(Delivery)[0]

    def pours(self) -> list[Entry]:
        """Read those that count: they were not struck out, and the waste is learned from them."""
        return [entry for entry in self.entries() if entry.struck is None]

    def damage(self) -> list[str]:
        """Tell which rows are damaged or missing, and what is wrong with the file, a line each."""
        backup = "take the last backup in its place"
        lost = f"is damaged or missing: it is left out of all figures; {backup}"
        pours, deliveries = self._read(Entry)[1], self._read(Delivery)[1]
        here = {number for (number,) in self._rows("SELECT number FROM pours")}
        give_up = ", or give it up: --strike "  # a row that is missing has nothing to give up
        told = [f"pour {n} {lost}" + f"{give_up}{n}" * (n in here) for n in pours]
        told += [f"delivery {number} {lost}" for number in deliveries]
        ((order,), *_) = self._rows("PRAGMA quick_check(1)")
        told += [] if order == "ok" else [f"damaged: {' '.join(str(order).split())}; {backup}"]
        return [f"{self.path}: {line}" for line in told]

    def strike(self, number: int) -> None:
        """Strike a pour out: it stays in the journal, and nothing is learned from it.

        One that is damaged is given up so: it is told no more.
        """
        if number in self._read(Entry)[1]:
            query = "UPDATE pours SET checksum = ? WHERE number = ? RETURNING number"
            with self._transaction():
                given_up = self._rows(query, (checksum(_GIVEN_UP, number), number))
            if given_up:
                return
        self._amend(number, struck=now())

    def end(self, number: int, outcome: str, why: str | None) -> None:
        """Say how a pour that was booked before came out."""
        self._amend(number, outcome=outcome, why=why)

    def twins(self, entry: Entry) -> list[Entry]:
        """Find the pours that count and are of the same file, or of one of the same impressions."""
        return [other for other in self.pours() if _alike(entry, other)]

    def check_backup(self, target: Path) -> None:
        """Refuse a backup over anything but nothing, or an earlier state of this journal."""
        real, own = os.path.realpath(target), os.path.realpath(self.path)
        if any(Path(one).suffix.lower() in SCAN_SUFFIXES for one in (target, real)):
            raise _fault_of(target, "the name of a scan", "name another file")
        check_target(target)
        is_there = target.exists()
        same = is_there and target.samefile(self.path)
        if same or real in (own, *(own + end for end in BESIDE)):
            remedy = "name another file, best on another disk"
            raise _fault_of(self.path, "a backup onto itself", remedy)
        if is_there and not target.is_file():
            raise _fault_of(target, "not a plain file", "name another file")
        away = "name another file, or move that one away"
        if not is_there or target.stat().st_size == 0:
            left = [end for end in BESIDE if os.path.lexists(real + end)]
            if left:
                found = f"{Path(real).name}{left[0]}, left of another data base"
                raise _fault_of(target, found, away)
            return
        with Journal(target, new=False, copied=True) as older:
            lost = _lacking("pour", older._read(Entry), self._read(Entry))
            lost += _lacking("delivery", older._read(Delivery), self._read(Delivery))
        if lost:
            found = f"{lost[0]} in it is not in {self.path} ({len(lost)} such)"
            raise _fault_of(target, found, away)

    def back_up(self, target: Path) -> None:
        """Copy it into one whole file while others go on booking; what is there is replaced."""
        self.check_backup(target)
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

    def _prepare(self) -> None:
        """Make tables where the file is empty; what is not ours, or not of our version, stays."""
        execute = self._base.execute
        execute("PRAGMA trusted_schema = OFF")
        execute("BEGIN")  # so that both answers are of one moment; nothing changes yet
        (version,) = execute("PRAGMA user_version").fetchone()
        held = execute("SELECT name, rootpage FROM sqlite_master").fetchall()
        execute("COMMIT")
        # Views, triggers and virtual tables have no root page, and could do anything when read.
        plain = all(rootpage > 0 for _, rootpage in held)
        if version < 0 or not plain or ("pours" not in dict(held) if version else held):
            raise sqlite3.DatabaseError("another program's data base")
        if version not in (0, VERSION):
            raise _fault_of(self.path, f"version {version}", "use the volest that wrote it")
        execute("PRAGMA journal_mode = DELETE")
        execute("PRAGMA synchronous = FULL")  # what is written outlives a power cut
        execute("BEGIN IMMEDIATE")  # two programs may find it empty at the same time
        (version,) = execute("PRAGMA user_version").fetchone()
        for statement in _MADE if version == 0 else ():
            execute(statement)
        execute("COMMIT")

    def _rows(self, words: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        with self._telling():
            return self._base.execute(words, values).fetchall()

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Keep other writers out; all changes within stand together for good, or none does."""
        if self._is_copy:
            raise _fault_of(self.path, "no right to write")
        self._rows("BEGIN IMMEDIATE")
        try:
            yield
            self._rows("COMMIT")
        finally:
            if self._base.in_transaction:
                self._base.execute("ROLLBACK")

    @contextmanager
    def _telling(self) -> Iterator[None]:
        try:
            yield
        except (OSError, UnicodeDecodeError, sqlite3.Error) as fault:
            found = getattr(fault, "strerror", None) or str(fault)
            if isinstance(fault, UnicodeDecodeError):  # in SQLite's words about a damaged layout
                found = "a damaged file"
            busy = getattr(fault, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
            remedy = ("close the program that is writing into it, and try again",) * busy
            raise _fault_of(self.path, found, *remedy) from fault

    def _read(self, kind: type[_Row]) -> tuple[list[_Row], list[int]]:
        """Read the rows that fit, and the numbers of those that do not or are missing."""
        table, names = _TABLES[kind]
        query = f"SELECT {', '.join(names)}, checksum FROM {table} ORDER BY number"  # noqa: S608  # own names
        rows, lost, given_up = [], set[int](), set[int]()
        for *values, kept in self._rows(query):
            row = kind(**dict(zip(names, values, strict=True)))
            if checksum(*values) == kept and (not isinstance(row, Entry) or _is_sound(row)):
                rows.append(row)
            elif kept == checksum(_GIVEN_UP, row.number):
                given_up.add(row.number)
            else:
                lost.add(row.number)
        here = {row.number for row in rows}
        lost |= set(range(1, max(here, default=0) + 1)) - here - given_up
        return rows, sorted(lost)

    def _add(self, row: Entry | Delivery) -> int:
        (table, names), rows = _TABLES[type(row)], self._read(type(row))[0]
        taken = {number for (number,) in self._rows(f"SELECT number FROM {table}")}  # noqa: S608  # own names
        number = 1 + max((one.number for one in rows), default=0)
        while number in taken:  # by a damaged one
            number += 1
        numbered, marks = replace(row, number=number), ", ".join("?" * (len(names) + 1))
        values = [getattr(numbered, name) for name in names]
        query = f"INSERT INTO {table} ({', '.join(names)}, checksum) VALUES ({marks})"  # noqa: S608  # own names
        self._rows(query, (*values, checksum(*values)))
        return number

    def _amend(self, number: int, **words: str | None) -> None:
        with self._transaction():
            found = next((one for one in self.pours() if one.number == number), None)
            if found is None:
                raise UsageError(
                    f"no pour {number} that still counts",
                    needed="the number of a pour that was not struck out before",
                    remedy="the last pours and their numbers are shown by 'volest log' alone",
                    code="journal",
                )
            kept = asdict(found) | words
            said = {**words, "checksum": checksum(*(kept[name] for name in COLUMNS))}
            names = ", ".join(f"{name} = ?" for name in said)
            query = f"UPDATE pours SET {names} WHERE number = ?"  # noqa: S608  # own names
            self._rows(query, (*said.values(), number))


def _copied(path: Path, folder: Path) -> Path:
    """Copy a data base and what was not yet put into it, both of one moment."""

    def states() -> list[tuple[Path, int, int]]:
        at = [(file, file.stat()) for file in files if file.exists()]
        return [(file, one.st_size, one.st_mtime_ns) for file, one in at]

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


def _lacking(
    what: str, older: tuple[list[_Row], list[int]], ours: tuple[list[_Row], list[int]]
) -> list[str]:
    """Name the rows of an older file that are not ours, with all that was said of them later.

    Of a row that is damaged there, any row of that number will do.
    """
    at = {row.number: asdict(row) for row in ours[0]}
    later = ("struck", "outcome", "why")

    def is_held(row: _Row) -> bool:
        own = at.get(row.number, {})
        said = asdict(row).items()
        return all(own.get(name, ...) == x or (name in later and x is None) for name, x in said)

    lost = [row.number for row in older[0] if not is_held(row)]
    lost += [number for number in older[1] if number not in at and number not in ours[1]]
    return [f"{what} {number}" for number in lost]


def _alike(entry: Entry, other: Entry) -> bool:
    if entry.source is not None and entry.source == other.source:
        return True
    near = entry.stone == other.stone and day_of(entry) == day_of(other)
    pairs = ((one, two) for one in cases_of(entry) for two in cases_of(other))
    return any(_same(one, two, stone=entry.stone == other.stone, near=near) for one, two in pairs)


def _same(one: Case, other: Case, *, stone: bool, near: bool) -> bool:
    """Say whether two pours are of one impression: by content, else by name, day and stone."""
    if one.cavity != other.cavity:
        return False
    if one.pour != other.pour and not (None in (one.pour, other.pour) and stone):
        return False
    if one.content is not None and other.content is not None:
        return one.content == other.content
    short, long = sorted((Path(one.name).parts, Path(other.name).parts), key=len)
    return near and short == long[len(long) - len(short) :]


def day_of(entry: Entry) -> date:
    """Say on which day a pour was booked, by the clock of this computer."""
    return datetime.fromisoformat(entry.booked).astimezone().date()


def settings_in_force(
    lab: Lab,
    said: Mapping[str, Any],
    habits: Mapping[str, Any],
    tell: Callable[[str], object] = _LOG.warning,
) -> Settings:
    """Turn what is said for a run, and a lab's habits, by names of settings, into settings.

    Where no waste is said, it is the lab's, or what the journal teaches.
    """
    words = {**habits, **said}
    journal_file = None if words.get("journal_file") is None else Path(words["journal_file"])
    if journal_file is not None and "journal_file" not in said and not journal_file.exists():
        tell(f"no journal {journal_file} yet: the waste is as set")
        journal_file = None
    learned: tuple[Learned, ...] = ()
    if journal_file is not None and not {"waste_percent", "residue_ml"} & {*words}:
        with Journal(journal_file, new=False) as journal:
            for line in journal.damage():
                tell(line)
            learned = learn_all(journal.pours(), lab)
    base = words.pop("base", "rim")
    usual = lab.way.of(words.get("way", Settings().way))
    made = {
        "waste_percent": usual.share_percent,
        "residue_ml": usual.residue_ml,
        **{field.name: words[field.name] for field in fields(Settings) if field.name in words},
        "base": parse_base(base) if isinstance(base, str) else base,
        "obey_saved": "base" not in said,
        "lab": lab.pouring(height_mm=words.get("second_pour_mm"), heap_mm=words.get("heap_mm")),
        "learned": learned,
        "scoop_stone": habits.get("stone"),  # the scoop was weighed with the usual one
    }
    return Settings(**made)
