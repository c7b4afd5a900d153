"""A mix in the words of the bench: amounts, ratio, waste, cost, cells of tables, the mix card."""

from volest.lab import VACUUM, Learned
from volest.stone.mix import SAME_WP, Mix, powder_in_words, shown, water_in_words
from volest.stone.reference import (
    BEFORE_BASE,
    DISINFECTING,
    HAND_MIXING,
    NODULE,
    SEPARATING,
    SOAK,
    STEPS,
    UNKNOWN,
    VACUUM_MIXING,
    StoneType,
    Window,
)

_MOST_MORE = 1.0 / 3.0  # powder by whole scoops: what takes more is better weighed; no source
_TOP_UP_G = 50.0  # of powder: what is missing is seldom more, and twice as much is two of them


def water_weighed(made: Mix) -> str:
    """Say the water of one mix for the scale; '' where a step of that would move the ratio."""
    weighed = shown(made.water_g / made.mixes, made.bench.scale_step_g)
    off_g = abs(float(weighed) - made.water_g / made.mixes)
    moves_wp = 100.0 * off_g / (made.powder_g / made.mixes)
    return f"{weighed} g" if moves_wp < SAME_WP else ""


def scoops_in_words(made: Mix) -> str:
    """Say one mix in whole scoops, and the water that goes with them; or that it is weighed."""
    if not made.has_scoop:
        return f"weigh it: what a scoop of {made.stone} holds is not known"
    whole, count = made.whole_scoops, made.full_scoops
    if whole is None and made.rest_g:
        return "weigh it: no bowl takes it in whole scoops"
    if whole is None:
        return f"{count} full scoop{'s' * (count != 1)} of {made.bench.scoop_g:g} g"
    scoops = f"{scoops_in_words(whole)} with {water_in_words(whole)} of water"
    more_g = (whole.powder_g - made.powder_g) / made.mixes
    more = f"{shown(more_g, made.bench.scale_step_g)} g more"
    if more_g > _MOST_MORE * made.powder_g / made.mixes:
        return f"better weigh it: {scoops} would be {more}"
    makes = f"makes {whole.mix_ml / whole.mixes:.1f} mL"
    return f"or without a scale: {scoops}; that is {more} powder and {makes}"


def bowl_in_words(made: Mix) -> str:
    """Say the bowl of a mix; '' where the lab has named no bowls."""
    return "" if made.bowl is None else f"bowl {made.bowl}"


def ratio_in_words(made: Mix) -> str:
    """Say the ratio that the mix has, and the one that was asked for where they differ."""
    said = f"W/P {made.made_wp_ml_per_100g:.1f} mL per 100 g"
    if abs(made.made_wp_ml_per_100g - made.wp_ml_per_100g) < SAME_WP:
        return said
    mark_ml = made.bench.cylinder_step_ml
    return f"{said} ({made.wp_ml_per_100g:g} asked for; the cylinder's marks are {mark_ml:g} mL)"


def yield_in_words(made: Mix) -> tuple[str, ...]:
    """Say what the mix makes, what that is the sum of, and what it costs: a line each."""
    makes = "Makes" if made.mixes == 1 else f"All {made.mixes} mixes together make"
    cost = cost_in_words(made.powder_g, made.waste_g, made.kind)
    return _lines(
        f"{makes} {made.mix_ml:.1f} mL at {ratio_in_words(made)}.",
        terms_in_words(made),
        cost and f"The powder costs {cost}.",
    )


def _lines(*said: str) -> tuple[str, ...]:
    """Leave out what is not said."""
    return tuple(filter(None, said))


# What a mix is the sum of, as it is said; what comes after the reserve is told in full.
_TERMS = {
    "cavity": "cavity",
    "heap": "heap over the rim",
    "nodules": "retention nodules",
    "base": "base",
    "share": "lost on the way",
    "residue": "stay in the bowl",
    "reserve": "reserve",
    "rounding": "rounding up",
}


def terms_in_words(made: Mix) -> str:
    """Say what a mix is the sum of; waste is all that goes beyond what is filled."""
    told = [f"{ml:.1f} mL {_TERMS[name]}" for name, ml in made.terms_ml if round(ml, 1)]
    return (
        f"{' + '.join(told)}. Of it {made.waste_ml:.1f} mL are waste; the reserve takes "
        f"{made.reserve_g:.0f} g of powder and leaves a {made.risk_percent:g} % chance of running "
        "short."
    )


def way_in_words(way: str) -> str:
    """Say a way of mixing: 'hand' or 'vacuum'."""
    return "under vacuum" if way == VACUUM else "by hand"


def learned_in_words(law: Learned, volume_ml: float) -> str:
    """Say on what a learned waste rests."""
    return (
        f"Learned from {law.pours} pour{'s' * (law.pours != 1)}: a pour takes "
        f"{law.expected_ml(volume_ml):.1f} mL more than its cavity on average, give or take "
        f"{law.scatter_ml(volume_ml):.1f} mL. {law.allowance_ml(volume_ml):.1f} mL on top leave a "
        f"{law.risk_percent:g} % chance of running short."
    )


def cost_of(powder_g: float, kind: StoneType) -> float | None:
    """Say what powder costs in the lab's currency; None where it has named no price."""
    return None if kind.price is None else powder_g * kind.price.value / 1000.0


def cost_in_words(powder_g: float, waste_g: float, kind: StoneType) -> str:
    """Say what powder costs, and how much of that is waste; '' where no price is known."""
    whole, lost = cost_of(powder_g, kind), cost_of(waste_g, kind)
    if whole is None or lost is None:
        return ""
    return f"{whole:.2f} {kind.currency}, {lost:.2f} {kind.currency} of it waste"


def water_cell(made: Mix) -> str:
    """Say the water in a cell, in mL: of each mix, never a sum that no bowl takes."""
    return _each(made, made.water_ml, made.bench.cylinder_step_ml)


def powder_cell(made: Mix) -> str:
    """Say the powder in a cell, in g: of each mix, never a sum that no bowl takes."""
    return _each(made, made.powder_g, made.bench.scale_step_g)


def scoops_cell(made: Mix) -> str:
    """Say in a cell how many whole scoops go with how much water; or that it has to be weighed."""
    whole = made.whole_scoops
    if whole is None and (made.rest_g or not made.has_scoop):
        return "weigh"
    cell = f"{whole.full_scoops} + {water_in_words(whole)}" if whole else str(made.full_scoops)
    return cell if made.mixes == 1 else f"{cell} each"


def _each(made: Mix, amount: float, step: float) -> str:
    each = shown(amount / made.mixes, step)
    return each if made.mixes == 1 else f"{made.mixes} x {each}"


DISINFECTED = (
    f"Disinfected before it was scanned, at __:__ ({DISINFECTING} {DISINFECTING.unit}, as the "
    "agent's maker says), and rinsed."
)


def ready(window: Window | None) -> tuple[str, ...]:
    """List how an impression is kept and made ready, by its material where that is known."""
    if window is None:
        return tuple(step.text for step in UNKNOWN)
    wait = f"Pour it {window} after it was taken; its maker's sheet goes before that."
    return (wait, *(step.text for step in STEPS[window.family]))


def before(window: Window | None = None) -> tuple[str, ...]:
    """List what comes before the water; the first line is one to tick."""
    return (
        f"[ ] {DISINFECTED}",
        *ready(window),
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


def steps(made: Mix, *, nodules_ml: float | None = None, ends: str = "") -> tuple[str, ...]:
    """List the steps from the bowl to the cast, or to the base.

    `ends` says where the stone ends. With `nodules_ml`, kept back for those of a base, `base_steps`
    follow: until then the cast stays in the impression.
    """
    working, longer = made.kind.working_time, ""
    if working is not None and working.high > working.low:
        longer = f" (some powders allow {working.high:g} min: the maker's sheet)"
    nodules = f"Put {nodules_ml or 0.0:.1f} mL of the mix aside for the nodules of the base."
    out = f"Leave it {SEPARATING} {SEPARATING.unit}, then separate the cast from it."
    return _lines(
        f"{_water_first(made)}, distilled, room temperature.",
        f"Then the powder: {powder_in_words(made)}. Let it soak {SOAK} {SOAK.unit}.",
        *_stirring(made.way),
        nodules * bool(nodules_ml),
        f"Pour {_deadline(made, 'step 2')}{longer}. Prepared teeth first, each with a small "
        "instrument; then start at one end and let it flow.",
        ends,
        _again(made),
        out * (nodules_ml is None),
    )


def _water_first(made: Mix) -> str:
    return f"Water into {bowl_in_words(made) or 'the bowl'} first: {water_in_words(made)}"


def _again(made: Mix) -> str:
    said = f"Now the same once more: {made.mixes} mixes in all, poured onto wet stone."
    return said * (made.mixes > 1)


def _deadline(made: Mix, since: str) -> str:
    working = made.kind.working_time
    if working is None:
        return "at once, it sets fast"
    return f"within {working.low:g} {working.unit} of {since}"


def _stirring(way: str) -> tuple[str, str]:
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


def base_if_short(base: Mix, *, on_paper: bool = False) -> str:
    """Say what to do when the mix of the base does not reach. Common practice, no source."""
    book = "" if on_paper else " Book it with 'volest log --base-pour --short'."
    return f"Base short? {_more_of(base)} Pour it on while the base is wet.{book}"


def _more_of(made: Mix) -> str:
    """Say a small mix at the ratio that was asked for: water on a mark, powder on the scale."""
    bench, wp = made.bench, made.wp_ml_per_100g
    about_g = min(bench.scoop_g, _TOP_UP_G)
    marks = max(round(about_g * wp / 100.0 / bench.cylinder_step_ml), 1)
    water_ml = marks * bench.cylinder_step_ml
    powder_g = max(round(100.0 * water_ml / wp / bench.scale_step_g), 1) * bench.scale_step_g
    water, powder = shown(water_ml, bench.cylinder_step_ml), shown(powder_g, bench.scale_step_g)
    one = " (1 full scoop)" * (made.has_scoop and powder_g == bench.scoop_g)
    again = f"{water} mL of water to {powder} g of powder{one}"
    return f"Mix more {made.stone} at once at the same ratio: {again}."


def base_steps(first: Mix, base: Mix, retention_ml: float) -> tuple[str, ...]:
    """List the steps of the second pour: hold, wait, wet, mix, pour, wait, part.

    Nodules, damp alginate, wetting, turning: common practice, no source.
    """
    nodules = "press undercuts into it: they hold the base."
    if retention_ml:
        kept = f"{retention_ml:.1f} mL kept back, or press undercuts into it."
        nodules = f"set nodules of about {NODULE} {NODULE.unit} on it from the {kept}"
    again = f"{base.mixes} equal mixes, one after the other. " * (base.mixes > 1)
    other = f", not {first.stone}" * (first.stone != base.stone)
    powder = f"{powder_in_words(base)} of {base.stone}{other} ({scoops_in_words(base)})"
    wait = f"Wait about {BEFORE_BASE} {BEFORE_BASE.unit}: it must have set and lost its gloss."
    return _lines(
        f"While the first pour is soft, {nodules}",
        f"{wait} Leave the cast in; keep alginate damp.",
        "Wet the top of the first pour, no pool on it: dry stone takes the water from the base.",
        f"{again}{_water_first(base)}; {ratio_in_words(base)}.",
        f"Then the powder: {powder}. Let it soak {SOAK} {SOAK.unit}.",
        *_stirring(base.way),
        f"Pour it {_deadline(base, 'the powder')}; turn the impression onto it, do not press.",
        _again(base),
        f"Leave it {SEPARATING} {SEPARATING.unit} more, then separate the cast from it.",
    )
