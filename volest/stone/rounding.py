"""From exact amounts to what can be weighed, scooped and measured at the bench."""

import math

from volest.errors import UsageError
from volest.lab import Bench

# A hundred-millionth of a gram is float noise, not a reason to weigh one gram more.
NOISE_DIGITS = 8
# Steps are written in decimals; nine of them hold every step and drop the float's tail.
_CLEAN_DIGITS = 9
# Water follows the powder, and keeps the order of mixes, where a step of powder moves it by so
# many marks; else the powder follows the water.
_FINE_MARKS = 1.5


def powder_step_g(by: str, bench: Bench) -> float:
    """Give the step in which the powder is dealt out: by 'gram' or by whole 'scoop'."""
    steps = {"gram": bench.scale_step_g, "scoop": bench.scoop_g}
    if by not in steps:
        raise UsageError(
            f"rounding by {by!r}", needed="gram or scoop", remedy="write for example --by scoop"
        )
    return steps[by]


def powder_up(powder_g: float, step_g: float) -> float:
    """Round powder up to whole steps, at least one."""
    steps = max(1, math.ceil(round(powder_g / step_g, NOISE_DIGITS)))
    return round(steps * step_g, _CLEAN_DIGITS)


def dealt_out(
    powder_g: float,
    wp_ml_per_100g: float,
    *,
    density: float,
    wp_held: tuple[float, float],
    binds_ml_per_100g: float,
    step_g: float,
    mark_ml: float,
) -> tuple[float, float]:
    """Put a mix on steps of powder and marks of water, so that it is never short.

    Fine marks: powder up to a step, its water to the nearest mark, up where that would be short.
    Coarse marks, where a step of powder moves the water by less than a mark and a half: water up
    to a mark and powder to go with it, since a mark more to the same powder thins the mix. The
    mark below, with more powder in its place, serves where it takes less and keeps the ratio.

    `wp_held` is the stiffest ratio that still counts as the one to mix at, and the thinnest that
    the stone takes; below `binds_ml_per_100g` the powder does not set. Gives g and mL.
    """
    exact_ml = powder_g * wp_ml_per_100g / 100.0
    up_g = powder_up(powder_g, step_g)
    if step_g * wp_ml_per_100g / 100.0 >= _FINE_MARKS * mark_ml:
        nearest = round(up_g * wp_ml_per_100g / 100.0 / mark_ml) * mark_ml
        short_ml = exact_ml + (powder_g - up_g) / density
        bound_ml = up_g * binds_ml_per_100g / 100.0
        return up_g, _mark_up(max(nearest, short_ml, bound_ml), mark_ml)
    below_ml = math.floor(round(exact_ml / mark_ml, NOISE_DIGITS)) * mark_ml
    above_ml = _mark_up(exact_ml, mark_ml)
    below_g = powder_up(powder_g + density * (exact_ml - below_ml), step_g)
    above_g = max(round(100.0 * above_ml / wp_ml_per_100g / step_g) * step_g, up_g)
    if below_g < above_g and 100.0 * below_ml / below_g >= wp_held[0]:
        return below_g, round(below_ml, _CLEAN_DIGITS)
    if 100.0 * above_ml / above_g > wp_held[1]:
        above_g += step_g
    bound_ml = above_g * binds_ml_per_100g / 100.0
    return round(above_g, _CLEAN_DIGITS), _mark_up(max(above_ml, bound_ml), mark_ml)


def _mark_up(water_ml: float, mark_ml: float) -> float:
    return round(math.ceil(round(water_ml / mark_ml, NOISE_DIGITS)) * mark_ml, _CLEAN_DIGITS)


def shown(amount: float, step: float) -> str:
    """Write an amount no finer than its step."""
    text = f"{step:.6f}".rstrip("0")
    digits = len(text.partition(".")[2])
    return f"{round(amount / step) * step:.{digits}f}"
