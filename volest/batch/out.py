"""The folder that a run writes into: its tables, and the finished scans for the next run."""

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Self

from volest.batch.far_store import FarStore, write_far
from volest.batch.find import Place, Remote, content_of, file_system, noted, size_of
from volest.batch.held_folder import HeldFolder, unwritable
from volest.batch.stamp import key_of, run_mark
from volest.batch.store import FileStore, Store
from volest.batch.workers import FAULT, Done
from volest.errors import UsageError
from volest.result import Result, one_by_one
from volest.settings import Settings
from volest.sheet.record import text_in_pieces
from volest.sheet.spread import spread_pieces
from volest.sheet.target import write_whole
from volest.stone.plan import Plan

RESULTS_JSON, RESULTS_CSV = "results.json", "results.csv"
# Not kept: what another try, more memory or a right to read may change.
_FLEETING = (FAULT, "too-large", "unreadable")
_LOG = logging.getLogger(__name__)


class OutFolder:
    """An open output folder; use it in a `with` block. Only one run may have it at a time."""

    def __init__(
        self,
        place: Place,
        settings: Settings,
        *,
        card_left: Callable[[str], Path] | None = None,
    ) -> None:
        self.place = place
        self.settings = settings
        self._mark = run_mark(settings)
        self._card_left = card_left  # where a worker leaves the card of a scan of this path
        self._keys: dict[str, str] = {}  # of the scans that are in the store, by their paths
        self._loose: dict[str, Result] = {}  # results that could not or should not be kept there
        self.reused = 0  # scans that an earlier run had finished
        self.twins: Sequence[Sequence[Path]] = ()  # names of one scan; noted in what is written
        self.failed: UsageError | None = None  # why a scan could not be kept, the first time
        self._held = None if isinstance(place, Remote) else HeldFolder(place)
        self._store = self._opened()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self._store.close()
        if self._held is not None:
            self._held.close()

    def known(self, place: Place) -> Done | None:
        """Give what an earlier run finished, if the scan is still the same; else None."""
        size = size_of(place)
        if size is None or not self._store.may_know(place.name, size):
            return None
        content = content_of(place)
        if content is None:
            return None
        key = key_of(content, self._mark)
        result = self._store.get(key)
        if result is None or (_is_measured(result) and self._lacks_card(key)):
            return None
        self._keys[str(place)] = key
        self.reused += 1
        return Done(result=result.of_scan(str(place)), content=content, kept=True)

    def keep(self, place: Place, done: Done) -> None:
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
            self._take_card(name, key)
            if self._store.put(key, done.content, done.result):
                self._keys[name] = key
                del self._loose[name]
        except (UsageError, OSError) as fault:
            if self.failed is None:
                _LOG.exception("%s is not kept for a next run", name)
                self.failed = fault if isinstance(fault, UsageError) else unwritable(name, fault)

    def result(self, place: Place) -> Result | None:
        """Give the result of a scan with its further impressions; None where it was not reached."""
        name = str(place)
        if name in self._loose:
            return self._loose[name]
        key = self._keys.get(name)
        kept = None if key is None else self._store.get(key)
        return None if kept is None else kept.of_scan(name)

    def results(self, places: Iterable[Place]) -> Iterator[Result]:
        """Give the results in the order of the places, one in memory at a time."""
        reached = (found for place in places if (found := self.result(place)) is not None)
        yield from noted(one_by_one(reached), self.twins)

    def card_file(self, scan: str) -> Path:
        """Say where the card of a scan is kept; the file may not be there."""
        return self._kept_card(self._keys.get(scan, "none"))

    def write(self, places: Iterable[Place], plan: Plan | None = None) -> list[str]:
        """Write the tables, each whole or not at all, and say where they lie."""
        listed = list(places)
        texts = (
            (RESULTS_JSON, text_in_pieces(self.results(listed), self.settings, plan)),
            (RESULTS_CSV, spread_pieces(self.results(listed), plan)),
        )
        return [self.write_text(name, pieces) for name, pieces in texts]

    def write_text(self, name: str, pieces: Iterable[str]) -> str:
        """Write one file of the folder, and say where it lies."""
        if isinstance(self.place, Remote):
            target = self.place.joined(name)
            fs, path = file_system(target)
            write_far(fs, path, "".join(pieces).encode("utf-8"))
            return str(target)
        write_whole(self.place / name, pieces)
        return str(self.place / name)

    def _opened(self) -> Store:
        if isinstance(self.place, Remote):
            return FarStore(self.place.joined("finished"))
        assert self._held is not None  # noqa: S101  # as every folder of this computer
        try:
            return FileStore(self._held.kept / "finished.db")
        except UsageError:
            self._held.close()
            raise

    def _lacks_card(self, key: str) -> bool:
        return self._card_left is not None and not self._kept_card(key).is_file()

    def _take_card(self, scan: str, key: str) -> None:
        left = None if self._card_left is None else self._card_left(scan)
        if left is not None and left.is_file():
            left.replace(self._kept_card(key))

    def _kept_card(self, key: str) -> Path:
        assert self._held is not None  # noqa: S101  # cards are made for folders of this computer
        return self._held.cards / f"{key}.json"


def _is_measured(result: Result) -> bool:
    return any(one.volume_ml is not None for one in one_by_one([result]))
