"""Which bowl a mix goes into, and into how many equal mixes it is split where none holds it."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from volest.errors import MixError
from volest.lab import Bowl
from volest.notes import Note
from volest.stone.mix import Mix
from volest.stone.reference import POURING, mixing_min
from volest.stone.stones import StoneType
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
