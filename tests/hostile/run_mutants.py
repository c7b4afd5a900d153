"""Measure thousands of mutants and print the tally: python -m tests.hostile.run_mutants --files N.

Each file is one kind of mutant of one sound scan, by its number; the same number gives the same
file. With --tally a long run can be done in parts: each part adds to the counts kept there. With
--page the tally is written into the page between its marks.
"""

import argparse
import collections
import json
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.hostile.forked import CPU_S, MEMORY_BYTES
from tests.hostile.judge import BROKEN, NOTED, REFUSAL, RIGHT, Verdict, judged
from tests.hostile.mutate import KINDS, Kind
from tests.hostile.sources import Source, sample_sources, tray_sources

ENDS = (RIGHT, NOTED, REFUSAL, BROKEN)
BEGIN, END = "<!-- mutants begin -->", "<!-- mutants end -->"
SAMPLE_SHARE = 0.1  # of the kinds that work on bytes alone; samples take longer to measure


@dataclass(slots=True)
class Tally:
    """What came of all mutants so far."""

    ends: dict[str, collections.Counter[str]] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)
    peak_bytes: int = 0
    cpu_s: float = 0.0
    slowest: str = ""

    def add(self, number: int, kind: str, source: Source, verdict: Verdict) -> None:
        self.ends.setdefault(kind, collections.Counter())[verdict.end] += 1
        self.peak_bytes = max(self.peak_bytes, verdict.peak_bytes)
        if verdict.cpu_s > self.cpu_s:
            self.cpu_s, self.slowest = verdict.cpu_s, f"{kind}, {source.name}"
        if verdict.end == BROKEN:
            self.broken.append(f"{number}: {kind}, {source.name}: {verdict.why}")

    def as_text(self) -> str:
        """The tally as JSON, for a later part of the run to go on from."""
        record = {name: getattr(self, name) for name in self.__slots__}
        return json.dumps(record)

    def lines(self) -> Iterator[str]:
        """The table as Markdown, worst cases and sum below it."""
        yield "| Kind | Hope | " + " | ".join(ENDS) + " |"
        yield "|---|---|" + "---|" * len(ENDS)
        for kind in (kind for kind in KINDS if kind in self.ends):
            counts = " | ".join(str(self.ends[kind][end]) for end in ENDS)
            yield f"| {kind} | {KINDS[kind].hope} | {counts} |"
        total = sum(self.ends.values(), collections.Counter())
        yield f"| all | | {' | '.join(str(total[end]) for end in ENDS)} |"
        yield ""
        files = total.total()
        yield (
            f"{files - total[BROKEN]:,} of {files:,} ended as said. Most memory of one: "
            f"{self.peak_bytes / 1e6:.0f} MB with the interpreter and its libraries (allowed: "
            f"{MEMORY_BYTES / 1e6:.0f} MB on top of those); most processor time of one: "
            f"{self.cpu_s:.1f} s ({self.slowest}; allowed: {CPU_S} s)."
        )


def mutant(number: int) -> tuple[str, Kind, Source, bytes]:
    """Make one mutant; the kinds take turns."""
    rng = np.random.default_rng([9, number])
    name = list(KINDS)[number % len(KINDS)]
    kind = KINDS[name]
    pool = [source for source in tray_sources() if source.encoding in kind.encodings]
    if kind.of_samples and rng.random() < SAMPLE_SHARE:
        pool = list(sample_sources())
    source = pool[int(rng.integers(len(pool)))]
    return name, kind, source, kind.change(source, rng)


def kept(file: Path | None) -> Tally:
    """The tally of earlier parts of a run."""
    if file is None or not file.exists():
        return Tally()
    record = json.loads(file.read_text(encoding="utf-8"))
    ends = {kind: collections.Counter(counts) for kind, counts in record.pop("ends").items()}
    return Tally(ends=ends, **record)


def run_all(numbers: Sequence[int], folder: Path, tally: Tally) -> Tally:
    """Measure and judge the mutants of these numbers."""
    for done, number in enumerate(numbers, start=1):
        name, kind, source, data = mutant(number)
        path = folder / f"mutant{source.suffix}"
        tally.add(number, name, source, judged(source, kind.hope, data, path))
        if done % 500 == 0:
            print(f"{done} of {len(numbers)}", file=sys.stderr)
    return tally


def write_page(page: Path, lines: Sequence[str], begin: str = BEGIN, end: str = END) -> None:
    text = page.read_text(encoding="utf-8")
    before, _, rest = text.partition(begin)
    _, _, after = rest.partition(end)
    page.write_text("\n".join([before + begin, *lines, end]) + after, encoding="utf-8")


def main() -> int:
    words = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    words.add_argument("--files", type=int, default=10_000, help="how many (default 10000)")
    words.add_argument("--first", type=int, default=0, help="number of the first one")
    words.add_argument("--tally", type=Path, help="JSON to which the counts are added")
    words.add_argument("--page", type=Path, help="page to write the tally into")
    asked = words.parse_args()
    os.nice(10)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        numbers = range(asked.first, asked.first + asked.files)
        tally = run_all(numbers, Path(folder), kept(asked.tally))
    if asked.tally is not None:
        asked.tally.write_text(tally.as_text(), encoding="utf-8")
    lines = list(tally.lines())
    print("\n".join(lines))
    for line in tally.broken:
        print(line, file=sys.stderr)
    if asked.page is not None:
        write_page(asked.page, lines)
    return 1 if tally.broken else 0


if __name__ == "__main__":
    sys.exit(main())
