"""What powder costs, where the lab has named its price."""

from volest.stone.stones import StoneType


def cost_of(powder_g: float, kind: StoneType) -> float | None:
    """Say what powder costs in the lab's currency; None where it has named no price."""
    return None if kind.price is None else powder_g * kind.price.value / 1000.0


def cost_in_words(powder_g: float, waste_g: float, kind: StoneType) -> str:
    """Say what powder costs, and how much of that is waste; '' where no price is known."""
    whole, lost = cost_of(powder_g, kind), cost_of(waste_g, kind)
    if kind.price is None or whole is None or lost is None:
        return ""
    currency = kind.price.unit.removesuffix(" per kg")
    return f"{whole:.2f} {currency}, {lost:.2f} {currency} of it waste"
