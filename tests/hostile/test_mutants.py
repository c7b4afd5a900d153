"""A mutant of each kind, thirteen in a whole run; thousands by tests/hostile/run_mutants.py."""

from pathlib import Path

import numpy as np
import pytest

from tests.hostile.judge import (
    BROKEN,
    COARSE,
    NOTED,
    REFUSAL,
    RIGHT,
    as_it_stands_ml,
    judged,
)
from tests.hostile.mutate import HARMLESS, HOPELESS, KINDS
from tests.hostile.run_mutants import Tally, kept, mutant, run_all, write_page
from tests.hostile.sources import sample_sources, tray_sources
from tests.marks import slow

STEP = len(KINDS)


@pytest.mark.parametrize(("begin", "end"), [(0, 1), *slow((1, 13))])
@pytest.mark.parametrize("kind", KINDS)
def test_mutants_end_as_said(kind: str, begin: int, end: int, tmp_path: Path) -> None:
    first = list(KINDS).index(kind) + 100_000 // STEP * STEP  # others than those of the long run
    tally = run_all(range(first + begin * STEP, first + end * STEP, STEP), tmp_path, Tally())
    assert set(tally.ends) == {kind}
    assert not tally.broken


@pytest.mark.slow
@pytest.mark.parametrize("number", [239, 84, 487, 580])
def test_polygons_of_a_scan_seen_from_one_side_are_one_surface(number: int, tmp_path: Path) -> None:
    # Their faces meet along parts of their sides; parted there, the scan fell into thousands.
    tally = run_all([number], tmp_path, Tally(), of_real=True)
    assert list(tally.ends) == ["polygons"]
    assert not tally.broken


def test_the_same_number_is_the_same_file() -> None:
    for number in range(STEP):
        name, _, source, data = mutant(number)
        again, _, same, twice = mutant(number)
        assert (name, source.name, data) == (again, same.name, twice)


@pytest.mark.slow
def test_every_source_is_sound(tmp_path: Path) -> None:
    for source in (*tray_sources(), *sample_sources()[:2]):
        verdict = judged(source, HARMLESS, source.data, tmp_path / f"sound{source.suffix}")
        assert verdict.end in {RIGHT, NOTED}, (source.name, verdict.why)


def test_the_surface_as_it_stands_is_the_truth_of_a_sound_file(tmp_path: Path) -> None:
    coarse = [source for source in tray_sources() if len(source.triangles) < COARSE]
    assert {source.name.split(", ")[1] for source in coarse} == {"open", "closed"}
    for source in coarse:
        path = tmp_path / f"sound{source.suffix}"
        path.write_bytes(source.data)
        assert as_it_stands_ml(source, path) == pytest.approx(source.volume_ml, rel=1e-5)


def test_the_judge_sees_what_is_wrong(tmp_path: Path) -> None:
    # A judge that finds nothing would prove nothing: three ways in which a mutant could break.
    source, other = tray_sources()[1], tray_sources()[6]  # closed: of a size that is not noted
    path = tmp_path / f"other{source.suffix}"
    wrong = judged(source, HARMLESS, other.data, path)
    assert wrong.end == BROKEN
    assert "wrong by" in wrong.why
    assert judged(source, HOPELESS, source.data, path).end == BROKEN
    assert judged(source, HARMLESS, b"", path).end == BROKEN
    assert judged(source, HOPELESS, b"", path).end == REFUSAL


def test_the_tally_is_written_between_its_marks(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("a\n<!-- mutants begin -->\nold\n<!-- mutants end -->\nb\n", encoding="utf-8")
    write_page(page, ["new"])
    assert page.read_text(encoding="utf-8") == (
        "a\n<!-- mutants begin -->\nnew\n<!-- mutants end -->\nb\n"
    )


def test_a_run_in_parts_counts_as_one(tmp_path: Path) -> None:
    numbers = [7, 11, 14, 18]  # refused without being measured: quick
    parts = tmp_path / "tally.json"
    for part in (numbers[:2], numbers[2:]):
        parts.write_text(run_all(part, tmp_path, kept(parts)).as_text(), encoding="utf-8")
    assert kept(parts).ends == run_all(numbers, tmp_path, Tally()).ends


def test_mutants_differ_from_what_they_were() -> None:
    rng = np.random.default_rng(1)
    for name, kind in KINDS.items():
        source = next(each for each in tray_sources() if each.encoding in kind.encodings)
        assert any(kind.change(source, rng) != source.data for _ in range(9)), name
