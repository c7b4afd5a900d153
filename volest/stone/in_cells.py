"""The amounts of a mix as they stand in a cell: of each mix, where there are several."""

from volest.stone.mix import Mix, shown


def water_dealt(made: Mix) -> str:
    """Say the water in a cell, in mL: of each mix, never a sum that no bowl takes.

    >>> from volest.stone.mix import mix
    >>> water_dealt(mix(50)), water_dealt(mix(200, mixes=2))
    ('20.6', '2 x 41.0')
    """
    return _each(made, made.water_ml, made.bench.cylinder_step_ml)


def powder_dealt(made: Mix) -> str:
    """Say the powder in a cell, in g: of each mix, never a sum that no bowl takes.

    >>> from volest.stone.mix import mix
    >>> powder_dealt(mix(50)), powder_dealt(mix(200, mixes=2))
    ('103', '2 x 205')
    """
    return _each(made, made.powder_g, made.bench.scale_step_g)


def scoops_dealt(made: Mix) -> str:
    """Say the scoops in a cell: full ones, then what is weighed on top; never rounded up."""
    if not made.has_scoop:
        return "weigh"
    rest = f" + {shown(made.rest_g, made.bench.scale_step_g)} g" if made.rest_g else ""
    scoops = f"{made.full_scoops}{rest}"
    return scoops if made.mixes == 1 else f"{scoops} each"


def _each(made: Mix, amount: float, step: float) -> str:
    each = shown(amount / made.mixes, step)
    return each if made.mixes == 1 else f"{made.mixes} x {each}"
