"""Finished scans that are kept: what reads back the same, and what is as good as missing."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.batch.small import QUICK
from tests.report.invented import measured
from volest.batch.find import content_of
from volest.batch.store import MOST_HELD, OutFolder
from volest.batch.workers import TaskResult
from volest.result import Result


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    path = tmp_path / "a.stl"
    path.write_bytes(b"x")
    return path


def keep(folder: Path, scan: Path, result: Result, card: str | None = None) -> None:
    with OutFolder(folder, QUICK) as kept:
        kept.keep(scan, TaskResult(result=result, content=content_of(scan), card=card))


def test_what_is_kept_reads_back_the_same(tmp_path: Path, scan: Path) -> None:
    result = measured(str(scan))
    keep(tmp_path / "out", scan, result, "a card")
    with OutFolder(tmp_path / "out", QUICK, has_cards=True) as kept:
        done = kept.known(scan)
        assert done is not None
        assert json.dumps(done.result.to_dict()) == json.dumps(result.to_dict())
        assert kept.card(str(scan)) == "a card"
        assert kept.known(scan.with_name("another.stl")) is None


def test_what_would_not_read_back_is_not_kept(tmp_path: Path, scan: Path) -> None:
    keep(tmp_path / "out", scan, replace(measured("a.stl"), reason="a\udcff.stl"))
    with OutFolder(tmp_path / "out", QUICK) as kept:
        assert kept.known(scan) is None
        assert kept.damaged == 0


def test_an_empty_card_is_a_missing_one(tmp_path: Path, scan: Path) -> None:
    keep(tmp_path / "out", scan, measured(str(scan)), "a card")
    (card,) = (tmp_path / "out").rglob("*.card.json")
    card.write_bytes(b"")
    with OutFolder(tmp_path / "out", QUICK, has_cards=True) as kept:
        assert kept.known(scan) is None
        assert kept.damaged == 1
    with OutFolder(tmp_path / "out", QUICK) as kept:  # a run without a sheet needs none
        assert kept.known(scan) is not None


def test_a_result_that_went_away_is_not_passed_over(
    tmp_path: Path, scan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert MOST_HELD > 100
    monkeypatch.setattr("volest.batch.store.MOST_HELD", 0)
    keep(tmp_path / "out", scan, measured(str(scan)))
    with OutFolder(tmp_path / "out", QUICK) as kept:
        assert kept.known(scan) is not None
        next((tmp_path / "out").rglob("finished/*.json")).unlink()
        gone = kept.result(scan)
        assert gone is not None
        assert (gone.outcome, gone.code) == ("refused", "disk")
