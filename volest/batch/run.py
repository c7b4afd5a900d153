"""Many scans, one after the other; none of them stops the rest."""

import logging
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from volest.errors import (
    EXIT_FAULT,
    EXIT_MEASURED,
    EXIT_REFUSED,
    UsageError,
    VolestError,
)
from volest.result import REFUSED, Result, one_by_one
from volest.settings import PITCH_RANGE_MM, Settings
from volest.stone.pours import first_pour, second_pour

SizeScan = Callable[[Path, Settings], Result]
FAULT = "fault"  # the code of a scan that volest itself failed on
# Any ordinary quadrant; only whether the settings make a mix at all is asked.
_TRIAL_VOLUME_ML, _TRIAL_FOOTPRINT_MM2 = 15.0, 2000.0
_LOG = logging.getLogger(__name__)


def run(
    paths: Sequence[Path],
    settings: Settings,
    *,
    on_result: Callable[[Result], None] | None = None,
    size_scan: SizeScan | None = None,
) -> list[Result]:
    """Size scans one after the other; fewer results if interrupted from the keyboard."""
    check_settings(settings)
    size = size_scan or _pipeline()
    results: list[Result] = []
    try:
        for path in paths:
            results.append(size_one(path, settings, size))
            if on_result is not None:
                on_result(results[-1])
    except KeyboardInterrupt:
        _LOG.warning("interrupted after %d of %d scans", len(results), len(paths))
    return list(one_by_one(results))


def check_settings(settings: Settings) -> None:
    """Refuse a pitch, stone, water, waste or residue that cannot hold for any scan."""
    finest, coarsest = PITCH_RANGE_MM
    if not finest <= settings.pitch_mm <= coarsest:
        raise UsageError(
            f"pitch {settings.pitch_mm:g} mm",
            needed=f"{finest:g} to {coarsest:g} mm",
            remedy="leave --pitch out for the usual one",
        )
    if settings.stones_for and settings.wp_ml_per_100g is not None:
        raise UsageError(
            "one W/P ratio for several stones",
            needed="each stone's own",
            remedy="leave --wp out; a lab file can say the usual water of each stone",
        )
    for stone in settings.stones:
        first_pour(_TRIAL_VOLUME_ML, settings.with_stone(stone))
    second_pour(_TRIAL_FOOTPRINT_MM2, settings)


def exit_code(results: Sequence[Result]) -> int:
    """Say how a run ended; the worst scan decides."""
    refused = [result for result in results if result.outcome == REFUSED]
    return worst_of(len(refused), sum(result.code == FAULT for result in refused))


def worst_of(refused: int, faults: int) -> int:
    """Say how a run ended of which only the numbers are known; faults are refused scans too.

    >>> worst_of(0, 0), worst_of(2, 0), worst_of(2, 1)
    (0, 1, 4)
    """
    if faults:
        return EXIT_FAULT
    return EXIT_REFUSED if refused else EXIT_MEASURED


def _pipeline() -> SizeScan:
    # Reads numpy and scipy, so not before a scan is there to be sized.
    from volest.pipeline import size_scan

    return size_scan


def size_one(path: Path, settings: Settings, size_scan: SizeScan | None = None) -> Result:
    """Size one scan so that nothing it does stops the others: a row where it or volest failed."""
    size = size_scan or _pipeline()
    start = time.perf_counter()
    try:
        return size(path, settings.for_scan(path.name))
    except VolestError as fault:
        reason, code = str(fault), fault.code
        _LOG.info("%s is refused: %s", path, fault)
    except Exception as fault:  # noqa: BLE001  # the one place where a batch must go on
        # The edge of the batch: whatever one scan does to volest, the others are still sized.
        _LOG.exception("%s brought volest down", path)
        what = f"{type(fault).__name__}: {fault}; run it again with --verbose and tell us"
        return fault_row(path, what, seconds=time.perf_counter() - start)
    seconds = time.perf_counter() - start
    return Result(scan=str(path), outcome=REFUSED, seconds=seconds, reason=reason, code=code)


def fault_row(scan: object, what: str, *, seconds: float = 0.0) -> Result:
    """Make the row of a scan that volest, its worker or the computer failed on, and what to do."""
    reason = f"fault in volest: {what}"
    return Result(scan=str(scan), outcome=REFUSED, seconds=seconds, reason=reason, code=FAULT)
