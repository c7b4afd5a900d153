"""`volest log`: booking a leftover, and what the journal says."""

import csv
import hashlib
import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from volest.cli.main import volest_group
from volest.stone.reference import water_density_g_per_ml


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("VOLEST_JOURNAL", raising=False)
    return tmp_path


def call(*words: str) -> Result:
    return CliRunner().invoke(volest_group, list(words))


def log(*words: str) -> Result:
    return call("log", "--journal", "lab.db", *words)


MIXED = ("--volume", "50", "--powder", "103", "--water", "20.6")


def rows(result: Result) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(result.stdout_bytes.decode(), newline="")))


def test_a_leftover_is_booked_with_lot_and_mark() -> None:
    booked = log(*MIXED, "--left", "9", "--lot", "7731", "--mark", "K")
    assert booked.exit_code == 0, booked.output
    assert booked.stderr == "booked as pour 1\n"
    assert "this rests on 1 pour: few, it still leans on the default" in booked.stdout
    (row,) = rows(log("--csv", "-"))
    assert (row["lot"], row["mark"], row["stone"], row["way"]) == ("7731", "K", "type-4", "vacuum")
    # Density of the mix by hand: (103 + 20.6 * 0.9982) g in (103 / 2.76 + 20.6) mL.
    density = (103 + 20.6 * water_density_g_per_ml(20)) / (103 / 2.76 + 20.6)
    assert float(row["left_ml"]) == pytest.approx(9 / density)


def test_amounts_come_from_what_mix_wrote() -> None:
    call("mix", "50", "--json", "mix.json")
    assert log("--from", "mix.json", "--short", "6", "--way", "hand").exit_code == 0
    (row,) = rows(log("--csv", "-"))
    assert float(row["volume_ml"]) == pytest.approx(50.0)
    assert float(row["powder_g"]) == 112.0
    assert (float(row["left_g"]), row["way"]) == (-6.0, "hand")
    assert "1 of them short" in log().stdout


def test_amounts_come_from_what_size_wrote(folder: Path) -> None:
    call("mix", "50", "--json", "mix.json")
    mix = json.loads((folder / "mix.json").read_text(encoding="utf-8"))
    mix["way"] = "hand"
    scans = [{"scan": "day/a.stl", "mix": None}, {"scan": "day/b.stl", "mix": mix}]
    scans.append({"scan": "day/c.stl", "mix": mix})
    day = {"settings": {"way": "vacuum"}, "scans": scans}
    (folder / "day.json").write_text(json.dumps(day), encoding="utf-8")
    assert log("--from", "day.json", "--scan", "b.stl", "--left", "3").exit_code == 0
    (row,) = rows(log("--csv", "-"))
    assert (row["scan"], row["way"]) == ("b.stl", "hand")
    for words in ([], ["--scan", "a.stl"], ["--scan", "d.stl"], ["--scan", ".stl"]):
        refused = log("--from", "day.json", *words, "--left", "3")
        assert refused.exit_code == 2
        assert "by its figures: --volume, --powder, --water" in refused.output  # it may have gone
    assert log("--from", "day.json", "--scan", "c", "--left", "3").exit_code == 0
    assert [row["scan"] for row in rows(log("--csv", "-"))] == ["b.stl", "c.stl"]


def test_whole_scoops_are_booked_as_such() -> None:
    call("mix", "50", "--json", "mix.json")
    assert log("--from", "mix.json", "--scoops", "--left", "20").exit_code == 0
    (row,) = rows(log("--csv", "-"))
    # 3 scoops of 50 g to 20 mL per 100 g (common practice, no source).
    assert (float(row["powder_g"]), float(row["water_ml"])) == (150.0, 30.0)
    call("mix", "50", "--by", "scoop", "--json", "scoops.json")
    assert log("--from", "scoops.json", "--scoops", "--left", "20").exit_code == 0
    assert [float(row["powder_g"]) for row in rows(log("--csv", "-"))] == [150.0, 150.0]
    assert log("--scoops", "--left", "20").exit_code == 2


def test_a_shared_mix_is_booked_whole_and_once(folder: Path) -> None:
    call("mix", "50", "--json", "alone.json")
    call("mix", "120", "--json", "both.json")
    alone = json.loads((folder / "alone.json").read_text(encoding="utf-8"))
    both = json.loads((folder / "both.json").read_text(encoding="utf-8"))
    scans = [{"scan": f"day/{name}.stl", "mix": alone} for name in "abc"]
    mixes = [
        {"scans": ["day/a.stl", "day/b.stl"], "mix": both},
        {"scans": ["day/c.stl"], "mix": alone},
    ]
    day = {"settings": {"way": "vacuum"}, "scans": scans, "shared": {"mixes": mixes}}
    (folder / "day.json").write_text(json.dumps(day), encoding="utf-8")
    first = log("--from", "day.json", "--scan", "a.stl", "--left", "11")
    assert first.exit_code == 0, first.output
    assert "the whole mix that a.stl, b.stl share" in first.stderr
    (row,) = rows(log("--csv", "-"))
    assert float(row["powder_g"]) == both["powder_g"]
    assert float(row["volume_ml"]) == pytest.approx(120.0)
    assert row["scan"] == "a.stl, b.stl"
    again = log("--from", "day.json", "--scan", "b.stl", "--left", "11")
    assert again.exit_code == 2
    assert "booked for day/a.stl, day/b.stl" in again.stderr
    by_itself = log("--from", "day.json", "--scan", "c.stl", "--left", "3")
    assert "share" not in by_itself.stderr
    assert float(rows(log("--csv", "-"))[-1]["powder_g"]) == alone["powder_g"]


def test_the_way_of_mixing_is_that_of_the_file_or_asked_for(folder: Path) -> None:
    call("mix", "50", "--way", "hand", "--json", "mix.json")
    assert log("--from", "mix.json", "--left", "6").exit_code == 0
    (row,) = rows(log("--csv", "-"))
    assert row["way"] == "hand"
    older = json.loads((folder / "mix.json").read_text(encoding="utf-8"))
    del older["way"]
    (folder / "older.json").write_text(json.dumps(older), encoding="utf-8")
    refused = log("--from", "older.json", "--left", "6")
    assert refused.exit_code == 2
    assert "no way of mixing" in refused.stderr
    assert log("--from", "older.json", "--left", "6", "--way", "hand").exit_code == 0


def test_a_second_booking_is_asked_about_and_can_be_struck_out() -> None:
    call("mix", "50", "--json", "mix.json")
    assert "slip" not in log("--from", "mix.json", "--left", "6").stderr
    again = log("--from", "mix.json", "--left", "6")
    assert again.exit_code == 2
    assert "booked for the same file" in again.stderr
    assert "--again" in again.stderr
    assert log("--from", "mix.json", "--left", "6", "--again").stderr == "booked as pour 2\n"
    struck = log("--strike", "2")
    assert "this rests on 1 pour" in struck.stdout
    assert "2. " in struck.stdout
    assert "struck out" in struck.stdout
    assert log("--strike", "2").exit_code == 2
    assert log(*MIXED, "--left", "6", "--strike", "1").exit_code == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--left", "9"], "--volume"),
        ([*MIXED], "--left G or --short G"),
        (["--water", "20.6"], "--left G or --short G"),
        (["--lot", "7731"], "--left G or --short G"),
        ([*MIXED, "--left", "9", "--short", "9"], "leave one out"),
        ([*MIXED, "--left", "-1"], "-1"),
        ([*MIXED, "--left", "150"], "150 g left of 103 g of powder and 20.6 mL of water"),
        ([*MIXED, "--left", "100"], "11.0 mL poured into a cavity of 50 mL"),
        ([*MIXED, "--left", "0.009"], "0.009 g; needed 0, or at least 0.1 g"),
        ([*MIXED, "--short", "0.012"], "powder and leftover in g"),
        ([*MIXED, "--water", "103", "--powder", "20.6", "--left", "9"], "18.6 to 100 mL"),
        ([*MIXED, "--water", "2.06", "--left", "9"], "2.06 mL of water to 103 g of powder"),
        ([*MIXED, "--left", "9", "--stone", "marble"], "marble"),
        (["--from", "missing.json", "--left", "9"], "missing.json"),
        ([], "book a first pour"),
    ],
)
def test_slips_are_one_line_and_2(words: list[str], told: str) -> None:
    result = log(*words)
    assert result.exit_code == 2
    assert told in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_journal_in_no_folder_is_told() -> None:
    told = call("log", "--journal", "nowhere/lab.db", *MIXED, "--left", "9")
    assert told.exit_code == 2
    assert "no folder nowhere that can be opened" in told.stderr
    assert told.stderr.count("\n") == 1


def test_a_ratio_outside_the_range_is_booked_and_told() -> None:
    # Study cards, "Gypsum products": die stone 19 to 24, model stone 28 to 30.
    assert "outside" not in log(*MIXED, "--left", "9").stderr
    odd = log(*MIXED, "--left", "9", "--stone", "type-3")
    assert odd.exit_code == 0
    assert "W/P 20.0 mL per 100 g is outside 28 to 30 for type-3" in odd.stderr
    assert "--strike 2" in odd.stderr


def test_more_left_than_the_cavity_allows_is_booked_and_told() -> None:
    # 57.9 mL were made for 50 mL: 12 g (5.6 mL) can be left, 40 g (18.8 mL) hardly.
    assert "to be filled" not in log(*MIXED, "--left", "12").stderr
    odd = log(*MIXED, "--left", "40")
    assert odd.exit_code == 0
    assert "it took 39.2 mL, less than the 50.0 mL to be filled" in odd.stderr
    assert "--strike 2" in odd.stderr


def test_a_second_mix_that_was_weighed_whole_is_told() -> None:
    # 57.9 mL and 12 g (5.6 mL) on top for 50 mL; with 58 g (27.2 mL) on top it would be 85 mL.
    assert "to be filled" not in log(*MIXED, "--short", "12").stderr
    odd = log(*MIXED, "--short", "58").stderr
    assert "it took 85.1 mL, far more than the 50.0 mL to be filled" in odd
    assert "--strike 2" in odd


def test_a_base_is_booked_out_of_its_file(folder: Path) -> None:
    words = ["--second-pour", "12", "--footprint", "2600", "--way", "hand"]
    call("mix", "50", *words, "--json", "mix.json")
    base = json.loads((folder / "mix.json").read_text(encoding="utf-8"))["second_pour"]
    booked = log("--from", "mix.json", "--left", "3", "--base-pour")
    assert booked.exit_code == 0, booked.output
    (row,) = rows(log("--csv", "-"))
    assert (row["stone"], row["way"]) == ("type-3", "hand")
    # Of the prism the heap of 2 mm and eight balls of 8 mm are the first pour's.
    assert float(row["volume_ml"]) == pytest.approx(2600 * 10 / 1000 - 2.14466, abs=1e-3)
    assert float(row["powder_g"]) == base["powder_g"]
    # The first pour of the same file is another pour.
    assert "same file" not in log("--from", "mix.json", "--left", "6").stderr
    assert "the same file" in log("--from", "mix.json", "--left", "3", "--base-pour").stderr
    call("mix", "50", "--json", "alone.json")
    assert log("--from", "alone.json", "--left", "3", "--base-pour").exit_code == 2
    assert log(*MIXED, "--left", "3", "--base-pour").exit_code == 2


def test_what_contradicts_the_file_is_told() -> None:
    call("mix", "50", "--json", "mix.json")
    assert "the file has" not in log("--from", "mix.json", "--left", "6", "--stone", "4").stderr
    odd = log("--from", "mix.json", "--left", "6", "--stone", "type-3", "--again").stderr
    assert "booked with stone type-3, the file has type-4" in odd
    words = ("--powder", "110.5", "--water", "22.4", "--again")
    more = log("--from", "mix.json", "--left", "6", *words).stderr
    assert "booked with powder 110.5, the file has 112" in more
    assert "water" not in more.replace("W/P", "")


def test_scans_of_one_name_in_two_folders_are_told_apart(folder: Path) -> None:
    for volume in ("15", "50"):
        call("mix", volume, "--json", f"{volume}.json")
    mon, tue = (
        json.loads((folder / f"{volume}.json").read_text(encoding="utf-8"))
        for volume in ("15", "50")
    )
    scans = [{"scan": "two/mon/b.stl", "mix": mon}, {"scan": "two/tue/b.stl", "mix": tue}]
    (folder / "two.json").write_text(json.dumps({"scans": scans}), encoding="utf-8")
    unclear = log("--from", "two.json", "--scan", "b.stl", "--left", "3")
    assert unclear.exit_code == 2
    assert "two/mon/b.stl, two/tue/b.stl" in unclear.stderr
    for name, made in (("mon/b.stl", mon), ("two/tue/b.stl", tue)):
        booked = log("--from", "two.json", "--scan", name, "--left", "3")
        assert booked.exit_code == 0, booked.output
        assert float(rows(log("--csv", "-"))[-1]["powder_g"]) == made["powder_g"]
    assert log("--from", "two.json", "--scan", "o/mon/b.stl", "--left", "3").exit_code == 2


def test_learned_waste_goes_into_the_next_mix(monkeypatch: pytest.MonkeyPatch) -> None:
    for left in ("9", "10", "8", "9.5"):
        log(*MIXED, "--left", left)
    default = call("mix", "50").stdout
    learned = call("mix", "50", "--journal", "lab.db").stdout
    assert "Learned from 4 pours" in learned
    assert "5 % chance of running short" in " ".join(learned.split())
    assert "earned" not in default
    monkeypatch.setenv("VOLEST_JOURNAL", "lab.db")
    assert call("mix", "50").stdout == learned
    assert call("mix", "50", "--waste", "10").stdout == default  # what is written wins
    assert "earned" not in call("mix", "50", "--stone", "type-3").stdout


@pytest.mark.parametrize("name", ["type-4", "Type IV"])
def test_prices_of_the_lab(name: str, folder: Path) -> None:
    text = f'currency = "CHF"\n[[stone]]\nname = "{name}"\nprice_per_kg = 10\n'
    (folder / "lab.toml").write_text(text, encoding="utf-8")
    told = log(*MIXED, "--left", "9", "--lab", "lab.toml").stdout
    # 103 g at 10 a kg are 1.03; (57.92 - 50) / 57.92 of it lie beyond the cavity: 0.14.
    assert "powder 103 g, 14 g of it beyond the cavities; 1.03 CHF, 0.14 CHF of it waste" in told


def test_an_empty_journal_is_no_fault(folder: Path) -> None:
    log(*MIXED, "--left", "120")
    assert (folder / "lab.db").exists()
    assert log().stdout == "No pour is booked yet.\n"


def test_csv_in_a_file_is_safe_for_spreadsheets(folder: Path) -> None:
    log(*MIXED, "--left", "9", "--lot", "=1+1")
    assert log("--csv", "pours.csv").exit_code == 0
    assert "'=1+1" in (folder / "pours.csv").read_text(encoding="utf-8")


def test_no_control_code_of_a_name_reaches_the_terminal() -> None:
    log(*MIXED, "--left", "9")
    told = log("--backup", "may\x1b[2J.db").stderr
    assert told == "wrote may\\x1b[2J.db\n"


def test_a_backup_is_a_journal_itself(folder: Path) -> None:
    log(*MIXED, "--left", "9")
    made = log("--backup", "copy.db", "--csv", "pours.csv")
    assert made.exit_code == 0
    assert "wrote copy.db" in made.stderr
    assert (folder / "pours.csv").exists()
    assert rows(call("log", "--journal", "copy.db", "--csv", "-")) == rows(log("--csv", "-"))
    assert log("--backup", "lab.db").exit_code == 2


def test_a_mix_without_a_base_has_none_to_book() -> None:
    call("mix", "50", "--json", "mix.json")
    ran = call("log", "--journal", "lab.db", "--from", "mix.json", "--base-pour", "--left", "5")
    assert ran.exit_code == 2
    assert "no bases in mix.json" in ran.stderr
    assert "leave out --base-pour" in ran.stderr


def exported(folder: Path, name: str, *scans: str, seconds: float = 1.0) -> None:
    """Write what `size` writes of scans, which differs in its seconds from run to run."""
    call("mix", "50", "--second-pour", "12", "--footprint", "2600", "--json", "mix.json")
    mix = json.loads((folder / "mix.json").read_text(encoding="utf-8"))
    base = mix.pop("second_pour")
    entries = [
        {"scan": scan, "cavity": 1, "mix": mix, "second_pour": base, "seconds": seconds}
        for scan in scans
    ]
    day = {"settings": {"way": "vacuum"}, "scans": entries}
    (folder / name).write_text(json.dumps(day), encoding="utf-8")


def test_a_scan_out_of_two_exports_is_booked_once(folder: Path) -> None:
    (folder / "day").mkdir()
    for name in "ab":
        (folder / f"day/{name}.stl").write_text(f"solid {name}", encoding="ascii")
    exported(folder, "one.json", "day/a.stl", "day/b.stl")
    exported(folder, "two.json", "day/a.stl", "day/b.stl", seconds=2.0)
    assert log("--from", "one.json", "--scan", "a.stl", "--left", "9").exit_code == 0
    again = log("--from", "two.json", "--scan", "a.stl", "--left", "9")
    assert again.exit_code == 2
    assert "pour 1 of " in again.stderr
    assert "booked for day/a.stl" in again.stderr
    assert "this rests on 1 pour" in log().stdout
    for words in (["--scan", "b.stl"], ["--scan", "a.stl", "--base-pour"]):
        assert log("--from", "two.json", *words, "--left", "9").exit_code == 0
    once_more = log("--from", "two.json", "--scan", "a.stl", "--left", "9", "--again")
    assert once_more.stderr == "booked as pour 4\n"
    typed = log(*MIXED, "--left", "9", "--scan", "day/b.stl")
    assert typed.exit_code == 2  # the same content


@pytest.mark.parametrize("name", ["a.stl", "a"])
def test_an_impression_that_is_not_there_is_not_taken_for_another(folder: Path, name: str) -> None:
    exported(folder, "one.json", "day/a.stl", "day/b.stl")
    words = ("--from", "one.json", "--scan", name, "--left", "9")
    ended = log(*words, "--cavity", "2")
    assert ended.exit_code == 2
    assert f"no mixes for {name} in one.json; needed one of day/a.stl; say another" in ended.stderr
    assert log(*words, "--cavity", "1").exit_code == 0


def test_a_number_tells_impressions_apart_and_no_scans(folder: Path) -> None:
    exported(folder, "one.json", "day/case-1.stl", "day/case-2.stl")
    whole = json.loads((folder / "one.json").read_text(encoding="utf-8"))
    whole["scans"][1]["cavity"] = 2  # its first one was refused
    (folder / "one.json").write_text(json.dumps(whole), encoding="utf-8")
    ended = log("--from", "one.json", "--scan", "case", "--cavity", "2", "--left", "9")
    assert (ended.exit_code, ended.stdout) == (2, "")
    assert "2 mixes for case in one.json" in ended.stderr


@pytest.mark.parametrize("day", ["0000-05", "2032-13", "2032-02-30", "may"])
def test_a_date_that_is_none_is_told_as_it_was_typed(day: str) -> None:
    ended = log("--delivered", "25000", "--lot", "7", "--expires", day)
    assert ended.exit_code == 2
    assert f"--expires {day};" in ended.stderr


def test_a_scan_that_was_renamed_or_is_gone(folder: Path) -> None:
    (folder / "a.stl").write_text("solid a", encoding="ascii")
    exported(folder, "one.json", "a.stl")
    assert log("--from", "one.json", "--left", "9").exit_code == 0
    (folder / "a.stl").rename(folder / "b.stl")
    exported(folder, "two.json", "b.stl")
    assert "booked for a.stl" in log("--from", "two.json", "--left", "9").stderr
    (folder / "b.stl").unlink()
    exported(folder, "three.json", "a.stl")
    assert "booked for a.stl" in log("--from", "three.json", "--left", "9").stderr
    assert log("--from", "two.json", "--left", "9").exit_code == 0  # nothing says that it is a.stl


def test_a_person_is_asked_before_a_scan_is_booked_again(folder: Path) -> None:
    exported(folder, "one.json", "a.stl")
    assert log("--from", "one.json", "--left", "9").exit_code == 0
    words = ["log", "--journal", "lab.db", "--from", "one.json", "--left", "9"]
    code = f"from volest.cli.main import volest_group; volest_group({words})"
    for answer, said in (("n", 2), ("y", 0)):
        ours, theirs = pty.openpty()
        with subprocess.Popen([sys.executable, "-c", code], stdin=theirs) as ran:
            os.write(ours, f"{answer}\n".encode())
            assert ran.wait(60) == said
        os.close(ours)
        os.close(theirs)
    assert len(rows(log("--csv", "-"))) == 2


def test_nothing_is_booked_where_a_file_cannot_be_written(folder: Path) -> None:
    (folder / "scan.stl").write_text("solid a", encoding="ascii")
    (folder / "notes.csv").write_text("mine\n", encoding="utf-8")
    exported(folder, "day.json", "scan.stl")
    targets = ("--backup", "scan.stl"), ("--csv", "missing/p.csv"), ("--backup", "missing/l.db")
    more = ("--csv", "day.json"), ("--csv", "notes.csv"), ("--csv", "lab.db"), ("--backup", ".")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    for option, target in (*targets, *more, ("--csv", "lab.db-wal")):
        ran = log("--from", "day.json", "--left", "9", option, target)
        assert ran.exit_code == 2, (option, target)
        assert ran.stderr.count("\n") == 1
    (folder / "lab.db").unlink()
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert log("--from", "day.json", "--left", "9", "--csv", "pours.csv").exit_code == 0
    assert log("--csv", "pours.csv").exit_code == 0  # one of ours is replaced


def test_bytes_that_are_no_text_are_written_out(folder: Path) -> None:
    odd = os.fsdecode(b"7\xff31")
    exported(folder, "day.json", os.fsdecode(b"a\xff.stl"))
    words = ("--lot", odd, "--mark", odd, "--why", odd, "--outcome", "bubbles")
    booked = log("--from", "day.json", "--scan", os.fsdecode(b"a\xff.stl"), "--left", "9", *words)
    assert booked.exit_code == 0, booked.output
    assert log(*MIXED, "--scan", odd, "--left", "9").exit_code == 0
    assert log("--delivered", "25000", "--lot", odd).exit_code == 0
    first, second = rows(log("--csv", "-"))
    assert (first["lot"], first["scan"], second["scan"]) == ("7\\xff31", "a\\xff.stl", "7\\xff31")


def test_a_scan_with_an_odd_name_is_known_by_its_content(folder: Path) -> None:
    scan = os.fsdecode(b"a\xff.stl")
    (folder / scan).write_text("solid a", encoding="ascii")
    assert call("size", scan, "--json", "day.json").exit_code == 1
    day = json.loads((folder / "day.json").read_text(encoding="utf-8"))
    exported(folder, "mix.json", "a.stl")
    mixed = json.loads((folder / "mix.json").read_text(encoding="utf-8"))["scans"][0]["mix"]
    for name, seconds in (("one.json", 1.0), ("two.json", 2.0)):
        day["scans"][0] |= {"mix": mixed, "seconds": seconds}
        (folder / name).write_text(json.dumps(day), encoding="utf-8")
    assert log("--from", "one.json", "--scan", scan, "--left", "9").exit_code == 0
    assert log("--from", "two.json", "--scan", scan, "--left", "9").exit_code == 2
    (row,) = rows(log("--csv", "-"))
    (case,) = json.loads(row["cases"].lstrip("'"))
    assert case["content"] == hashlib.sha256(b"solid a").hexdigest()
    assert case["name"] == "a\\xff.stl"


def test_a_file_with_a_byte_order_mark_is_read(folder: Path) -> None:
    call("mix", "50", "--json", "mix.json")
    text = (folder / "mix.json").read_text(encoding="utf-8")
    (folder / "mix.json").write_text(text, encoding="utf-8-sig")
    (folder / "lab.toml").write_text('currency = "CHF"\n', encoding="utf-8-sig")
    assert log("--from", "mix.json", "--left", "9", "--lab", "lab.toml").exit_code == 0
    (folder / "lab.toml").write_text('currency = "CHF"\n', encoding="utf-16")
    told = log("--lab", "lab.toml")
    assert told.exit_code == 2
    assert "UTF-16: save it as UTF-8" in told.stderr


def test_how_casts_came_out() -> None:
    log(*MIXED, "--left", "9", "--outcome", "good")
    log(*MIXED, "--short", "9")
    log(*MIXED, "--left", "9")
    later = log("--pour", "3", "--outcome", "remake", "--why", "die chipped")
    assert later.stderr == "pour 3 came out: remake\n"
    changed = log("--pour", "1", "--outcome", "bubbles").stderr
    assert changed.startswith("pour 1 came out: bubbles (was good)\nnext time: on an elastomer")
    log("--pour", "1", "--outcome", "good")
    assert "Came out: 1 good, 1 short, 1 remake" in later.stdout
    assert "9 g left, remake, die chipped" in later.stdout
    assert [row["outcome"] for row in rows(log("--csv", "-"))] == ["good", "short", "remake"]
    for words, told in (
        (["--pour", "3"], "add --outcome"),
        (["--outcome", "good"], "--pour NUMBER"),
        (["--pour", "3", "--outcome", "remake"], "add --why"),
        (["--pour", "3", "--why", "x"], "add --outcome"),
        (["--pour", "9", "--outcome", "good"], "no pour 9"),
        ([*MIXED, "--left", "9", "--outcome", "short"], "9 g left of a mix that was short"),
        (["--pour", "3", "--outcome", "good", "--lot", "7"], "--lot with --pour"),
        (["--delivered", "100", "--strike", "1"], "do one"),
        (["--strike", "1", "--again"], "--again with --strike"),
        ([*MIXED, "--left", "9", "--expires", "2032-03"], "--expires with a pour"),
        (["--delivered", "25"], "100 to 1e+07 g"),
        (["--delivered", "nan"], "nan g delivered"),
        (["--delivered", "100", "--expires", "March"], "2032-03-31"),
        (["--delivered", "100", "--expires", "2032-13"], "2032-03-31"),
    ):
        ran = log(*words)
        assert (ran.exit_code, told in ran.stderr) == (2, True), (words, ran.stderr)


def test_powder_that_came_and_went() -> None:
    came = log("--delivered", "25000", "--stone", "type-4", "--lot", "7731", "--expires", "2132-02")
    assert came.stderr == "booked as delivery 1\n"
    booked = log(*MIXED, "--left", "9", "--lot", "7731")
    assert booked.stderr == "booked as pour 1\n"
    assert "Stock of type-4: 24897 g of 25000 g" in booked.stdout
    assert "lot 7731: 24897 g of 25000 g, expires 2132-02-29" in booked.stdout
    typo = log(*MIXED, "--left", "9", "--lot", "7713").stderr
    assert "lot 7713 of type-4 never came; 7731 did; if this one is a slip" in typo
    log("--delivered", "100", "--lot", "old", "--expires", "2020-01-31")
    late = log(*MIXED, "--left", "9", "--lot", "old").stderr
    assert "lot old expired on 2020-01-31" in late
    assert "3 g more of lot old are booked than came" in late


def test_what_a_case_cost_from_both_its_pours(folder: Path) -> None:
    prices = '[[stone]]\nname = "type-4"\nprice_per_kg = 10\n'
    prices += '[[stone]]\nname = "type-3"\nprice_per_kg = 4\n'
    (folder / "lab.toml").write_text(prices, encoding="utf-8")
    exported(folder, "day.json", "a.stl", "b.stl")
    log("--from", "day.json", "--scan", "a.stl", "--left", "9")
    log("--from", "day.json", "--scan", "b.stl", "--left", "9")
    words = ("--scan", "a.stl", "--left", "3", "--base-pour", "--lab", "lab.toml")
    told = log("--from", "day.json", *words).stdout
    first, second, base = rows(log("--csv", "-", "--lab", "lab.toml"))
    first_cost, base_cost = float(first["powder_g"]) / 100, float(base["powder_g"]) * 0.004
    assert (float(first["cost"]), float(second["cost"])) == (round(first_cost, 2),) * 2
    together = f"first pour {first_cost:.2f}, base {base_cost:.2f}; together "
    assert f"  a.stl: {together}{first_cost + base_cost:.2f}\n" in told
    assert f"  b.stl: first pour {first_cost:.2f}\n" in told
