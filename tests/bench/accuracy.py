"""Measure random impressions, sound and damaged, and write what came out to docs/accuracy.md.

Run: python tests/bench/accuracy.py [--clean 300] [--damaged 1000] [--real 300] [--jobs 2]
     [--keep FOLDER]
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.accuracy_page import Row, page  # noqa: E402 - the path is set above
from tests.corpus.damage import KINDS, damage  # noqa: E402 - the path is set above
from tests.corpus.judging import (  # noqa: E402 - the path is set above
    judge_damaged,
    judge_made,
    judge_real,
)
from tests.corpus.random_cases import random_case  # noqa: E402 - the path is set above
from tests.corpus.real_cases import KINDS as REAL  # noqa: E402 - the path is set above
from tests.corpus.real_cases import real_case  # noqa: E402 - the path is set above
from tests.corpus.specimen import specimen  # noqa: E402 - the path is set above

# Kinds of which four times as many are made as of the others
OFTEN = ("ragged", "unequal", "sight", "patched", "patched fine")
PAGE = ROOT / "docs" / "accuracy.md"
Task = TypeVar("Task")


def sound(seed: int, keep: Path | None) -> Row:
    """Make and measure one impression."""
    made = specimen(seed, keep)
    return Row(
        name=f"{seed}",
        kind=made.drawn.kind,
        clean=made.drawn.clean,
        rim=made.drawn.rim_kind,
        field=made.facets_ml / made.field_ml - 1.0,
        given=judge_made(made, by_plane=True),
        found=judge_made(made, by_plane=False),
    )


def broken(task: tuple[int, int], keep: Path | None) -> Row:
    """Make, damage and measure one impression."""
    seed, number = task
    made = specimen(seed, keep)
    kinds = list(KINDS)
    done = damage(made, np.random.default_rng([seed, number]), kinds[number % len(kinds)])
    return Row(
        name=f"{seed}/{number}",
        kind=done.kind,
        clean=done.harmless,
        rim=made.drawn.rim_kind,
        field=made.facets_ml / made.field_ml - 1.0,
        given=judge_damaged(made, done, by_plane=True),
        found=judge_damaged(made, done, by_plane=False),
    )


def lifelike(task: tuple[str, int]) -> Row:
    """Make and measure a scan as trays and scanners leave it."""
    kind, seed = task
    made = real_case(seed, kind)
    return Row(
        name=f"{kind}/{seed}",
        kind=kind,
        clean=not made.owed,
        rim="",
        field=float("nan"),
        given=judge_real(made, by_plane=True),
        found=judge_real(made, by_plane=False),
    )


def turns(count: int) -> list[tuple[str, int]]:
    """Share numbers out over the kinds of real scans."""
    rare = [kind for kind in REAL if kind not in OFTEN]
    cycle = [*OFTEN * 4, *rare]
    drawn: dict[str, int] = {}
    for k in range(count):
        kind = cycle[(7 * k + k // len(cycle)) % len(cycle)]
        drawn[kind] = drawn.get(kind, 0) + 1
    return [(kind, seed) for kind, many in drawn.items() for seed in range(many)]


def tasks(clean: int, damaged: int) -> list[tuple[int, int]]:
    """Share damage out over those impressions that have no fault of their own."""
    able = [seed for seed in range(clean) if random_case(seed).clean]
    return [(able[(7 * k + k // len(able)) % len(able)], k) for k in range(damaged)]


def run(work: Callable[[Task], Row], todo: list[Task], jobs: int, what: str) -> Iterator[Row]:
    """Work through tasks and tell how far it is."""
    start = time.perf_counter()
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        results = pool.map(work, todo) if jobs > 1 else map(work, todo)
        for done, row in enumerate(results, 1):
            if done % 25 == 0 or done == len(todo):
                print(
                    f"{done} of {len(todo)} {what}, {time.perf_counter() - start:.0f} s", flush=True
                )
            yield row


def main() -> None:
    """Read the command line, measure, print and write the page."""
    parser = argparse.ArgumentParser(description="Accuracy on random impressions.")
    parser.add_argument("--clean", type=int, default=300, help="how many impressions")
    parser.add_argument("--damaged", type=int, default=1000, help="how many damaged scans")
    parser.add_argument("--real", type=int, default=300, help="how many scans of the real kinds")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--keep", type=Path, help="folder in which made impressions are kept")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        keep = chosen.keep or Path(scratch)
        keep.mkdir(parents=True, exist_ok=True)
        seeds = list(range(chosen.clean))
        whole = list(run(partial(sound, keep=keep), seeds, chosen.jobs, "impressions"))
        todo = tasks(chosen.clean, chosen.damaged)
        hurt = list(run(partial(broken, keep=keep), todo, chosen.jobs, "damaged scans"))
    real = list(run(lifelike, turns(chosen.real), chosen.jobs, "scans of the real kinds"))
    text = page(whole, hurt, real)
    PAGE.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
