"""A watched folder: what arrived in it is sized, and the files are kept up to date."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from volest.batch.find import Found, Twins, bring_decisions, natural_key
from volest.batch.workers import Engine
from volest.errors import UsageError
from volest.report.table import damaged_line
from volest.result import Result
from volest.run import Desk


@dataclass(kw_only=True, eq=False)
class Day:
    """Takes what arrives, and writes as well as it can; `say` and `tell` reach a person."""

    run: Desk
    folder: Path
    say: Callable[[str], object]
    tell: Callable[[Result], None]
    _twins: Twins = field(default_factory=Twins, init=False)
    _scans: dict[Path, None] = field(default_factory=dict, init=False)
    _others: dict[Path, None] = field(default_factory=dict, init=False)  # files of other kinds
    _stale: bool = field(default=False, init=False)
    _told: UsageError | None = field(default=None, init=False)
    _damaged: int = field(default=0, init=False)

    @property
    def found(self) -> Found:
        """All that arrived so far."""
        return Found(
            scans=sorted(self._scans, key=natural_key),
            unread=[other for other in self._others if other.exists()],
            twins=self._twins.groups(),
        )

    def take(self, ready: Sequence[Path], others: Sequence[Path], engine: Engine) -> Sequence[Path]:
        """Size what is there, nothing is written yet; give what cannot be read for now."""
        unread: list[Path] = []

        def tell(result: Result) -> None:
            if result.code == "unreadable" and Path(result.scan).exists():
                unread.append(Path(result.scan))
            self.tell(result)

        self._stale = self._stale or bool(ready or others)  # also where the work is broken off
        if ready:
            for line in bring_decisions([self.folder], ready):
                self.say(line)
            self._scans.update(dict.fromkeys(ready))
            alike = {scan: self._twins.take(scan) for scan in ready}  # at once: names may change
            self.run.size(ready, engine, tell)
            for scan, same in alike.items():
                self._compare(scan, same)
        if others:
            self._others.update(dict.fromkeys(others))
            for line in Found(unread=others).doubts:
                self.say(line)
        return unread

    def _compare(self, scan: Path, same: Sequence[Path]) -> None:
        """Tell of a scan that came under another name; where that is gone, it was renamed."""
        gone = [other for other in same if other != scan and not other.exists()]
        for other in gone:
            self._twins.forget(other)
            self._scans.pop(other, None)
            self.say(f"{self.called(other)} is {self.called(scan)} now")
        here = [other for other in same if other not in gone]
        if len(here) > 1:
            for line in Found(twins=[here]).doubts:
                self.say(line)

    def write(self) -> None:
        """Write what is not written yet."""
        if not self._stale:
            return
        report = self.run.write(self.found)
        if report.damaged != self._damaged:
            self._damaged = report.damaged
            self.say(damaged_line(report.damaged))
        fault = report.failed  # a disk that is full may have room in a minute
        if fault is not None and str(fault) != str(self._told):
            self.say(f"volest: {fault}; it is tried again")
        self._stale, self._told = fault is not None, fault

    def end(self) -> None:
        """Write once more, and raise what kept the last tables from being whole."""
        self.write()
        if self._told is not None:
            raise self._told

    def called(self, scan: Path) -> str:
        """Name a scan as the table does: with the folders below the watched one."""
        return str(scan.relative_to(self.folder) if scan.is_relative_to(self.folder) else scan)
