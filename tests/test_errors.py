"""Whose a fault is: only what is ours is for those who make volest."""

import errno
from pathlib import Path

import numpy as np
import pytest

from tests.batch.small import QUICK, bowl_stl, sized
from tests.hostile.calling import call
from tests.hostile.forked import forked
from volest.errors import OURS, ScanError, UsageError, not_ours, owner_of
from volest.result import Result
from volest.settings import Settings


@pytest.mark.parametrize(
    ("fault", "owner"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "disk"),
        (OSError(errno.EIO, "Input/output error"), "disk"),
        (FileNotFoundError(errno.ENOENT, "No such file", "out"), "disk"),
        (PermissionError(errno.EACCES, "Permission denied"), "rights"),
        (MemoryError(), "memory"),
        (np._core._exceptions._ArrayMemoryError((9,), np.dtype(float)), "memory"),  # type: ignore[attr-defined]
        (BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable"), "memory"),
        (ConnectionResetError(), "network"),
        (TimeoutError(), "network"),
        (ScanError("a", needed="b", remedy="c"), "input"),
        (UsageError("a", needed="b", remedy="c", code="disk"), "disk"),
        (ZeroDivisionError(), OURS),
        (OSError("who knows"), OURS),
    ],
)
def test_each_fault_has_an_owner(fault: Exception, owner: str) -> None:
    assert owner_of(fault) == owner
    told = not_ours(fault)
    assert (told is None) == (owner == OURS)
    assert "tell us" not in str(told)


def failing(path: Path, settings: Settings) -> Result:
    del settings
    raise OSError(errno.ENOSPC, "No space left on device", str(path))


def test_a_full_disk_is_no_fault_of_a_scan(tmp_path: Path) -> None:
    (row,) = sized([tmp_path / "a.stl"], size_scan=failing, here=True)
    assert (row.outcome, row.code) == ("refused", "disk")
    assert "No space left" in str(row.reason)
    assert "fault in volest" not in str(row.reason)


def test_a_card_that_cannot_be_drawn_costs_no_figure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.stl").write_bytes(bowl_stl(0))
    (plain,) = sized([tmp_path / "a.stl"], here=True)

    def fail(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("volest.view.page.card_of", fail)
    sheet = tmp_path / "sheet.html"
    (row,) = sized([tmp_path / "a.stl"], QUICK, here=True, sheet=sheet)
    assert row.volume_ml == plain.volume_ml
    assert row.mix is not None
    assert f"{plain.volume_ml:.1f}" in sheet.read_text(encoding="utf-8")


def test_memory_that_runs_out_anywhere_is_told_as_such(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.stl").write_bytes(bowl_stl(0))

    def hungry(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("volest.pipeline.find_footprint", hungry)
    for words in (("size", "a.stl"), ("show", "a.stl")):
        said = call(*words, folder=tmp_path)
        assert said.code == 1, said
        assert "tell us" not in said.out + said.err
        assert "memory" in " ".join((said.out + said.err).split())


def test_a_limit_that_was_asked_for_is_named() -> None:
    def limited() -> bytes:
        import resource  # noqa: PLC0415  # in the child that is limited

        resource.setrlimit(resource.RLIMIT_DATA, (900_000_000, 900_000_000))
        return str(not_ours(MemoryError())).encode()

    told = forked(limited).answer.decode()
    assert "the 900 MB that a worker may take" in told
    assert "--memory" in told
    assert "this computer" not in told
