"""From exact amounts to what can be weighed, scooped and measured at the bench."""

import math

from volest.errors import UsageError
from volest.lab import Bench

# A hundred-millionth of a gram is float noise, not a reason to weigh one gram more.
NOISE_DIGITS = 8
# Steps are written in decimals; nine of them hold every step and drop the float's tail.
_CLEAN_DIGITS = 9
# Nearest marks keep the order of mixes only where a step of powder moves the water by so many.
_FINE_MARKS = 1.5


def powder_step_g(by: str, bench: Bench) -> float:
    """Give the step in which the powder is dealt out.

    Parameters
    ----------
    by : str
        'gram' for the scale, 'scoop' for whole scoops.
    bench : Bench
        The scale and the scoop.

    Returns
    -------
    float
        Step, in g.

    Raises
    ------
    UsageError
        If there is no such way of dealing it out.
    """
    steps = {"gram": bench.scale_step_g, "scoop": bench.scoop_g}
    if by not in steps:
        raise UsageError(
            f"rounding by {by!r}", needed="gram or scoop", remedy="write for example --by scoop"
        )
    return steps[by]


def powder_up(powder_g: float, step_g: float) -> float:
    """Round powder up to whole steps, at least one.

    Parameters
    ----------
    powder_g : float
        Exact powder, in g.
    step_g : float
        Step of the scale, or content of the scoop.

    Returns
    -------
    float
        Powder, in g.

    Examples
    --------
    >>> powder_up(102.3, 1.0), powder_up(102.3, 0.5), powder_up(102.3, 50.0)
    (103.0, 102.5, 150.0)
    """
    steps = max(1, math.ceil(round(powder_g / step_g, NOISE_DIGITS)))
    return round(steps * step_g, _CLEAN_DIGITS)


def water_on_marks(
    water_ml: float, *, at_least_ml: float, mark_ml: float, water_per_step_ml: float
) -> float:
    """Put water on a mark of the cylinder.

    Fine marks: the nearest. Coarse marks, where a step of powder moves the water by less than a
    mark and a half: the next one up, since the nearest could give a larger volume less water.

    Parameters
    ----------
    water_ml : float
        Water that belongs to the rounded powder.
    at_least_ml : float
        Water below which the mix is short, or too dry to set.
    mark_ml : float
        Smallest mark.
    water_per_step_ml : float
        Water that one step of powder takes.

    Returns
    -------
    float
        Water, in mL.

    Examples
    --------
    >>> water_on_marks(20.62, at_least_ml=20.0, mark_ml=0.1, water_per_step_ml=0.2)
    20.6
    >>> water_on_marks(20.2, at_least_ml=20.0, mark_ml=1.0, water_per_step_ml=0.2)
    21.0
    """
    fine = water_per_step_ml >= _FINE_MARKS * mark_ml
    marks = water_ml / mark_ml
    wanted = round(marks) if fine else math.ceil(round(marks, NOISE_DIGITS))
    least = math.ceil(round(at_least_ml / mark_ml, NOISE_DIGITS))
    return round(max(wanted, least) * mark_ml, _CLEAN_DIGITS)


def shown(amount: float, step: float) -> str:
    """Write an amount no finer than its step.

    Parameters
    ----------
    amount, step : float
        The amount, and the smallest step in which it is weighed or measured.

    Returns
    -------
    str
        The nearest step, without a unit.

    Examples
    --------
    >>> shown(20.57, 0.1), shown(20.57, 1.0), shown(20.57, 0.5)
    ('20.6', '21', '20.5')
    """
    text = f"{step:.6f}".rstrip("0")
    digits = len(text.partition(".")[2])
    return f"{round(amount / step) * step:.{digits}f}"
