"""The folder that a run writes into, with the finished scans for the next run."""

import hashlib
import json
import logging
import os
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, ExitStack
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from volest.batch.find import Content, Place, Remote, content_of, file_system, size_of
from volest.batch.workers import FAULT, TaskResult, maker_mark
from volest.data_base import DataBase, Layout
from volest.errors import UsageError
from volest.report.target import write_whole
from volest.result import Result, one_by_one
from volest.settings import Settings
from volest.system import hold

# Not kept: what another try, more memory or a right to read may change.
_FLEETING = (FAULT, "too-large", "unreadable")
_LOG = logging.getLogger(__name__)
KEPT = ".volest"  # what is in it outlives a run and is for no reader
CARDS = f"{KEPT}/cards"
_TABLE = """
CREATE TABLE finished (
    key TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    size INTEGER NOT NULL,
    record BLOB NOT NULL
) STRICT, WITHOUT ROWID
"""
_MEND = "make room on the disk, name another --out, or remove that file to start anew"
_LAYOUT = Layout(
    table="finished",
    steps=((_TABLE, "CREATE INDEX by_name ON finished (name, size)"),),
    wait_s=30.0,  # nobody waits, and what is not kept must be sized again
    code="store",
    needed="a store of finished scans that can be read and written",
    mend=_MEND,
    mend_newer=_MEND,
    mend_locked=_MEND,
)
_RECORDS: TypeAdapter[Result] = TypeAdapter(Result)


def run_mark(settings: Settings) -> str:
    """Give the part of a key that is the same for all scans of a run, as 64 hexadecimal digits."""
    said = replace(settings, lab_file=None)  # the same lab in another file changes no result
    record = json.dumps(asdict(said), sort_keys=True)
    return hashlib.sha256(f"{maker_mark()}\n{record}".encode()).hexdigest()


def key_of(content: Content, mark_of_run: str) -> str:
    """Give the key under which a finished scan is kept, as 64 hexadecimal digits."""
    parts = json.dumps([mark_of_run, content.name, content.mark, content.decision])
    return hashlib.sha256(parts.encode()).hexdigest()


def _held(folder: Path) -> AbstractContextManager[Any]:
    """Make an output folder; no other run may have it until what is given is closed."""
    try:
        (folder / CARDS).mkdir(parents=True, exist_ok=True)
        lock = hold(folder / KEPT / "lock")
        for part in folder.glob(".volest-*.part"):  # of a run that was killed
            part.unlink(missing_ok=True)
    except BlockingIOError as fault:
        raise UsageError(
            f"{os.fspath(folder)!r} in use by another run of volest",
            needed="a folder for each run",
            remedy="wait for the other run, or name another --out",
        ) from fault
    except (OSError, ValueError) as fault:
        raise unwritable(os.fspath(folder), fault) from fault
    return lock


def unwritable(name: str, fault: Exception) -> UsageError:
    """Make the error that tells of an output folder that does not take what it should hold."""
    why = getattr(fault, "strerror", None) or str(fault)
    return UsageError(
        f"{name!r} that cannot be written ({why})",
        needed="a folder that may be written, with room on its disk",
        remedy="name another --out",
    )


def as_bytes(result: Result) -> bytes | None:
    """Write a result as JSON that reads back the same; None where it would not."""
    try:
        record = _RECORDS.dump_json(result)
        _RECORDS.validate_json(record)
    except ValueError:  # a figure that is not finite, a name that is not UTF-8
        return None
    return record


def from_bytes(record: bytes) -> Result | None:
    """Read a result again; None where the record is of another version, or damaged."""
    try:
        return _RECORDS.validate_json(record)
    except ValidationError:
        return None


class FileStore:
    """A store of finished scans, by their keys, in one file of this computer."""

    def __init__(self, path: Path) -> None:
        self._base = DataBase(path, _LAYOUT)

    def may_know(self, name: str, size: int) -> bool:
        """Say whether a key is worth working out: not where nothing of that name and size is."""
        words = "SELECT 1 FROM finished WHERE name = ? AND size = ? LIMIT 1"
        return bool(self._base.rows(words, (_plain(name), size)))

    def get(self, key: str) -> Result | None:
        """Give a finished scan; None where there is none that can be read."""
        rows = self._base.rows("SELECT record FROM finished WHERE key = ?", (key,))
        return from_bytes(rows[0][0]) if rows else None

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan for good; False where it could not be read back."""
        record = as_bytes(result)
        if record is None:
            return False
        row = (key, _plain(content.name), content.size, record)
        self._base.change("INSERT OR REPLACE INTO finished VALUES (?, ?, ?, ?)", row)
        return True

    def close(self) -> None:
        """Close the file."""
        self._base.close()


def _plain(name: str) -> str:
    return name.encode("utf-8", "backslashreplace").decode("utf-8")


class FarStore:
    """A store of one object a scan behind an address, each put whole or not at all."""

    def __init__(self, place: Remote) -> None:
        self._fs, self._folder = file_system(place)
        self._fs.makedirs(self._folder, exist_ok=True)

    def may_know(self, name: str, size: int) -> bool:
        """Say that it may: asking costs as much as looking."""
        del name, size
        return True

    def get(self, key: str) -> Result | None:
        """Give a finished scan."""
        try:
            record: Any = self._fs.cat_file(self._path(key))
        except OSError:
            return None
        return from_bytes(record)

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan."""
        del content
        record = as_bytes(result)
        if record is None:
            return False
        write_far(self._fs, self._path(key), record)
        return True

    def _path(self, key: str) -> str:
        return f"{self._folder}/{key[:2]}/{key}.json"


def write_far(fs: Any, path: str, data: bytes) -> None:
    """Put an object whole: under another name first where the store is a plain file system."""
    try:
        fs.makedirs(path.rpartition("/")[0], exist_ok=True)
        with fs.transaction:  # fsspec: files appear at their place when it ends, or not at all
            fs.pipe_file(path, data)
    except OSError as fault:
        raise UsageError(
            f"{path} that cannot be written ({fault})",
            needed="a store that may be written",
            remedy="check the address and the rights, or name another --out",
        ) from fault


class Memory(ExitStack):
    """What a run holds that keeps nothing for a next one; use it in a `with` block."""

    def __init__(self, card_left: Callable[[str], Path] | None = None) -> None:
        super().__init__()
        self._card_left = card_left  # where a worker leaves the card of a scan of this path
        self._loose: dict[str, Result] = {}  # results that are not in a store
        self.reused = 0  # scans that an earlier run had finished
        self.failed: UsageError | None = None  # why a scan could not be kept, the first time

    def keep(self, place: Place, done: TaskResult) -> None:
        """Keep a scan that was just sized."""
        self._loose[str(place)] = done.result

    def result(self, place: Place) -> Result | None:
        """Give the result of a scan with its further impressions; None where it was not reached."""
        return self._loose.get(str(place))

    def card_file(self, scan: str) -> Path:
        """Say where the card of a scan is; the file may not be there."""
        assert self._card_left is not None  # noqa: S101  # asked where cards are made
        return self._card_left(scan)


class OutFolder(Memory):
    """An open output folder; only one run may have it at a time."""

    def __init__(
        self,
        place: Place,
        settings: Settings,
        *,
        card_left: Callable[[str], Path] | None = None,
    ) -> None:
        super().__init__(card_left)
        self.place = place
        self._mark = run_mark(settings)
        self._keys: dict[str, str] = {}  # of the scans that are in the store, by their paths
        self._store: FileStore | FarStore
        if isinstance(place, Remote):
            self._store = FarStore(place.joined("finished"))
        else:
            with ExitStack() as failing:
                failing.enter_context(_held(place))
                self._store = FileStore(place / KEPT / "finished.db")
                self.push(failing.pop_all())
            self.callback(self._store.close)

    def known(self, place: Place) -> TaskResult | None:
        """Give what an earlier run finished, if the scan is still the same; else None."""
        size = size_of(place)
        if size is None or not self._store.may_know(place.name, size):
            return None
        content = content_of(place)
        if content is None:
            return None
        key = key_of(content, self._mark)
        result = self._store.get(key)
        if result is None:
            return None
        measured = any(one.volume_ml is not None for one in one_by_one([result]))
        if measured and self._card_left is not None and not self._kept_card(key).is_file():
            return None
        self._keys[str(place)] = key
        self.reused += 1
        return TaskResult(result=result.of_scan(str(place)), content=content, kept=True)

    def keep(self, place: Place, done: TaskResult) -> None:
        """Keep a scan that was just sized. A disk that is full does not stop the run."""
        name = str(place)
        if done.kept:
            return
        self._keys.pop(name, None)
        self._loose[name] = done.result
        if done.content is None or done.result.code in _FLEETING:
            return
        key = key_of(done.content, self._mark)
        try:
            left = None if self._card_left is None else self._card_left(name)
            if left is not None and left.is_file():
                left.replace(self._kept_card(key))
            if self._store.put(key, done.content, done.result):
                self._keys[name] = key
                del self._loose[name]
        except (UsageError, OSError) as fault:
            if self.failed is None:
                _LOG.exception("%s is not kept for a next run", name)
                self.failed = fault if isinstance(fault, UsageError) else unwritable(name, fault)

    def result(self, place: Place) -> Result | None:
        """Give the result of a scan, from the store where it is kept."""
        key = self._keys.get(str(place))
        kept = None if key is None else self._store.get(key)
        return super().result(place) if kept is None else kept.of_scan(str(place))

    def card_file(self, scan: str) -> Path:
        """Say where the card of a scan is kept; the file may not be there."""
        return self._kept_card(self._keys.get(scan, "none"))

    def write_text(self, name: str, pieces: Iterable[str]) -> str:
        """Write one file of the folder, and say where it lies."""
        if isinstance(self.place, Remote):
            target = self.place.joined(name)
            fs, path = file_system(target)
            write_far(fs, path, "".join(pieces).encode("utf-8"))
            return str(target)
        write_whole(self.place / name, pieces)
        return str(self.place / name)

    def _kept_card(self, key: str) -> Path:
        assert isinstance(self.place, Path)  # noqa: S101  # cards are made for such folders only
        return self.place / CARDS / f"{key}.json"
