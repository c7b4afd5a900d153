"""The words of a mix card: what to see to before, the steps, what to do if short, the cautions."""

import math

from volest.lab import VACUUM
from volest.learned import Learned
from volest.stone.bench import (
    BEFORE_BASE,
    HAND_MIXING,
    SEPARATING,
    SOAK,
    VACUUM_MIXING,
)
from volest.stone.mix import Mix
from volest.stone.rounding import NOISE_DIGITS, shown

BEFORE = (
    "Disinfect the impression first, rinse it, leave no drops in it.",
    "Wetting agent on, then gentle air: no pool in the pits.",
    "Mask on before the powder is opened: gypsum dust.",
    "Stir the powder store now and then: vibration segregates it.",
)

CAUTIONS = (
    "Too thick? Never add water: throw the mix away and make a new one.",
    "Stone gets hot while it sets: never let it set on skin.",
    "No stone down the sink without a trap.",
    "The powder maker's instructions and your lab's rules win over this tool.",
)
NUMBERED = ("Steps", "Base, the second pour")


def water_in_words(made: Mix) -> str:
    """Say the water of one mix, no finer than the cylinder.

    Parameters
    ----------
    made : Mix
        The mix.

    Returns
    -------
    str
        For example '20.6 mL'.
    """
    return f"{shown(made.water_ml / made.mixes, made.bench.cylinder_step_ml)} mL"


def water_weighed(made: Mix) -> str:
    """Say the water of one mix for the scale, no finer than the scale.

    Parameters
    ----------
    made : Mix
        The mix.

    Returns
    -------
    str
        For example '21 g'.
    """
    return f"{shown(made.water_g / made.mixes, made.bench.scale_step_g)} g"


def powder_in_words(made: Mix) -> str:
    """Say the powder of one mix, no finer than the scale.

    Parameters
    ----------
    made : Mix
        The mix.

    Returns
    -------
    str
        For example '103 g'.
    """
    return f"{shown(made.powder_g / made.mixes, made.bench.scale_step_g)} g"


def scoops_in_words(made: Mix) -> str:
    """Say the powder of one mix in scoops.

    Parameters
    ----------
    made : Mix
        The mix.

    Returns
    -------
    str
        For example '2 full scoops of 50 g'.
    """
    bench = made.bench
    powder_g = made.powder_g / made.mixes
    full = math.floor(round(powder_g / bench.scoop_g, NOISE_DIGITS))
    rest_g = round(powder_g - full * bench.scoop_g, NOISE_DIGITS)
    each = f"of {bench.scoop_g:g} g"
    if full == 0:
        return f"less than 1 scoop {each}"
    scoops = f"{full} full scoop{'s' * (full != 1)} {each}"
    return scoops if rest_g == 0 else f"{scoops} and {shown(rest_g, bench.scale_step_g)} g"


def yield_in_words(made: Mix) -> tuple[str, ...]:
    """Say what the mix makes, how much of it is waste, and what it costs.

    Parameters
    ----------
    made : Mix
        The mix.

    Returns
    -------
    tuple of str
        One line each.
    """
    percent = 100.0 * made.waste_ml / made.mix_ml
    makes = f"Makes {made.mix_ml:.1f} mL at W/P {made.wp_ml_per_100g:.4g} mL per 100 g. "
    waste = f"{made.waste_ml:.1f} mL of it is waste,"
    share = f"{percent:.0f} % of the mix; {made.surplus_ml:.1f} mL of that comes from rounding up."
    lines = [makes + waste, share]
    price = made.kind.price
    if price is not None:
        cost, lost = (price.value * grams / 1000.0 for grams in (made.powder_g, made.waste_g))
        currency = price.unit.removesuffix(" per kg")
        lines.append(f"The powder costs {cost:.2f} {currency}, {lost:.2f} {currency} of it lost.")
    return tuple(lines)


def learned_in_words(law: Learned, volume_ml: float) -> str:
    """Say on what a learned waste rests.

    Parameters
    ----------
    law : Learned
        What the pours teach.
    volume_ml : float
        Volume to fill, in mL.

    Returns
    -------
    str
        One sentence.
    """
    return (
        f"{law.allowance_ml(volume_ml):.1f} mL on top, learned from {law.pours} "
        f"pour{'s' * (law.pours != 1)}: {law.expected_ml(volume_ml):.1f} mL are taken on average, "
        f"give or take {law.scatter_ml(volume_ml):.1f} mL; {law.risk_percent:g} % chance of "
        "running short."
    )


def steps(made: Mix, way: str = VACUUM) -> tuple[str, ...]:
    """List the steps from the bowl to the cast.

    Parameters
    ----------
    made : Mix
        The mix.
    way : str
        'hand' or 'vacuum'.

    Returns
    -------
    tuple of str
        One sentence a step, water first.
    """
    working = made.kind.working_time
    hurry = f"within {working} {working.unit} of step 2" if working else "at once, it sets fast"
    bowl = f"bowl {made.bowl}" if made.bowl else "the bowl"
    again = (
        (f"Now the same once more: {made.mixes} mixes in all, poured onto wet stone.",)
        if made.mixes > 1
        else ()
    )
    return (
        f"Water into {bowl} first: {water_in_words(made)}, distilled, room temperature.",
        f"Then the powder: {powder_in_words(made)}. Let it soak {SOAK} {SOAK.unit}.",
        *_stirring(way),
        f"Pour {hurry}; start at one end and let it flow.",
        *again,
        f"Leave it {SEPARATING} {SEPARATING.unit} before you lift the cast out.",
    )


def _stirring(way: str) -> tuple[str, ...]:
    if way == VACUUM:
        return (
            "Mix by hand until no dry powder is left.",
            f"Then about {VACUUM_MIXING} {VACUUM_MIXING.unit} under vacuum.",
        )
    # A handout on pouring casts: 2 turns a second. Shaking the air up: common practice, no source.
    return (
        f"Stir by hand {HAND_MIXING} {HAND_MIXING.unit}, about 2 turns a second, against the wall.",
        "Shake the bowl until no more bubbles come up.",
    )


def if_short(made: Mix) -> tuple[str, ...]:
    """Say what to do when the mix does not fill the cavity.

    Parameters
    ----------
    made : Mix
        The mix.

    Returns
    -------
    tuple of str
        One sentence each. Common practice, no source.
    """
    water = shown(made.wp_ml_per_100g / 2.0, made.bench.cylinder_step_ml)
    return (
        f"Mix more at once at the same ratio: {water} mL of water to 50 g of powder.",
        "Pour it on while the stone in the impression is still wet and glossy.",
        "Gloss gone? New stone leaves a joint: if it crosses a die, start again.",
        "Book it with 'volest log --short', so that the next mixes are larger.",
    )


def base_steps(first: Mix, base: Mix, retention_ml: float, way: str = VACUUM) -> tuple[str, ...]:
    """List the steps of the second pour: order, waiting time, amounts.

    Parameters
    ----------
    first, base : Mix
        Both pours.
    retention_ml : float
        First-pour stone that is kept for the knobs.
    way : str
        'hand' or 'vacuum'.

    Returns
    -------
    tuple of str
        One sentence a step.
    """
    kept = f"{retention_ml:g} mL of its mix is theirs."
    knobs = (
        f"Set knobs on the first pour while it is soft; {kept}"
        if retention_ml
        else "Leave the top of the first pour rough, so that the base holds."
    )
    into = f"Into bowl {base.bowl}" if base.bowl else "Into the bowl"
    into = f"{base.mixes} equal mixes. {into}" if base.mixes > 1 else into
    less = "" if first.stone == base.stone else f" It is {base.stone} now, not {first.stone}."
    return (
        knobs,
        f"Wait about {BEFORE_BASE} {BEFORE_BASE.unit}, or until the gloss has gone. Wet it again.",
        f"{into}: water first, {water_in_words(base)}; then powder, {powder_in_words(base)}.{less}",
        *_stirring(way),
        "Pour the base, turn the impression onto it, do not press.",
        f"Leave it {SEPARATING} {SEPARATING.unit} more before you lift the cast out.",
    )
