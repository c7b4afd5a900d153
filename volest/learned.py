"""A waste allowance learned from a lab's own pours, as plain numbers that any mix can use.

`volest.stone.learning` works them out; here they are only put to use.
"""

import math
from dataclasses import dataclass

# Volumes are counted in this unit inside the law, so that all its numbers are a few mL in size.
USUAL_VOLUME_ML = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What one stone, mixed one way, takes beyond the cavity.

    The expected excess is ``fixed + share * v`` with ``v = volume / 50 mL``. The allowance adds
    ``factor * spread * sqrt(v + doubt)``, where the doubt is that of the two estimates:
    ``var_fixed + 2 * v * cov + v**2 * var_share``, in units of the scatter; the factor is
    the quantile that belongs to the risk of running short.
    """

    stone: str
    way: str
    pours: int
    risk_percent: float
    fixed_ml: float
    share_ml: float
    spread_ml: float
    factor: float
    var_fixed: float
    cov: float
    var_share: float

    def expected_ml(self, volume_ml: float) -> float:
        """Give the excess that is taken on average."""
        return self.fixed_ml + self.share_ml * volume_ml / USUAL_VOLUME_ML

    def scatter_ml(self, volume_ml: float) -> float:
        """Give the scale of the predictive distribution of one more pour."""
        v = volume_ml / USUAL_VOLUME_ML
        doubt = self.var_fixed + 2.0 * v * self.cov + v * v * self.var_share
        return self.spread_ml * math.sqrt(v + doubt)

    def allowance_ml(self, volume_ml: float) -> float:
        """Give what is mixed on top so that the chance of running short is the risk."""
        wanted_ml = self.expected_ml(volume_ml) + self.factor * self.scatter_ml(volume_ml)
        return max(wanted_ml, 0.0)
