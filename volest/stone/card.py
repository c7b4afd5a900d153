"""The words of a mix card: what to see to before, the steps, what to do if short, the cautions."""

from volest.lab import VACUUM
from volest.stone.in_words import (
    powder_in_words,
    ratio_in_words,
    same_again_in_words,
    scoops_in_words,
    water_in_words,
)
from volest.stone.mix import Mix
from volest.stone.reference import (
    BEFORE_BASE,
    HAND_MIXING,
    KNOB,
    SEPARATING,
    SOAK,
    VACUUM_MIXING,
    Band,
)

BEFORE = (
    "Disinfect the impression first, rinse it, leave no drops in it.",
    "Wetting agent on, then gentle air: no pool in the pits.",
    "Mask on before the powder is opened: gypsum dust.",
    "Stir the powder store now and then: vibration segregates it.",
)

# The same in one line, for a card that goes to the bench by itself.
CARE = (
    "Mask on, impression disinfected. Never add water to a mix. Setting stone is hot: keep it off "
    "skin."
)
CAUTIONS = (
    "Too thick? Never add water: throw the mix away and make a new one.",
    "Stone gets hot while it sets: never let it set on skin.",
    "No stone down the sink without a trap.",
    "The powder maker's instructions and your lab's rules win over this tool.",
)
NUMBERED = ("Steps", "Base, the second pour")


def steps(made: Mix, way: str = VACUUM, *, knobs_ml: float | None = None) -> tuple[str, ...]:
    """List the steps from the bowl to the cast, or to the base.

    With `knobs_ml`, kept back for the knobs of a base, `base_steps` follow: the cast then stays in
    the impression until they are done.
    """
    bowl = f"bowl {made.bowl}" if made.bowl else "the bowl"
    kept = (f"Keep {knobs_ml:g} mL of the mix back for the knobs of the base.",) if knobs_ml else ()
    out = (f"Leave it {SEPARATING} {SEPARATING.unit}, then lift the cast out.",)
    return (
        f"Water into {bowl} first: {water_in_words(made)}, distilled, room temperature.",
        f"Then the powder: {powder_in_words(made)}. Let it soak {SOAK} {SOAK.unit}.",
        *_stirring(way),
        f"Pour {_deadline(made.kind.working_time)}; start at one end and let it flow.",
        *_again(made),
        *(out if knobs_ml is None else kept),
    )


def _again(made: Mix) -> tuple[str, ...]:
    if made.mixes == 1:
        return ()
    return (f"Now the same once more: {made.mixes} mixes in all, poured onto wet stone.",)


def _deadline(working: Band | None) -> str:
    if working is None:
        return "at once, it sets fast"
    longer = working.high > working.low
    others = f" (some powders allow {working.high:g} min: the maker's sheet)" if longer else ""
    return f"within {working.low:g} {working.unit} of step 2{others}"


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
    """Say what to do when the mix does not fill the cavity. Common practice, no source."""
    return (
        _more_of(made),
        "Pour it on while the stone in the impression is still wet and glossy.",
        "Gloss gone? New stone leaves a joint: if it crosses a die, start again.",
        "Book it with 'volest log --short', so that the next mixes are larger.",
    )


def base_if_short(base: Mix) -> str:
    """Say what to do when the mix of the base does not reach. Common practice, no source."""
    book = "Book it with 'volest log --base-pour --short'."
    return f"Base short? {_more_of(base)} Pour it on while the base is wet. {book}"


def _more_of(made: Mix) -> str:
    return f"Mix more {made.stone} at once at the same ratio: {same_again_in_words(made)}."


def base_steps(first: Mix, base: Mix, retention_ml: float, way: str = VACUUM) -> tuple[str, ...]:
    """List the steps of the second pour: hold, wait, wet, mix, pour, wait, part.

    Knobs, damp alginate, wetting, turning: common practice, no source.
    """
    knobs = (
        f"While the first pour is soft, set knobs of about {KNOB} {KNOB.unit} on it from the "
        f"{retention_ml:g} mL kept back, or press undercuts into it."
        if retention_ml
        else "While the first pour is soft, press undercuts into it: they hold the base."
    )
    wait = f"Wait about {BEFORE_BASE} {BEFORE_BASE.unit}: it must have set and lost its gloss."
    return (
        knobs,
        f"{wait} Leave the cast in; keep alginate damp.",
        "Wet the top of the first pour, no pool on it: dry stone takes the water from the base.",
        *_base_into_the_bowl(first, base),
        *_stirring(way),
        f"Pour it {_in_time(base.kind.working_time)}; turn the impression onto it, do not press.",
        *_again(base),
        f"Leave it {SEPARATING} {SEPARATING.unit} more, then lift the cast out.",
    )


def _base_into_the_bowl(first: Mix, base: Mix) -> tuple[str, str]:
    bowl = f"bowl {base.bowl}" if base.bowl else "the bowl"
    again = f"{base.mixes} equal mixes, one after the other. " if base.mixes > 1 else ""
    other = "" if first.stone == base.stone else f", not {first.stone}"
    powder = f"{powder_in_words(base)} of {base.stone}{other} ({scoops_in_words(base)})"
    return (
        f"{again}Water into {bowl} first: {water_in_words(base)}; {ratio_in_words(base)}.",
        f"Then the powder: {powder}. Let it soak {SOAK} {SOAK.unit}.",
    )


def _in_time(working: Band | None) -> str:
    if working is None:
        return "at once, it sets fast"
    return f"within {working.low:g} {working.unit} of the powder"
