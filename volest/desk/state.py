"""An open day: what the page shows of it, and what people do there. Nothing here knows of HTTP."""

import hashlib
import json
import math
import os
import queue
import threading
import time
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from volest.batch.find import content_of, natural_key, noted, passed_over
from volest.batch.store import KEPT
from volest.batch.watch import EMPTY_SETTLE_S, Arrivals, wakes
from volest.batch.workers import Engine
from volest.desk.day import Day
from volest.errors import ScanError, UsageError
from volest.given_files import json_in, text_of
from volest.journal import Journal, entry_of, now
from volest.notes import dial_in_words
from volest.report.guide import advice, stop_words
from volest.report.names import visible
from volest.report.remarks import amounts_in_words, before_water, made_with
from volest.report.table import rows
from volest.result import Result, one_by_one
from volest.run import Desk, Planner, Request, opened
from volest.scan.decision import (
    Patch,
    Place,
    fingerprint,
    patch_in,
    put_back,
    read_decision,
    read_told,
    saved_bytes,
    write_decision,
    write_preparations,
    write_told,
)
from volest.settings import FARTHEST_MM, LEAST_NORMAL
from volest.stone.mix import Mix, powder_in_words, water_in_words
from volest.stone.reference import BEFORE_BASE, SEPARATING, WINDOWS, find_stone, pour_window
from volest.stone.shared import Plan, SharedMix, this_minute
from volest.stone.words import (
    bowl_in_words,
    if_short,
    powder_cell,
    ratio_in_words,
    scoops_cell,
    scoops_in_words,
    steps,
    water_cell,
)
from volest.storage import SCAN_SUFFIXES, write_whole
from volest.view.card import read_card
from volest.view.editor import BaseLineEditor, Held
from volest.view.page import sheet_text

MOST_IN_ONE_MIX = 4  # impressions: what the lab's file allows, too
LONGEST_NAME_BYTES = 200  # of a scan that is brought; what is saved beside it has a longer one
_MANY = 1000  # scans to come: the number of workers is not to be cut down to the first ones
_EDITORS = 2  # scans held ready to be measured anew; a large one takes 200 MB
MOST_NEW_PATCHES = 16  # in hand at a time; the page draws no more
_UNDO = 20  # lines of a scan that can be put back
_REPLAN_S = 5.0  # while scans go on coming
_POURED = "poured.json"
_LARGEST_POURED = 20_000_000  # bytes: far more than a day's mixes
BROUGHT = ".volest-brought-"  # how a scan is called while it is on its way
_SIDES = ("left", "right")
_HIDDEN = "none"  # a version of what cannot be read


class OutdatedError(UsageError):
    """Somebody else's word came first; `newer` is what holds now."""

    def __init__(
        self,
        found: str,
        newer: dict[str, Any] | None = None,
        *,
        needed: str = "what holds now",
        remedy: str = "look again, then decide",
    ) -> None:
        super().__init__(found, needed=needed, remedy=remedy)
        self.newer = newer


class UnknownError(UsageError):
    """A scan that is not on the desk any more."""

    def __init__(self) -> None:
        super().__init__(
            "no such scan on the desk", needed="one that is listed", remedy="load the page again"
        )


class OpenDay:
    """A folder of scans that people work on: sized as they arrive, moved, mixed, booked.

    One thread holds the run and sizes; what people do comes from any thread. Saved lines stand
    beside the scans and bookings in the journal; which mixes are poured is kept with the results.
    """

    def __init__(
        self,
        request: Request,
        folder: Path,
        *,
        journal_file: Path | None = None,
        at_most: int = 1,
        say: Callable[[str], object],
    ) -> None:
        assert isinstance(request.out, Path)  # noqa: S101  # cards are made for such folders only
        # A line that is saved on the page holds, whatever base line was asked for.
        self.request = replace(request, settings=replace(request.settings, obey_saved=True))
        self.folder = folder
        self.news: Callable[[], object] = lambda: None  # called, in any thread, when all is told
        self._journal_file = journal_file
        self._at_most = at_most
        self._say = say
        self._run: Desk | None = None
        self._lock = threading.RLock()  # around what follows; never held while a scan is measured
        self._revision = 0
        self._results: dict[Path, Result] = {}
        self._versions: dict[Path, str] = {}
        self._arrived: dict[Path, int] = {}
        self._waiting: OrderedDict[Path, None] = OrderedDict()
        self._gone: set[Path] = set()
        self._told: list[str] = []
        self._twins: Sequence[Sequence[Path]] = ()
        self._mixes: list[dict[str, Any]] = []
        self._held: list[dict[str, Any]] = []  # mixes that are begun or poured
        self._booked: dict[str, tuple[int, float]] = {}  # number and leftover, by sources
        self._undo: defaultdict[Path, list[bytes | None]] = defaultdict(list)
        self._editors: OrderedDict[tuple[Path, int], tuple[str, BaseLineEditor]] = OrderedDict()
        self._in_hand: defaultdict[Path, threading.Lock] = defaultdict(threading.Lock)
        self._booking = threading.Lock()
        self._jobs: queue.SimpleQueue[tuple[Sequence[Path], Sequence[Path], bool] | None] = (
            queue.SimpleQueue()
        )
        self._stop = threading.Event()
        self._arrivals = Arrivals(folder)

    # ---- the run, in one thread of its own

    @contextmanager
    def open(self) -> Iterator["Future[None]"]:
        """Size what is there and what arrives; the future ends when the run does."""
        for part in self.folder.glob(f"{BROUGHT}*"):  # on their way when the desk was killed
            part.unlink(missing_ok=True)
        self._held = self._read_held()
        self._booked = self._read_booked()
        ready = threading.Event()
        with ThreadPoolExecutor(2, "day") as threads:
            run = threads.submit(self._work, ready)
            run.add_done_callback(lambda _: ready.set())
            ready.wait()
            if run.done():
                run.result()
            looking = threads.submit(self._look)
            try:
                yield run
            finally:
                self._stop.set()
                self._jobs.put(None)
            looking.result()
            run.result()

    def _look(self) -> None:
        arrivals = self._arrivals
        # They are told late: what is on its way gets another name when it is whole.
        others = Arrivals(self.folder, find=passed_over, settle_s=EMPTY_SETTLE_S)
        minute = this_minute()
        for _ in wakes(self.folder, self._stop, lambda: arrivals.busy):
            ready, rest = arrivals.look(), others.look()
            with self._lock:
                before, self._gone = self._gone, {s for s in self._results if not s.exists()}
            minute, planned = this_minute(), minute
            if ready or rest or self._gone != before or (self._results and minute != planned):
                self._jobs.put((ready, rest, False))  # a plan begins now: start times go on

    def _work(self, ready: threading.Event) -> None:
        with opened(self.request) as run, self.request.engine(_MANY) as engine:
            self._run = run
            day = Day(run, self.folder, say=self._hear, tell=self._tell)
            ready.set()
            planned_s = 0.0
            while not self._stop.is_set():
                others = self._next_jobs()
                self._take(day, others, engine)
                if not self._waiting or time.monotonic() - planned_s > _REPLAN_S:
                    self._plan()
                    planned_s = time.monotonic()
                if not self._waiting and self._jobs.empty():
                    day.write()
            day.write()

    def _next_jobs(self) -> list[Path]:
        """Wait for something to do, unless scans wait; give files of other kinds that came."""
        others: list[Path] = []
        while not self._waiting or not self._jobs.empty():
            job = self._jobs.get()
            if job is None:
                return others
            ready, rest, first = job
            others += rest
            with self._lock:
                for scan in ready:
                    self._arrived.setdefault(scan, len(self._arrived))
                    self._waiting[scan] = None
                    self._waiting.move_to_end(scan, last=not first)
            if self._jobs.empty():
                break
        self._changed()
        return others

    def _take(self, day: Day, others: Sequence[Path], engine: Engine) -> None:
        """Size a few of those that wait: a line that was just saved must not wait for all."""
        with self._lock:
            some = list(self._waiting)[: engine.room]
            # Before they are measured: what is saved meanwhile makes these outdated, not new.
            self._versions.update((scan, version_of(scan)) for scan in some)
        for scan in day.take(some, others, engine):
            self._arrivals.later(scan)
        found = day.found
        with self._lock:
            self._twins = found.twins
            for gone in self._results.keys() - set(found.scans):
                del self._results[gone]
            for scan in some:
                self._waiting.pop(scan, None)
        self._changed()

    def _tell(self, result: Result) -> None:
        with self._lock:
            self._results[Path(result.scan)] = result
        self._changed()

    def _hear(self, line: str) -> None:
        self._say(line)
        with self._lock:
            self._told = [*self._told[-9:], visible(line)]

    def _planned(self) -> tuple[list[Result], Plan]:
        """Plan mixes for all of which none is begun."""
        with self._lock:
            results, at_most = self._listed(), self._at_most
            held = {tuple(one) for mix in self._held for one in mix["impressions"]}
        waiting = [one for one in results if self._key(one) not in held]
        return waiting, Planner(at_most=at_most).plan(waiting, self.request.settings)

    def sheet(self, near: str | None) -> str:
        """Write the pour sheet of all that is not poured, as its mixes are planned now.

        Its cards carry where tablets open their scans, if that is `near` the desk.
        """
        waiting, plan = self._planned()
        cards = [
            None if one.volume_ml is None else read_card(self._kept_card(one), one.cavity)
            for one in waiting
        ]
        at = {one.name: f"{near}#scan={self._id(Path(one.scan), one.cavity)}" for one in waiting}
        return sheet_text(waiting, cards, self.request.settings, plan, at=at if near else None)

    def _kept_card(self, one: Result) -> str | None:
        assert self._run is not None  # noqa: S101  # without a run nothing is found
        return self._run.kept.card(one.scan)

    def _plan(self) -> None:
        try:
            waiting, plan = self._planned()
            called = {one.name: visible(self._called(one)) for one in waiting}
            by_name = {one.name: one for one in waiting}
            mixes = [self._mix(shared, by_name, called, plan) for shared in plan.mixes]
        except UsageError as fault:  # a material by hand that nobody knows
            mixes, line = [], f"no mixes are planned: {fault}"
            if visible(line) not in self._told:
                self._hear(line)
        with self._lock:
            self._mixes = mixes
        self._changed()

    def _changed(self) -> None:
        with self._lock:
            self._revision += 1
        self.news()

    # ---- what is shown

    @property
    def revision(self) -> int:
        """How often something changed."""
        return self._revision

    def shown(self) -> dict[str, Any]:
        """Give all that the page shows but the drawings, as plain values for JSON."""
        with self._lock:
            results = self._listed()
            lines = rows(
                results, [visible(self._called(one)) for one in results], self.request.settings.base
            )
            by_impression = {
                tuple(one): mix["id"]
                for mix in self._held
                for one in mix["impressions"]
                if mix["poured"] is not None
            }
            coming = [mix for mix in (*self._held, *self._mixes) if mix["poured"] is None]
            late = {name for mix in coming for name in mix["late"]}
            return {
                "revision": self._revision,
                "now": now(),  # clocks of tablets go otherwise
                "folder": visible(self.folder.absolute().name),
                "made_with": made_with(self.request.settings),
                "scans": [
                    {
                        **self._row(one),
                        "name": line.name,
                        "volume": line.volume.strip(),
                        "water": line.water,
                        "powder": line.powder,
                        "scoops": line.scoops,
                        "stone": line.stone,
                        "base": line.base,
                        "poured": by_impression.get(self._key(one)),
                        "late": visible(self._called(one)) in late,
                    }
                    for one, line in zip(results, lines, strict=True)
                ],
                "waiting": [
                    visible(self._name(scan)) for scan in self._waiting if scan not in self._results
                ],
                "mixes": [
                    *(self._with_booking(mix) for mix in self._held),
                    *self._mixes,
                ],
                "at_most": self._at_most,
                "materials": list(WINDOWS),
                "books": self._journal_file is not None,
                "told": self._told,
            }

    def _listed(self) -> list[Result]:
        scans = sorted(self._results.keys() - self._gone, key=natural_key)
        return list(noted(one_by_one(self._results[scan] for scan in scans), self._twins))

    def _row(self, one: Result) -> dict[str, Any]:
        scan, mix = Path(one.scan), one.mix
        told = read_told(scan)
        right = self.request.settings.right_is_one_to_five(one.scan)
        return {
            "id": self._id(scan, one.cavity),
            "version": self._versions.get(scan, _HIDDEN),
            "arrived": self._arrived.get(scan, 0),
            "again": scan in self._waiting,
            "outcome": one.outcome,
            "before": before_water(one),
            "reason": None if one.reason is None else visible(one.reason),
            "volume_ml": one.volume_ml,
            "low_ml": one.volume_low_ml,
            "high_ml": one.volume_high_ml,
            "powder_g": None if mix is None else mix.powder_g,
            "bowl": "" if mix is None else visible(bowl_in_words(mix)),
            "taken": "" if told.taken is None else f"{told.taken:%Y-%m-%dT%H:%M}",
            "material": told.material or "",
            "saved": _has_line(scan) if one.base_line is None else one.base_line.how == "saved",
            "can_undo": bool(self._undo.get(scan)),
            "notes": [
                {"code": visible(n.code), "text": visible(n.text), "do": visible(n.do_at_desk)}
                for n in one.notes
            ],
            "advice": [] if one.trim is None else list(advice(one.trim)),
            "dial": "" if right is None else dial_in_words(right),
            "sides": {} if right is None else {3: _SIDES[right], 9: _SIDES[not right]},
        }

    def _name(self, scan: Path) -> str:
        return str(scan.relative_to(self.folder) if scan.is_relative_to(self.folder) else scan)

    def _called(self, one: Result) -> str:
        return self._name(Path(one.scan)) + (f" #{one.cavity}" if one.cavities > 1 else "")

    def _key(self, one: Result) -> tuple[str, int, str]:
        """Tell an impression that was poured from any other, also from one of the same name."""
        return self._key_of(Path(one.scan), one.cavity)

    def _key_of(self, scan: Path, cavity: int) -> tuple[str, int, str]:
        content, _, _ = self._versions.get(scan, _HIDDEN).partition("-")
        return visible(self._name(scan)), cavity, content

    def _id(self, scan: Path, cavity: int) -> str:
        name = self._name(scan).encode("utf-8", "surrogateescape")
        return f"{hashlib.sha256(name).hexdigest()[:16]}-{cavity}"

    def _found(self, one_id: str) -> Result:
        with self._lock:
            for one in one_by_one(self._results.values()):
                if self._id(Path(one.scan), one.cavity) == one_id:
                    return one
        raise UnknownError

    def card(self, one_id: str) -> dict[str, Any]:
        """Give what is drawn of one impression, and the version that this is of."""
        one = self._found(one_id)
        card = read_card(self._kept_card(one), one.cavity)
        if card is None:
            raise UnknownError
        low, high = (one.curve[0][0], one.curve[-1][0]) if one.curve else (0.0, 0.0)
        return {
            "id": one_id,
            "version": self._versions[Path(one.scan)],
            "moves": card["moves"],
            "solid": card["solid"],
            "range_mm": [low, high],
            "prepared": _drawn(read_told(Path(one.scan)).preparations, card["solid"]["to_scan"]),
        }

    # ---- the base line of one scan

    def tried(
        self,
        one_id: str,
        version: str,
        height_mm: float,
        right_deg: float,
        front_deg: float,
        *,
        patches: Sequence[Any] = (),
    ) -> dict[str, Any]:
        """Measure up to the base line as somebody holds it, with new patches; nothing is saved."""
        with self._editing(one_id, version) as editor:
            editor.hold(Held(height_mm=height_mm, right_deg=right_deg, front_deg=front_deg))
            figures, (point_mm, normal) = editor.figures(_patches(patches)), editor.line()
            made, held = figures.mix, editor.held
        return {
            "version": version,
            "height_mm": held.height_mm,
            "right_deg": held.right_deg,
            "front_deg": held.front_deg,
            "line": {"point_mm": list(point_mm), "normal": list(normal), "patches": patches},
            "volume_ml": figures.volume_ml,
            "low_ml": figures.low_ml,
            "high_ml": figures.high_ml,
            "water": None if made is None else water_cell(made),
            "powder": None if made is None else powder_cell(made),
            "scoops": None if made is None else scoops_cell(made),
            "why": visible(figures.why),
        }

    def save(
        self,
        one_id: str,
        version: str,
        point_mm: Sequence[float],
        normal: Sequence[float],
        patches: Sequence[Any] = (),
    ) -> dict[str, Any]:
        """Save a base line beside its scan, and new patches, if nobody else was quicker."""
        sound = all(abs(part) <= FARTHEST_MM for part in (*point_mm, *normal))
        if not sound or sum(part * part for part in normal) < LEAST_NORMAL**2:
            raise UsageError(
                "a base line that is no plane",
                needed="a point in mm and a direction",
                remedy="move it again",
            )
        with self._editing(one_id, version) as editor:
            before = saved_bytes(editor.path)
            a, b, c = point_mm
            d, e, f = normal
            decided = editor.decision(_patches(patches))
            editor.write(replace(decided, point_mm=(a, b, c), normal=(d, e, f)))
            return self._decided(editor.path, before)

    def undo(self, one_id: str, version: str) -> dict[str, Any]:
        """Put back what stood before the line that was saved last on this page."""
        scan = Path(self._found(one_id).scan)
        with self._in_hand[scan]:
            self._refuse_outdated(one_id, scan, version)
            if not self._undo[scan]:
                raise OutdatedError("nothing to put back", self._newer(one_id))
            put_back(scan, self._undo[scan].pop())
            return self._decided(scan)

    def remove(self, one_id: str, version: str) -> dict[str, Any]:
        """Take the saved line away: the one that is found by itself holds again."""
        one = self._found(one_id)
        if one.volume_ml is None:  # refused perhaps for that very line
            scan = Path(one.scan)
            with self._in_hand[scan]:
                self._refuse_outdated(one_id, scan, version)
                before = saved_bytes(scan)
                write_decision(scan, None)
                return self._decided(scan, before)
        with self._editing(one_id, version) as editor:
            before = saved_bytes(editor.path)
            editor.remove()
            return self._decided(editor.path, before)

    def prepare(self, one_id: str, version: str, places_mm: Sequence[Any]) -> dict[str, Any]:
        """Save where prepared teeth lie, in the scan's own frame."""
        scan = Path(self._found(one_id).scan)
        with self._in_hand[scan]:
            self._refuse_outdated(one_id, scan, version)
            before = saved_bytes(scan)
            # What is no list is no place, and is refused as one of no numbers.
            places: list[Any] = [one if isinstance(one, list) else () for one in places_mm]
            write_preparations(scan, places)
            return self._decided(scan, before)

    def tell(self, one_id: str, version: str, taken: str, material: str) -> dict[str, Any]:
        """Save when an impression was taken, by the lab's clock, and of what; '' is not known."""
        scan = Path(self._found(one_id).scan)
        try:
            at = datetime.fromisoformat(taken) if taken else None
        except ValueError as fault:
            raise UsageError(
                f"{taken[:40]!r} as a time", needed="a date and a time", remedy="type it again"
            ) from fault
        if at is not None and at.astimezone() > datetime.now().astimezone():
            raise UsageError(
                "an impression that is still to be taken",
                needed="a time that has passed",
                remedy="type it again",
            )
        known = pour_window(material).material if material else None
        with self._in_hand[scan]:
            self._refuse_outdated(one_id, scan, version)
            before = saved_bytes(scan)
            write_told(scan, taken=at, material=known)
            return self._decided(scan, before)

    def _decided(self, scan: Path, *before: bytes | None) -> dict[str, Any]:
        """Have a scan sized again at once, and give the version that it has from now on."""
        with self._lock:
            self._undo[scan] = [*self._undo[scan], *before][-_UNDO:]
            for held in [held for held in self._editors if held[0] == scan]:
                del self._editors[held]
        self._jobs.put(([scan], (), True))
        self._arrivals.again(scan)  # it may be changed back before it has come to rest
        return {"version": version_of(scan)}

    @contextmanager
    def _editing(self, one_id: str, version: str) -> Iterator[BaseLineEditor]:
        """Take one scan in hand; nobody else has it until it is let go."""
        one = self._found(one_id)
        scan, held = Path(one.scan), (Path(one.scan), one.cavity)
        with self._in_hand[scan]:
            self._refuse_outdated(one_id, scan, version)
            with self._lock:
                kept = self._editors.pop(held, None)
            if kept is None or kept[0] != version:
                kept = version, BaseLineEditor(scan, self.request.settings, one.cavity)
            with self._lock:
                self._editors[held] = kept
                while len(self._editors) > _EDITORS:
                    self._editors.popitem(last=False)
            yield kept[1]

    def _refuse_outdated(self, one_id: str, scan: Path, version: str) -> None:
        if version_of(scan) != version:
            raise OutdatedError(
                "the scan, or the line that is saved for it, changed meanwhile", self._newer(one_id)
            )

    def _newer(self, one_id: str) -> dict[str, Any]:
        one = self._found(one_id)
        with self._lock:
            return {**self._row(one), "version": version_of(Path(one.scan))}

    # ---- scans that are brought

    def place_for(self, name: str) -> Path:
        """Say where a scan that is brought goes: into the folder, by a plain name and no other."""
        plain = name == Path(name).name and not name.startswith(".") and "\\" not in name
        if (
            not plain
            or visible(name) != name
            or len(name.encode("utf-8", "surrogatepass")) > LONGEST_NAME_BYTES
            or Path(name).suffix.lower() not in SCAN_SUFFIXES
        ):
            raise UsageError(
                f"a file named {visible(name)[:80]!r}",
                needed=f"a scan: a plain name that ends in {' or '.join(SCAN_SUFFIXES)}",
                remedy="export it as STL or PLY, and give it a plain name",
            )
        return self.folder / name

    def bring(self, part: Path, target: Path) -> bool:
        """Give a scan that came whole its name; False where the same lies there already.

        Another scan of that name is never written over.
        """
        try:
            os.link(part, target)
        except FileExistsError as fault:
            with suppress(OSError):
                if fingerprint(part) == fingerprint(target):
                    return False
            raise OutdatedError(
                "another scan of that name in the folder; that one stays, this one is not in",
                needed="a name of its own",
                remedy="give this file another name and bring it again; or, if it is to take the "
                "place of the other, take that out of the folder first",
            ) from fault
        self._jobs.put(([target], (), False))
        return True

    # ---- mixes

    def share(self, at_most: int) -> None:
        """Set how many impressions may share a mix."""
        if not 1 <= at_most <= MOST_IN_ONE_MIX:
            raise UsageError(
                f"{at_most} impressions in a mix",
                needed=f"1 to {MOST_IN_ONE_MIX}",
                remedy="choose one of these",
            )
        with self._lock:
            self._at_most = at_most
        self._jobs.put(((), (), False))

    def begin(self, mix_id: str, begun: bool) -> None:
        """Note that the powder of a mix is in: it stays as it is from then on, or is given up."""
        with self._lock:
            held = self._held_mix(mix_id)
            if begun and held is None:
                self._hold(mix_id, poured=None)
            elif not begun and held is not None and held["poured"] is None:
                self._keep_held([mix for mix in self._held if mix is not held])
        self._changed()
        self._jobs.put(((), (), False))

    def tick(self, mix_id: str, poured: bool) -> None:
        """Note that a mix is poured, or that it is not; what is booked stays so."""
        with self._lock:
            held = self._held_mix(mix_id)
            if held is None:
                if poured:
                    self._hold(mix_id, poured=now())
            elif poured != (held["poured"] is not None):
                if not poured and self._source(held) in self._booked:
                    raise OutdatedError("a mix that is booked")
                other = {**held, "poured": now() if poured else None}
                if held["begun"] is None:  # ticked by mistake
                    self._keep_held([mix for mix in self._held if mix is not held])
                else:
                    self._keep_held([other if mix is held else mix for mix in self._held])
        self._changed()
        self._jobs.put(((), (), False))

    def _hold(self, mix_id: str, *, poured: str | None) -> None:
        mix = next((mix for mix in self._mixes if mix["id"] == mix_id), None)
        if mix is None:
            raise OutdatedError("a mix that is not planned any more")
        self._keep_held(
            [*self._held, {**mix, "begun": None if poured else now(), "poured": poured}]
        )
        self._mixes = [other for other in self._mixes if other is not mix]

    def _held_mix(self, mix_id: str) -> dict[str, Any] | None:
        return next((mix for mix in self._held if mix["id"] == mix_id), None)

    def book(self, mix_id: str, left_g: float) -> int:
        """Book a poured mix with what was left of it, below 0 what was missing."""
        with self._booking:
            mix, journal_file = self._poured_mix(mix_id), self._journal()
            source, settings = self._source(mix), self.request.settings
            with Journal(journal_file) as journal:
                before = _booked_from(journal, source)
                if before:
                    raise OutdatedError(f"this mix booked already, as pour {before[-1]}")
                number = journal.book(
                    entry_of(
                        find_stone(mix["stone"], settings.lab),
                        way=mix["way"],
                        volume_ml=mix["volume_ml"],
                        powder_g=mix["powder_g"],
                        water_ml=mix["water_ml"],
                        left_g=left_g,
                        water_c=settings.lab.bench.water_c,
                        scan=", ".join(one["name"] for one in mix["names"]),
                        source=source,
                    )
                )
            with self._lock:
                self._booked[source] = number, left_g
        self._changed()
        return number

    def strike(self, mix_id: str) -> None:
        """Strike out what was booked of a mix: it can be booked again."""
        with self._booking:
            mix, journal_file = self._poured_mix(mix_id), self._journal()
            source = self._source(mix)
            with Journal(journal_file, new=False) as journal:
                for number in _booked_from(journal, source):
                    journal.strike(number)
            with self._lock:
                self._booked.pop(source, None)
        self._changed()

    def _poured_mix(self, mix_id: str) -> dict[str, Any]:
        with self._lock:
            mix = self._held_mix(mix_id)
        if mix is not None and mix["poured"] is not None:
            return mix
        raise OutdatedError("a mix that is not ticked as poured")

    def _journal(self) -> Path:
        if self._journal_file is None:
            raise UsageError(
                "no journal",
                needed="the file that pours are booked in",
                remedy="start the desk again with a journal, or name one in the lab's file",
            )
        return self._journal_file

    def _source(self, mix: dict[str, Any]) -> str:
        """Give the fingerprint by which the journal knows a poured mix."""
        return hashlib.sha256(f"{mix['id']}\n{mix['poured']}".encode()).hexdigest()

    def _with_booking(self, mix: dict[str, Any]) -> dict[str, Any]:
        number, left_g = self._booked.get(self._source(mix), (None, None))
        return {**mix, "booked": number, "left_g": left_g}

    def _mix(
        self, shared: SharedMix, by_name: dict[str, Result], called: dict[str, str], plan: Plan
    ) -> dict[str, Any]:
        ones = {called[one.name]: by_name[one.name] for one in shared.impressions}
        bases = {name: one.second_pour for name, one in ones.items() if one.second_pour is not None}
        nodules_ml = len(bases) * self.request.settings.lab.second_pour.nodules_ml
        before = {name: told for name, one in ones.items() if (told := before_water(one))}
        ends = " ".join(
            f"{name}: {stop_words(one)}" if len(ones) > 1 else stop_words(one)
            for name, one in ones.items()
        )
        closes_min = min(one.closes_min for one in shared.impressions)
        made, way = shared.mix, shared.mix.way
        keys = [self._key_of(Path(one.scan), one.cavity) for one in shared.impressions]
        amounts = [made.stone, round(made.powder_g, 6), round(made.water_ml, 6), made.mixes]
        return {
            "id": hashlib.sha256(json.dumps([keys, amounts]).encode()).hexdigest()[:16],
            "impressions": keys,
            "names": [
                {"name": called[one.name], "volume_ml": one.volume_ml, "by": plan.by(one)}
                for one in shared.impressions
            ],
            **_words(made),
            "steps": [
                *steps(made, way, nodules_ml=nodules_ml if bases else None, ends=ends),
                *(f"Base of {name}: {amounts_in_words(base)}." for name, base in bases.items()),
            ],
            "volume_ml": made.volume_ml,
            "powder_g": made.powder_g,
            "water_ml": made.water_ml,
            "way": way,
            "start_min": shared.start_min,
            "at": plan.clock(shared.start_min),
            "until": plan.at(closes_min).isoformat() if math.isfinite(closes_min) else None,
            "late": [called[one.name] for one in shared.late],
            "then": "base" if bases else "separate",
            "then_min": BEFORE_BASE.value if bases else SEPARATING.low,
            "notes": [
                *(
                    {"text": f"Before the water, {name}:", "do": told}
                    for name, told in before.items()
                ),
                *({"text": visible(n.text), "do": visible(n.do_at_desk)} for n in shared.notes),
            ],
            "begun": None,
            "poured": None,
            "booked": None,
            "left_g": None,
        }

    def _keep_held(self, held: list[dict[str, Any]]) -> None:
        write_whole(self._poured_file, json.dumps(held, indent=1))
        self._held = held

    @property
    def _poured_file(self) -> Path:
        assert isinstance(self.request.out, Path)  # noqa: S101  # see __init__
        return self.request.out / KEPT / _POURED

    def _read_held(self) -> list[dict[str, Any]]:
        if not self._poured_file.is_file():
            return []
        try:
            held = json_in(text_of(self._poured_file, _LARGEST_POURED))
            return [
                {**mix, "id": str(mix["id"]), "begun": mix.get("begun", mix["poured"])}
                for mix in held
            ]
        except (ScanError, ValueError, KeyError, TypeError) as fault:
            raise UsageError(
                f"{self._poured_file} that cannot be read ({fault})",
                needed="the list of poured mixes as it was written",
                remedy="move that file away: ticks of this day are lost, bookings are not",
            ) from fault

    def _read_booked(self) -> dict[str, tuple[int, float]]:
        if self._journal_file is None or not self._journal_file.is_file():
            return {}
        with Journal(self._journal_file, new=False) as journal:
            return {
                entry.source: (entry.number or 0, entry.left_g)
                for entry in journal.entries()
                if entry.source is not None and entry.struck is None
            }


def _words(made: Mix) -> dict[str, Any]:
    """Say a mix in the words of the bench."""
    return {
        "stone": visible(made.stone),
        "mixes": made.mixes,
        "water": water_in_words(made),
        "powder": powder_in_words(made),
        "scoops": scoops_in_words(made),
        "bowl": visible(bowl_in_words(made)),
        "ratio": ratio_in_words(made),
        "working_min": None if made.kind.working_time is None else made.kind.working_time.low,
        "short": [visible(say) for say in if_short(made)[:3]],
    }


def _patches(said: Sequence[Any]) -> list[Patch]:
    if len(said) > MOST_NEW_PATCHES:
        raise UsageError(
            f"{len(said)} new patches",
            needed=f"{MOST_NEW_PATCHES} at most",
            remedy="save some first",
        )
    return [patch_in(Path("what was touched"), patch) for patch in said]


def _drawn(places_mm: Sequence[Place], to_scan: Sequence[Sequence[float]]) -> list[list[float]]:
    """Bring places from the scan's own frame into the drawing."""
    origin, *along = np.array(to_scan)
    places = np.array(places_mm).reshape(-1, 3) - origin
    return [list(place) for place in np.linalg.solve(np.transpose(along), places.T).T.tolist()]


def _has_line(scan: Path) -> bool:
    """Say whether a line is saved for a scan that is refused, or what cannot be read as one."""
    try:
        return read_decision(scan) is not None
    except (ScanError, OSError):
        return True


def version_of(scan: Path) -> str:
    """Give a mark of a scan, and of what is saved beside it, as both lie there now."""
    content = content_of(scan)
    return _HIDDEN if content is None else f"{content.mark[:20]}-{content.decision[:20]}"


def _booked_from(journal: Journal, source: str) -> list[int]:
    """Give the numbers of the pours that count and were booked for a mix."""
    return [one.number for one in journal.entries() if one.source == source and one.struck is None]
