"""A day's impressions: of which material and kind each is, when it was taken, and their plan."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from volest.dosing import taken_beyond
from volest.errors import UsageError
from volest.result import Result
from volest.scan.decision import decision_path, read_material, read_taken
from volest.settings import Settings, Taken, fits
from volest.stone.reference import Window, kind_of, pour_window
from volest.stone.shared import Impression, Plan, plan_mixes, this_minute

Word = TypeVar("Word")


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """What is known of impressions by patterns of their scans' names; the last that fits holds.

    Parameters
    ----------
    at_most : int or None
        How many may share a mix; None takes the lab's.
    windows, kinds : tuple of pairs
        Materials, and 'quadrant', 'arch' or 'dies'; a material that is not said may be saved beside
        the scan, a kind is seen from it.
    taken : tuple of Taken
        When they were taken; where none fits, a time that is saved beside the scan.
    start : datetime or None
        When the first mix may begin; None is now.
    """

    at_most: int | None = None
    windows: tuple[tuple[str, Window], ...] = ()
    kinds: tuple[tuple[str, str], ...] = ()
    taken: tuple[Taken, ...] = ()
    start: datetime | None = None

    def plan(self, results: Iterable[Result], settings: Settings) -> Plan:
        """Plan the mixes of what was measured."""
        start = self.start or this_minute()
        waiting = [
            Impression(
                name=result.name,
                scan=result.scan,
                cavity=result.cavity,
                volume_ml=result.volume_ml,
                more=taken_beyond(result, settings),
                window=_last(self.windows, result.scan) or _saved_window(result.scan),
                age_min=self._age_min(result.scan, start),
                kind=_last(self.kinds, result.scan) or kind_of(result.footprint_mm2 or 0.0),
            )
            for result in results
            if result.volume_ml is not None
        ]
        return plan_mixes(waiting, settings, at_most=self.at_most, start=start)

    def _age_min(self, scan: str, start: datetime) -> float | None:
        """Say how old an impression is; one that is still to be taken was not told rightly."""
        said = [taken.at(scan, start) for taken in self.taken if taken.fits(scan)]
        at = said[-1] if said else read_taken(Path(scan)) if "://" not in scan else None
        age_min = None if at is None else (start - at).total_seconds() / 60.0
        return age_min if age_min is not None and age_min >= 0.0 else None


def _saved_window(scan: str) -> Window | None:
    saved = None if "://" in scan else read_material(Path(scan))
    try:
        return None if saved is None else pour_window(saved)
    except UsageError as fault:
        found = f"{fault.found} in {decision_path(Path(scan)).name}"
        raise UsageError(found, needed=fault.needed, remedy="write one of these there") from fault


def _last(said: Sequence[tuple[str, Word]], scan: str) -> Word | None:
    return next((word for pattern, word in reversed(said) if fits(pattern, scan)), None)
