"""From what was measured to what is mixed: the pours of impressions, by a lab's settings.

A measurement needs no mix: what only measures, looks or draws does not come here.
"""

from dataclasses import replace

import numpy as np

from volest.errors import MixError, UsageError
from volest.result import NOTED, Result, refused
from volest.settings import PITCH_RANGE_MM, Settings, fits
from volest.stone.mix import Beyond, Mix, beyond, first_pour, second_pour

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
    second = base(result, settings)
    notes = (*result.notes, *first.notes, *(second.notes if second else ()))
    outcome = NOTED if notes else result.outcome
    return replace(result, mix=first, second_pour=second, notes=notes, outcome=outcome)


def dose(result: Result, volume_ml: float, settings: Settings, moved_mm: float = 0.0) -> Mix:
    """Size the first pour of an impression for a volume: its own, or up to a line moved so far."""
    own = settings.for_scan(result.scan)
    return first_pour(volume_ml, own, taken_beyond(result, settings, moved_mm))


def taken_beyond(result: Result, settings: Settings, moved_mm: float = 0.0) -> Beyond:
    """Say what the first pour of an impression takes beyond the cavity."""
    rim_mm2 = result.footprint_mm2 if result.rim_mm2 is None else result.rim_mm2
    return beyond(
        settings,
        rim_mm2=rim_mm2 or 0.0,
        over_rim_mm=moved_mm + (0.0 if result.trim is None else result.trim.over_rim_mm),
        has_base=has_base(result.scan, settings),
        volume_u_ml=result.volume_u_ml,
        unseen_ml=result.reserve_ml,
    )


def has_base(scan: str, settings: Settings) -> bool:
    """Say whether the cast of a scan gets a base."""
    second = settings.lab.second_pour
    return second.is_made and not any(fits(names, scan) for names in second.not_for)


def base(result: Result, settings: Settings) -> Mix | None:
    """Size the base of a cast; None where it gets none. The heap and the nodules stand into it."""
    if not has_base(result.scan, settings):
        return None
    area_mm2, of_lab = result.footprint_mm2 or 0.0, settings.lab.second_pour
    if result.base_areas:  # at the base line, with land and tongue space as the lab has them
        lands_mm, bare_mm2, with_tongue_mm2 = zip(*result.base_areas, strict=True)
        areas_mm2 = with_tongue_mm2 if of_lab.tongue else bare_mm2
        area_mm2 = float(np.interp(of_lab.land_mm, lands_mm, areas_mm2))
    first = taken_beyond(result, settings)
    return second_pour(area_mm2, settings, taken_ml=first.heap_ml + first.nodules_ml)


def over_line_mm(result: Result, settings: Settings) -> tuple[float, float]:
    """Give how far the first pour stands over the base line, and the cast: its base, or that."""
    lab, over_rim_mm = settings.lab, 0.0 if result.trim is None else result.trim.over_rim_mm
    heap_mm, base_mm = lab.first_pour.over_line_mm(over_rim_mm), lab.second_pour.height_mm or 0.0
    return heap_mm, base_mm if has_base(result.scan, settings) else heap_mm


def cast_mm(result: Result, settings: Settings) -> float | None:
    """Give the height of the whole cast with its base; None where that is not known."""
    height_mm = settings.lab.second_pour.height_mm
    if result.depth_mm is None or height_mm is None or not has_base(result.scan, settings):
        return None
    return result.depth_mm + height_mm
