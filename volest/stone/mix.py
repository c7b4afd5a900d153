"""From a volume to a mix: what a bench can deal out, which bowl it goes into, the base under it."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from volest.errors import MixError
from volest.lab import HAND, USUAL_VOLUME_ML, Bench, BenchTime, Bowl, Learned, unlearned
from volest.notes import Note
from volest.settings import Settings
from volest.stone.reference import (
    LEAST_WP,
    StoneType,
    find_stone,
    mixing_min,
    theoretical_water_g,
    water_density_g_per_ml,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mix:
    """What to put into the bowl.

    Parameters
    ----------
    kind : StoneType
        The stone.
    volume_ml, needed_ml : float
        What is filled: cavity, heap and nodules; and what has to be mixed for it.
    powder_g, water_ml, mix_ml : float
        Rounded to what can be weighed or measured, over all the equal mixes; and what they make.
    wp_ml_per_100g : float
        The ratio that was asked for; `made_wp_ml_per_100g` is what rounding made of it.
    unrounded_powder_g : float
        Powder before rounding.
    bench : Bench
        Scale, scoop and cylinder that it is rounded to.
    mixes, bowl, way : int, str or None, str
        How many equal mixes, the bowl they go into, and 'hand' or 'vacuum'.
    has_scoop : bool
        Whether the scoop of the bench is one of this stone; if not, all of it is weighed.
    terms_ml : tuple of pairs of str and float
        What the mix is the sum of: cavity, heap, nodules, share, residue, reserve, rounding.
    volume_u_ml, risk_percent : float
        Standard uncertainty of what is filled; chance of running short that the reserve is for.
    whole_scoops : Mix or None
        The same dealt out by whole scoops, where it is weighed and a scoop is known.
    notes : tuple of Note
        What is doubtful about the mix.
    """

    kind: StoneType
    volume_ml: float
    needed_ml: float
    powder_g: float
    water_ml: float
    mix_ml: float
    wp_ml_per_100g: float
    unrounded_powder_g: float
    bench: Bench
    mixes: int
    bowl: str | None
    way: str
    has_scoop: bool
    terms_ml: tuple[tuple[str, float], ...]
    volume_u_ml: float
    risk_percent: float
    whole_scoops: "Mix | None" = None
    notes: tuple[Note, ...] = ()

    @property
    def stone(self) -> str:
        """Name of the stone."""
        return self.kind.name

    @property
    def scoops(self) -> int:
        """Whole scoops that hold at least the powder: to have ready, not to mix; or 0."""
        return self.has_scoop * math.ceil(round(self.powder_g / self.bench.scoop_g, NOISE_DIGITS))

    @property
    def full_scoops(self) -> int:
        """Full scoops in each of the equal mixes; 0 where no scoop of the stone is known."""
        scoops = round(self.powder_g / self.mixes / self.bench.scoop_g, NOISE_DIGITS)
        return self.has_scoop * math.floor(scoops)

    @property
    def rest_g(self) -> float:
        """Powder of each of the equal mixes beyond its full scoops, in g."""
        full_g = self.full_scoops * self.bench.scoop_g
        return round(self.powder_g / self.mixes - full_g, NOISE_DIGITS)

    @property
    def made_wp_ml_per_100g(self) -> float:
        """The ratio of the rounded amounts, in mL of water per 100 g of powder."""
        return 100.0 * self.water_ml / self.powder_g

    @property
    def waste_ml(self) -> float:
        """What will be left after the cavity is full."""
        return self.mix_ml - self.volume_ml

    @property
    def waste_g(self) -> float:
        """The powder in it, in g."""
        return self.powder_g * self.waste_ml / self.mix_ml

    @property
    def reserve_g(self) -> float:
        """The powder of the reserve, in g."""
        return self.powder_g * dict(self.terms_ml).get("reserve", 0.0) / self.mix_ml

    @property
    def water_g(self) -> float:
        """The same water on a balance, in g."""
        return self.water_ml * water_density_g_per_ml(self.bench.water_c)

    @property
    def unrounded_water_ml(self) -> float:
        """Water before rounding, in mL."""
        return self.unrounded_powder_g * self.wp_ml_per_100g / 100.0

    def as_record(self) -> dict[str, Any]:
        """Return the mix as plain values for JSON, to a millionth."""

        def told(mix: Mix, *names: str) -> dict[str, Any]:
            values = {name: getattr(mix, name) for name in names}
            return {name: round(x, 6) if isinstance(x, float) else x for name, x in values.items()}

        whole = self.whole_scoops
        powder_g, water_ml = self.unrounded_powder_g, self.unrounded_water_ml
        return {
            **told(self, "stone", "powder_g", "water_ml", "scoops", "mixes", "full_scoops"),
            **told(self, "rest_g", "way", "bowl", "waste_ml", "mix_ml", "volume_u_ml"),
            **({} if self.has_scoop else {"scoops": None}),
            "terms_ml": {name: round(ml, 6) for name, ml in self.terms_ml},
            "by_scoop": whole and told(whole, "scoops", "powder_g", "water_ml", "mix_ml"),
            "unrounded": {"powder_g": round(powder_g, 6), "water_ml": round(water_ml, 6)},
        }


def volume_per_gram_ml(
    powder_density: float, wp_ml_per_100g: float, *, air_percent: float = 0.0
) -> float:
    """Return ``(1 / density + W/P / 100) / (1 - air)``, in mL of mix for each g of powder.

    Ideal mixing: the volumes of the grains and of the water add up; air comes on top. W/P always
    means mL of water per 100 g of powder. At 20 degrees C a mL of water weighs 0.9982 g, so the
    same figure read as grams would be 0.18 % less water by volume, not the same mix.
    """
    return (1.0 / powder_density + wp_ml_per_100g / 100.0) / (1.0 - air_percent / 100.0)


# Slips of the keyboard, not rules of the trade: a full arch takes some 35 to 70 mL.
MOST_VOLUME_ML = 2000.0
MOST_WP_ML_PER_100G = 100.0
MOST_EXTRAS = {
    "waste": (500.0, "%"),
    "residue": (500.0, "mL"),
    "entrapped air": (50.0, "%"),
    "extra water": (20.0, "mL per 100 g"),
}
_TINY_PERCENT = 2.0  # of waste: 0.15 and 1.15 are how spreadsheets have 15 %


def check_volume(volume_ml: float) -> None:
    """Refuse a volume that cannot be meant."""
    if not 0.0 < volume_ml <= MOST_VOLUME_ML:
        raise MixError(
            f"a volume of {volume_ml:g} mL",
            needed=f"more than 0 and at most {MOST_VOLUME_ML:g} mL",
            remedy="give the volume in mL; a full arch takes some 35 to 70 mL",
            code="mix-volume",
        )


def check_extras(*amounts: float) -> None:
    """Refuse extras, in the order of `MOST_EXTRAS`, that cannot be meant."""
    for (what, (most, unit)), value in zip(MOST_EXTRAS.items(), amounts, strict=False):
        if not 0.0 <= value <= most:
            raise MixError(
                f"{value:g} {unit} of {what}",
                needed=f"0 to {most:g} {unit}",
                remedy=f"give the {what} in {unit}, 0 for none",
                code="mix-amount",
            )


def check_wp(wp_ml_per_100g: float) -> None:
    """Refuse water that cannot set the powder, or a ratio in the wrong unit."""
    if not LEAST_WP.value <= wp_ml_per_100g <= MOST_WP_ML_PER_100G:
        raise MixError(
            f"W/P {wp_ml_per_100g:g} mL per 100 g",
            needed=f"{LEAST_WP} (less cannot set the powder) to {MOST_WP_ML_PER_100G:g}",
            remedy="give mL of water per 100 g of powder, for example 22 and not 0.22",
            code="mix-wp",
        )


# Textbooks of dental materials, from memory: more water sets later, flows more easily, and leaves
# a weaker, softer stone that expands a little less. No figure is claimed for any of it.
STRETCH_IN_WORDS = (
    "More water than usual: it flows more easily and can be poured for longer, it sets later, "
    "and the stone comes out weaker and softer at its surface."
)

SPOKEN_DIGITS = 1  # a ratio is spoken to a tenth of a mL per 100 g, and judged as it is spoken
# Nearer than this, in mL per 100 g, two ratios are the same at the bench.
SAME_WP = 0.25


def ratio_notes(
    kind: StoneType, wp_ml_per_100g: float, *, asked: float, made: float, by: str = "gram"
) -> Iterator[Note]:
    """Flag water that is held, and a ratio outside of the range, by wish or by rounding alone."""
    low, high, wp = kind.wp_range.low, kind.wp_range.high, wp_ml_per_100g
    outside: dict[str, float | str] = {"low": low, "high": high, "stone": kind.name}
    if wp < asked:
        yield Note("stretch-held", asked_ml_per_100g=asked, wp_ml_per_100g=wp, stone=kind.name)
    if wp not in kind.wp_range:
        yield Note("wp-outside", wp_ml_per_100g=wp, **outside)
    elif round(made, SPOKEN_DIGITS) not in kind.wp_range:
        yield Note("wp-by-marks", by=by, wp_ml_per_100g=made, **outside)


# A hundred-millionth of a gram is float noise, not a reason to weigh one gram more.
NOISE_DIGITS = 8
# Steps are written in decimals; nine of them hold every step and drop the float's tail.
_CLEAN_DIGITS = 9
# Water follows the powder, and keeps the order of mixes, where a step of powder moves it by so
# many marks; else the powder follows the water.
_FINE_MARKS = 1.5


def up_to_step(amount: float, step: float) -> float:
    """Round up to whole steps, at least one."""
    steps = max(1, math.ceil(round(amount / step, NOISE_DIGITS)))
    return round(steps * step, _CLEAN_DIGITS)


def dealt_out(
    powder_g: float, wp_ml_per_100g: float, kind: StoneType, bench: Bench, *, step_g: float
) -> tuple[float, float]:
    """Put a mix on steps of powder and marks of water, so that it is never short; g and mL.

    Fine marks: powder up to a step, its water to the nearest mark, up where that would be short.
    Coarse marks, where a step of powder moves the water by less than a mark and a half: water up
    to a mark and powder to go with it, since a mark more to the same powder thins the mix. The
    mark below, with more powder in its place, serves where it takes less and keeps the ratio: not
    below the range of the stone unless that was asked for, nor less than what binds the powder.
    """
    density, mark_ml, wp = kind.powder_density.value, bench.cylinder_step_ml, wp_ml_per_100g
    binds = theoretical_water_g(100.0) / water_density_g_per_ml(bench.water_c)  # mL per 100 g
    exact_ml = powder_g * wp / 100.0
    made_g = up_to_step(powder_g, step_g)
    if step_g * wp / 100.0 >= _FINE_MARKS * mark_ml:
        nearest_ml = round(made_g * wp / 100.0 / mark_ml) * mark_ml
        water_ml = max(nearest_ml, exact_ml + (powder_g - made_g) / density)
    else:
        below_ml = math.floor(round(exact_ml / mark_ml, NOISE_DIGITS)) * mark_ml
        below_g = up_to_step(powder_g + density * (exact_ml - below_ml), step_g)
        water_ml = up_to_step(exact_ml, mark_ml)
        made_g = max(round(100.0 * water_ml / wp / step_g) * step_g, made_g)
        stiffest = max(min(wp, max(wp - SAME_WP, kind.wp_range.low)), binds)
        if below_g < made_g and 100.0 * below_ml / below_g >= stiffest:
            return below_g, round(below_ml, _CLEAN_DIGITS)
        if 100.0 * water_ml / made_g > max(kind.wp_range.high, wp):
            made_g += step_g
    bound_ml = made_g * binds / 100.0
    return round(made_g, _CLEAN_DIGITS), up_to_step(max(water_ml, bound_ml), mark_ml)


def shown(amount: float, step: float) -> str:
    """Write an amount no finer than its step."""
    text = f"{step:.6f}".rstrip("0")
    digits = len(text.partition(".")[2])
    return f"{round(amount / step) * step:.{digits}f}"


def water_in_words(made: Mix) -> str:
    """Say the water of one mix, no finer than the cylinder."""
    return f"{shown(made.water_ml / made.mixes, made.bench.cylinder_step_ml)} mL"


def powder_in_words(made: Mix) -> str:
    """Say the powder of one mix, no finer than the scale."""
    return f"{shown(made.powder_g / made.mixes, made.bench.scale_step_g)} g"


# Makes so many equal mixes in a bowl, or where none is known.
Make = Callable[[int, Bowl | None], Mix]
OF_THE_BOWL = ("split", "bowl-underfilled")  # codes of notes that hold for one bowl alone


def most_mixes(kind: StoneType, way: str, time: BenchTime) -> int:
    """Say how many mixes can be made one after the other while the first can still be poured.

    One person: ``n * mixing + pouring <= working time``, its shorter end.
    """
    if kind.working_time is None:
        return 1
    left_min = kind.working_time.low - time.quadrant_min
    return max(1, int(left_min / mixing_min(way, time) + 1e-9))


def _into_bowls(make: Make, settings: Settings) -> Mix:
    """Find the fewest equal mixes that fit a bowl, and the bowl; without bowls just the mix."""
    whole, way, time = make(1, None), settings.way, settings.lab.time
    if not settings.lab.bowl:
        return whole
    usable_ml = [bowl.most_ml for bowl in settings.lab.bowl if bowl.way == way]
    if not usable_ml:
        raise MixError(
            f"no bowl for mixing {'by hand' if way == HAND else 'under vacuum'}",
            needed=f'a [[bowl]] with way = "{way}" in the lab file',
            remedy="add one (a bowl without way is one for vacuum), or choose the other --way",
            code="mix-bowl",
        )
    most, working = most_mixes(whole.kind, way, time), whole.kind.working_time
    fitting = filter(None, (_in_a_bowl(make, n, settings) for n in range(1, most + 1)))
    found = next(fitting, None)
    if found is None:
        limit = f"no working time is known for {whole.stone}, so it is not split"
        if working is not None:
            each = f"{most} of {mixing_min(way, time):g} min"
            limit = f"{working.low:g} min of working time leave room for {each}"
        raise MixError(
            f"{whole.mix_ml:.1f} mL of mix for one pour ({whole.volume_ml:.1f} mL of cavity), "
            f"the largest bowl takes {max(usable_ml):g} mL",
            needed=f"no more than {most} mix{'es' * (most > 1)}: {limit}",
            remedy="use a larger bowl, or a second person with a second bowl",
            code="mix-bowl",
        )
    made, bowl = found
    notes = [*made.notes]
    if made.mixes > 1:
        notes.append(Note("split", mixes=made.mixes))
    if not _is_enough(made, bowl):
        other = next((one for one, its in fitting if _is_enough(one, its)), None)
        instead: tuple[int | str, ...] = ()
        if other is not None:
            instead = (other.mixes, other.bowl or "", water_in_words(other), powder_in_words(other))
        load = {"each_ml": made.mix_ml / made.mixes, "least_ml": bowl.least_ml}
        told = Note("bowl-underfilled", **load, bowl=bowl.name, way=way, instead=instead)
        notes.append(told)
    return replace(made, notes=tuple(notes))


def _in_a_bowl(make: Make, mixes: int, settings: Settings) -> tuple[Mix, Bowl] | None:
    """Take the smallest bowl whose load is right, else the one that it underfills least."""
    usable = (bowl for bowl in settings.lab.bowl if bowl.way == settings.way)
    made = ((make(mixes, bowl), bowl) for bowl in usable)
    holding = [(one, bowl) for one, bowl in made if one.mix_ml / mixes <= bowl.most_ml]

    def rank(found: tuple[Mix, Bowl]) -> tuple[bool, float]:
        is_enough = _is_enough(*found)
        return not is_enough, found[1].most_ml if is_enough else found[1].least_ml

    return min(holding, key=rank, default=None)


def _is_enough(made: Mix, bowl: Bowl) -> bool:
    return made.mix_ml / made.mixes >= bowl.least_ml


_MM3_PER_ML = 1000.0
LEAST_HEIGHT_MM = 3.0  # thinner breaks when the cast is separated: 1.2 is meant in cm
MOST_HEIGHT_MM = 60.0
MOST_TAPER_DEG = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """What a first pour takes beyond the cavity, and how far the cavity may be off; all in mL."""

    heap_ml: float = 0.0  # what stands over the rim
    nodules_ml: float = 0.0  # those that hold a base
    volume_u_ml: float = 0.0  # standard uncertainty of the cavity
    unseen_ml: float = 0.0  # how much more surface that was not seen may hide


def beyond(
    settings: Settings,
    *,
    rim_mm2: float,
    over_rim_mm: float = 0.0,
    has_base: bool = False,
    **doubts_ml: float,
) -> Beyond:
    """Say what a first pour takes beyond the cavity, whose rim has `rim_mm2` inside.

    The heap is a prism up to its height over the rim, less where the base line lies over that
    already; a rim that stands over the base line is trimmed down to it first.
    """
    heap_mm, base = settings.lab.first_pour.over_line_mm(over_rim_mm), settings.lab.second_pour
    nodules_ml = base.nodules_ml if has_base else 0.0
    return Beyond(heap_ml=rim_mm2 * heap_mm / _MM3_PER_ML, nodules_ml=nodules_ml, **doubts_ml)


NOTHING = Beyond()


def first_pour(volume_ml: float, settings: Settings, more: Beyond = NOTHING) -> Mix:
    """Size the first pour: the cavity, what it takes beyond, and what is lost."""
    return _into_bowls(maker(_first_ml(volume_ml, more), settings, more), settings)


def shared_pour(
    volumes_ml: Sequence[float], settings: Settings, more: Sequence[Beyond] = ()
) -> Mix | None:
    """Size one mix from which several impressions are poured; None where one cannot hold them."""
    together = Beyond(
        heap_ml=sum(one.heap_ml for one in more),
        nodules_ml=sum(one.nodules_ml for one in more),
        volume_u_ml=math.hypot(*(one.volume_u_ml for one in more)),  # independent doubts
        unseen_ml=sum(one.unseen_ml for one in more),
    )
    parts_ml = _first_ml(sum(volumes_ml), together)
    if sum(parts_ml.values()) > MOST_VOLUME_ML:
        return None
    make = maker(parts_ml, settings, together)
    if settings.lab.bowl and _in_a_bowl(make, 1, settings) is None:
        return None
    return _into_bowls(make, settings)


def _first_ml(volume_ml: float, more: Beyond) -> dict[str, float]:
    return {"cavity": volume_ml, "heap": more.heap_ml, "nodules": more.nodules_ml}


def second_pour(area_mm2: float, settings: Settings, *, taken_ml: float = 0.0) -> Mix | None:
    """Size the base under the first pour; None where none is made.

    `area_mm2` is its own at the base line; `taken_ml` of its room the first pour takes, by heap and
    nodules.
    """
    base = settings.lab.second_pour
    volume_ml = base.former_ml
    if volume_ml is None and base.height_mm is not None:
        volume_ml = base_volume_ml(area_mm2, base.height_mm, base.taper_deg)
    if volume_ml is None:
        return None
    if volume_ml <= taken_ml:
        raise _no_base(
            f"a base of {volume_ml:.1f} mL on a first pour that stands {taken_ml:.1f} mL into it",
            "a higher base or a larger former",
        )
    own = replace(settings.with_stone(base.stone), wp_ml_per_100g=None, stretch_ml_per_100g=0.0)
    make = maker({"base": volume_ml - taken_ml}, own)
    try:
        made = _into_bowls(make, own)
    except MixError as fault:
        found = f"{fault.found} (base, the second pour)"
        raise MixError(found, needed=fault.needed, remedy=fault.remedy, code=fault.code) from fault
    return replace(made, notes=tuple(note.but(pour="base") for note in made.notes))


def maker(parts_ml: Mapping[str, float], settings: Settings, more: Beyond = NOTHING) -> Make:
    """Give what makes the pour in so many equal mixes, in a bowl.

    ``needed = volume + share + residue + reserve``, ``powder = needed / (volume per gram)``, by
    ideal mixing. Both go onto steps of the bench so that the mix is never short and keeps its ratio
    (see `dealt_out`). Several equal mixes each leave their residue, each have the reserve, and are
    each rounded.
    """
    lab, way, volume_ml = settings.lab, settings.lab.way.of(settings.way), sum(parts_ml.values())
    kind, by_scoop = find_stone(settings.stone, lab), settings.by == "scoop"
    scoop_g = scoop_of(kind, settings)
    has_scoop, bench = scoop_g is not None, replace(lab.bench, scoop_g=scoop_g or lab.bench.scoop_g)
    extra_ml = settings.stretch_ml_per_100g
    check_extras(settings.waste_percent, settings.residue_ml, way.air_percent, extra_ml)
    check_volume(volume_ml)
    usual = kind.wp.value if settings.wp_ml_per_100g is None else settings.wp_ml_per_100g
    check_wp(usual)
    asked = usual + extra_ml
    wp = min(asked, max(kind.wp_range.high, usual))  # water is added up to the end of the range
    density, solid_share = kind.powder_density.value, 1.0 - way.air_percent / 100.0
    scoop_ml = bench.scoop_g * volume_per_gram_ml(density, kind.wp.value)
    scatter = bench.scoop_scatter_percent / 100.0

    def dealt(mixes: int, law: Learned, by: str) -> Mix:
        each_ml = volume_ml / mixes
        mean_ml = law.expected_ml(each_ml)
        expected_ml = max(mean_ml, 0.0)
        scoops_u_ml = scatter * math.sqrt((each_ml + expected_ml) * scoop_ml)  # each by itself
        u_ml = (more.volume_u_ml / mixes, scoops_u_ml * (by == "scoop"))
        unsure_ml = math.hypot(law.reserve_ml(each_ml, *u_ml), more.unseen_ml / mixes)
        reserve_ml = max(mean_ml + unsure_ml, 0.0) - expected_ml
        share_ml = min(max(law.share_ml * each_ml / USUAL_VOLUME_ML, 0.0), expected_ml)
        # Of a learned law; what was set at its limit comes back to within rounding.
        check_extras(round(100.0 * share_ml / each_ml, 9), expected_ml - share_ml)
        needed_ml = each_ml + expected_ml + reserve_ml
        unrounded_g = needed_ml / volume_per_gram_ml(density, wp, air_percent=way.air_percent)
        step_g = bench.scoop_g if by == "scoop" else bench.scale_step_g
        powder_g, water_ml = dealt_out(unrounded_g, wp, kind, bench, step_g=step_g)
        mix_ml = (powder_g / density + water_ml) / solid_share
        beyond_ml = {
            "share": share_ml,
            "residue": expected_ml - share_ml,
            "reserve": reserve_ml,
            "rounding": mix_ml - needed_ml,
        }
        made = 100.0 * water_ml / powder_g
        return Mix(
            kind=kind,
            volume_ml=volume_ml,
            needed_ml=needed_ml * mixes,
            powder_g=powder_g * mixes,
            water_ml=water_ml * mixes,
            mix_ml=mix_ml * mixes,
            wp_ml_per_100g=wp,
            unrounded_powder_g=unrounded_g * mixes,
            bench=bench,
            mixes=mixes,
            bowl=None,
            way=settings.way,
            has_scoop=has_scoop,
            terms_ml=(*parts_ml.items(), *((name, ml * mixes) for name, ml in beyond_ml.items())),
            volume_u_ml=more.volume_u_ml,
            risk_percent=law.risk_percent,
            notes=tuple(ratio_notes(kind, wp, asked=asked, made=made, by=by)),
        )

    def make(mixes: int, bowl: Bowl | None) -> Mix:
        law = waste_law(kind.name, settings, bowl)
        whole = dealt(mixes, law, "scoop") if has_scoop else None
        made = whole if by_scoop and whole is not None else dealt(mixes, law, "gram")
        too_much = whole is not None and bowl is not None and whole.mix_ml / mixes > bowl.most_ml
        notes, percent = [*made.notes], settings.waste_percent
        if not law.pours and 0.0 < percent < _TINY_PERCENT:
            meant = 100.0 * (percent % 1.0 or percent)  # of a fraction, or of a factor
            notes.append(Note("waste-tiny", waste_percent=percent, meant_percent=meant))
        if by_scoop and not has_scoop:
            notes.append(Note("no-scoop", stone=kind.name))
        return replace(
            made,
            bowl=None if bowl is None else bowl.name,
            whole_scoops=None if by_scoop or too_much else whole,
            notes=tuple(notes),
        )

    return make


def scoop_of(kind: StoneType, settings: Settings) -> float | None:
    """Give the weight of a level scoop of a stone, in g; None where nobody knows.

    The lab has weighed one of that stone, or the bench's was weighed with it: of another it weighs
    otherwise.
    """
    weighed = find_stone(settings.scoop_stone or settings.stone, settings.lab)
    if kind.scoop is not None:
        return kind.scoop.value
    return settings.lab.bench.scoop_g if kind.name == weighed.name else None


def waste_law(stone: str, settings: Settings, bowl: Bowl | None = None) -> Learned:
    """Say what is lost: learned where the lab's pours teach it, else as set, or the bowl's own."""
    for law in settings.learned:
        if (law.stone, law.way) == (stone, settings.way):
            return law
    residue_ml, usual = settings.residue_ml, settings.lab.way.of(settings.way)
    if bowl is not None and bowl.residue_ml is not None and residue_ml == usual.residue_ml:
        residue_ml = bowl.residue_ml  # one that was said for this run goes before it
    set_way = replace(usual, share_percent=settings.waste_percent, residue_ml=residue_ml)
    return unlearned(stone, settings.way, set_way, settings.lab.risk_percent)


def base_volume_ml(footprint_mm2: float, height_mm: float, taper_deg: float = 0.0) -> float:
    """Give the volume of a base over a footprint.

    With straight sides ``footprint * height``. Sides that lean inwards make it a frustum; of all
    outlines with the same area a circle loses least to a taper (Brunn-Minkowski inequality), so
    the frustum of a cone over the same area is never too little:
    ``height / 3 * (a + sqrt(a * b) + b)``, ``b`` being the area at the far side (the frustum's
    formula as in any table of solids).
    """
    if not (footprint_mm2 > 0 and math.isfinite(footprint_mm2)):
        raise _no_base(f"a footprint of {footprint_mm2:g} mm2", "an area above 0 mm2")
    if not LEAST_HEIGHT_MM <= height_mm <= MOST_HEIGHT_MM:
        raise _no_base(
            f"a base of {height_mm:g} mm", f"{LEAST_HEIGHT_MM:g} to {MOST_HEIGHT_MM:g} mm, 12 say"
        )
    if not 0 <= taper_deg <= MOST_TAPER_DEG:
        raise _no_base(f"a taper of {taper_deg:g} degrees", f"0 to {MOST_TAPER_DEG:g} degrees")
    radius_mm = math.sqrt(footprint_mm2 / math.pi)
    far_mm = radius_mm - height_mm * math.tan(math.radians(taper_deg))
    if far_mm <= 0:
        raise _no_base(
            f"sides that meet before {height_mm:g} mm at {taper_deg:g} degrees",
            "a base with a flat underside",
        )
    far_mm2 = math.pi * far_mm**2
    mean_mm2 = (footprint_mm2 + math.sqrt(footprint_mm2 * far_mm2) + far_mm2) / 3.0
    return mean_mm2 * height_mm / _MM3_PER_ML


def _no_base(found: str, needed: str) -> MixError:
    return MixError(
        found,
        needed=needed,
        remedy="see second_pour in the lab file, --second-pour and --footprint",
        code="mix-base",
    )
