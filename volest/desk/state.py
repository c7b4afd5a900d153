"""An open day: what the page shows of it, and what people do there. Nothing here knows of HTTP."""

import hashlib
import json
import math
import os
import threading
import time
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import asdict, replace
from datetime import datetime
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np

from volest.batch.find import Arrivals, content_of, natural_key, noted, wakes
from volest.batch.store import KEPT
from volest.batch.workers import Engine
from volest.errors import ScanError, UsageError, visible
from volest.journal import FIRST, Case, Journal, entry_of, now
from volest.notes import dial_in_words
from volest.report.guide import advice
from volest.report.table import amounts_in_words, before_water, made_with, rows
from volest.result import Result, one_by_one
from volest.run import Planner, Request, Run
from volest.scan import decision
from volest.scan.packed import holder
from volest.settings import FARTHEST_MM, LEAST_NORMAL
from volest.stone import words
from volest.stone.mix import powder_in_words, water_in_words
from volest.stone.reference import BEFORE_BASE, SEPARATING, WINDOWS, pour_window
from volest.stone.shared import Plan, SharedMix, this_minute
from volest.storage import SCAN_SUFFIXES, json_in, text_of, write_whole
from volest.view.editor import BaseLineEditor, Held
from volest.view.page import mix_words, read_card, sheet_text, with_drawn

MOST_IN_ONE_MIX = 4  # impressions: what the lab's file allows, too
LONGEST_NAME_BYTES = 200  # of a scan that is brought; what is saved beside it has a longer one
_EDITORS = 2  # scans held ready to be measured anew; a large one takes 200 MB
MOST_NEW_PATCHES = 16  # in hand at a time; the page draws no more
_UNDO = 20  # lines of a scan that can be put back
_REPLAN_S = 5.0  # while scans go on coming
_LARGEST_POURED = 20_000_000  # bytes: far more than a day's mixes
BROUGHT = ".volest-brought-"  # how a scan is called while it is on its way
_SIDES = ("left", "right")
_HIDDEN = "none"  # a version of what cannot be read
_UNBOOKED = {"booked": None, "left_g": None}


class OutdatedError(UsageError):
    """Somebody else's word came first; `newer` is what holds now."""

    def __init__(self, found: str, newer: dict[str, Any] | None = None, **more: str) -> None:
        said = {"needed": "what holds now", "remedy": "look again, then decide", **more}
        super().__init__(found, **said)
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
        journal_file: Path | None,
        at_most: int,
        say: Callable[[str], object],
    ) -> None:
        assert isinstance(request.out, Path)  # noqa: S101  # cards are made for such folders only
        # A line that is saved on the page holds, whatever base line was asked for.
        settings = replace(request.settings, obey_saved=True)
        self.request = replace(request, settings=settings)
        self.folder = folder
        self._poured_file = request.out / KEPT / "poured.json"
        self._journal_file = journal_file
        self._at_most = at_most
        self._say = say
        self._run: Run  # as long as it is open
        self._lock = threading.RLock()  # around what follows; never held while a scan is measured
        self.revision = 0  # how often something changed
        self._results: dict[Path, list[Result]] = {}
        self._versions: dict[Path, str] = {}
        self._arrived: dict[Path, int] = {}
        self._waiting: OrderedDict[Path, object] = OrderedDict()  # with what tells one call for it
        self._others: list[Path] = []  # files of other kinds that came
        self._gone: set[Path] = set()
        self._told: list[str] = []
        # Mixes by their marks: those that are planned, and those that are begun or poured.
        self._mixes: dict[str, dict[str, Any]] = {}
        self._held: dict[str, dict[str, Any]] = {}
        self._booked: dict[str, dict[str, Any]] = {}  # number and leftover, by sources
        self._undo: defaultdict[str, list[bytes | None]] = defaultdict(list)  # by a scan's content
        self._editors: dict[tuple[Path, int], tuple[str, BaseLineEditor]] = {}
        # Of a scan and what is saved beside it.
        self._in_hand: defaultdict[Path, threading.Lock] = defaultdict(threading.Lock)
        self._booking = threading.Lock()  # of the journal; no tick is taken back meanwhile
        self._wake = threading.Event()  # there is something to do
        self._stop = threading.Event()
        self._arrivals = Arrivals(folder)

    # ---- the run, in one thread of its own

    @contextmanager
    def open(self) -> Iterator["Future[None]"]:
        """Size what is there and what arrives; the future ends when the run does."""
        with (
            Run(self.request, self.folder, say=self._hear, tell=self._tell) as self._run,
            self.request.engine() as engine,
            ThreadPoolExecutor(2, "day") as threads,
        ):
            for part in self.folder.glob(f"{BROUGHT}*"):  # on their way when it was killed
                part.unlink(missing_ok=True)
            self._held = self._read_held()
            if self._journal_file is not None and self._journal_file.is_file():
                with Journal(self._journal_file, new=False) as journal:
                    self._booked = _booked_in(journal)
            work, looking = threads.submit(self._work, engine), threads.submit(self._look)
            try:
                yield work
            finally:
                self._stop.set()
                self._wake.set()
            looking.result()
            work.result()

    def _look(self) -> None:
        arrivals = self._arrivals
        minute = this_minute()
        for _ in wakes(self.folder, self._stop, lambda: arrivals.busy):
            with self._lock:
                gone = [scan for scan in self._results if not holder(scan).exists()]
            ready, rest = arrivals.look()  # after it: what was renamed is in hand by its new name
            with self._lock:
                before, coming = self._gone, {*ready, *self._waiting}
                self._gone = {scan for scan in gone if not arrivals.has_moved(scan, coming)}
            minute, planned = this_minute(), minute
            if ready or rest or self._gone != before or (self._results and minute != planned):
                self._call_for(ready, rest)  # a plan begins now: start times go on

    def _call_for(
        self, scans: Sequence[Path] = (), others: Sequence[Path] = (), *, first: bool = False
    ) -> None:
        """Have scans sized, and all planned anew."""
        with self._changing():
            for scan in scans:
                self._arrived.setdefault(scan, len(self._arrived))
                self._waiting[scan] = object()
                self._waiting.move_to_end(scan, last=not first)
            self._others += others
        self._wake.set()

    def _work(self, engine: Engine) -> None:
        planned_s = 0.0
        while not self._stop.is_set():
            if not self._waiting:
                self._wake.wait()
            self._wake.clear()
            self._take(engine)
            if not self._waiting or time.monotonic() - planned_s > _REPLAN_S:
                self._plan()
                planned_s = time.monotonic()
            if not self._waiting and not self._wake.is_set():
                self._run.update()
        self._run.update()

    def _take(self, engine: Engine) -> None:
        """Size a few of those that wait: a line that was just saved must not wait for all."""
        with self._lock:
            some = dict(islice(self._waiting.items(), engine.room))
            others, self._others = self._others, []
            # Before they are measured: what is saved meanwhile makes these outdated, not new.
            self._versions.update((scan, version_of(scan)) for scan in some)
        for scan in self._run.take(list(some), others, engine):
            self._arrivals.later(scan)
        with self._changing():
            for scan, call in some.items():
                if self._waiting[scan] is call:  # else it was called for once more meanwhile
                    del self._waiting[scan]

    def _tell(self, result: Result) -> None:
        ones = [with_drawn(one, self._kept_card(one)) for one in one_by_one([result])]
        scan = Path(result.scan)
        with self._changing():
            for renamed in self._results.keys() - set(self._run.found.scans):
                del self._results[renamed]
            self._results[scan] = ones

    def _hear(self, line: str) -> None:
        self._say(line)
        with self._lock:
            self._told = [*self._told[-9:], visible(line)]

    def _planned(self) -> tuple[list[Result], Plan]:
        """Plan mixes for all of which none is begun."""
        with self._lock:
            held = {_key_in(one) for mix in self._held.values() for one in mix["impressions"]}
            waiting = [one for one in self._listed() if self._key(one) not in held]
            planner = Planner(at_most=self._at_most)
        return waiting, planner.plan(waiting, self.request.settings)

    def _plan(self) -> None:
        try:
            waiting, plan = self._planned()
            by_name = {one.name: one for one in waiting}
            called = {name: self._called(one) for name, one in by_name.items()}
            made = (self._mix(shared, plan, called, by_name) for shared in plan.mixes)
            mixes = {mix["id"]: mix for mix in made}
        except UsageError as fault:  # a material by hand that nobody knows
            mixes, line = {}, f"no mixes are planned: {fault}"
            if visible(line) not in self._told:
                self._hear(line)
        with self._changing():
            self._mixes = mixes

    def begun(self, mix_id: str) -> tuple[list[Result], Plan]:
        """Plan one mix that is begun as it was when it began; refused where it would be another."""
        with self._lock:
            mix = self._held.get(mix_id)
            keys = set() if mix is None else set(map(_key_in, mix["impressions"]))
            here = {self._key(one): one for one in self._listed()}  # a copy is no other impression
            ones = [one for key, one in here.items() if key in keys]
        if mix is not None and mix["begun"]:
            planner = Planner(at_most=len(ones), start=datetime.fromisoformat(mix["begun"]))
            plan = planner.plan(ones, self.request.settings)
            amounts = [(made.mix.powder_g, made.mix.water_ml) for made in plan.mixes]
            if amounts == [(mix["powder_g"], mix["water_ml"])]:
                return ones, plan
        raise OutdatedError("a mix whose scans, or their lines, changed since it was begun")

    def sheet(self, near: str | None, mix_id: str = "") -> str:
        """Write the pour sheet of a mix that is begun, or of all that wait, as planned now.

        Its cards carry where tablets open their scans, if that is `near` the desk.
        """
        waiting, plan = self.begun(mix_id) if mix_id else self._planned()
        cards, settings = list(map(self._kept_card, waiting)), self.request.settings
        at = {one.name: f"{near}#scan={self._id(one)}" for one in waiting if near}
        return sheet_text(waiting, cards, settings, plan, begun=bool(mix_id), at=at)

    def _kept_card(self, one: Result) -> dict[str, Any] | None:
        return read_card(self._run.kept.card(one.scan), one.cavity)

    @contextmanager
    def _changing(self) -> Iterator[None]:
        """Hold the day while it is changed, and count the change."""
        with self._lock:
            yield
            self.revision += 1

    # ---- what is shown

    def shown(self) -> dict[str, Any]:
        """Give all that the page shows but the drawings, as plain values for JSON."""
        with self._lock:
            results, settings = self._listed(), self.request.settings
            held, planned = self._held.values(), self._mixes.values()
            names = list(map(self._called, results))
            poured = {
                _key_in(one): mix["id"]
                for mix in held
                for one in mix["impressions"]
                if mix["poured"] is not None
            }
            coming = [mix for mix in (*held, *planned) if mix["poured"] is None]
            late = {
                _key_in(key)
                for mix in coming
                for key, one in zip(mix["impressions"], mix["names"], strict=True)
                if one["name"] in mix["late"]
            }
            waiting = [scan for scan in self._waiting if scan not in self._results]
            return {
                "now": now(),  # clocks of tablets go otherwise
                "folder": visible(self.folder.absolute().name),
                "made_with": made_with(settings),
                "scans": [
                    {
                        **asdict(line),
                        **self._row(one),
                        "volume": line.volume.strip(),
                        "poured": poured.get(self._key(one)),
                        "late": self._key(one) in late,
                    }
                    for one, line in zip(results, rows(results, names, settings.base), strict=True)
                ],
                "waiting": [visible(self._run.called(scan)) for scan in waiting],
                "mixes": [
                    *({**mix, **self._booked.get(_source(mix), _UNBOOKED)} for mix in held),
                    *planned,
                ],
                "at_most": self._at_most,
                "materials": list(WINDOWS),
                "books": self._journal_file is not None,
                "told": self._told,
            }

    def _listed(self) -> list[Result]:
        scans = sorted(self._results.keys() - self._gone, key=natural_key)
        ones = chain.from_iterable(map(self._results.__getitem__, scans))
        return list(noted(ones, self._run.found.twins))

    def _row(self, one: Result) -> dict[str, Any]:
        scan, mix = Path(one.scan), one.mix
        told = decision.read_told(scan)
        right = self.request.settings.right_is_one_to_five(one.scan, is_arch=one.is_arch)
        return {
            "id": self._id(one),
            "version": self._versions.get(scan, _HIDDEN),
            "arrived": self._arrived.get(scan, 0),
            "again": scan in self._waiting,
            "outcome": one.outcome,
            "before": before_water(one),
            "reason": None if one.reason is None else visible(one.reason),
            "volume_ml": one.volume_ml,
            "powder_g": None if mix is None else mix.powder_g,
            "taken": "" if told.taken is None else f"{told.taken:%Y-%m-%dT%H:%M}",
            "material": told.material or "",
            "saved": _has_line(scan) if one.base_line is None else one.base_line.how == "saved",
            "can_undo": bool(self._undo.get(self._content(scan))),
            "notes": [
                {"code": visible(n.code), "text": visible(n.text), "do": visible(n.do_at_desk)}
                for n in one.notes
            ],
            "advice": [] if one.trim is None else list(advice(one.trim)),
            "dial": "" if right is None else dial_in_words(right, is_arch=one.is_arch),
            "sides": {} if right is None else {3: _SIDES[right], 9: _SIDES[not right]},
        }

    def _called(self, one: Result) -> str:
        number = f" #{one.cavity}" if one.cavities > 1 else ""
        return visible(self._run.called(Path(one.scan)) + number)

    def _key(self, one: Result) -> tuple[int, str]:
        """Tell an impression that was poured from any other, whatever its scan is called."""
        return _key_in(self._named(one))

    def _named(self, one: Result) -> tuple[str, int, str]:
        scan = Path(one.scan)
        return visible(self._run.called(scan)), one.cavity, self._content(scan)

    def _content(self, scan: Path) -> str:
        return self._versions.get(scan, _HIDDEN).partition("-")[0]

    def _id(self, one: Result) -> str:
        name = self._run.called(Path(one.scan)).encode("utf-8", "surrogateescape")
        return f"{hashlib.sha256(name).hexdigest()[:16]}-{one.cavity}"

    def _found(self, one_id: str) -> Result:
        with self._lock:
            for one in chain.from_iterable(self._results.values()):
                if self._id(one) == one_id:
                    return one
        raise UnknownError

    def card(self, one_id: str) -> dict[str, Any]:
        """Give what is drawn of one impression, and the version that this is of."""
        one = self._found(one_id)
        card = self._kept_card(one)
        if card is None:
            raise UnknownError
        # From the scan's own frame into the drawing.
        origin, *along = np.array(card["solid"]["to_scan"])
        places = np.reshape(decision.read_told(Path(one.scan)).preparations, (-1, 3)) - origin
        return {
            "id": one_id,
            "version": self._versions[Path(one.scan)],
            "moves": card["moves"],
            "solid": card["solid"],
            "range_mm": [one.curve[0][0], one.curve[-1][0]] if one.curve else [0.0, 0.0],
            "prepared": np.linalg.solve(np.transpose(along), places.T).T.tolist(),
        }

    # ---- what is decided of one scan

    @contextmanager
    def _holding(self, one_id: str, version: str) -> Iterator[tuple[Result, Path, bytes | None]]:
        """Take one scan, with what is saved beside it, in hand, if it is as it was seen.

        Nobody else has it until it is let go.
        """
        one = self._found(one_id)
        scan = Path(one.scan)
        with self._lock:  # threads at once would make two
            in_hand = self._in_hand[scan]
        with in_hand:
            if version_of(scan) != version:
                found = "the scan, or the line that is saved for it, changed meanwhile"
                raise OutdatedError(found, self._newer(one_id))
            yield one, scan, decision.saved_bytes(scan)

    def _newer(self, one_id: str) -> dict[str, Any]:
        one = self._found(one_id)
        with self._lock:
            return {**self._row(one), "version": version_of(Path(one.scan))}

    def tried(
        self,
        one_id: str,
        version: str,
        height_mm: float,
        right_deg: float,
        front_deg: float,
        *,
        patches: list[Any],
    ) -> dict[str, Any]:
        """Measure up to the base line as somebody holds it, with new patches; nothing is saved."""
        with self._holding(one_id, version) as (one, scan, _):
            editor = self._editor(scan, one.cavity, version)
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
            "water": None if made is None else words.water_cell(made),
            "powder": None if made is None else words.powder_cell(made),
            "scoops": None if made is None else words.scoops_cell(made),
            "why": visible(figures.why),
        }

    def _editor(self, scan: Path, cavity: int, version: str) -> BaseLineEditor:
        """Hold a scan ready to be measured anew, as it is in this version; not more than a few."""
        held = self._editors.pop((scan, cavity), None)
        if held is None or held[0] != version:
            held = version, BaseLineEditor(scan, self.request.settings, cavity)
        self._editors[scan, cavity] = held
        for old in [*self._editors][:-_EDITORS]:
            self._editors.pop(old, None)
        return held[1]

    def _written(self, scan: Path, *before: bytes | None) -> dict[str, str]:
        """Have a scan sized again at once, for what was written beside it; give its version now."""
        saved = self._undo[self._content(scan)]
        saved[:] = [*saved, *before][-_UNDO:]
        self._arrivals.again(scan)  # it may be changed back before it has come to rest
        self._call_for([scan], first=True)
        return {"version": version_of(scan)}

    def save(
        self,
        one_id: str,
        version: str,
        point_mm: decision.Place,
        normal: decision.Place,
        patches: list[Any],
    ) -> dict[str, Any]:
        """Save a base line beside its scan, and new patches, if nobody else was quicker."""
        is_near = all(abs(x) <= FARTHEST_MM for x in (*point_mm, *normal))  # a NaN is not
        if not is_near or math.hypot(*normal) < LEAST_NORMAL:
            raise UsageError(
                "a base line that is no plane",
                needed="a point in mm and a direction",
                remedy="move it again",
            )
        with self._holding(one_id, version) as (one, scan, before):
            editor = self._editor(scan, one.cavity, version)
            decided = editor.decision(_patches(patches))
            editor.write(replace(decided, point_mm=point_mm, normal=normal))
            return self._written(scan, before)

    def undo(self, one_id: str, version: str) -> dict[str, Any]:
        """Put back what stood before the line that was saved last on this page."""
        with self._holding(one_id, version) as (_, scan, _):
            saved = self._undo[self._content(scan)]
            if not saved:
                raise OutdatedError("nothing to put back", self._newer(one_id))
            decision.put_back(scan, saved[-1])
            saved.pop()  # now that it is put back: the disk may have been full
            return self._written(scan)

    def remove(self, one_id: str, version: str) -> dict[str, Any]:
        """Take the saved line away: the one that is found by itself holds again."""
        with self._holding(one_id, version) as (one, scan, before):
            if one.volume_ml is None:  # refused perhaps for that very line
                decision.write_decision(scan, None)
            else:
                self._editor(scan, one.cavity, version).remove()
            return self._written(scan, before)

    def prepare(self, one_id: str, version: str, places_mm: list[Any]) -> dict[str, Any]:
        """Save where prepared teeth lie, in the scan's own frame."""
        with self._holding(one_id, version) as (_, scan, before):
            # What is no list is no place, and is refused as one of no numbers.
            places: list[Any] = [one if isinstance(one, list) else () for one in places_mm]
            decision.write_preparations(scan, places)
            return self._written(scan, before)

    def tell(self, one_id: str, version: str, taken: str, material: str) -> dict[str, Any]:
        """Save when an impression was taken, by the lab's clock, and of what; '' is not known."""
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
        with self._holding(one_id, version) as (_, scan, before):
            decision.write_told(scan, taken=at, material=known)
            return self._written(scan, before)

    # ---- scans that are brought

    def place_for(self, name: str) -> Path:
        """Say where a scan that is brought goes: into the folder, by a plain name and no other."""
        is_plain = (
            name == Path(name).name == visible(name)
            and not name.startswith(".")
            and "\\" not in name
            and len(name.encode("utf-8", "surrogatepass")) <= LONGEST_NAME_BYTES
            and Path(name).suffix.lower() in SCAN_SUFFIXES
        )
        if not is_plain:
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
                if decision.fingerprint(part) == decision.fingerprint(target):
                    return False
            raise OutdatedError(
                "another scan of that name in the folder; that one stays, this one is not in",
                needed="a name of its own",
                remedy="give this file another name and bring it again; or, if it is to take the "
                "place of the other, take that out of the folder first",
            ) from fault
        self._call_for([target])
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
        self._call_for()

    def begin(self, mix_id: str, begun: bool) -> None:
        """Note that the powder of a mix is in: it stays as it is from then on, or is given up."""
        self._mark(mix_id, "begun", begun)

    def tick(self, mix_id: str, poured: bool) -> None:
        """Note that a mix is poured, or that it is not; what is booked stays so."""
        self._mark(mix_id, "poured", poured)

    def _mark(self, mix_id: str, what: str, is_so: bool) -> None:
        """Hold a mix for as long as it is begun or poured; one that is poured was begun."""
        with self._booking, self._lock:
            mix = self._held.get(mix_id) or self._mixes.get(mix_id)
            if mix is None and is_so:
                raise OutdatedError("a mix that is not planned any more")
            if mix is None or (what == "begun" and mix["poured"]):
                return
            if is_so != (mix[what] is not None):
                if _source(mix) in self._booked:
                    raise OutdatedError("a mix that is booked")
                held = {**self._held, mix_id: {**mix, what: now() if is_so else None}}
                kept = {key: one for key, one in held.items() if one["begun"] or one["poured"]}
                write_whole(self._poured_file, json.dumps([*kept.values()], indent=1))
                self._held = kept
                self._mixes.pop(mix_id, None)
        self._call_for()

    def book(self, mix_id: str, left_g: float) -> int:
        """Book a poured mix with what was left of it, below 0 what was missing."""
        with self._booking_of(mix_id, new=True) as (mix, source, journal):
            if source in self._booked:
                number = self._booked[source]["booked"]
                raise OutdatedError(f"this mix booked already, as pour {number}")
            said = ("stone", "way", "volume_ml", "volume_u_ml", "powder_g", "water_ml")
            cases = [
                Case(
                    name=name,
                    cavity=cavity,
                    pour=FIRST,
                    content=None if content == _HIDDEN else content,
                    volume_ml=one["volume_ml"],
                )
                for (name, cavity, content), one in zip(
                    mix["impressions"], mix["names"], strict=True
                )
            ]
            entry = entry_of(
                self.request.settings.lab,
                left_g=left_g,
                scan=", ".join(one["name"] for one in mix["names"]),
                source=source,
                cases=cases,
                **{name: mix[name] for name in said},
            )
            return journal.book(entry)

    def strike(self, mix_id: str) -> None:
        """Strike out what was booked of a mix: it can be booked again."""
        with self._booking_of(mix_id, new=False) as (_, source, journal):
            if source in self._booked:
                journal.strike(self._booked[source]["booked"])

    @contextmanager
    def _booking_of(
        self, mix_id: str, *, new: bool
    ) -> Iterator[tuple[dict[str, Any], str, Journal]]:
        """Give a poured mix, its fingerprint and the journal; what is booked is read anew."""
        with self._booking:
            mix = self._held.get(mix_id)
            if mix is None or not mix["poured"]:
                raise OutdatedError("a mix that is not ticked as poured")
            if self._journal_file is None:
                raise UsageError(
                    "no journal",
                    needed="the file that pours are booked in",
                    remedy="start the desk again with a journal, or name one in the lab's file",
                )
            with Journal(self._journal_file, new=new) as journal:
                self._booked = _booked_in(journal)
                yield mix, _source(mix), journal
                with self._changing():
                    self._booked = _booked_in(journal)

    def _mix(
        self, shared: SharedMix, plan: Plan, called: dict[str, str], by_name: dict[str, Result]
    ) -> dict[str, Any]:
        """Say a mix in the words of the bench."""
        made = shared.mix
        said = mix_words(shared, plan, called, by_name, with_ends=True)
        bases = said["bases"]
        closes_min = min(one.closes_min for one in shared.impressions)
        keys = [self._named(by_name[one.name]) for one in shared.impressions]
        amounts = [made.stone, round(made.powder_g, 6), round(made.water_ml, 6), made.mixes]
        notes = [(f"Before the water, {name}:", told) for name, told in said["before"].items()]
        notes += [(visible(note.text), visible(note.do_at_desk)) for note in shared.notes]
        return {
            "at": said["at"],
            "late": said["late"],
            "id": hashlib.sha256(json.dumps([keys, amounts]).encode()).hexdigest()[:16],
            "impressions": keys,
            "names": [
                {"name": called[one.name], "volume_ml": one.volume_ml, "by": plan.by(one)}
                for one in shared.impressions
            ],
            "stone": visible(made.stone),
            "mixes": made.mixes,
            "water": water_in_words(made),
            "powder": powder_in_words(made),
            "scoops": words.scoops_in_words(made),
            "bowl": visible(words.bowl_in_words(made)),
            "ratio": words.ratio_in_words(made),
            "working_min": None if made.kind.working_time is None else made.kind.working_time.low,
            "short": [visible(say) for say in words.if_short(made)[:3]],
            "steps": [
                *said["steps"],
                *(f"Base of {name}: {amounts_in_words(base)}." for name, base in bases.items()),
            ],
            "volume_ml": made.volume_ml,
            "volume_u_ml": made.volume_u_ml,
            "powder_g": made.powder_g,
            "water_ml": made.water_ml,
            "way": made.way,
            "until": plan.at(closes_min).isoformat() if math.isfinite(closes_min) else None,
            "then": "base" if bases else "separate",
            "then_min": BEFORE_BASE.value if bases else SEPARATING.low,
            "notes": [{"text": text, "do": do} for text, do in notes],
            "begun": None,
            "poured": None,
            **_UNBOOKED,
        }

    def _read_held(self) -> dict[str, dict[str, Any]]:
        if not self._poured_file.is_file():
            return {}
        try:
            held = json_in(text_of(self._poured_file, _LARGEST_POURED))
            # As another version may have written it: what is asked of it is asked here.
            needed = ("begun", "poured", "impressions", "names", "volume_u_ml")
            mixes = [{**mix, "id": str(mix["id"]), **{n: mix[n] for n in needed}} for mix in held]
            return {mix["id"]: mix for mix in mixes}
        except (ScanError, ValueError, KeyError, TypeError) as fault:
            raise UsageError(
                f"{self._poured_file} that cannot be read ({fault})",
                needed="the list of poured mixes as this volest writes it",
                remedy="move that file away: ticks of this day are lost, bookings are not",
            ) from fault


def _patches(said: Sequence[Any]) -> list[decision.Patch]:
    if len(said) > MOST_NEW_PATCHES:
        raise UsageError(
            f"{len(said)} new patches",
            needed=f"{MOST_NEW_PATCHES} at most",
            remedy="save some first",
        )
    return [decision.patch_in(Path("what was touched"), patch) for patch in said]


def _has_line(scan: Path) -> bool:
    """Say whether a line is saved for a scan that is refused, or what cannot be read as one."""
    try:
        return decision.read_decision(scan) is not None
    except (ScanError, OSError):
        return True


def version_of(scan: Path) -> str:
    """Give a mark of a scan, and of what is saved beside it, as both lie there now."""
    content = content_of(scan)
    return _HIDDEN if content is None else f"{content.mark}-{content.decision[:20]}"


def _key_in(impression: Sequence[Any]) -> tuple[int, str]:
    """Take an impression's key from what a mix keeps of it: name, number, content."""
    name, cavity, content = impression
    return cavity, name if content == _HIDDEN else content


def _source(mix: dict[str, Any]) -> str:
    """Give the fingerprint by which the journal knows a poured mix."""
    return hashlib.sha256(f"{mix['id']}\n{mix['poured']}".encode()).hexdigest()


def _booked_in(journal: Journal) -> dict[str, dict[str, Any]]:
    """Give number and leftover of each pour that counts, by its source."""
    return {
        one.source: {"booked": one.number, "left_g": one.left_g}
        for one in journal.pours()
        if one.source is not None
    }
