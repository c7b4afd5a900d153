"""Simulated labs whose truth is known: what is risked and wasted, with waste set, learned or flat.

``python -m tests.bench.simulated_lab`` writes the table into docs/explanation/mix.md. The labs are
invented; only the law that makes their leftovers is known, and the learning does not see it.
"""

import argparse
import math
import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench.marked_part import write_between
from tests.flat import mix
from volest.lab import Lab, Learned, Pour, Way, Ways, learn
from volest.settings import Settings
from volest.stone.mix import Beyond, Mix, first_pour

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "mix.md"
POURS, SEEDS, FLAT_PERCENT = 200, 40, 20.0
STONE, WAY = "type-4", "vacuum"
RISK = Lab().risk_percent
WAYS = ("set", "learned", "flat")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """How a lab really works: what it loses, how well its scans are known, how it deals powder.

    A scan in `wide_percent` of a hundred has surface that was not seen: it is known four times
    worse, and says so.
    """

    name: str
    residue_ml: float
    residue_sd_ml: float
    share_percent: float
    volume_u_percent: float
    arches_percent: float = 80.0
    wide_percent: float = 0.0
    by: str = "gram"


LABS = (
    Truth(name="steady", residue_ml=2, residue_sd_ml=0.5, share_percent=3, volume_u_percent=0.7),
    Truth(name="middling", residue_ml=4, residue_sd_ml=1, share_percent=5, volume_u_percent=1),
    Truth(
        name="many quadrants",
        residue_ml=4,
        residue_sd_ml=1,
        share_percent=5,
        volume_u_percent=1,
        arches_percent=30,
    ),
    Truth(name="rough", residue_ml=6, residue_sd_ml=2, share_percent=8, volume_u_percent=2),
    Truth(
        name="unseen flanges",
        residue_ml=4,
        residue_sd_ml=1,
        share_percent=5,
        volume_u_percent=1,
        wide_percent=25,
    ),
    Truth(
        name="by scoop",
        residue_ml=4,
        residue_sd_ml=1,
        share_percent=5,
        volume_u_percent=1,
        by="scoop",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """One pour: the volume as measured and how sure, and what it really fills and needs; mL."""

    volume_ml: float
    volume_u_ml: float
    filled_ml: float
    need_ml: float
    luck: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Year:
    """What a lab's pours came to, by each way: mL beyond what was filled, pours that ran short."""

    waste_ml: dict[str, float]
    short: Counter[str]


def simulate(truth: Truth, seed: int, pours: int = POURS) -> Year:
    """Run one lab three times: its waste set rightly, learned from nothing on, and 20 % flat."""
    booked: list[Pour] = []
    waste_ml = dict.fromkeys(WAYS, 0.0)
    short: Counter[str] = Counter()
    base = Settings(by=truth.by)
    way = Way(
        share_percent=truth.share_percent,
        residue_ml=truth.residue_ml,
        scatter_ml=truth.residue_sd_ml,
    )
    right = Settings(
        by=truth.by,
        waste_percent=way.share_percent,
        residue_ml=way.residue_ml,
        lab=Lab(way=Ways(vacuum=way)),
    )
    usual = base.lab.way.vacuum
    for scan in _scans(truth, random.Random(seed), pours):  # noqa: S311  # a simulation, by seed
        law = learn(booked, stone=STONE, way=WAY, default=usual, risk_percent=RISK)
        more = Beyond(volume_u_ml=scan.volume_u_ml)
        made = {
            "set": first_pour(scan.volume_ml, right, more),
            "learned": first_pour(scan.volume_ml, _learned(base, law), more),
            "flat": mix(scan.volume_ml, waste_percent=FLAT_PERCENT, residue_ml=0.0, by=truth.by),
        }
        for how, one in made.items():
            mixed_ml = one.mix_ml + scan.luck * _scoops_u_ml(one, truth)
            waste_ml[how] += max(mixed_ml - scan.filled_ml, 0.0)
            short[how] += mixed_ml < scan.need_ml
        booked.append(
            Pour(
                stone=STONE,
                way=WAY,
                volume_ml=scan.volume_ml,
                mix_ml=made["learned"].mix_ml,
                left_ml=made["learned"].mix_ml - scan.need_ml,
                volume_u_ml=scan.volume_u_ml,
            )
        )
    return Year(waste_ml=waste_ml, short=short)


def _flat(scan: Scan, truth: Truth, percent: float) -> Mix:
    return mix(scan.volume_ml, waste_percent=percent, residue_ml=0.0, by=truth.by)


def as_rare(truth: Truth, short: float, seeds: int = SEEDS) -> tuple[float, float]:
    """Find the flat share, in per cent, that runs short as rarely, and the mL that it wastes."""
    scans = [
        scan
        for seed in range(1, seeds + 1)
        for scan in _scans(truth, random.Random(seed), POURS)  # noqa: S311  # as above
    ]
    for percent in range(5, 200, 5):
        made = [_flat(scan, truth, float(percent)) for scan in scans]
        mixed_ml = [
            one.mix_ml + scan.luck * _scoops_u_ml(one, truth)
            for one, scan in zip(made, scans, strict=True)
        ]
        pairs = list(zip(mixed_ml, scans, strict=True))
        if sum(ml < scan.need_ml for ml, scan in pairs) <= short * len(scans):
            wasted_ml = sum(max(ml - scan.filled_ml, 0.0) for ml, scan in pairs)
            return float(percent), wasted_ml / len(scans)
    raise ValueError(f"no flat share is as rare in {truth.name}")


def _learned(settings: Settings, law: Learned) -> Settings:
    return Settings(by=settings.by, learned=(law,))


def _scoops_u_ml(made: Mix, truth: Truth) -> float:
    """Say how far a mix of scoops is off, each by itself."""
    if truth.by == "gram":
        return 0.0
    each_ml = made.mix_ml / made.scoops
    return each_ml * made.bench.scoop_scatter_percent / 100.0 * math.sqrt(made.scoops)


def _scans(truth: Truth, dice: random.Random, pours: int) -> Iterator[Scan]:
    shape = (truth.residue_ml / truth.residue_sd_ml) ** 2
    for _ in range(pours):
        arch = dice.random() < truth.arches_percent / 100.0
        volume_ml = dice.uniform(35.0, 70.0) if arch else dice.uniform(12.0, 25.0)
        wide = 4.0 if dice.random() < truth.wide_percent / 100.0 else 1.0
        volume_u_ml = volume_ml * wide * truth.volume_u_percent / 100.0
        filled_ml = volume_ml + dice.gauss(0.0, volume_u_ml)
        residue_ml = dice.gammavariate(shape, truth.residue_ml / shape)
        yield Scan(
            volume_ml=volume_ml,
            volume_u_ml=volume_u_ml,
            filled_ml=filled_ml,
            need_ml=filled_ml * (1.0 + truth.share_percent / 100.0) + residue_ml,
            luck=dice.gauss(0.0, 1.0),
        )


def table() -> str:
    """Run all labs with all seeds and write what came out."""
    heads = ["lab", "residue, mL", "share, %", "volume, %"]
    heads += [f"short, {way}" for way in WAYS] + [f"waste, {way}, mL" for way in WAYS]
    heads += ["flat share as rarely short as learned", "its waste, mL"]
    error, flat = f"{2 * error_percent(SEEDS):.1f} %", f"{FLAT_PERCENT:g} % on top"
    intro = f"{POURS} pours a lab, the mean of seeds 1 to {SEEDS}. Chance stated: {RISK:g} %, to "
    intro += f"within {error} by chance alone. Flat: {flat}."
    lines = [
        intro,
        "",
        f"| {' | '.join(heads)} |",
        "|---" * len(heads) + "|",
    ]
    return "\n".join([*lines, *map(_row, LABS)])


def error_percent(seeds: int) -> float:
    """Give the binomial's standard deviation of the stated chance over so many years."""
    share = RISK / 100.0
    return 100.0 * math.sqrt(share * (1.0 - share) / (POURS * seeds))


def _row(truth: Truth) -> str:
    years = [simulate(truth, seed) for seed in range(1, SEEDS + 1)]
    pours = POURS * len(years)
    percent, rare_ml = as_rare(truth, sum(year.short["learned"] for year in years) / pours)
    cells = [
        truth.name,
        f"{truth.residue_ml:g} ± {truth.residue_sd_ml:g}",
        f"{truth.share_percent:g}",
        f"± {truth.volume_u_percent:g}",
        *(f"{100.0 * sum(year.short[way] for year in years) / pours:.1f} %" for way in WAYS),
        *(f"{sum(year.waste_ml[way] for year in years) / pours:.1f}" for way in WAYS),
        f"{percent:g} %",
        f"{rare_ml:.1f}",
    ]
    return "| " + " | ".join(cells) + " |"


def write(page: Path = PAGE) -> None:
    """Put the table between its marks in the page."""
    write_between(page, "simulated labs", table())


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--page", type=Path, default=PAGE)
    write(parser.parse_args().page)
