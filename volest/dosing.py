"""From what was measured to what is mixed: the pours of impressions, by a lab's settings.

A measurement needs no mix: what only measures, looks or draws does not come here.
"""

from dataclasses import replace

from volest.errors import MixError, UsageError
from volest.result import NOTED, Result, refused
from volest.settings import PITCH_RANGE_MM, Settings
from volest.stone.mix import Mix
from volest.stone.pours import first_pour, second_pour

# Any ordinary quadrant; only whether the settings make a mix at all is asked.
_TRIAL_VOLUME_ML, _TRIAL_FOOTPRINT_MM2 = 15.0, 2000.0


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


def dosed(result: Result, settings: Settings) -> Result:
    """Add the pours to what was measured; refused where they cannot be mixed, it says why."""
    try:
        return poured(result, settings)
    except MixError as fault:
        why = refused(result.scan, fault)
        return replace(why, cavity=result.cavity, cavities=result.cavities)


def poured(result: Result, settings: Settings) -> Result:
    """Add the pours to what was measured, if it was; a MixError where they cannot be mixed."""
    if result.volume_ml is None or result.footprint_mm2 is None:
        return result
    first = dose(result, result.volume_ml, settings)
    second = second_pour(result.footprint_mm2, settings)
    notes = (*result.notes, *first.notes, *(second.notes if second else ()))
    outcome = NOTED if notes else result.outcome
    return replace(result, mix=first, second_pour=second, notes=notes, outcome=outcome)


def dose(result: Result, volume_ml: float, settings: Settings) -> Mix:
    """Size the first pour of an impression for a volume: its own, or that of another base line."""
    return first_pour(volume_ml, settings.for_scan(result.scan), reserve_ml=result.reserve_ml)
