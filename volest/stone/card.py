"""The words of a mix card: what to see to before, the steps, the cautions."""

from volest.stone.bench import SCOOP_G, SEPARATING, SOAK, VACUUM_MIXING
from volest.stone.mix import Mix
from volest.stone.types import stone_type

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


def steps(mix: Mix) -> tuple[str, ...]:
    """List the steps from the bowl to the cast.

    Parameters
    ----------
    mix : Mix
        The mix.

    Returns
    -------
    tuple of str
        One sentence a step, water first.
    """
    working = stone_type(mix.stone).working_time
    hurry = f"within {working} {working.unit}" if working else "at once, it sets fast"
    return (
        f"Water into the bowl first: {mix.water_ml:.1f} mL, distilled, room temperature.",
        f"Then the powder: {mix.powder_g:.0f} g. Let it soak {SOAK} {SOAK.unit}.",
        "Mix by hand until no dry powder is left.",
        f"Then about {VACUUM_MIXING} {VACUUM_MIXING.unit} under vacuum.",
        f"Pour {hurry}; start at one end and let it flow.",
        f"Leave it {SEPARATING} {SEPARATING.unit} before you lift the cast out.",
    )


def scoops_in_words(mix: Mix) -> str:
    """Say the powder in scoops.

    Parameters
    ----------
    mix : Mix
        The mix.

    Returns
    -------
    str
        For example '2 full scoops of 50 g'.
    """
    full, rest_g = divmod(round(mix.powder_g), round(SCOOP_G))
    each = f"of {SCOOP_G:g} g"
    if rest_g == 0:
        return f"{full} full scoop{'s' * (full != 1)} {each}"
    if full == 0:
        return f"less than 1 scoop {each}"
    return f"{full} full scoop{'s' * (full != 1)} {each} and {rest_g} g"
