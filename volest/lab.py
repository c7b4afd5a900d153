"""What a lab owns, how it works, and what its pours taught: plain records with their defaults.

`volest.stone.lab_file` fills what it owns from a TOML file, whose keys are the field names;
`learn` works out what was learned.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from statistics import NormalDist
from typing import Annotated, Any, ClassVar, Final, Literal

HAND: Final = "hand"
VACUUM: Final = "vacuum"


class _Closed:
    """Tells the checker of the file to take no keys that mean nothing, no nan and no inf."""

    __slots__ = ()
    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Within:
    """A bound on a number, in the form the checker of the file asks for."""

    gt: float | None = None
    ge: float | None = None
    le: float | None = None

    def __get_pydantic_core_schema__(
        self, source: object, handler: Callable[[object], dict[str, Any]]
    ) -> dict[str, Any]:
        # Strict: "1" in quotes is a slip in the file, not a number.
        bounds = {key: bound for key, bound in asdict(self).items() if bound is not None}
        return {**handler(source), "strict": True, **bounds}


# Outside these a figure is taken for a slip: of the keyboard, or of the unit. Common practice, no
# source, but where one is named.
STEP = Within(gt=0.0, le=10.0)  # a coarser scale or cylinder cannot keep the ratio of one scoop
SCOOP_G = Within(ge=1.0, le=500.0)  # under it stands kg, over it the sack
RESIDUE_ML = Within(ge=0.0, le=50.0)  # a full arch takes 35 to 70 mL: no bowl keeps as much
DENSITY = Within(ge=2.0, le=3.5)  # hemihydrate 2.5 to 2.8 (see stone/reference.py), a heap about 1
MINUTES = Within(gt=0.0, le=60.0)  # over it stands s: nothing at the bench takes an hour of hands
BOWL_ML = Within(ge=1.0, le=5000.0)  # under it stand litres; no mixer stirs more
LEAST_SHARE_PERCENT = 1.0  # below it, but not 0, a fraction was taken for per cent
Above = Annotated[float, Within(gt=0.0, le=100_000.0)]
AtLeast = Annotated[float, Within(ge=0.0, le=100_000.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench(_Closed):
    """What can be weighed and measured; `scoop_g` is the weighed content of a level scoop."""

    scale_step_g: Annotated[float, STEP] = 1.0
    scoop_g: Annotated[float, SCOOP_G] = 50.0
    cylinder_step_ml: Annotated[float, STEP] = 0.1
    scoop_scatter_percent: Annotated[float, Within(ge=0.0, le=20.0)] = 5.0  # practice, no source
    water_c: Annotated[float, Within(ge=15.0, le=30.0)] = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way(_Closed):
    """What one way of mixing leaves behind on average, until pours are booked.

    Common practice, no source: no published figure of what stays in a bowl was found. Parameters
    are a share of what is filled, mL that stay in the bowl and on the tools of each mix however
    small it is, by how much a mix of 50 mL differs from that (standard deviation), and a share of
    air in the mix.
    """

    share_percent: Annotated[float, Within(ge=0.0, le=100.0)] = 10.0  # more is a second mix
    residue_ml: Annotated[float, RESIDUE_ML] = 5.0
    scatter_ml: Annotated[float, Within(ge=0.1, le=10.0)] = 1.0
    air_percent: Annotated[float, Within(ge=0.0, le=50.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways(_Closed):
    """Both ways of mixing."""

    hand: Way = Way()
    vacuum: Way = Way()

    def of(self, name: str) -> Way:
        """Give one of them: 'hand' or 'vacuum'."""
        return self.hand if name == HAND else self.vacuum


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnStone(_Closed):
    """A stone of the lab's own; what is left out is taken from the type it is like."""

    name: str  # the name of a type changes that type
    like: str | None = None  # the type; may be left out where the name is one
    title: str | None = None
    wp: Above | None = None  # usual water, in mL per 100 g of powder
    wp_low: Above | None = None
    wp_high: Above | None = None
    powder_density: Annotated[float, DENSITY] | None = None  # true density, g/cm3
    scoop_g: Annotated[float, SCOOP_G] | None = None  # of one level scoop; None: the bench's
    working_low_min: Annotated[float, MINUTES] | None = None
    working_high_min: Annotated[float, MINUTES] | None = None
    price_per_kg: AtLeast | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bowl(_Closed):
    """A bowl, the largest and smallest mix that it mixes well, and what stays in it if known."""

    name: str
    most_ml: Annotated[float, BOWL_ML]
    least_ml: AtLeast = 0.0
    way: Literal["hand", "vacuum"] = VACUUM
    residue_ml: Annotated[float, RESIDUE_ML] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstPour(_Closed):
    """Where the first pour ends: a heap so high over the rim.

    2 mm: naval dental handbook as copied, two-step method ("slightly above, about 2 mm"; read).
    """

    heap_mm: Annotated[float, Within(ge=0.0, le=10.0)] = 2.0

    def over_line_mm(self, over_rim_mm: float) -> float:
        """Give how far it stands over a base line, which lies so far over the rim itself."""
        return max(self.heap_mm - max(over_rim_mm, 0.0), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondPour(_Closed):
    """The base under the first pour: none without a height or a former."""

    stone: str = "type-3"
    height_mm: Annotated[float, Within(ge=3.0, le=60.0)] | None = None  # from the base line down
    former_ml: Annotated[float, Within(ge=5.0, le=500.0)] | None = None  # goes before the height
    taper_deg: Annotated[float, Within(ge=0.0, le=45.0)] = 0.0
    land_mm: Annotated[float, Within(ge=0.0, le=6.0)] = 2.5  # each side; course text: 2 to 3, read
    tongue: bool = True  # fills the space between the flanks of a lower arch too
    nodules: Annotated[int, Within(ge=0, le=30)] = 8  # that hold it, set on the first pour
    nodule_mm: Annotated[float, Within(ge=2.0, le=20.0)] = 8.0  # their width
    retention_ml: Annotated[float, Within(ge=0.0, le=50.0)] | None = None  # of them, weighed
    not_for: tuple[str, ...] = ()  # patterns of names of scans that get no base

    @property
    def is_made(self) -> bool:
        """Whether casts get a base at all."""
        return self.height_mm is not None or self.former_ml is not None

    @property
    def nodules_ml(self) -> float:
        """Stone of the first pour for the nodules, balls if nothing else is known."""
        if self.retention_ml is not None:
            return self.retention_ml
        return self.nodules * math.pi / 6.0 * self.nodule_mm**3 / 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Jaws(_Closed):
    """Patterns of names of scans of the upper and of the lower jaw."""

    upper: tuple[str, ...] = ()
    lower: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimming(_Closed):
    """From where on the rim is cut or boxed in, mm over and under the base line. Practice."""

    cut_over_mm: Annotated[float, Within(ge=0.2, le=5.0)] = 1.0
    box_under_mm: Annotated[float, Within(ge=0.2, le=10.0)] = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTime(_Closed):
    """Minutes at the bench; of mixing None, where soaking and stirring are added up.

    Pouring is counted for a quadrant, an arch, and an arch with dies (prepared teeth).
    """

    hand_min: Annotated[float, MINUTES] | None = None
    vacuum_min: Annotated[float, MINUTES] | None = None
    quadrant_min: Annotated[float, MINUTES] = 1.0
    arch_min: Annotated[float, MINUTES] = 1.5
    dies_min: Annotated[float, MINUTES] = 3.0
    cleaning_min: Annotated[float, Within(ge=0.0, le=60.0)] = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast(_Closed):
    """What is wanted of a cast at its thinnest, from what width on stone runs in, and under dies.

    3 mm: practice, no source. 8 mm under a margin: a pin's hole takes 5, and 3 stay over it;
    practice, no source. 2.9 mm wide 3 mm over the tip marks lower incisors in made jaws, 4.5
    all front teeth and slender stumps.
    """

    least_mm: Annotated[float, Within(ge=0.0, le=30.0)] = 3.0
    narrow_mm: Annotated[float, Within(ge=0.0, le=10.0)] = 2.9
    under_margin_mm: Annotated[float, Within(ge=0.0, le=30.0)] = 8.0
    horseshoe_mm: Annotated[float, Within(ge=8.0, le=25.0)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharing(_Closed):
    """How many impressions may share a mix."""

    at_most: Annotated[int, Within(ge=1, le=4)] = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab(_Closed):
    """All that a lab file can say, in records that say it in detail.

    No bowls means that the bowl is not looked at. `currency` stands behind prices, `risk_percent`
    is the chance of running short that a mix may leave.
    """

    bench: Bench = Bench()
    way: Ways = Ways()
    stone: tuple[OwnStone, ...] = ()
    bowl: tuple[Bowl, ...] = ()
    first_pour: FirstPour = FirstPour()
    second_pour: SecondPour = SecondPour()
    trimming: Trimming = Trimming()
    jaw: Jaws = Jaws()
    cast: Cast = Cast()
    sharing: Sharing = Sharing()
    time: BenchTime = BenchTime()
    currency: str = "EUR"
    risk_percent: Annotated[float, Within(ge=0.1, le=20.0)] = 5.0

    def pouring(self, *, height_mm: float | None = None, heap_mm: float | None = None) -> "Lab":
        """Give the same lab with a base of another height, 0 for none, or another heap."""
        first, base = self.first_pour, self.second_pour
        if heap_mm is not None:
            first = replace(first, heap_mm=heap_mm)
        if height_mm is not None:
            base = replace(base, height_mm=height_mm or None, former_ml=None)
        return replace(self, first_pour=first, second_pour=base)


# Volumes are counted in this unit inside the law, so that all its numbers are a few mL in size.
USUAL_VOLUME_ML = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What one stone, mixed one way, takes beyond the cavity: what was poured less what it holds.

    The expected excess is ``fixed + share * v`` with ``v = volume / 50 mL``; one more pour
    scatters by ``spread * sqrt(v + doubt)``, where the doubt is that of the two estimates:
    ``var_fixed + 2 * v * cov + v**2 * var_share``, in units of the scatter. The factor is the
    quantile of this scatter that belongs to the risk of running short, `normal_factor` the one of
    what is known to be normal: the volume, and what a scoop holds.
    """

    stone: str
    way: str
    pours: int
    risk_percent: float
    fixed_ml: float
    share_ml: float
    spread_ml: float
    factor: float
    normal_factor: float
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

    def reserve_ml(self, volume_ml: float, *doubts_ml: float) -> float:
        """Give what is mixed beyond the expected, so that the chance of running short is the risk.

        Independent standard deviations of the volume and the mix add to the scatter as squares.
        """
        others = (self.normal_factor * doubt_ml for doubt_ml in doubts_ml)
        return math.hypot(self.factor * self.scatter_ml(volume_ml), *others)

    def allowance_ml(self, volume_ml: float) -> float:
        """Give both together, for a volume and a mix without doubt."""
        return max(self.expected_ml(volume_ml) + self.reserve_ml(volume_ml), 0.0)


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
    """Learn the waste of one stone mixed one way; other pours are passed over.

    A normal-inverse-gamma prior stands for the default, which is expected as long as no pour is
    booked; few pours lean on it. How far the scan could be off is known of each pour, and no part
    of the scatter. One more pour is then distributed as Student's t, and the allowance is the
    quantile of it that leaves the chosen risk: the newsvendor's order. Sources: Gelman and others,
    Bayesian Data Analysis, chapter on regression (conjugate prior and its predictive distribution);
    Arrow, Harris, Marschak, Optimal Inventory Policy, Econometrica 19 (1951), for the quantile;
    both from memory.
    """
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
