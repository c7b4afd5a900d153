"""The folder that a run writes into, with the finished scans for the next run.

A finished scan is a file of its own under a key, with a checksum; its card, if one was drawn, is
another beside it. What does not fit its checksum is as good as missing: it is sized again.
"""

import hashlib
import json
import logging
from collections.abc import Iterable
from contextlib import ExitStack, nullcontext
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from volest.batch.find import STORE_FAULTS, Content, Place, Remote, content_of, file_system
from volest.batch.workers import FAULT, TaskResult, maker_mark
from volest.errors import DISK, MEMORY, NETWORK, RIGHTS, UsageError
from volest.result import Result, one_by_one, refused
from volest.settings import Settings
from volest.storage import remove_left_parts, sealed, unsealed, unwritable, write_whole
from volest.system import hold

if TYPE_CHECKING:
    from pydantic import TypeAdapter

# Not kept: what another try, more memory or a right to read may change.
_FLEETING = (FAULT, "too-large", "unreadable", DISK, RIGHTS, MEMORY, NETWORK)
_LOG = logging.getLogger(__name__)
KEPT = ".volest"  # what is in it outlives a run and is for no reader
FINISHED = f"{KEPT}/finished"
_RESULT, _CARD = ".json", ".card.json"
MOST_HELD = 2000  # results in memory, some 20 kB each: they are shown though the folder has gone


@cache
def _records() -> "TypeAdapter[Result]":
    from pydantic import TypeAdapter

    return TypeAdapter(Result)


def run_mark(settings: Settings) -> str:
    """Give the part of a key that is the same for all scans of a run, as 64 hexadecimal digits."""
    said = replace(settings, lab_file=None)  # the same lab in another file changes no result
    record = json.dumps(asdict(said), sort_keys=True)
    return hashlib.sha256(f"{maker_mark()}\n{record}".encode()).hexdigest()


def key_of(content: Content, mark_of_run: str) -> str:
    """Give the name under which a finished scan is kept."""
    parts = json.dumps([mark_of_run, content.name, content.mark, content.decision])
    return hashlib.sha256(parts.encode()).hexdigest()


class _HereFolder:
    """A folder of this computer, held for one run at a time: the system lets go however it ends."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.mkdir(exist_ok=True)  # not the folders above it: a slip of the pen made them
            (path / FINISHED).mkdir(parents=True, exist_ok=True)
            self.lock = hold(path / KEPT / "lock")
            for folder in (path, path / FINISHED):
                remove_left_parts(folder)
            self.is_new = not any((path / FINISHED).iterdir())
        except BlockingIOError as fault:
            raise UsageError(
                f"{str(path)!r} in use by another run of volest",
                needed="a folder for each run",
                remedy="wait for the other run, or name another --out",
            ) from fault
        except (OSError, ValueError) as fault:
            raise unwritable(path, fault) from fault

    def read(self, name: str) -> bytes | None:
        """Read a file; None where there is none that can be read."""
        try:
            return (self.path / name).read_bytes()
        except OSError:
            return None

    def write(self, name: str, content: bytes | Iterable[str]) -> str:
        """Write a file whole, and say where it lies; the folder itself is not made again."""
        target = self.path / name
        try:
            if name.startswith(KEPT) and self.path.is_dir():
                target.parent.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise unwritable(target, fault) from fault
        return str(write_whole(target, content, or_beside=not name.startswith(KEPT)))


class _FarFolder:
    """A folder behind an address; an object is put whole or not at all, and nothing is held."""

    lock = nullcontext()
    is_new = False  # asking costs as much as looking

    def __init__(self, place: Remote) -> None:
        self._url = place.url.rstrip("/")
        self._fs, self._path = file_system(place)

    def read(self, name: str) -> bytes | None:
        """Read an object."""
        try:
            return bytes(self._fs.cat_file(f"{self._path}/{name}"))
        except STORE_FAULTS:
            return None

    def write(self, name: str, content: bytes | Iterable[str]) -> str:
        """Put an object: under another name first where the store is a plain file system."""
        data = content if isinstance(content, bytes) else "".join(content).encode()
        path = f"{self._path}/{name}"
        try:
            self._fs.makedirs(path.rpartition("/")[0], exist_ok=True)
            with self._fs.transaction:  # fsspec: files appear when it ends, or not at all
                self._fs.pipe_file(path, data)
        except STORE_FAULTS as fault:
            raise UsageError(
                f"{path} that cannot be written ({fault})",
                needed="a store that may be written",
                remedy="check the address and the rights, or name another --out",
                code=NETWORK,
            ) from fault
        return f"{self._url}/{name}"


class OutFolder(ExitStack):
    """What a run holds: an output folder that only one run may have at a time; use it in a `with`.

    Without a place nothing is kept for a next run.
    """

    def __init__(self, place: Place | None, settings: Settings, *, has_cards: bool = False) -> None:
        super().__init__()
        self.damaged = 0  # files that were kept and did not fit their checksum
        self.failed: UsageError | None = None  # why a scan could not be kept, the first time
        # By the paths of the scans: what is in the folder, under which key; and what is not, or is
        # in memory all the same, since it is no great number.
        self._keys: dict[str, str] = {}
        self._held: dict[str, TaskResult] = {}
        self._has_cards = has_cards
        if place is not None:
            self._mark = run_mark(settings)
            self._folder = _FarFolder(place) if isinstance(place, Remote) else _HereFolder(place)
            self.push(self._folder.lock)

    def known(self, place: Place) -> TaskResult | None:
        """Give what an earlier run finished, if the scan is still the same; else None."""
        # In a new folder the scan need not be read once more for it.
        content = None if self._folder.is_new else content_of(place)
        if content is None:
            return None
        key = key_of(content, self._mark)
        result = self._kept_result(key)
        if result is None:
            return None
        measured = any(one.volume_ml is not None for one in one_by_one([result]))
        if measured and self._has_cards and self._unsealed(key + _CARD) is None:
            return None
        done = TaskResult(result=result.of_scan(str(place)), content=content, kept=True)
        self._take(str(place), key, done)
        return done

    def keep(self, place: Place, done: TaskResult) -> None:
        """Keep a scan that was just sized. A disk that is full does not stop the run."""
        name = str(place)
        if not done.kept and not self._put(name, done):
            only_here = self._held.keys() - self._keys.keys()
            is_many = self.failed is not None and len(only_here) >= MOST_HELD
            self._held[name] = replace(done, card=None) if is_many else done
            self._keys.pop(name, None)

    def settle(self) -> None:
        """Try once more to keep what could not be kept; the first that fails stands for all."""
        self.failed = None
        for name, done in list(self._held.items()):
            if self.failed is None and name not in self._keys:
                self._put(name, done)

    def _put(self, name: str, done: TaskResult) -> bool:
        """Put one scan where the next run finds it, its result last: that counts as finished."""
        if done.content is None or done.result.code in _FLEETING:
            return False
        key = key_of(done.content, self._mark)
        try:
            record = _records().dump_json(done.result)
            _records().validate_json(record)
            if done.card is not None:
                self._seal(key + _CARD, done.card.encode())
            self._seal(key + _RESULT, record)
        except ValueError:  # a figure that is not finite, a name that is not UTF-8: not kept
            return False
        except UsageError as fault:
            if self.failed is None:
                _LOG.exception("%s is not kept for a next run", name)
                self.failed = fault
            return False
        self._take(name, key, done)
        return True

    def _take(self, name: str, key: str, done: TaskResult) -> None:
        """Hold what is kept by its key, and as long as it is no great number by its result too."""
        self._keys[name] = key
        self._held.pop(name, None)
        if len(self._held) < MOST_HELD:
            self._held[name] = replace(done, card=None)

    def result(self, place: Place) -> Result | None:
        """Give the result of a scan that was reached; one that cannot be read any more says so."""
        name = str(place)
        key, held = self._keys.get(name), self._held.get(name)
        if key is None or held is not None:
            return None if held is None else held.result
        kept = self._kept_result(key)
        if kept is not None:
            return kept.of_scan(name)
        fault = UsageError(
            "a finished result that cannot be read any more",
            needed="the folder of the run as it was",
            remedy="run the same command again",
            code=DISK,
        )
        return refused(name, fault)

    def card(self, scan: str) -> str | None:
        """Give the cards of a scan's impressions as they were drawn; None where none were."""
        key, held = self._keys.get(scan), self._held.get(scan)
        if key is None:
            return None if held is None else held.card
        kept = self._unsealed(key + _CARD)
        return None if kept is None else kept.decode()

    def write(self, name: str, pieces: Iterable[str]) -> str:
        """Write one file of the folder, and say where it lies."""
        return self._folder.write(name, pieces)

    def _kept_result(self, key: str) -> Result | None:
        record = self._unsealed(key + _RESULT)
        try:
            return None if record is None else _records().validate_json(record)
        except ValueError:  # pydantic's own is one: the record is of another version
            return None

    def _seal(self, name: str, data: bytes) -> None:
        self._folder.write(f"{FINISHED}/{name}", sealed(name, data))

    def _unsealed(self, name: str) -> bytes | None:
        kept = self._folder.read(f"{FINISHED}/{name}")
        data = None if kept is None else unsealed(name, kept)
        self.damaged += kept is not None and data is None
        return data
