"""One run: what was found or arrives is sized, planned and written, wherever that is wanted.

The command line, a watched folder and other programs all come here with a request.
"""

import logging
import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Self

from volest.batch import workers
from volest.batch.find import MARK, Found, Place, Remote, Twins, bring_decisions, natural_key, noted
from volest.batch.store import OutFolder
from volest.dosing import check_settings, taken_beyond
from volest.errors import EXIT_FAULT, EXIT_MEASURED, EXIT_REFUSED, MENDS, UsageError
from volest.report.record import csv_pieces, text_in_pieces
from volest.report.table import damaged_line
from volest.result import REFUSED, Result, one_by_one
from volest.scan.decision import Told, decision_path, read_told
from volest.scan.packed import holder
from volest.settings import Settings, Taken, fits, pattern_and_word
from volest.stone.reference import kind_of, pour_window
from volest.stone.shared import Impression, Plan, plan_mixes, this_minute
from volest.storage import write_whole

RESULTS_JSON, RESULTS_CSV = "results.json", "results.csv"
ON_A_PAGE = 60  # scans; a page that a browser still opens at once, and little memory to write it
_LOG = logging.getLogger(__name__)
_MANY = 1000  # scans to come: the number of workers is not to be cut down to the first ones
_PAGE = re.compile(r"sheet(-\d+)?\.html")
Target = Path | Callable[[str], object]  # a file, or what takes the whole text
Tell = Callable[[Result], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planner:
    """What is known of impressions by patterns of their scans' names: the last that fits holds."""

    at_most: int | None = None  # impressions in a mix; None: the lab's limit
    materials: Sequence[str] = ()  # [PATTERN=]NAME; else one is saved beside the scan
    kinds: Sequence[str] = ()  # likewise, of `KINDS`; else it is seen from the scan
    taken: Sequence[Taken] = ()  # else a time is saved beside the scan
    start: datetime | None = None  # of the first mix; None is now

    def plan(self, results: Iterable[Result], settings: Settings) -> Plan:
        """Plan mixes of what was measured, by the words of this run, else what is saved beside."""
        start = self.start or this_minute()
        waiting = []
        for result in results:
            if result.volume_ml is None:
                continue
            scan = result.scan
            told = Told() if MARK in scan else read_told(Path(scan))
            material = _last(self.materials, scan) or told.material
            try:
                window = None if material is None else pour_window(material)
            except UsageError as fault:  # those of this run were checked before a scan was read
                found = f"{fault.found} in {decision_path(Path(scan)).name}"
                remedy = "write one of these there"
                raise UsageError(found, needed=fault.needed, remedy=remedy) from fault
            said = [taken.at(scan, start) for taken in self.taken if taken.fits(scan)]
            at = said[-1] if said else told.taken
            age_min = None if at is None else (start - at).total_seconds() / 60.0
            seen = "dies" if told.preparations else kind_of(result.footprint_mm2 or 0.0)
            impression = Impression(
                name=result.name,
                scan=scan,
                cavity=result.cavity,
                volume_ml=result.volume_ml,
                more=taken_beyond(result, settings),
                window=window,
                # One that is still to be taken was not told rightly.
                age_min=None if age_min is None or age_min < 0.0 else age_min,
                kind=_last(self.kinds, scan) or seen,
            )
            waiting.append(impression)
        return plan_mixes(waiting, settings, at_most=self.at_most, start=start)


def _last(texts: Sequence[str], scan: str) -> str | None:
    said = map(pattern_and_word, reversed(texts))
    return next((word for pattern, word in said if fits(pattern, scan)), None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Request:
    """What is to be sized, how, where to, and what that may take."""

    settings: Settings
    found: Found = field(default_factory=Found)
    out: Place | None = None  # for the tables; what is finished is kept there
    out_sheet: bool = False  # the pour sheet goes there too
    json: Target | None = None  # where else the tables and the sheet go
    csv: Target | None = None
    sheet: Path | None = None
    pictures: bool = False  # on sheets; this computer must be able to draw them
    share: Planner | None = None  # how mixes are shared; None plans none
    limits: workers.Limits = field(default_factory=workers.Limits)
    cluster: str | None = None
    size_scan: workers.SizeScan | None = None  # stands in for the pipeline
    here: bool = False  # all is done in this process, without limits

    def __post_init__(self) -> None:
        check_settings(self.settings)
        workers.check_limits(self.limits)
        if self.has_cards and isinstance(self.out, Remote):
            raise UsageError(
                f"a pour sheet in {self.out}",
                needed="a folder of this computer",
                remedy="add --no-sheet, or name another --out",
            )

    @property
    def has_cards(self) -> bool:
        """Whether a card of each impression is made, for a sheet."""
        return self.out_sheet or self.sheet is not None

    def drawn(self, tell: Callable[[str], object] | None = None) -> "Request":
        """Ask for pictures where a sheet is wanted and this computer can draw them; else tell."""
        if not self.has_cards:
            return self
        from volest.view.picture import refuse_blind

        try:
            refuse_blind(off_screen=True)
        except UsageError as fault:  # of use without them: its live views draw by themselves
            if tell is not None:
                tell(f"volest: the sheet has no pictures: {fault}")
            return self
        return replace(self, pictures=True)

    def engine(self, scans: int = _MANY) -> workers.Engine:
        """Choose what sizes so many scans: a scheduler's workers, processes here, or this one.

        One scan without limits is sized in this process, since starting others takes longer.
        """
        if self.cluster is not None:
            return workers.Cluster(self.cluster, self.limits.seconds_each)
        if self.here or (scans == 1 and self.limits == workers.Limits()):
            return workers.Engine()
        return workers.Pool(self.limits, scans)


def run(request: Request, on_result: Tell | None = None) -> "Run":
    """Size what was found, plan and write; what is done when it is stopped is written too.

    `on_result` is told of each scan, in whatever order they end, those of an earlier run too.
    """
    stopped, lost = False, None
    with Run(request, tell=on_result) as day:
        try:
            with request.engine(len(request.found.scans)) as engine:
                day.size(request.found.scans, engine)
        except KeyboardInterrupt:
            stopped = True
        except UsageError as fault:
            if fault.code not in MENDS:  # what was asked for means nothing
                raise
            stopped, lost = True, fault
        return day.write(stopped=stopped, lost=lost)


class Run(ExitStack):
    """One run: scans are sized and what is wanted is written, as often as there is news.

    Of a watched folder it takes what arrives, and writes as well as it can; `say` and `tell` reach
    a person. Use it in a `with` block.
    """

    def __init__(
        self,
        request: Request,
        folder: Path = Path(),
        *,
        say: Callable[[str], object] = _LOG.info,
        tell: Tell | None = None,
    ) -> None:
        super().__init__()
        self.request, self.found = request, request.found
        self.folder, self.say, self.tell = folder, say, tell
        self._size_scan = request.size_scan
        if request.has_cards:
            from volest.view.page import CardMaker

            self._size_scan = CardMaker(pictures=request.pictures)
        self.kept = self.enter_context(
            OutFolder(request.out, request.settings, has_cards=request.has_cards)
        )
        # Counted as they come: no result has to stay in memory.
        self.outcomes: Counter[str] = Counter()  # how many impressions ended in which way
        self.done = 0  # scans that were reached
        self.reused = 0  # those of them that an earlier run had finished
        self.faults = 0  # those of them that volest failed on
        # As they were last written.
        self.plan: Plan | None = None
        self.written: list[str] = []
        self.failed: UsageError | None = None  # why not all is kept or written, the first time
        self.stopped = False  # by a person; the files hold what was done
        self._twins = Twins()
        self._renamed: dict[Place, list[Place]] = {}  # old names, by new ones that are not sized
        self._unread = dict.fromkeys(request.found.unread)  # also what is away for a while
        self._stale = False  # there is more than was written
        self._damaged = 0  # kept files of which that was told

    def size(self, scans: Sequence[Place], engine: workers.Engine) -> None:
        """Size what is new or changed; what is finished is kept at once."""
        known = None if self.request.out is None else self.kept.known
        settings = self.request.settings
        for index, done in workers.run_tasks(
            scans, settings, engine, size_scan=self._size_scan, known=known
        ):
            self.kept.keep(scans[index], done)
            if old := self._renamed.pop(scans[index], None):
                left = [scan for scan in self.found.scans if scan not in old]
                self.found = replace(self.found, scans=left)
            self.done += 1
            self.reused += done.kept
            self.faults += done.result.code == workers.FAULT
            self.outcomes.update(one.outcome for one in one_by_one([done.result]))
            if self.tell is not None:
                self.tell(done.result)

    def take(
        self, ready: Sequence[Path], others: Sequence[Path], engine: workers.Engine
    ) -> list[Path]:
        """Size what arrived; nothing is written yet. Give what cannot be read for now.

        It is told of a scan that came under another name; where that is gone, it was renamed, and
        stands there under the old one until it is sized under the new.
        """
        self._stale = self._stale or bool(ready or others)  # also where the work is broken off
        lines = bring_decisions([self.folder], ready) if ready else []
        for scan in ready:
            here = self._twins.take(scan)
            for other in [one for one in here if one != scan and not holder(one).exists()]:
                here.remove(other)
                del self._twins[other]
                self._renamed.setdefault(scan, []).append(other)
                lines.append(f"{self.called(other)} is {self.called(scan)} now")
            lines += Found(twins=[here]).doubts if len(here) > 1 else []
        self._unread |= dict.fromkeys(others)
        self.found = Found(
            scans=sorted({*self.found.scans, *ready}, key=natural_key),
            unread=[other for other in self._unread if other.exists()],
            twins=self._twins.groups(),
        )
        for line in [*lines, *Found(unread=others).told]:
            self.say(line)
        self.size(ready, engine)
        made = [(scan, self.kept.result(scan)) for scan in ready if holder(scan).exists()]
        return [scan for scan, one in made if one is not None and one.code == "unreadable"]

    def called(self, scan: Path) -> str:
        """Name a scan as the table does: with the folders below the watched one."""
        return str(scan.relative_to(self.folder) if scan.is_relative_to(self.folder) else scan)

    def update(self) -> None:
        """Write what is not written yet, and tell what stands in its way, once."""
        if not self._stale:
            return
        before, fault = str(self.failed), self.write().failed
        if self.kept.damaged != self._damaged:
            self._damaged = self.kept.damaged
            self.say(damaged_line(self._damaged))
        self._stale = fault is not None  # a disk that is full may have room in a minute
        if fault is not None and str(fault) != before:
            self.say(f"volest: {fault}; it is tried again")

    def reached(self, scans: Sequence[Place] | None = None) -> Iterator[Result]:
        """Give the results in the order of the scans, one in memory at a time."""
        wanted = self.found.scans if scans is None else scans
        made = (result for scan in wanted if (result := self.kept.result(scan)) is not None)
        yield from noted(one_by_one(made), self.found.twins)

    def write(self, *, stopped: bool = False, lost: UsageError | None = None) -> Self:
        """Plan, and write all that is wanted; a disk that turns out full stops none of the rest."""
        self.kept.settle()
        share = self.request.share
        left_off = (self.done, len(self.found.scans)) if stopped else None
        plan = None if share is None else share.plan(self.reached(), self.request.settings)
        written: list[str] = []
        failed: UsageError | None = None
        for target, pieces in self._texts(plan, left_off):
            try:
                if isinstance(target, str):
                    written.append(self.kept.write(target, pieces))
                elif isinstance(target, Path):
                    written.append(str(write_whole(target, pieces, or_beside=True)))
                else:
                    target("".join(pieces))
            except UsageError as fault:
                failed = failed or fault
        if failed is None and isinstance(self.request.out, Path):
            # Pages of an earlier run go: amounts that no longer hold must not be poured.
            mine = set(map(os.path.realpath, written))
            for page in self.request.out.glob("sheet*.html"):
                if _PAGE.fullmatch(page.name) and os.path.realpath(page) not in mine:
                    page.unlink(missing_ok=True)
        self.failed, self.kept.failed = lost or failed or self.kept.failed, None
        self.plan, self.written, self.stopped = plan, written, stopped
        return self

    @property
    def results(self) -> tuple[Result, ...]:
        """One an impression, in the order of the scans; all are in memory, however many."""
        return tuple(self.reached())

    @property
    def exit_code(self) -> int:
        """How it ended; the worst scan decides."""
        if self.faults:
            return EXIT_FAULT
        return EXIT_REFUSED if self.outcomes[REFUSED] else EXIT_MEASURED

    def _texts(
        self, plan: Plan | None, left_off: tuple[int, int] | None
    ) -> Iterator[tuple[Target | str, Iterable[str]]]:
        """Give all that is written, and where: a plain name is one in the output folder.

        A run that was stopped left off after so many scans of how many: it must not pass for whole.
        """
        wanted = self.request
        in_out = wanted.out is not None
        for target in (*(RESULTS_JSON,) * in_out, wanted.json):
            if target is not None:
                results = self.reached()
                yield target, text_in_pieces(results, wanted.settings, plan, stopped=left_off)
        for target in (*(RESULTS_CSV,) * in_out, wanted.csv):
            if target is not None:
                yield target, csv_pieces(self.reached(), plan)
        told = [f"stopped: {left_off[0]} of {left_off[1]} scans were done"] if left_off else []
        told += self.found.told
        if wanted.out_sheet:
            done = [scan for scan in self.found.scans if self.kept.result(scan) is not None]
            for number, start in enumerate(range(0, len(done), ON_A_PAGE), start=1):
                name = "sheet.html" if number == 1 else f"sheet-{number}.html"
                yield name, self._page(done[start : start + ON_A_PAGE], plan, told)
        if wanted.sheet is not None:
            yield wanted.sheet, self._page(self.found.scans, plan, told)

    def _page(
        self, scans: Sequence[Place], plan: Plan | None, told: Sequence[str]
    ) -> Iterator[str]:
        from volest.view.page import read_card, sheet_text

        results = list(self.reached(scans))
        cards = [read_card(self.kept.card(one.scan), one.cavity) for one in results]
        yield sheet_text(results, cards, self.request.settings, plan, told=told)
