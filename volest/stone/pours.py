"""Pours of a mix: which bowl each goes into, in how many equal mixes, and the base under it."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from volest.errors import MixError
from volest.lab import HAND, USUAL_VOLUME_ML, Bench, BenchTime, Bowl, Learned, unlearned
from volest.notes import Note
from volest.settings import Settings
from volest.stone.mix import (
    MOST_VOLUME_ML,
    Mix,
    check_extras,
    check_volume,
    mix,
    volume_per_gram_ml,
    waste_notes,
)
from volest.stone.reference import mixing_min
from volest.stone.stones import StoneType, bench_for, find_stone
from volest.stone.words import powder_in_words, water_in_words

# Makes so many equal mixes in a bowl, or where none is known.
Make = Callable[[int, Bowl | None], Mix]
_USUAL_TIME = BenchTime()
OF_THE_BOWL = ("split", "bowl-underfilled")  # codes of notes that hold for one bowl alone


def most_mixes(
    kind: StoneType, way: str, impressions: int = 1, time: BenchTime = _USUAL_TIME
) -> int:
    """Say how many mixes can be made one after the other while the first can still be poured.

    One person: ``n * mixing + impressions * pouring <= working time``, its shorter end.
    """
    if kind.working_time is None:
        return 1
    left_min = kind.working_time.low - impressions * time.quadrant_min
    return max(1, int(left_min / mixing_min(way, time) + 1e-9))


def into_bowls(make: Make, bowls: Sequence[Bowl], way: str, time: BenchTime = _USUAL_TIME) -> Mix:
    """Find the fewest equal mixes that fit a bowl, and the bowl; without bowls just the mix."""
    whole = make(1, None)
    usable = [bowl for bowl in bowls if bowl.way == way]
    if not bowls:
        return whole
    if not usable:
        raise MixError(
            f"no bowl for mixing {'by hand' if way == HAND else 'under vacuum'}",
            needed=f'a [[bowl]] with way = "{way}" in the lab file',
            remedy="add one (a bowl without way is one for vacuum), or choose the other --way",
            code="mix-bowl",
        )
    most = most_mixes(whole.kind, way, time=time)
    for mixes in range(1, most + 1):
        found = _in_a_bowl(make, mixes, usable)
        if found is not None:
            made, bowl = found
            more = (_in_a_bowl(make, n, usable) for n in range(mixes + 1, most + 1))
            other = next((one for one, its in filter(None, more) if _is_enough(one, its)), None)
            split = () if mixes == 1 else (Note("split", mixes=mixes),)
            return replace(made, notes=(*made.notes, *split, *_load_note(made, bowl, other)))
    raise _too_much(whole, usable, mixing_min(way, time), most)


def fits_one(make: Make, bowls: Sequence[Bowl], way: str) -> bool:
    """Say whether a bowl holds the whole in one mix; True where no bowl is known."""
    return not bowls or _in_a_bowl(make, 1, [bowl for bowl in bowls if bowl.way == way]) is not None


def _in_a_bowl(make: Make, mixes: int, bowls: Sequence[Bowl]) -> tuple[Mix, Bowl] | None:
    """Take the smallest bowl whose load is right, else the one that it underfills least."""
    made = [(replace(make(mixes, bowl), bowl=bowl.name), bowl) for bowl in bowls]
    holding = [(one, bowl) for one, bowl in made if one.mix_ml / mixes <= bowl.most_ml]
    right = [(one, bowl) for one, bowl in holding if _is_enough(one, bowl)]
    if right:
        return min(right, key=lambda found: found[1].most_ml)
    return min(holding, key=lambda found: found[1].least_ml, default=None)


def _is_enough(made: Mix, bowl: Bowl) -> bool:
    return made.mix_ml / made.mixes >= bowl.least_ml


def _load_note(made: Mix, bowl: Bowl, other: Mix | None) -> tuple[Note, ...]:
    if _is_enough(made, bowl):
        return ()
    instead: tuple[int | str, ...] = ()
    if other is not None:
        dealt = water_in_words(other), powder_in_words(other)
        instead = (other.mixes, other.bowl or "", *dealt)
    return (
        Note(
            "bowl-underfilled",
            each_ml=made.mix_ml / made.mixes,
            least_ml=bowl.least_ml,
            bowl=bowl.name,
            way=bowl.way,
            instead=instead,
        ),
    )


def _too_much(whole: Mix, bowls: Sequence[Bowl], mixing: float, most: int) -> MixError:
    largest = max(bowl.most_ml for bowl in bowls)
    time = whole.kind.working_time
    limit = (
        f"{time.low:g} min of working time leave room for {most} of {mixing:g} min"
        if time
        else f"no working time is known for {whole.stone}, so it is not split"
    )
    return MixError(
        f"{whole.mix_ml:.1f} mL of mix for one pour ({whole.volume_ml:.1f} mL of cavity), "
        f"the largest bowl takes {largest:g} mL",
        needed=f"no more than {most} mix{'es' * (most > 1)}: {limit}",
        remedy="use a larger bowl, or a second person with a second bowl",
        code="mix-bowl",
    )


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
    volume_u_ml: float = 0.0,
    unseen_ml: float = 0.0,
) -> Beyond:
    """Say what a first pour takes beyond the cavity, whose rim has `rim_mm2` inside.

    The heap is a prism up to its height over the rim, less where the base line lies over that
    already; a rim that stands over the base line is trimmed down to it first.
    """
    lab = settings.lab
    heap_mm = lab.first_pour.over_line_mm(over_rim_mm)
    return Beyond(
        heap_ml=rim_mm2 * heap_mm / _MM3_PER_ML,
        nodules_ml=lab.second_pour.nodules_ml if has_base else 0.0,
        volume_u_ml=volume_u_ml,
        unseen_ml=unseen_ml,
    )


NOTHING = Beyond()


def first_pour(volume_ml: float, settings: Settings, more: Beyond = NOTHING) -> Mix:
    """Size the first pour: the cavity, what it takes beyond, and what is lost."""
    make = _maker(_first_ml(volume_ml, more), settings, more)
    return into_bowls(make, settings.lab.bowl, settings.way, settings.lab.time)


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
    volume_ml, lab = sum(volumes_ml), settings.lab
    if volume_ml + together.heap_ml + together.nodules_ml > MOST_VOLUME_ML:
        return None
    make = _maker(_first_ml(volume_ml, together), settings, together)
    if not fits_one(make, lab.bowl, settings.way):
        return None
    return into_bowls(make, lab.bowl, settings.way, lab.time)


def _first_ml(volume_ml: float, more: Beyond) -> dict[str, float]:
    return {"cavity": volume_ml, "heap": more.heap_ml, "nodules": more.nodules_ml}


def second_pour(area_mm2: float, settings: Settings, *, taken_ml: float = 0.0) -> Mix | None:
    """Size the base under the first pour; None where none is made.

    `area_mm2` is its own at the base line; `taken_ml` of its room the first pour takes, by heap and
    nodules.
    """
    base = settings.lab.second_pour
    if base.former_ml is not None:
        volume_ml = base.former_ml
    elif base.height_mm is not None:
        volume_ml = base_volume_ml(area_mm2, base.height_mm, base.taper_deg)
    else:
        return None
    if volume_ml <= taken_ml:
        raise _no_base(
            f"a base of {volume_ml:.1f} mL on a first pour that stands {taken_ml:.1f} mL into it",
            "a higher base or a larger former",
        )
    own = replace(settings.with_stone(base.stone), wp_ml_per_100g=None, stretch_ml_per_100g=0.0)
    make = _maker({"base": volume_ml - taken_ml}, own)
    try:
        made = into_bowls(make, settings.lab.bowl, settings.way, settings.lab.time)
    except MixError as fault:
        raise MixError(
            f"{fault.found} (base, the second pour)",
            needed=fault.needed,
            remedy=fault.remedy,
            code=fault.code,
        ) from fault
    return replace(made, notes=tuple(note.but(pour="base") for note in made.notes))


def _maker(parts_ml: Mapping[str, float], settings: Settings, more: Beyond = NOTHING) -> Make:
    """Give what makes the pour in so many equal mixes, in a bowl."""
    kind = find_stone(settings.stone, settings.lab)
    bench, has_scoop = bench_for(kind, settings.lab), knows_scoop(kind, settings)
    volume_ml = sum(parts_ml.values())

    def dealt(mixes: int, law: Learned, by: str) -> Mix:
        each_ml = volume_ml / mixes
        expected_ml = max(law.expected_ml(each_ml), 0.0)
        scoops_u_ml = 0.0 if by == "gram" else _scoops_u_ml(each_ml + expected_ml, kind, bench)
        doubt_ml = law.reserve_ml(each_ml, more.volume_u_ml / mixes, scoops_u_ml)
        reserve_ml = math.hypot(doubt_ml, more.unseen_ml / mixes)
        share_ml = min(max(law.share_ml * each_ml / USUAL_VOLUME_ML, 0.0), expected_ml)
        return mix(
            volume_ml,
            stone=kind,
            waste_percent=100.0 * share_ml / each_ml,
            residue_ml=expected_ml - share_ml,
            reserve_ml=max(law.expected_ml(each_ml) + reserve_ml, 0.0) - expected_ml,
            parts_ml=parts_ml,
            air_percent=settings.lab.way.of(settings.way).air_percent,
            wp_ml_per_100g=settings.wp_ml_per_100g,
            stretch_ml_per_100g=settings.stretch_ml_per_100g,
            by=by,
            bench=bench,
            mixes=mixes,
        )

    def make(mixes: int, bowl: Bowl | None) -> Mix:
        law = waste_law(kind.name, settings, bowl)
        whole = dealt(mixes, law, "scoop") if has_scoop else None
        by_scoop = settings.by == "scoop"
        made = whole if by_scoop and whole is not None else dealt(mixes, law, "gram")
        too_much = whole is not None and bowl is not None and whole.mix_ml / mixes > bowl.most_ml
        weigh = () if has_scoop or settings.by != "scoop" else (Note("no-scoop", stone=kind.name),)
        tiny = () if law.pours else waste_notes(settings.waste_percent)
        return replace(
            made,
            way=settings.way,
            has_scoop=has_scoop,
            volume_u_ml=more.volume_u_ml,
            risk_percent=law.risk_percent,
            whole_scoops=None if by_scoop or too_much else whole,
            notes=(*made.notes, *tiny, *weigh),
        )

    check_extras(settings.waste_percent, settings.residue_ml)
    check_volume(volume_ml)
    return make


def _scoops_u_ml(mix_ml: float, kind: StoneType, bench: Bench) -> float:
    """Say how far so much mix, dealt out by scoops, is off: each scoop by itself."""
    scoop_ml = bench.scoop_g * volume_per_gram_ml(kind.powder_density.value, kind.wp.value)
    return bench.scoop_scatter_percent / 100.0 * math.sqrt(mix_ml * scoop_ml)


def knows_scoop(kind: StoneType, settings: Settings) -> bool:
    """Say whether the weight of a level scoop of a stone is known.

    It is where the lab has weighed one of that stone, and for the stone that the scoop of the bench
    was weighed with: of another it weighs otherwise.
    """
    weighed = find_stone(settings.scoop_stone or settings.stone, settings.lab)
    return kind.scoop is not None or kind.name == weighed.name


def waste_law(stone: str, settings: Settings, bowl: Bowl | None = None) -> Learned:
    """Say what is lost: learned where the lab's pours teach it, else as set, or the bowl's own."""
    law = learned_for(stone, settings)
    if law is not None:
        return law
    residue_ml, usual = settings.residue_ml, settings.lab.way.of(settings.way)
    if bowl is not None and bowl.residue_ml is not None and residue_ml == usual.residue_ml:
        residue_ml = bowl.residue_ml  # one that was said for this run goes before it
    set_way = replace(usual, share_percent=settings.waste_percent, residue_ml=residue_ml)
    return unlearned(stone, settings.way, set_way, settings.lab.risk_percent)


def learned_for(stone: str, settings: Settings) -> Learned | None:
    """Find what the pours teach of a stone, mixed as the settings have it; None if nothing yet."""
    fitting = (law for law in settings.learned if (law.stone, law.way) == (stone, settings.way))
    return next(fitting, None)


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
