"""Scans that arrive in a folder: each is given on once its file has come to rest."""

import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import KW_ONLY, dataclass, field
from pathlib import Path

import watchfiles

from volest.batch.find import find_scans
from volest.errors import NothingError
from volest.scan.decision import decision_path
from volest.scan.packed import holder

SETTLE_S = 0.9  # without a change; what is cut short all the same is read again when it grows
EMPTY_SETTLE_S = 15.0  # some make the file first and fill it when the export is worked out
_RETRY_S = 20.0
_BUSY_MS, _IDLE_MS = 100, 3000  # how often is looked without being told of a change
_DEBOUNCE_MS = 100
_LOG = logging.getLogger(__name__)
_Sign = tuple[int, ...]
Find = Callable[[Sequence[Path]], list[Path]]


@dataclass(eq=False)
class Arrivals:
    """What has arrived in a folder, and what of it is still being written.

    Events only say when to look; what is there is always read anew, so that none can be missed.
    """

    folder: Path
    _: KW_ONLY
    find: Find = find_scans
    settle_s: float = SETTLE_S
    clock: Callable[[], float] = time.monotonic
    _resting: dict[Path, tuple[_Sign, float]] = field(default_factory=dict, init=False)
    _given: dict[Path, _Sign] = field(default_factory=dict, init=False)

    @property
    def busy(self) -> bool:
        """Whether a file has not come to rest."""
        return any(self._given.get(scan) != sign for scan, (sign, _) in self._resting.items())

    def look(self) -> list[Path]:
        """Give the scans, or decisions beside them, that have come to rest since the last look."""
        now, seen = self.clock(), {}
        for scan in self._listed():
            sign = _sign(scan)
            if sign is None:  # gone between listing and looking
                continue
            before = self._resting.get(scan)
            if before is not None and before[0] != sign:
                self.again(scan)  # also where it is changed back: somebody may have read it between
            seen[scan] = before if before is not None and before[0] == sign else (sign, now)
        self._resting = seen
        ready = [
            scan
            for scan, (sign, since) in seen.items()
            if self._given.get(scan) != sign and now - since >= self._patience_s(sign)
        ]
        self._given.update((scan, seen[scan][0]) for scan in ready)
        return ready

    def later(self, scan: Path) -> None:
        """Give a scan once more in a while: another program may hold it for now."""
        if scan in self._resting:
            sign, _ = self._resting[scan]
            self._resting[scan] = sign, self.clock() + _RETRY_S
        self.again(scan)

    def again(self, scan: Path) -> None:
        """Give a scan once more when it has come to rest, whatever it was when it was given."""
        self._given.pop(scan, None)

    def _listed(self) -> list[Path]:
        if not self.folder.is_dir():
            return []
        try:
            return [scan for scan in self.find([self.folder]) if not scan.is_dir()]
        except (NothingError, OSError):
            return []

    def _patience_s(self, sign: _Sign) -> float:
        return self.settle_s if sign[0] else max(EMPTY_SETTLE_S, self.settle_s)


def wakes(
    folder: Path, stop: threading.Event, busy: Callable[[], bool] = lambda: False
) -> Iterator[None]:
    """Give a sign whenever it is worth looking into a folder, until told to stop.

    Also now and then without a change, for stores that tell of none; sooner while a file is busy.
    """
    while not stop.is_set():
        yield
        mark, was_busy = _identity(folder), busy()
        if mark is not None:
            try:
                for _ in watchfiles.watch(
                    folder,
                    stop_event=stop,
                    debounce=_DEBOUNCE_MS,
                    rust_timeout=_BUSY_MS if was_busy else _IDLE_MS,
                    yield_on_timeout=True,
                    ignore_permission_denied=True,
                ):
                    yield
                    # Another folder may have that name now, and events of the old one are past.
                    if _identity(folder) != mark or busy() != was_busy:
                        break
            except OSError:  # taken away just now
                _LOG.info("%s cannot be watched", folder, exc_info=True)
                mark = None
        if mark is None:
            stop.wait(_BUSY_MS / 1000.0)


def _identity(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino)


def _sign(scan: Path) -> _Sign | None:
    """Give what changes with a scan or the decision beside it, its size first; None if it is gone.

    Also the time that no program can set: some exports put the other one back.
    """
    sign: _Sign = ()
    for file in (holder(scan), decision_path(scan)):
        try:
            at = file.stat()
        except OSError:
            return sign or None
        sign += (at.st_size, at.st_mtime_ns, at.st_ctime_ns, at.st_ino)
    return sign
