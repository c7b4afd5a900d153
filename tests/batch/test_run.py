"""A batch: no scan stops another, and the worst decides the exit code."""

import logging
import math
from dataclasses import replace
from pathlib import Path

import pytest

from tests.sheet.invented import measured, refused
from volest.batch.run import check_settings, exit_code, run
from volest.batch.workers import FAULT
from volest.errors import MixError, UsageError, VolestError
from volest.result import Result
from volest.settings import Settings

PATHS = [Path("a.stl"), Path("b.stl"), Path("c.stl")]


class Sizer:
    """Stands in for the pipeline; raises what it is given for the second scan."""

    def __init__(self, fault: BaseException | None = None) -> None:
        self.fault = fault

    def __call__(self, path: Path, settings: Settings) -> Result:
        """Size one scan."""
        assert isinstance(settings, Settings)
        if path.name == "b.stl" and self.fault is not None:
            raise self.fault
        return measured(str(path))


def test_results_stand_in_the_order_of_the_paths() -> None:
    seen: list[Result] = []
    results = run(PATHS, Settings(), on_result=seen.append, size_scan=Sizer())
    assert [result.scan for result in results] == ["a.stl", "b.stl", "c.stl"]
    assert seen == results
    assert exit_code(results) == 0


@pytest.mark.parametrize("fault", [KeyError("gone"), MemoryError(), RecursionError("deep")])
def test_a_fault_is_a_row_and_a_trace(fault: Exception, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.ERROR, logger="volest"):
        results = run(PATHS, Settings(), size_scan=Sizer(fault))
    assert [result.outcome for result in results] == ["measured", "refused", "measured"]
    assert results[1].reason is not None
    assert results[1].reason.startswith(f"fault in volest: {type(fault).__name__}")
    assert results[1].code == FAULT
    assert results[1].seconds >= 0
    assert "Traceback" in caplog.text
    assert exit_code(results) == 4


def test_a_mix_that_cannot_be_made_refuses_its_scan_only() -> None:
    fault = MixError("3000 mL", needed="2000 mL at most", remedy="look at the scan")
    results = run(PATHS, Settings(), size_scan=Sizer(fault))
    assert results[1].reason == str(fault)
    assert exit_code(results) == 1


def test_each_scan_gets_its_stone() -> None:
    def stone_of(path: Path, settings: Settings) -> Result:
        return Result(scan=f"{path.stem} {settings.stone}", outcome="measured", seconds=0.0)

    day = Settings(stones_for=(("*-bite*", "type-3"), ("b3*", "type-2")))
    scans = [Path(f"bite/{name}.stl") for name in ("b1", "b1-bite", "b3-bite", "B3")]
    found = [result.scan for result in run(scans, day, size_scan=stone_of)]
    # Folders do not count, capitals do, and the last pattern holds.
    assert found == ["b1 type-4", "b1-bite type-3", "b3-bite type-2", "B3 type-4"]


def test_one_ratio_for_several_stones_is_refused() -> None:
    with pytest.raises(UsageError, match="several stones"):
        check_settings(Settings(stones_for=(("b*", "type-3"),), wp_ml_per_100g=20.0))


def test_the_keyboard_ends_it_with_what_is_done() -> None:
    results = run(PATHS, Settings(), size_scan=Sizer(KeyboardInterrupt()))
    assert [result.scan for result in results] == ["a.stl"]


def test_worst_scan_decides() -> None:
    fault = replace(refused("x"), code=FAULT)
    assert exit_code([]) == 0
    assert exit_code([measured("a"), refused("b")]) == 1
    assert exit_code([fault, refused("b"), measured("a")]) == 4


@pytest.mark.parametrize("pitch_mm", [0.0, -1.0, 5.0, math.nan, math.inf])
def test_a_pitch_out_of_range_is_refused_before_the_work(pitch_mm: float) -> None:
    with pytest.raises(UsageError, match="pitch"):
        run(PATHS, Settings(pitch_mm=pitch_mm), size_scan=Sizer())


@pytest.mark.parametrize(
    "settings",
    [
        Settings(stone="marble"),
        Settings(wp_ml_per_100g=5.0),
        Settings(wp_ml_per_100g=math.nan),
        Settings(waste_percent=-1.0),
        Settings(waste_percent=math.inf),
        Settings(residue_ml=math.nan),
    ],
)
def test_a_mix_that_means_nothing_is_refused_before_the_work(settings: Settings) -> None:
    with pytest.raises(VolestError) as caught:
        check_settings(settings)
    assert caught.value.exit_code == 2
