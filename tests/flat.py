"""A bench that loses a flat 15 % and nothing else: what examples are reckoned with by hand."""

from dataclasses import replace
from functools import partial
from typing import Any

from volest.lab import FirstPour, Lab, Learned
from volest.settings import Settings
from volest.stone import mix as mixes
from volest.stone.reference import STONE_TYPES

mix = partial(mixes.mix, waste_percent=15.0, residue_ml=0.0)
_LAB = Lab()
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
