"""Simulated labs whose true waste is known: what the learned allowance saves and risks.

``python -m tests.bench.simulated_lab`` writes the table into docs/reference/journal.md. The labs
are invented; only the law that makes their leftovers is known, and the learning does not see it.
"""

import argparse
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench.marked_part import write_between
from volest.settings import Settings
from volest.stone.learning import Pour, learn
from volest.stone.pours import first_pour

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "journal.md"
POURS, SEEDS, FIXED_PERCENT = 200, 40, 20.0
STONE, WAY = "type-4", "vacuum"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """How a lab really works: what sticks to its tools, and how well volumes are known."""

    name: str
    residue_ml: float
    residue_sd_ml: float
    volume_sd_percent: float
    arches_percent: float


LABS = (
    Truth(
        name="steady",
        residue_ml=2.0,
        residue_sd_ml=0.5,
        volume_sd_percent=1.5,
        arches_percent=80,
    ),
    Truth(
        name="middling",
        residue_ml=2.5,
        residue_sd_ml=0.8,
        volume_sd_percent=2.5,
        arches_percent=80,
    ),
    Truth(
        name="many quadrants",
        residue_ml=2.5,
        residue_sd_ml=0.8,
        volume_sd_percent=2.5,
        arches_percent=50,
    ),
    Truth(
        name="rough",
        residue_ml=4.0,
        residue_sd_ml=1.5,
        volume_sd_percent=4.0,
        arches_percent=80,
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Year:
    """What a lab's pours came to: mL in the bin, pours that ran short, and what each needed."""

    fixed_ml: float
    learned_ml: float
    fixed_short: int
    learned_short: int
    needs: tuple[tuple[float, float, float], ...]  # volume, filled, filled and residue; mL


def simulate(truth: Truth, seed: int, pours: int = POURS) -> Year:
    """Run one lab with a fixed allowance and, beside it, with the learned one."""
    booked: list[Pour] = []
    waste_ml, short = {"fixed": 0.0, "learned": 0.0}, {"fixed": 0, "learned": 0}
    needs = tuple(_needs(truth, random.Random(seed), pours))  # noqa: S311  # a simulation, by seed
    default = Settings().lab.way.vacuum
    for volume_ml, filled_ml, need_ml in needs:
        law = learn(booked, stone=STONE, way=WAY, default=default)
        for name, settings in (
            ("fixed", Settings(waste_percent=FIXED_PERCENT)),
            ("learned", Settings(learned=(law,))),
        ):
            made = first_pour(volume_ml, settings)
            waste_ml[name] += max(made.mix_ml - filled_ml, 0.0)
            short[name] += made.mix_ml < need_ml
        booked.append(
            Pour(
                stone=STONE,
                way=WAY,
                volume_ml=volume_ml,
                mix_ml=made.mix_ml,
                left_ml=made.mix_ml - need_ml,
            )
        )
    return Year(
        fixed_ml=waste_ml["fixed"],
        learned_ml=waste_ml["learned"],
        fixed_short=short["fixed"],
        learned_short=short["learned"],
        needs=needs,
    )


def _needs(truth: Truth, dice: random.Random, pours: int) -> Iterator[tuple[float, float, float]]:
    shape = (truth.residue_ml / truth.residue_sd_ml) ** 2
    for _ in range(pours):
        arch = dice.random() < truth.arches_percent / 100.0
        volume_ml = dice.uniform(35.0, 70.0) if arch else dice.uniform(12.0, 25.0)
        filled_ml = volume_ml * (1.0 + dice.gauss(0.0, truth.volume_sd_percent / 100.0))
        residue_ml = dice.gammavariate(shape, truth.residue_ml / shape)
        yield volume_ml, filled_ml, filled_ml + residue_ml


def share_as_rare(years: list[Year]) -> float:
    """Find the fixed share, in per cent, that runs short just as rarely as the learned waste."""
    shares = sorted(
        100.0 * (need / volume - 1.0) for year in years for volume, _, need in year.needs
    )
    short = sum(year.learned_short for year in years)
    return shares[len(shares) - 1 - short]


def table() -> str:
    """Run all labs with all seeds and write what came out."""
    risk = f"{Settings().lab.risk_percent:g} %"
    intro = f"{POURS} pours a lab, the mean of seeds 1 to {SEEDS}, in brackets seed 1 by itself. "
    heads = (
        "lab",
        "residue, mL",
        "volume, %",
        "full arches, %",
        f"short, fixed {FIXED_PERCENT:g} %",
        "short, learned",
        f"waste, fixed {FIXED_PERCENT:g} %, mL",
        "waste, learned, mL",
        "cut",
        "fixed share as rarely short",
        "cut against that",
    )
    lines = [intro + f"Risk chosen: {risk}.", "", f"| {' | '.join(heads)} |", "|---" * 11 + "|"]
    for truth in LABS:
        years = [simulate(truth, seed) for seed in range(1, SEEDS + 1)]
        lines.append(_row(truth, years))
    return "\n".join(lines)


def _row(truth: Truth, years: list[Year]) -> str:
    pours, first = POURS * len(years), years[0]
    fixed_ml, learned_ml = sum(y.fixed_ml for y in years), sum(y.learned_ml for y in years)
    share = share_as_rare(years)
    rare_ml = sum(
        max(volume * (1.0 + share / 100.0) - filled, 0.0)
        for year in years
        for volume, filled, _ in year.needs
    )
    short = [
        100.0 * sum(counts) / pours
        for counts in zip(*((year.fixed_short, year.learned_short) for year in years), strict=True)
    ]
    cut, first_cut = 1.0 - learned_ml / fixed_ml, 1.0 - first.learned_ml / first.fixed_ml
    cells = (
        truth.name,
        f"{truth.residue_ml:g} ± {truth.residue_sd_ml:g}",
        f"± {truth.volume_sd_percent:g}",
        f"{truth.arches_percent:g}",
        f"{short[0]:.1f} % ({first.fixed_short} of {POURS})",
        f"{short[1]:.1f} % ({first.learned_short} of {POURS})",
        f"{fixed_ml / pours:.1f}",
        f"{learned_ml / pours:.1f}",
        f"{100 * cut:.0f} % ({100 * first_cut:.0f} %)",
        f"{share:.0f} %",
        f"{100 * (1 - learned_ml / rare_ml):.0f} %",
    )
    return "| " + " | ".join(cells) + " |"


def write(page: Path = PAGE) -> None:
    """Put the table between its marks in the page."""
    write_between(page, "simulated labs", table())


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--page", type=Path, default=PAGE)
    write(parser.parse_args().page)
