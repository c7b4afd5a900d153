"""What powder costs, where the lab has named its price."""

from volest.stone.types import StoneType


def cost_of(powder_g: float, kind: StoneType) -> float | None:
    """Say what powder costs.

    Parameters
    ----------
    powder_g : float
        Powder.
    kind : StoneType
        Its stone.

    Returns
    -------
    float or None
        In the lab's currency; None where the lab has named no price.
    """
    return None if kind.price is None else powder_g * kind.price.value / 1000.0


def cost_in_words(powder_g: float, waste_g: float, kind: StoneType) -> str:
    """Say what powder costs, and how much of that is waste.

    Parameters
    ----------
    powder_g, waste_g : float
        Powder, and the part of it that is waste.
    kind : StoneType
        Its stone.

    Returns
    -------
    str
        For example '9.23 EUR, 1.20 EUR of it waste'; empty where the lab has named no price.

    Examples
    --------
    >>> from volest.lab import Lab, OwnStone
    >>> from volest.stone.own import find_stone
    >>> own = OwnStone(name="ivory", like="type-4", price_per_kg=6.4)
    >>> cost_in_words(150, 20, find_stone("ivory", Lab(stone=(own,))))
    '0.96 EUR, 0.13 EUR of it waste'
    """
    whole, lost = cost_of(powder_g, kind), cost_of(waste_g, kind)
    if kind.price is None or whole is None or lost is None:
        return ""
    currency = kind.price.unit.removesuffix(" per kg")
    return f"{whole:.2f} {currency}, {lost:.2f} {currency} of it waste"
