"""Scans as trays and scanners leave them, some of each kind; the bench measures hundreds."""

import pytest

from tests.corpus.judging import judge_real
from tests.corpus.real_cases import real_case
from volest.result import MEASURED

pytestmark = pytest.mark.slow


# Of the ragged ones 725 lost 0.15 and 732 0.69 % while strips beside the rim were left out.
@pytest.mark.parametrize(
    ("kind", "seed"),
    [("ragged", 725), ("ragged", 732), ("unequal", 700), ("unequal", 727), ("stock tray", 700)],
)
def test_under_every_notch_the_volume_is_the_boolean(kind: str, seed: int) -> None:
    verdict = judge_real(real_case(seed, kind), by_plane=True)
    assert verdict.error == pytest.approx(0.0, abs=2e-4)
    assert verdict.outcome == MEASURED


@pytest.mark.parametrize("kind", ["sight", "patched", "patched fine"])
@pytest.mark.parametrize("seed", [700, 703, 705])
def test_what_was_not_seen_is_closed_within_the_interval(kind: str, seed: int) -> None:
    verdict = judge_real(real_case(seed, kind), by_plane=True)
    assert abs(verdict.error) < 0.04
    assert verdict.covered or verdict.outcome != MEASURED
    assert verdict.width < 0.14


@pytest.mark.parametrize("kind", ["two-sided", "side by side", "two quadrants", "stacked"])
def test_several_impressions_are_told_and_not_added_up(kind: str) -> None:
    verdict = judge_real(real_case(700, kind), by_plane=True)
    assert abs(verdict.error) < 5e-3
    assert verdict.outcome != MEASURED


def test_a_surface_scanned_twice_is_one_impression() -> None:
    verdict = judge_real(real_case(700, "scanned again"), by_plane=True)
    assert abs(verdict.error) < 0.01
    assert verdict.outcome != MEASURED
