"""A bench that loses a flat 15 % and nothing else: what examples are reckoned with by hand."""

from dataclasses import replace
from typing import Any

from volest.lab import Bench, FirstPour, Lab, Learned, Way, Ways
from volest.settings import Settings
from volest.stone.mix import Mix, maker
from volest.stone.reference import STONE_TYPES, find_stone

_LAB, _BENCH = Lab(), Bench()
LAWS = tuple(
    Learned(
        stone=stone,
        way=way,
        pours=1,
        risk_percent=5.0,
        fixed_ml=0.0,
        share_ml=7.5,  # of 50 mL
        spread_ml=0.0,
        factor=2.0,
        normal_factor=2.0,
        var_fixed=0.0,
        cov=0.0,
        var_share=0.0,
    )
    for stone in STONE_TYPES
    for way in ("hand", "vacuum")
)


def flat(*, lab: Lab = _LAB, **fields: Any) -> Settings:
    """Give settings of such a bench, which pours flush with the rim."""
    own = tuple(replace(LAWS[0], stone=own.name, way=law.way) for own in lab.stone for law in LAWS)
    even = replace(lab, first_pour=FirstPour(heap_mm=0.0))
    return Settings(lab=even, learned=(*LAWS, *own), **fields)


def mix(
    volume_ml: float,
    *,
    waste_percent: float = 15.0,
    residue_ml: float = 0.0,
    air_percent: float = 0.0,
    bench: Bench = _BENCH,
    mixes: int = 1,
    lab: Lab = _LAB,
    **fields: Any,
) -> Mix:
    """Give a mix of such a bench for a cavity alone, without reserve and in no bowl."""
    way = Way(air_percent=air_percent)
    settings = Settings(
        waste_percent=waste_percent,
        residue_ml=residue_ml,
        lab=replace(lab, bench=bench, way=Ways(hand=way, vacuum=way)),
        **fields,
    )
    law = replace(
        LAWS[0],
        stone=find_stone(settings.stone, lab).name,
        way=settings.way,
        fixed_ml=residue_ml,
        share_ml=waste_percent / 2.0,  # of 50 mL
        normal_factor=0.0,
    )
    made = maker({"cavity": volume_ml}, replace(settings, learned=(law,)))(mixes, None)
    return replace(made, whole_scoops=None)
