"""Measure thousands of mutants and print the tally: python -m tests.hostile.run_mutants --files N.

Each file is one kind of mutant of one sound scan, by its number; the same number gives the same
file. With --real the sound scans are as trays and scanners leave them, else small trays and the
samples. With --tally a long run can be done in parts: each part adds to the counts kept there. With
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
from tests.hostile.sources import REAL, Source, real_source, sample_sources, tray_sources

ENDS = (RIGHT, NOTED, REFUSAL, BROKEN)
BEGIN, END = "<!-- mutants begin -->", "<!-- mutants end -->"
SAMPLE_SHARE = 0.1  # of the kinds that work on bytes alone; samples take longer to measure


@dataclass(slots=True)
class Tally:
    """What came of all mutants so far."""

    ends: dict[str, collections.Counter[str]] = field(default_factory=dict)
    ends_of: dict[str, collections.Counter[str]] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)
    peak_bytes: int = 0
    cpu_s: float = 0.0
    slowest: str = ""

    def add(self, number: int, kind: str, source: Source, verdict: Verdict) -> None:
        self.ends.setdefault(kind, collections.Counter())[verdict.end] += 1
        self.ends_of.setdefault(source.of, collections.Counter())[verdict.end] += 1
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
        yield "| Made from | " + " | ".join(ENDS) + " |"
        yield "|---|" + "---|" * len(ENDS)
        for of in sorted(self.ends_of, key=["small tray", "sample", *REAL].index):
            yield f"| {of} | {' | '.join(str(self.ends_of[of][end]) for end in ENDS)} |"
        yield ""
        files = total.total()
        yield (
            f"{files - total[BROKEN]:,} of {files:,} ended as said. Most memory of one: "
            f"{self.peak_bytes / 1e6:.0f} MB on top of the interpreter and its libraries (allowed: "
            f"{MEMORY_BYTES / 1e6:.0f} MB); most processor time of one: "
            f"{self.cpu_s:.1f} s ({self.slowest}; allowed: {CPU_S} s)."
        )


def mutant(number: int, *, of_real: bool = False) -> tuple[str, Kind, Source, bytes]:
    """Make one mutant; the kinds take turns."""
    rng = np.random.default_rng([9, number])
    name = list(KINDS)[number % len(KINDS)]
    kind = KINDS[name]
    source = (_real if of_real else _small)(kind, rng)
    return name, kind, source, kind.change(source, rng)


def _small(kind: Kind, rng: np.random.Generator) -> Source:
    pool = [source for source in tray_sources() if source.encoding in kind.encodings]
    if kind.of_samples and rng.random() < SAMPLE_SHARE:
        pool = list(sample_sources())
    return pool[int(rng.integers(len(pool)))]


def _real(kind: Kind, rng: np.random.Generator) -> Source:
    of = list(REAL)[int(rng.integers(len(REAL)))]
    seed = REAL[of][int(rng.integers(len(REAL[of])))]
    return real_source(of, seed, kind.encodings[int(rng.integers(len(kind.encodings)))])


def kept(file: Path | None) -> Tally:
    """The tally of earlier parts of a run."""
    if file is None or not file.exists():
        return Tally()
    record = json.loads(file.read_text(encoding="utf-8"))
    for table in ("ends", "ends_of"):
        record[table] = {of: collections.Counter(ends) for of, ends in record[table].items()}
    return Tally(**record)


def run_all(numbers: Sequence[int], folder: Path, tally: Tally, *, of_real: bool = False) -> Tally:
    """Measure and judge the mutants of these numbers."""
    for done, number in enumerate(numbers, start=1):
        name, kind, source, data = mutant(number, of_real=of_real)
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
    words.add_argument("--real", action="store_true", help="of scans as trays leave them")
    words.add_argument("--tally", type=Path, help="JSON to which the counts are added")
    words.add_argument("--page", type=Path, help="page to write the tally into")
    asked = words.parse_args()
    os.nice(10)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        numbers = range(asked.first, asked.first + asked.files)
        tally = run_all(numbers, Path(folder), kept(asked.tally), of_real=asked.real)
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
