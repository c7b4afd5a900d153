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
    ``var_fixed + 2 * v * cov + v**2 * var_share``.

    Parameters
    ----------
    stone, way : str
        For which stone and which way of mixing it holds.
    pours : int
        Number of pours that it rests on.
    risk_percent : float
        Chance of running short that it leaves.
    fixed_ml, share_ml : float
        Expected excess: for any pour, and for each 50 mL.
    spread_ml : float
        Scatter of a pour of 50 mL.
    factor : float
        Quantile that belongs to the risk.
    var_fixed, cov, var_share : float
        Doubt in the two estimates, in units of the scatter.
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
        """Give the excess that is taken on average.

        Parameters
        ----------
        volume_ml : float
            Volume to fill, in mL.

        Returns
        -------
        float
            Excess over the volume, in mL.
        """
        return self.fixed_ml + self.share_ml * volume_ml / USUAL_VOLUME_ML

    def scatter_ml(self, volume_ml: float) -> float:
        """Give the scatter of one more pour about the expected excess.

        Parameters
        ----------
        volume_ml : float
            Volume to fill, in mL.

        Returns
        -------
        float
            Scale of the predictive distribution, in mL.
        """
        v = volume_ml / USUAL_VOLUME_ML
        doubt = self.var_fixed + 2.0 * v * self.cov + v * v * self.var_share
        return self.spread_ml * math.sqrt(v + doubt)

    def allowance_ml(self, volume_ml: float) -> float:
        """Give what is mixed on top so that the chance of running short is the risk.

        Parameters
        ----------
        volume_ml : float
            Volume to fill, in mL.

        Returns
        -------
        float
            Allowance, in mL; never below 0.
        """
        wanted_ml = self.expected_ml(volume_ml) + self.factor * self.scatter_ml(volume_ml)
        return max(wanted_ml, 0.0)
