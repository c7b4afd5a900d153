"""Waste learned from a lab's own pours, few of them leaning on the default.

What a pour needed is the mix that was made, less what could still have been poured, or plus what
was missing. The excess over what was to be filled is taken as ``fixed + share * v`` with ``v =
volume / 50 mL`` and a scatter that grows as the root of ``v``; a normal-inverse-gamma prior stands
for the default, which is expected as long as no pour is booked. How far the scan could be off is
known of each pour, and no part of the scatter. One more pour is then distributed as Student's t,
and the allowance is the quantile of it that leaves the chosen risk: the newsvendor's order.
Sources: Gelman and others, Bayesian Data Analysis, chapter on regression (conjugate prior and its
predictive distribution); Arrow, Harris, Marschak, Optimal Inventory Policy, Econometrica 19
(1951), for the quantile; both from memory.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

from volest.lab import USUAL_VOLUME_ML, Lab, Learned, Way

# The prior, our choice without a source: as if four pours had been seen, scattering as set.
PRIOR_POURS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pour:
    """What one pour took; `left_ml` could still have been poured, below 0 it was missing.

    `volume_ml` is what was to be filled, known to within `volume_u_ml` (standard uncertainty).
    """

    stone: str
    way: str
    volume_ml: float
    mix_ml: float
    left_ml: float
    powder_g: float = 0.0
    volume_u_ml: float = 0.0

    @property
    def excess_ml(self) -> float:
        """What it took beyond the cavity: on the tools, over the rim, or by a wrong volume."""
        return self.mix_ml - self.left_ml - self.volume_ml

    @property
    def short(self) -> bool:
        """Whether the mix did not fill the cavity."""
        return self.left_ml < 0.0


def learn(
    pours: Iterable[Pour], *, stone: str, way: str, default: Way, risk_percent: float
) -> Learned:
    """Learn the waste of one stone mixed one way; other pours are passed over."""
    from scipy.special import stdtrit

    seen = [pour for pour in pours if (pour.stone, pour.way) == (stone, way)]
    risk = risk_percent / 100.0
    prior_fixed, prior_share = default.residue_ml, default.share_percent / 100.0 * USUAL_VOLUME_ML
    # Sums of the weighted regression, weight 1/v; the prior counts as pours of 50 mL.
    s0 = PRIOR_POURS + sum(USUAL_VOLUME_ML / pour.volume_ml for pour in seen)
    s1 = float(len(seen))
    s2 = PRIOR_POURS + sum(pour.volume_ml / USUAL_VOLUME_ML for pour in seen)
    y0 = PRIOR_POURS * prior_fixed
    y0 += sum(pour.excess_ml * USUAL_VOLUME_ML / pour.volume_ml for pour in seen)
    y1 = PRIOR_POURS * prior_share + sum(pour.excess_ml for pour in seen)
    determinant = s0 * s2 - s1 * s1
    fixed_ml, share_ml = (s2 * y0 - s1 * y1) / determinant, (s0 * y1 - s1 * y0) / determinant
    misfit = 0.0
    for pour in seen:
        v = pour.volume_ml / USUAL_VOLUME_ML
        misfit += (pour.excess_ml - fixed_ml - share_ml * v) ** 2 / v
        misfit -= pour.volume_u_ml**2 / v  # the part that the volumes' own doubt makes
    misfit = max(misfit, 0.0)
    misfit += PRIOR_POURS * ((fixed_ml - prior_fixed) ** 2 + (share_ml - prior_share) ** 2)
    freedom = PRIOR_POURS + len(seen)
    return Learned(
        stone=stone,
        way=way,
        pours=len(seen),
        risk_percent=risk_percent,
        fixed_ml=fixed_ml,
        share_ml=share_ml,
        spread_ml=math.sqrt((PRIOR_POURS * default.scatter_ml**2 + misfit) / freedom),
        factor=float(stdtrit(freedom, 1.0 - risk)),  # a quantile of Student's t
        normal_factor=NormalDist().inv_cdf(1.0 - risk),
        var_fixed=s2 / determinant,
        cov=-s1 / determinant,
        var_share=s0 / determinant,
    )


@cache
def unlearned(stone: str, way: str, default: Way, risk_percent: float) -> Learned:
    """Give what holds before a single pour is booked."""
    return learn((), stone=stone, way=way, default=default, risk_percent=risk_percent)


def learn_all(pours: Sequence[Pour], lab: Lab) -> tuple[Learned, ...]:
    """Learn the waste of every stone and way that pours were booked for, in their order."""
    return tuple(
        learn(pours, stone=stone, way=way, default=lab.way.of(way), risk_percent=lab.risk_percent)
        for stone, way in sorted({(pour.stone, pour.way) for pour in pours})
    )
