"""A plan of shared mixes as it is handed on: which impressions, which mix, when."""

import math
from dataclasses import dataclass

from volest.notes import Note
from volest.settings import Settings
from volest.stone.mix import Mix
from volest.stone.reference import Window
from volest.stone.words import cost_of

PASSED = "window-passed"  # code of the note on an impression that is poured too late


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Impression:
    """One impression that waits to be poured.

    Parameters
    ----------
    volume_ml : float
        Its cavity up to the base line.
    window : Window or None
        When its material may be poured; None where that is not known.
    age_min : float
        Time since it was taken out of the mouth.
    scan, cavity : str and int
        The scan it comes from, '' where it has no other name, and which impression of that it is.
    """

    name: str
    volume_ml: float
    window: Window | None = None
    age_min: float = 0.0
    scan: str = ""
    cavity: int = 1

    @property
    def opens_min(self) -> float:
        """From when, counted from now."""
        return 0.0 if self.window is None else self.window.earliest.value - self.age_min

    @property
    def closes_min(self) -> float:
        """Until when, counted from now."""
        return math.inf if self.window is None else self.window.latest.value - self.age_min


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedMix:
    """One mix and what is poured from it, in that order.

    Parameters
    ----------
    start_min : float
        When the powder goes into the water, counted from now.
    late : tuple of Impression
        Those that are past their window when their turn comes.
    """

    impressions: tuple[Impression, ...]
    mix: Mix
    start_min: float
    notes: tuple[Note, ...]
    late: tuple[Impression, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """The mixes of a day in order, and a mix for each impression alone."""

    mixes: tuple[SharedMix, ...]
    alone: tuple[Mix, ...]

    @property
    def late(self) -> frozenset[str]:
        """Names of the impressions that are past their window when their turn comes."""
        return frozenset(one.name for shared in self.mixes for one in shared.late)

    @property
    def powder_g(self) -> float:
        """Powder of the plan."""
        return sum(shared.mix.powder_g for shared in self.mixes)

    @property
    def alone_g(self) -> float:
        """Powder of single mixes."""
        return sum(made.powder_g for made in self.alone)


def priced(plan: Plan, settings: Settings) -> tuple[float, str] | None:
    """Say what the plan saves, and the currency; None where a stone's price is not known."""
    alone = [cost_of(made.powder_g, made.kind) for made in plan.alone]
    together = [cost_of(shared.mix.powder_g, shared.mix.kind) for shared in plan.mixes]
    if None in alone:
        return None
    return sum(filter(None, alone)) - sum(filter(None, together)), settings.lab.currency
