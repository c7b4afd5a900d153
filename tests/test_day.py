"""When each impression was taken, of which kind it is, and where that was said."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from tests.report.invented import measured, refused
from volest.errors import ScanError, UsageError
from volest.run import Planner
from volest.scan.decision import (
    Decision,
    decision_path,
    fingerprint,
    read_decision,
    read_told,
    write_decision,
)
from volest.settings import Settings, Taken, parse_taken
from volest.stone.shared import Impression

NOON = datetime.fromisoformat("2026-03-02 12:00").astimezone()


def planned(day: Planner, *results: str) -> dict[str, Impression]:
    plan = replace(day, start=NOON).plan(
        [*map(measured, results), refused("refused.stl")], Settings()
    )
    return {one.name: one for made in plan.mixes for one in made.impressions}


def ages_min(day: Planner, *results: str) -> list[float | None]:
    ones = planned(day, *results)
    return [ones[name].age_min for name in results]


def test_of_several_that_fit_the_last_holds() -> None:
    said = tuple(map(parse_taken, ("5 min", "a*=9 min", "a2*=11:40", "a3*=2026-03-01 12:00")))
    found = ages_min(Planner(taken=said), "day/b.stl", "a.stl", "a2.stl", "a3.stl")
    assert found == [5.0, 9.0, 20.0, 1440.0]
    assert ages_min(Planner(), "b.stl") == [None]


@pytest.mark.parametrize(
    ("pattern", "name", "age_min"),
    [
        ("*_%H%M.*", "day/b0417_1138.stl", 22.0),
        ("*_%Y%m%d-%H%M.*", "b0417_20260301-1130.ply", 1470.0),
        ("B*_%H%M.STL", "b0417_1138.stl", 22.0),  # capitals do not count
        ("*_%H%M_%H%M.*", "b0417_1138_1145.stl", 22.0),  # the first is meant
        ("*_%H%M.*", "b0417_1239.stl", None),  # still to come: so it was not told rightly
        ("*_%H%M.*", "b0417_9999.stl", None),
        ("*_%H%M.*", "b0417.stl", None),
    ],
)
def test_a_time_in_the_name(pattern: str, name: str, age_min: float | None) -> None:
    assert ages_min(Planner(taken=(parse_taken(f"{pattern}=name"),)), name) == [age_min]


@pytest.mark.parametrize(
    "text",
    [
        "25:00",
        "noon",
        "b*=name",
        "*_%H.*=name",
        "a[_%H]%M.*=name",
        "-3 min",
        "2026-02-30 10:00",
        "",
        "b*=",
    ],
)
def test_a_time_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="time taken"):
        parse_taken(text)


def test_a_time_that_is_saved_holds_where_nothing_else_is_said(tmp_path: Path) -> None:
    scan = tmp_path / "b.stl"
    scan.write_bytes(b"any")
    decision_path(scan).write_text("volest_decision = 1\ntaken = 2026-03-02T11:15:00\n")
    assert read_decision(scan) is None  # it says nothing of a base line
    assert ages_min(Planner(), str(scan)) == [45.0]
    assert ages_min(Planner(taken=(Taken(pattern="b*", word="10 min"),)), str(scan)) == [10.0]
    # A base line that is saved later leaves it there.
    write_decision(scan, Decision(point_mm=(0.0, 0.0, 1.0), normal=(0.0, 0.0, 1.0)))
    assert read_decision(scan) is not None
    assert read_told(scan).taken == datetime.fromisoformat("2026-03-02 11:15").astimezone()
    for value in ('"11:15"', "11:15:00", "true"):
        text = f'volest_decision = 1\nscan_sha256 = "{fingerprint(scan)}"\ntaken = {value}\n'
        decision_path(scan).write_text(text)
        with pytest.raises(ScanError, match="taken ="):
            read_decision(scan)
        assert read_told(scan).taken is None


def test_quadrant_and_arch_are_seen_and_dies_are_said() -> None:
    # The samples: quadrants cover some 1600 mm2, arches 3400 and more.
    small = replace(measured("a.stl"), footprint_mm2=1622.0)
    large = [replace(measured(name), footprint_mm2=3415.0) for name in ("b.stl", "prep.stl")]
    plan = Planner(kinds=["prep*=dies"]).plan([small, *large], Settings())
    kinds = {one.name: one.kind for made in plan.mixes for one in made.impressions}
    assert kinds == {"a.stl": "quadrant", "b.stl": "arch", "prep.stl": "dies"}
