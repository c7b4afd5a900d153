"""One run: what was found is sized, planned and written, wherever that is wanted.

The command line, a watched folder and other programs all come here with a request.
"""

import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from volest.batch import workers
from volest.batch.find import Found, Place, Remote, noted
from volest.batch.store import OutFolder
from volest.dosing import check_settings, taken_beyond
from volest.errors import EXIT_FAULT, EXIT_MEASURED, EXIT_REFUSED, MENDS, UsageError
from volest.report.record import csv_pieces, text_in_pieces
from volest.result import REFUSED, Result, one_by_one
from volest.scan.decision import Told, decision_path, read_told
from volest.settings import Settings, Taken, fits
from volest.stone.reference import Window, kind_of, pour_window
from volest.stone.shared import Impression, Plan, plan_mixes, this_minute
from volest.storage import write_whole

if TYPE_CHECKING:
    from volest.view.page import CardMaker

RESULTS_JSON, RESULTS_CSV = "results.json", "results.csv"
ON_A_PAGE = 60  # scans; a page that a browser still opens at once, and little memory to write it
_PAGE = re.compile(r"sheet(-\d+)?\.html")
Target = Path | Callable[[str], object]  # a file, or what takes the whole text


Word = TypeVar("Word")


@dataclass(frozen=True, slots=True, kw_only=True)
class Planner:
    """What is known of impressions by patterns of their scans' names: the last that fits holds."""

    at_most: int | None = None  # impressions in a mix; None: the lab's limit
    windows: tuple[tuple[str, Window], ...] = ()  # by materials; else one is saved beside the scan
    kinds: tuple[tuple[str, str], ...] = ()  # of `KINDS`; else it is seen from the scan
    taken: tuple[Taken, ...] = ()  # else a time is saved beside the scan
    start: datetime | None = None  # of the first mix; None is now

    def plan(self, results: Iterable[Result], settings: Settings) -> Plan:
        """Plan the mixes of what was measured."""
        start = self.start or this_minute()
        waiting = [
            self._impression(result, result.volume_ml, settings, start)
            for result in results
            if result.volume_ml is not None
        ]
        return plan_mixes(waiting, settings, at_most=self.at_most, start=start)

    def _impression(
        self, result: Result, volume_ml: float, settings: Settings, start: datetime
    ) -> Impression:
        """Say what is to be poured, by the words of this run or else what is saved beside it."""
        scan = result.scan
        told = Told() if "://" in scan else read_told(Path(scan))
        window = _last(self.windows, scan)
        if window is None and told.material is not None:
            try:
                window = pour_window(told.material)
            except UsageError as fault:
                found = f"{fault.found} in {decision_path(Path(scan)).name}"
                remedy = "write one of these there"
                raise UsageError(found, needed=fault.needed, remedy=remedy) from fault
        said = [taken.at(scan, start) for taken in self.taken if taken.fits(scan)]
        at = said[-1] if said else told.taken
        age_min = None if at is None else (start - at).total_seconds() / 60.0
        seen = "dies" if told.preparations else kind_of(result.footprint_mm2 or 0.0)
        return Impression(
            name=result.name,
            scan=scan,
            cavity=result.cavity,
            volume_ml=volume_ml,
            more=taken_beyond(result, settings),
            window=window,
            # One that is still to be taken was not told rightly.
            age_min=None if age_min is None or age_min < 0.0 else age_min,
            kind=_last(self.kinds, scan) or seen,
        )


def _last(said: Sequence[tuple[str, Word]], scan: str) -> Word | None:
    return next((word for pattern, word in reversed(said) if fits(pattern, scan)), None)


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
    most_held: int | None = None  # of a run with more scans the report has no results
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
        """Ask for pictures where a sheet is wanted and they can be drawn; else tell."""
        return replace(self, pictures=self.has_cards and can_draw(tell))

    def engine(self, scans: int) -> workers.Engine:
        """Choose what sizes so many scans: a scheduler's workers, processes here, or this one.

        One scan without limits is sized in this process, since starting others takes longer.
        """
        if self.cluster is not None:
            return workers.Cluster(self.cluster, self.limits.seconds_each)
        if self.here or (scans == 1 and self.limits == workers.Limits()):
            return workers.Engine()
        return workers.Pool(self.limits, scans)


def can_draw(tell: Callable[[str], object] | None) -> bool:
    """Find out whether this computer can draw the pictures of a sheet, and tell if not."""
    from volest.view.picture import refuse_blind

    try:
        refuse_blind(off_screen=True)
    except UsageError as fault:  # of use without them: its live views draw by themselves
        if tell is not None:
            tell(f"volest: the sheet has no pictures: {fault}")
        return False
    return True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Report:
    """What became of a run."""

    results: tuple[Result, ...] | None  # one an impression; None where they are too many
    plan: Plan | None
    outcomes: Counter[str]  # how many impressions ended in which way
    faults: int  # of the refused ones
    scans: int
    done: int  # scans that were reached
    reused: int  # those of them that an earlier run had finished
    written: tuple[str, ...]
    damaged: int  # kept files that were no more as they were written
    failed: UsageError | None  # why something could not be kept or written, the first time
    stopped: bool  # by a person; the files hold what was done

    @property
    def exit_code(self) -> int:
        """How it ended; the worst scan decides."""
        if self.faults:
            return EXIT_FAULT
        return EXIT_REFUSED if self.outcomes[REFUSED] else EXIT_MEASURED


def run(request: Request, on_result: Callable[[Result], None] | None = None) -> Report:
    """Size what was found, plan and write; what is done when it is stopped is written too.

    `on_result` is told of each scan, in whatever order they end, those of an earlier run too.
    """
    stopped, lost = False, None
    with opened(request) as desk:
        try:
            with request.engine(len(request.found.scans)) as engine:
                desk.size(request.found.scans, engine, on_result)
        except KeyboardInterrupt:
            stopped = True
        except UsageError as fault:
            if fault.code not in MENDS:  # what was asked for means nothing
                raise
            stopped, lost = True, fault
        return desk.write(request.found, stopped=stopped, lost=lost)


@contextmanager
def opened(request: Request) -> Iterator["Desk"]:
    """Open what a run holds its results and cards in."""
    maker = None
    if request.has_cards:
        from volest.view.page import CardMaker

        maker = CardMaker(pictures=request.pictures)
    with OutFolder(request.out, request.settings, has_cards=request.has_cards) as kept:
        yield Desk(request, kept, maker)


class Desk:
    """An open run: scans are sized and what is wanted is written, as often as there is news."""

    def __init__(self, request: Request, kept: OutFolder, maker: "CardMaker | None") -> None:
        self.request = request
        self.kept = kept
        self._size_scan: workers.SizeScan | None = maker or request.size_scan
        self._outcomes: Counter[str] = Counter()  # as they come: no result has to stay in memory
        self._done = self._faults = 0

    def size(
        self,
        scans: Sequence[Place],
        engine: workers.Engine,
        on_result: Callable[[Result], None] | None = None,
    ) -> None:
        """Size what is new or changed; what is finished is kept at once."""
        known = None if self.request.out is None else self.kept.known
        settings = self.request.settings
        for index, done in workers.run_tasks(
            scans, settings, engine, size_scan=self._size_scan, known=known
        ):
            self.kept.keep(scans[index], done)
            self._done += 1
            self._faults += done.result.code == workers.FAULT
            self._outcomes.update(one.outcome for one in one_by_one([done.result]))
            if on_result is not None:
                on_result(done.result)

    def results(self, found: Found) -> Iterator[Result]:
        """Give the results in the order of the scans, one in memory at a time."""
        reached = (result for scan in found.scans if (result := self.kept.result(scan)) is not None)
        yield from noted(one_by_one(reached), found.twins)

    def write(
        self, found: Found, *, stopped: bool = False, lost: UsageError | None = None
    ) -> Report:
        """Plan, and write all that is wanted; a disk that turns out full stops none of the rest."""
        self.kept.settle()
        left_off = (self._done, len(found.scans)) if stopped else None
        share, most = self.request.share, self.request.most_held
        plan = None if share is None else share.plan(self.results(found), self.request.settings)
        written: list[str] = []
        failed: UsageError | None = None
        for target, pieces in self._texts(found, plan, left_off):
            try:
                if isinstance(target, str):
                    written.append(self.kept.write(target, pieces))
                elif isinstance(target, Path):
                    written.append(str(write_whole(target, pieces, or_beside=True)))
                else:
                    target("".join(pieces))
            except UsageError as fault:
                failed = failed or fault
        if failed is None:
            self._remove_sheets_but(set(map(os.path.realpath, written)))
        failed, self.kept.failed = lost or failed or self.kept.failed, None
        is_held = most is None or len(found.scans) <= most
        return Report(
            results=tuple(self.results(found)) if is_held else None,
            plan=plan,
            outcomes=self._outcomes,
            faults=self._faults,
            scans=len(found.scans),
            done=self._done,
            reused=self.kept.reused,
            written=tuple(written),
            damaged=self.kept.damaged,
            failed=failed,
            stopped=stopped,
        )

    def _texts(
        self, found: Found, plan: Plan | None, left_off: tuple[int, int] | None
    ) -> Iterator[tuple[Target | str, Iterable[str]]]:
        """Give all that is written, and where: a plain name is one in the output folder.

        A run that was stopped left off after so many scans of how many: it must not pass for whole.
        """
        wanted = self.request
        in_out = wanted.out is not None
        for target in (*(RESULTS_JSON,) * in_out, wanted.json):
            if target is not None:
                results = self.results(found)
                yield target, text_in_pieces(results, wanted.settings, plan, stopped=left_off)
        for target in (*(RESULTS_CSV,) * in_out, wanted.csv):
            if target is not None:
                yield target, csv_pieces(self.results(found), plan)
        told = [f"stopped: {left_off[0]} of {left_off[1]} scans were done"] if left_off else []
        told += found.told
        if wanted.out_sheet:
            done = [scan for scan in found.scans if self.kept.result(scan) is not None]
            for number, start in enumerate(range(0, len(done), ON_A_PAGE), start=1):
                name = "sheet.html" if number == 1 else f"sheet-{number}.html"
                some = replace(found, scans=done[start : start + ON_A_PAGE])
                yield name, self._page(some, plan, told)
        if wanted.sheet is not None:
            yield wanted.sheet, self._page(found, plan, told)

    def _page(self, found: Found, plan: Plan | None, told: Sequence[str]) -> Iterator[str]:
        from volest.view.page import read_card, sheet_text

        results = list(self.results(found))
        cards = [read_card(self.kept.card(one.scan), one.cavity) for one in results]
        yield sheet_text(results, cards, self.request.settings, plan, told=told)

    def _remove_sheets_but(self, written: set[str]) -> None:
        """Take away pages of an earlier run: amounts that no longer hold must not be poured."""
        if isinstance(self.request.out, Path):
            for page in self.request.out.glob("sheet*.html"):
                if _PAGE.fullmatch(page.name) and os.path.realpath(page) not in written:
                    page.unlink(missing_ok=True)
