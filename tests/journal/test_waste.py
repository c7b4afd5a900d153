"""What was said goes before the journal, and that before the lab."""

from pathlib import Path

import pytest

from volest.errors import UsageError
from volest.journal import Entry, Journal, now, settings_in_force
from volest.lab import Lab, Way, Ways

LAB = Lab(way=Ways(hand=Way(share_percent=25.0, residue_ml=4.0), vacuum=Way()))


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    # 57.92 mL made, 4 mL left: 3.92 mL more than a cavity of 50 mL.
    pour = Entry(
        booked=now(),
        stone="type-4",
        way="hand",
        volume_ml=50.0,
        powder_g=103.0,
        water_ml=20.6,
        mix_ml=57.92,
        left_g=8.5,
        left_ml=4.0,
    )
    with Journal(tmp_path / "lab.db") as book:
        book.book(pour)
    return tmp_path / "lab.db"


@pytest.mark.parametrize(
    ("said", "share_percent", "residue_ml", "laws"),
    [
        ({}, 25.0, 4.0, 1),
        ({"waste_percent": 9.0}, 9.0, 4.0, 0),
        ({"residue_ml": 0.0}, 25.0, 0.0, 0),
        ({"waste_percent": 9.0, "residue_ml": 1.0}, 9.0, 1.0, 0),
    ],
)
def test_what_was_said_goes_first(
    journal: Path, said: dict[str, float], share_percent: float, residue_ml: float, laws: int
) -> None:
    words = {"way": "hand", **said}
    held = settings_in_force(LAB, {**words, "journal_file": journal}, {})
    assert (held.waste_percent, held.residue_ml) == (share_percent, residue_ml)
    assert len(held.learned) == laws
    assert settings_in_force(LAB, words, {"journal_file": str(journal)}) == held
    unread = settings_in_force(LAB, words, {})
    assert (unread.waste_percent, unread.learned) == (share_percent, ())


def test_a_journal_that_is_not_there_is_told(tmp_path: Path) -> None:
    none = {"journal_file": tmp_path / "no.db"}
    with pytest.raises(UsageError, match="no such file"):
        settings_in_force(LAB, none, {})
    told: list[str] = []  # as a habit it is made by the first booking
    assert settings_in_force(LAB, {}, none, told.append) == settings_in_force(LAB, {}, {})
    assert told == [f"no journal {tmp_path / 'no.db'} yet: the waste is as set"]
