"""Pours of a mix: which bowl each goes into, in how many equal mixes, and the base under it."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from volest.errors import MixError
from volest.lab import Bowl, Learned, Way
from volest.notes import Note
from volest.settings import Settings
from volest.stone.mix import MOST_VOLUME_ML, Mix, mix
from volest.stone.reference import POURING, mixing_min
from volest.stone.stones import StoneType, bench_for, find_stone
from volest.stone.words import powder_in_words, water_in_words

OF_THE_BOWL = ("split", "bowl-underfilled")  # codes of notes that hold for one bowl alone


def most_mixes(kind: StoneType, way: str, impressions: int = 1) -> int:
    """Say how many mixes can be made one after the other while the first can still be poured.

    One person: ``n * mixing + impressions * pouring <= working time``, its shorter end.
    """
    if kind.working_time is None:
        return 1
    left_min = kind.working_time.low - impressions * POURING.value
    return max(1, int(left_min / mixing_min(way) + 1e-9))


def into_bowls(make: Callable[[int], Mix], bowls: Sequence[Bowl], way: str) -> Mix:
    """Find the fewest equal mixes that fit a bowl, and the bowl; without bowls just the mix."""
    whole = make(1)
    usable = [bowl for bowl in bowls if bowl.way == way]
    if not bowls:
        return whole
    if not usable:
        raise _no_bowl(way)
    most = most_mixes(whole.kind, way)
    for mixes in range(1, most + 1):
        made = make(mixes)
        bowl = _bowl_for(made.mix_ml / mixes, usable)
        if bowl is not None:
            more = range(mixes + 1, most + 1)
            other = next(filter(None, (_well_in_bowls(make(n), usable) for n in more)), None)
            split = () if mixes == 1 else (Note("split", mixes=mixes),)
            notes = (*made.notes, *split, *_load_note(made, bowl, other))
            return replace(made, bowl=bowl.name, notes=notes)
    raise _too_much(whole, usable, way, most)


def fits_one(make: Callable[[int], Mix], bowls: Sequence[Bowl], way: str) -> bool:
    """Say whether a bowl holds the whole in one mix; True where no bowl is known."""
    loads_ml = [bowl.most_ml for bowl in bowls if bowl.way == way]
    return not bowls or make(1).mix_ml <= max(loads_ml, default=0.0)


def _bowl_for(mix_ml: float, bowls: Sequence[Bowl]) -> Bowl | None:
    """Take the smallest bowl whose load is right, else the one that it underfills least."""
    holding = [bowl for bowl in bowls if mix_ml <= bowl.most_ml]
    right = [bowl for bowl in holding if mix_ml >= bowl.least_ml]
    if right:
        return min(right, key=lambda bowl: bowl.most_ml)
    return min(holding, key=lambda bowl: bowl.least_ml, default=None)


def _well_in_bowls(made: Mix, bowls: Sequence[Bowl]) -> Mix | None:
    bowl = _bowl_for(made.mix_ml / made.mixes, bowls)
    fits = bowl is not None and made.mix_ml / made.mixes >= bowl.least_ml
    return replace(made, bowl=bowl.name) if bowl is not None and fits else None


def _load_note(made: Mix, bowl: Bowl, other: Mix | None) -> tuple[Note, ...]:
    each_ml = made.mix_ml / made.mixes
    if each_ml >= bowl.least_ml:
        return ()
    instead: tuple[int | str, ...] = ()
    if other is not None:
        dealt = water_in_words(other), powder_in_words(other)
        instead = (other.mixes, other.bowl or "", *dealt)
    least_ml, name = bowl.least_ml, bowl.name
    return (
        Note("bowl-underfilled", each_ml=each_ml, least_ml=least_ml, bowl=name, instead=instead),
    )


def _no_bowl(way: str) -> MixError:
    return MixError(
        f"no bowl for mixing by {way}" if way == "hand" else f"no bowl for mixing under {way}",
        needed=f'a [[bowl]] with way = "{way}" in the lab file',
        remedy="add one (a bowl without way is one for vacuum), or choose the other --way",
        code="mix-bowl",
    )


def _too_much(whole: Mix, bowls: Sequence[Bowl], way: str, most: int) -> MixError:
    largest = max(bowl.most_ml for bowl in bowls)
    time = whole.kind.working_time
    limit = (
        f"{time.low:g} min of working time leave room for {most} of {mixing_min(way):g} min"
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
LEAST_HEIGHT_MM = 3.0  # thinner breaks when the cast is lifted out: 1.2 is meant in cm
MOST_HEIGHT_MM = 60.0
MOST_TAPER_DEG = 45.0


def first_pour(volume_ml: float, settings: Settings, *, reserve_ml: float = 0.0) -> Mix:
    """Size the first pour, knobs for a base included; `reserve_ml` is on top, beside the waste."""
    return into_bowls(_first([volume_ml], settings, reserve_ml), settings.lab.bowl, settings.way)


def shared_pour(volumes_ml: Sequence[float], settings: Settings) -> Mix | None:
    """Size one mix from which several impressions are poured; None where one cannot hold them."""
    whole = _first(volumes_ml, settings)
    bowls = settings.lab.bowl
    if _filled_ml(volumes_ml, settings) > MOST_VOLUME_ML:
        return None
    return into_bowls(whole, bowls, settings.way) if fits_one(whole, bowls, settings.way) else None


def _filled_ml(volumes_ml: Sequence[float], settings: Settings) -> float:
    """Add the knobs for the bases, where there are any, to the cavities."""
    second = settings.lab.second_pour
    knobs_ml = 0.0 if second.height_mm is None else second.retention_ml
    return sum(volume_ml + knobs_ml for volume_ml in volumes_ml)


def _first(
    volumes_ml: Sequence[float], settings: Settings, reserve_ml: float = 0.0
) -> Callable[[int], Mix]:
    return _maker(
        _filled_ml(volumes_ml, settings),
        settings,
        stone=settings.stone,
        wp_ml_per_100g=settings.wp_ml_per_100g,
        stretch_ml_per_100g=settings.stretch_ml_per_100g,
        reserve_ml=reserve_ml,
    )


def second_pour(footprint_mm2: float, settings: Settings) -> Mix | None:
    """Size the base under the first pour, of the area at the base line; None where none is made."""
    base = settings.lab.second_pour
    if base.height_mm is None:
        return None
    volume_ml = base_volume_ml(footprint_mm2, base.height_mm, base.taper_deg)
    make = _maker(volume_ml, settings, stone=base.stone)
    try:
        made = into_bowls(make, settings.lab.bowl, settings.way)
    except MixError as fault:
        raise MixError(
            f"{fault.found} (base, the second pour)",
            needed=fault.needed,
            remedy=fault.remedy,
            code=fault.code,
        ) from fault
    return replace(made, notes=tuple(note.but(pour="base") for note in made.notes))


def _maker(
    volume_ml: float,
    settings: Settings,
    *,
    stone: str,
    wp_ml_per_100g: float | None = None,
    stretch_ml_per_100g: float = 0.0,
    reserve_ml: float = 0.0,
) -> Callable[[int], Mix]:
    """Give what makes the pour in so many equal mixes."""
    kind = find_stone(stone, settings.lab)
    has_scoop = knows_scoop(kind, settings)

    def make(mixes: int) -> Mix:
        way = waste_for(volume_ml / mixes, kind.name, settings)
        made = mix(
            volume_ml,
            stone=kind,
            waste_percent=way.share_percent,
            residue_ml=way.residue_ml + reserve_ml / mixes,
            air_percent=way.air_percent,
            wp_ml_per_100g=wp_ml_per_100g,
            stretch_ml_per_100g=stretch_ml_per_100g,
            by=settings.by if has_scoop else "gram",
            bench=bench_for(kind, settings.lab),
            mixes=mixes,
        )
        weigh = () if has_scoop or settings.by != "scoop" else (Note("no-scoop", stone=kind.name),)
        notes = (*made.notes, *weigh)
        return replace(made, way=settings.way, has_scoop=has_scoop, notes=notes)

    return make


def knows_scoop(kind: StoneType, settings: Settings) -> bool:
    """Say whether the weight of a level scoop of a stone is known.

    It is where the lab has weighed one of that stone, and for the stone that the scoop of the bench
    was weighed with: of another it weighs otherwise.
    """
    weighed = find_stone(settings.scoop_stone or settings.stone, settings.lab)
    return kind.scoop is not None or kind.name == weighed.name


def waste_for(volume_ml: float, stone: str, settings: Settings) -> Way:
    """Say what is mixed on top: learned where the lab's pours teach it, else as set."""
    air_percent = settings.lab.way.of(settings.way).air_percent
    law = learned_for(stone, settings)
    if law is not None:
        allowance_ml = law.allowance_ml(volume_ml)
        return Way(share_percent=0.0, residue_ml=allowance_ml, air_percent=air_percent)
    return Way(
        share_percent=settings.waste_percent,
        residue_ml=settings.residue_ml,
        air_percent=air_percent,
    )


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
