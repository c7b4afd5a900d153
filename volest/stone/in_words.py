"""A mix in the words of the bench: water, powder, scoops, ratio, waste, cost."""

from volest.lab import VACUUM
from volest.learned import Learned
from volest.stone.cost import cost_in_words
from volest.stone.mix import SAME_WP, Mix, shown

_TOP_UP_G = 50.0  # of powder: what is missing is seldom more, and twice as much is two of them


def water_in_words(made: Mix) -> str:
    """Say the water of one mix, no finer than the cylinder."""
    return f"{shown(made.water_ml / made.mixes, made.bench.cylinder_step_ml)} mL"


def water_weighed(made: Mix) -> str:
    """Say the water of one mix for the scale; '' where a step of that would move the ratio."""
    weighed = shown(made.water_g / made.mixes, made.bench.scale_step_g)
    off_g = abs(float(weighed) - made.water_g / made.mixes)
    moves_wp = 100.0 * off_g / (made.powder_g / made.mixes)
    return f"{weighed} g" if moves_wp < SAME_WP else ""


def powder_in_words(made: Mix) -> str:
    """Say the powder of one mix, no finer than the scale."""
    return f"{shown(made.powder_g / made.mixes, made.bench.scale_step_g)} g"


def scoops_in_words(made: Mix) -> str:
    """Say the powder of one mix in full scoops and a rest; or that it has to be weighed."""
    if not made.has_scoop:
        return "weigh it: no scoop weight is known"
    each = f"of {made.bench.scoop_g:g} g"
    if made.full_scoops == 0:
        return f"less than 1 scoop {each}"
    scoops = f"{made.full_scoops} full scoop{'s' * (made.full_scoops != 1)} {each}"
    return f"{scoops} and {_rest(made)} g" if made.rest_g else scoops


def bowl_in_words(made: Mix) -> str:
    """Say the bowl of a mix; '' where the lab has named no bowls."""
    return "" if made.bowl is None else f"bowl {made.bowl}"


def _rest(made: Mix) -> str:
    return shown(made.rest_g, made.bench.scale_step_g)


def same_again_in_words(made: Mix) -> str:
    """Find a small mix at the ratio that was asked for: water on a mark, powder on the scale."""
    bench, wp = made.bench, made.wp_ml_per_100g
    about_g = min(bench.scoop_g, _TOP_UP_G)
    marks = max(round(about_g * wp / 100.0 / bench.cylinder_step_ml), 1)
    water_ml = marks * bench.cylinder_step_ml
    powder_g = max(round(100.0 * water_ml / wp / bench.scale_step_g), 1) * bench.scale_step_g
    water = shown(water_ml, bench.cylinder_step_ml)
    one = " (1 full scoop)" if made.has_scoop and powder_g == bench.scoop_g else ""
    return f"{water} mL of water to {shown(powder_g, bench.scale_step_g)} g of powder{one}"


def ratio_in_words(made: Mix) -> str:
    """Say the ratio that the mix has, and the one that was asked for where they differ."""
    said = f"W/P {made.made_wp_ml_per_100g:.1f} mL per 100 g"
    if abs(made.made_wp_ml_per_100g - made.wp_ml_per_100g) < SAME_WP:
        return said
    mark_ml = made.bench.cylinder_step_ml
    return f"{said} ({made.wp_ml_per_100g:g} asked for; the cylinder's marks are {mark_ml:g} mL)"


def yield_in_words(made: Mix) -> tuple[str, ...]:
    """Say what the mix makes, how much of it is waste, and what it costs: a line each."""
    percent = 100.0 * made.waste_ml / made.mix_ml
    makes = "Makes" if made.mixes == 1 else f"All {made.mixes} mixes together make"
    waste = f"{made.waste_ml:.1f} mL of it is waste, {percent:.0f} % of the mix;"
    rounding = f"{made.surplus_ml:.1f} mL of that comes from rounding up."
    lines = [f"{makes} {made.mix_ml:.1f} mL at {ratio_in_words(made)}.", f"{waste} {rounding}"]
    cost = cost_in_words(made.powder_g, made.waste_g, made.kind)
    return (*lines, f"The powder costs {cost}.") if cost else tuple(lines)


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
