"""Damage to finished scans: what exporters, scanners and hands do to meshes, drawn at random.

Each kind says what is still true: the volume of the undamaged cavity where the damage does not
change it, the volume by construction where it does, or that nobody should believe the scan.
"""

from collections.abc import Callable
from dataclasses import replace

from tests.corpus import added, altered, taken
from tests.corpus.harm import Damaged, Rng
from tests.corpus.specimen import Specimen

# Kinds of damage
KINDS: dict[str, Callable[[Specimen, Rng], Damaged]] = {
    "some faces turned": altered.some_turned,
    "all faces turned": altered.all_turned,
    "faces doubled": altered.doubled,
    "faces doubled, turned": altered.doubled_turned,
    "second shell": altered.second_shell,
    "second shell, 0.05 mm off": altered.shifted_shell,
    "spikes": altered.spikes,
    "faces collapsed": altered.collapsed,
    "noise 50-100 um": altered.rough,
    "wrong unit": altered.unit,
    "mirrored": altered.mirrored,
    "coordinates rounded": altered.rounded,
    "order shuffled": altered.shuffled,
    "corners apart": altered.unwelded,
    "islands near": added.islands_near,
    "islands far": added.islands_far,
    "turntable": added.turntable,
    "sealed bubbles": added.bubbles,
    "crossing patch": added.crossing_patch,
    "fins": added.fins,
    "border closed": added.border_closed,
    "lid over it": added.spare_lid,
    "scanned twice": added.scanned_twice,
    "faces dropped": taken.dropped,
    "hole in the floor": taken.floor_hole,
    "hole in the flange": taken.flange_hole,
    "half a flange": taken.half_flange,
    "missing end": taken.missing_end,
    "torn in two": taken.torn,
    "rim trimmed off": taken.rim_trimmed,
    "cast's skin": taken.cast_skin,
}


def damage(made: Specimen, rng: Rng, kind: str | None = None) -> Damaged:
    """Damage a scan.

    >>> sorted(KINDS)[:2]
    ['all faces turned', 'border closed']
    """
    chosen = str(rng.choice(list(KINDS))) if kind is None else kind
    return replace(KINDS[chosen](made, rng), kind=chosen)
