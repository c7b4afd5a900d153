"""An output folder: what is finished stays finished, and only what is new is sized."""

import json
import os
import random
import shutil
import signal
import subprocess
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import psutil
import pytest

from tests.batch.small import QUICK, VOLEST, bowl_stl, fill, sized, unruly, without_times
from tests.marks import slow
from volest.batch.find import Found
from volest.batch.store import OutFolder
from volest.errors import UsageError
from volest.report.record import as_text, csv_pieces, document
from volest.result import Result
from volest.run import Request, Run, run
from volest.scan.decision import Decision, write_decision
from volest.settings import Settings
from volest.storage import unsealed

ROOT = Path(__file__).parents[2]
MOMENTS = 20


def size_into(
    out: Path, paths: list[Path], settings: Settings = QUICK, size_scan: Any = None
) -> tuple[list[str], list[Result]]:
    """Size into a folder, and say which scans were really sized."""
    new: list[str] = []
    found = Found(scans=paths)
    request = Request(settings=settings, found=found, out=out, size_scan=size_scan, here=True)
    with Run(request) as desk:
        before = desk.kept.keep

        def keep(place: Any, done: Any) -> None:
            if not done.kept:
                new.append(Path(place).name)
            before(place, done)

        desk.kept.keep = keep  # type: ignore[method-assign]  # only listens
        with request.engine(len(paths)) as engine:
            desk.size(paths, engine)
        return new, list(desk.write().results or ())


def plain(path: Path) -> dict[str, Any]:
    """Read results without the times and without the folder that they lie in."""
    whole: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    for scan in whole["scans"]:
        del scan["seconds"]
    return whole


def test_files_are_those_of_the_serial_run(tmp_path: Path) -> None:
    paths = fill(tmp_path / "scans", 3)
    (tmp_path / "scans" / "bad.stl").write_bytes(b"nonsense")
    paths.append(tmp_path / "scans" / "bad.stl")
    _, results = size_into(tmp_path / "out", paths)
    text = (tmp_path / "out" / "results.json").read_text(encoding="utf-8")
    assert text == as_text(document(results, QUICK))
    assert (tmp_path / "out" / "results.csv").read_bytes() == "".join(csv_pieces(results)).encode()
    assert without_times(results) == without_times(sized(paths, here=True))


def test_only_what_is_new_or_changed_is_sized(tmp_path: Path) -> None:
    paths, out = fill(tmp_path / "scans", 4), tmp_path / "out"
    assert len(size_into(out, paths)[0]) == 4
    assert size_into(out, paths)[0] == []
    os.utime(paths[0], (1, 1))  # a copy has another time and the same content
    assert size_into(out, paths)[0] == []
    paths[1].write_bytes(bowl_stl(9))  # the same number of bytes, other content
    assert size_into(out, paths)[0] == ["bowl-1.stl"]
    write_decision(paths[2], Decision(point_mm=(0.0, 0.0, -2.0), normal=(0.0, 0.0, 1.0)))
    new, results = size_into(out, paths)
    assert new == ["bowl-2.stl"]
    assert results[2].base_line is not None
    assert results[2].base_line.how == "saved"
    paths[3].rename(paths[3].with_name("other.stl"))  # some words of a result carry the name
    paths[3] = paths[3].with_name("other.stl")
    assert size_into(out, paths)[0] == ["other.stl"]
    assert len(size_into(out, paths, replace(QUICK, pitch_mm=0.9))[0]) == 4
    assert size_into(out, paths)[0] == []  # the first settings are still known


def test_a_sheet_of_pages_that_belong_to_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("volest.run.ON_A_PAGE", 2)
    paths, out = fill(tmp_path / "scans", 3), tmp_path / "out"

    def sheets(places: list[Path], *, sheet: bool) -> tuple[int, dict[str, str]]:
        found = Found(scans=places)
        report = run(Request(settings=QUICK, found=found, out=out, out_sheet=sheet, here=True))
        return report.reused, {file.name: file.read_text("utf-8") for file in out.glob("*.html")}

    assert sheets(paths, sheet=False) == (0, {})
    reused, pages = sheets(paths, sheet=True)
    assert reused == 0  # their cards were not made before
    assert {name: page.count('<article class="card"') for name, page in pages.items()} == {
        "sheet.html": 2,
        "sheet-2.html": 1,
    }
    assert all("bowl-2.stl" in page for name, page in pages.items() if name == "sheet-2.html")
    reused, fewer = sheets(paths[:1], sheet=True)
    assert (reused, set(fewer)) == (1, {"sheet.html"})
    assert '"solid"' in fewer["sheet.html"]  # the live view of the card that was kept
    (out / "sheet-of-music.html").touch()
    assert set(sheets(paths, sheet=False)[1]) == {"sheet-of-music.html"}


def test_what_another_try_may_change_is_not_kept(tmp_path: Path) -> None:
    paths = [tmp_path / "crash.stl", tmp_path / "a.stl", tmp_path / "missing.stl"]
    for path in paths[:2]:
        path.write_bytes(b"x")
    size_into(tmp_path / "out", paths, size_scan=unruly)
    assert size_into(tmp_path / "out", paths, size_scan=unruly)[0] == ["crash.stl", "missing.stl"]


def test_a_scan_that_changes_while_it_is_read_is_not_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.stl"
    path.write_bytes(b"x")

    def changing(path: Path, settings: Settings) -> Result:
        path.write_bytes(path.read_bytes() + b"x")
        return unruly(path, settings)

    _, results = size_into(tmp_path / "out", [path], size_scan=changing)
    assert results[0].outcome == "measured"
    assert size_into(tmp_path / "out", [path], size_scan=unruly)[0] == ["a.stl"]


def test_a_damaged_record_is_sized_again(tmp_path: Path) -> None:
    paths, out = fill(tmp_path / "scans", 2), tmp_path / "out"
    size_into(out, paths)
    first, second = sorted((out / ".volest" / "finished").iterdir())
    name = next(
        name for name in ("bowl-0.stl", "bowl-1.stl") if name.encode() in first.read_bytes()
    )
    first.write_bytes(first.read_bytes().replace(b'"volume_ml":', b'"volume_ml":1'))
    assert size_into(out, paths)[0] == [name]
    first.write_bytes(second.read_bytes())  # whole, but of another scan
    assert size_into(out, paths)[0] == [name]
    first.write_bytes(b"")
    assert size_into(out, paths)[0] == [name]


def test_two_runs_do_not_share_a_folder(tmp_path: Path) -> None:
    with OutFolder(tmp_path, QUICK), pytest.raises(UsageError, match="in use"):
        OutFolder(tmp_path, QUICK)
    with OutFolder(tmp_path, QUICK):
        pass


def start(folder: Path, out: Path, workers: int = 2) -> "subprocess.Popen[bytes]":
    words = f"--pitch 1 --no-sheet --quiet --workers {workers}".split()
    return subprocess.Popen(
        [*VOLEST, "size", str(folder), "--out", str(out), *words],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def left_of(session: int) -> list[str]:
    """List what still runs of a session, once it has had a moment to end."""
    deadline = time.monotonic() + 10.0
    while (found := running(session)) and time.monotonic() < deadline:
        time.sleep(0.1)
    return found


def running(session: int) -> list[str]:
    found = []
    for process in psutil.process_iter():
        with suppress(ProcessLookupError, psutil.NoSuchProcess):
            if os.getsid(process.pid) == session and process.status() != psutil.STATUS_ZOMBIE:
                found.append(" ".join(process.cmdline()))
    return found


@pytest.mark.slow
def test_a_run_killed_at_twenty_moments_loses_nothing(tmp_path: Path) -> None:
    folder, out, whole = tmp_path / "scans", tmp_path / "out", tmp_path / "whole"
    fill(folder, 40)
    assert start(folder, whole).wait(120) == 0
    dice = random.Random(6873)  # noqa: S311  # moments, no secrets
    kept, sessions = 0, []
    for moment in range(MOMENTS):
        if moment % 5 == 0:  # late moments meet the writing of the files, early ones the start
            out, kept = tmp_path / f"out-{moment}", 0
        run_ = start(folder, out)
        sessions.append(run_.pid)
        time.sleep(dice.uniform(0.2, 2.2))
        run_.send_signal(signal.SIGKILL)
        run_.wait()
        kept = check_kept(out, at_least=kept)
    assert start(folder, out).wait(120) == 0
    assert plain(out / "results.json") == plain(whole / "results.json")
    assert not [line for session in sessions for line in left_of(session)]
    assert not list(out.glob(".volest-*"))


def check_kept(out: Path, *, at_least: int) -> int:
    """See that the store is whole, has lost nothing, and that no table is half written."""
    table = out / "results.json"
    if table.exists():
        json.loads(table.read_text(encoding="utf-8"))
    kept = list(out.glob(".volest/finished/*.json"))
    assert len(kept) >= at_least
    assert all(unsealed(file.stem + ".json", file.read_bytes()) for file in kept)
    return len(kept)


@pytest.mark.parametrize("number", [signal.SIGINT, *slow(signal.SIGTERM)])
def test_the_keyboard_ends_it_with_what_is_done(tmp_path: Path, number: signal.Signals) -> None:
    folder, out = tmp_path / "scans", tmp_path / "out"
    fill(folder, 400)
    run_ = start(folder, out)
    deadline = time.monotonic() + 60.0
    while check_kept(out, at_least=0) < 3 and time.monotonic() < deadline:
        time.sleep(0.1)
    os.killpg(run_.pid, number) if number == signal.SIGINT else run_.send_signal(number)
    assert run_.wait(30) == 130
    done = plain(out / "results.json")["scans"]
    assert 3 <= len(done) < 400
    assert {scan["outcome"] for scan in done} == {"measured"}
    assert not left_of(run_.pid)


@pytest.mark.slow
def test_a_hundred_bad_files_among_a_hundred_good(tmp_path: Path) -> None:
    folder, out = tmp_path / "scans", tmp_path / "out"
    folder.mkdir()
    whole = bowl_stl(0, across=17)
    dice = random.Random(12836)  # noqa: S311  # damage, no secrets
    for number in range(100):
        (folder / f"good-{number:03}.stl").write_bytes(bowl_stl(number % 10, across=17))
        cut = dice.choice([b"", whole[: dice.randrange(1, len(whole))], dice.randbytes(3000)])
        (folder / f"bad-{number:03}.stl").write_bytes(cut)
    assert start(folder, out).wait(120) == 1
    scans = plain(out / "results.json")["scans"]
    assert [Path(scan["scan"]).name for scan in scans] == sorted(p.name for p in folder.iterdir())
    by_kind = {kind: [s for s in scans if f"/{kind}-" in s["scan"]] for kind in ("bad", "good")}
    assert {scan["outcome"] for scan in by_kind["bad"]} == {"refused"}
    assert {scan["outcome"] for scan in by_kind["good"]} == {"measured with notes"}
    noted = {note["code"] for scan in by_kind["good"] for note in scan["notes"]}
    assert noted == {"same-scan"}  # each of ten scans lies there ten times
    assert not [scan for scan in scans if "fault in volest" in str(scan["reason"])]


def test_a_folder_that_is_taken_away_costs_no_figure(tmp_path: Path) -> None:
    paths, out = fill(tmp_path / "scans", 3), tmp_path / "out"
    found = Found(scans=paths)
    request = Request(settings=QUICK, found=found, out=out, out_sheet=True, here=True)
    with Run(request) as desk, request.engine(3) as engine:
        desk.size(paths[:1], engine)
        assert desk.write().failed is None
        shutil.rmtree(out)
        desk.size(paths[1:], engine)
        gone = desk.write()
        assert [one.outcome for one in gone.results or ()] == ["measured"] * 3
        assert "cannot be written" in str(gone.failed)
        assert (gone.faults, gone.written) == (0, [])
        out.mkdir()
        back = desk.write()
        assert back.failed is None
        assert len(plain(out / "results.json")["scans"]) == 3
    again = run(Request(settings=QUICK, found=found, out=out, out_sheet=True))
    assert again.reused == 2  # sized while it was away, kept as it came back


@pytest.mark.slow
def test_an_end_at_any_moment_leaves_no_trace(tmp_path: Path) -> None:
    fill(tmp_path / "scans", 20)
    dice = random.Random(143)  # noqa: S311  # moments, no secrets
    codes = set()
    for moment in range(MOMENTS):
        words = ["size", str(tmp_path / "scans"), "--out", str(tmp_path / f"out-{moment}")]
        run_ = subprocess.Popen(
            [*VOLEST, *words, "--pitch", "1", "--no-sheet", "--workers", "2", "-q"],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        time.sleep(dice.uniform(0.3, 4.0))
        run_.send_signal(signal.SIGTERM)
        told = run_.communicate(timeout=60)[1]
        assert "Traceback" not in told
        codes.add(run_.returncode)
    # By SIGTERM: before anything was begun. By SIGINT, which a shell tells as 130 too: CPython ends
    # itself so where the stop came while a text was executed, as `dataclasses` do (pythonrun.c).
    assert codes <= {0, 130, -signal.SIGTERM, -signal.SIGINT}
