"""Names and places: whatever a path is, a command ends, tells in one line, and harms nothing."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.hostile.calling import BOWL, NOBODY, Said, call, snapshot
from tests.machine import need_drawing
from tests.marks import slow
from volest.scan.decision import Decision, decision_path, read_decision, write_decision

ROOT = Path(__file__).parents[2]
ODD_NAMES = {
    "spaces": "a  b .stl",
    "quotes": 'it\'s "this" `that` $HOME.stl',
    "newline": "two\nlines.stl",
    "escape": "\x1b[2J\x1b]0;title\x07.stl",
    "right to left": "upper\u202elts.exe.stl",
    "not UTF-8": os.fsdecode(b"caf\xe9\xff.stl"),
    "255 bytes": "n" * 251 + ".stl",
    "255 bytes of two each": "ü" * 125 + "x.stl",
    "formula": "=cmd|' -C calc'!A0.stl",
    "formula after a blank": " \t=1+1.stl",
    "wide formula": "\uff1d1+1.stl",
    "tags": "<img src=x onerror=alert(1)><∕script><script>alert(2).stl",
    "an option": "--json.stl",
    "digits": "7" * 251 + ".stl",
    "dots": "a...stl",
    "percent": "%s%n{0}[bold]x[∕bold]:smile:.stl",
}


def volest(*words: str | Path, cwd: Path) -> "subprocess.CompletedProcess[bytes]":
    code = "from volest.cli.main import main; main()"
    call = [sys.executable, "-c", code, *words]
    paths = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(call, cwd=cwd, env=paths, capture_output=True, check=False, timeout=120)


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Size a folder of scans with odd names, once for all that was written."""
    folder = tmp_path_factory.mktemp("odd")
    (folder / "scans").mkdir()
    for name in ODD_NAMES.values():
        (folder / "scans" / name).write_bytes(BOWL)
    words = ("--json", "o.json", "--verbose")
    done = volest("size", "scans", "--pitch", "0.8", *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    (folder / "out").write_bytes(done.stdout + done.stderr)
    return folder


def test_every_odd_name_is_measured(odd: Path) -> None:
    scans = json.loads((odd / "o.json").read_text(encoding="utf-8"))["scans"]
    names = {
        os.fsdecode(bytes.fromhex(one["scan_bytes"])) if "scan_bytes" in one else one["scan"]
        for one in scans
    }
    assert {Path(name).name for name in names} == set(ODD_NAMES.values())
    assert len({scan["volume_ml"] for scan in scans}) == 1


def test_no_control_code_reaches_the_terminal(odd: Path) -> None:
    told = (odd / "out").read_text(encoding="utf-8")
    assert all(line.isprintable() for line in told.split("\n"))


def test_only_what_was_asked_for_is_written(odd: Path) -> None:
    names = {path.name for path in odd.iterdir()}
    assert names == {"scans", "o.json", "out"}
    assert {path.name for path in (odd / "scans").iterdir()} == set(ODD_NAMES.values())


def folder(path: Path) -> None:
    path.mkdir()
    (path / "in.stl").write_bytes(b"")


def fifo(path: Path) -> None:
    os.mkfifo(path)


def loop(path: Path) -> None:
    path.symlink_to(path.name)


def loop_of_two(path: Path) -> None:
    other = path.with_name("other")
    other.symlink_to(path.name)
    path.symlink_to(other.name)


def nowhere(path: Path) -> None:
    path.symlink_to("nowhere")


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


ODD_THINGS = [fifo, loop, loop_of_two, nowhere, device, folder]
READERS: dict[str, Callable[[Path], Said]] = {
    "size": lambda path: call("size", path.name, "--quiet", folder=path.parent),
    "trim": lambda path: call("show", path.name, folder=path.parent),
    "curve": lambda path: call("show", path.name, "--curve", "-", folder=path.parent),
    "picture": lambda path: call("show", path.name, "--picture", "x.png", folder=path.parent),
    "lab": lambda path: call("mix", "50", "--lab", path.name, folder=path.parent),
    "journal": lambda path: call("mix", "50", "--journal", path.name, folder=path.parent),
    "from": lambda path: call(
        "log", "--journal", "j.db", "--from", path.name, "--left", "9", folder=path.parent
    ),
    "decision": lambda path: call(
        "size", path.name.removesuffix(".decision.toml"), "--quiet", folder=path.parent
    ),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("make", ODD_THINGS)
def test_what_is_no_plain_file_is_refused_and_nothing_waits(
    make: Callable[[Path], None], reader: str, tmp_path: Path
) -> None:
    (tmp_path / "b.stl").write_bytes(BOWL)
    path = tmp_path / ("b.stl.decision.toml" if reader == "decision" else "odd.stl")
    make(path)
    said = READERS[reader](path)
    assert said.code == (1 if reader in {"size", "trim", "curve", "picture", "decision"} else 2)
    if reader not in {"size", "decision"}:  # those tell in the table
        assert said.line.startswith("volest: found ")
    assert not (tmp_path / "x.png").exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser may become somebody else")
@pytest.mark.parametrize("name", ["b.stl", "b.stl.decision.toml", "lab.toml", "j.db", "shut"])
def test_no_right_to_read_is_told(name: str, tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    (tmp_path / "shut").mkdir()
    (tmp_path / "b.stl").write_bytes(BOWL)
    path = tmp_path / name
    if not path.exists():
        path.write_bytes(b"")
    path.chmod(0)
    lab = ("--lab", "lab.toml") if name == "lab.toml" else ()
    journal = ("--journal", "j.db") if name == "j.db" else ()
    words = ("shut",) if name == "shut" else ("b.stl",)
    said = call("size", *words, *lab, *journal, "--quiet", folder=tmp_path, user=NOBODY)
    assert said.code == (2 if lab or journal else 1)
    assert any(
        words in said.out + said.err for words in ("ermission denied", "not readable", "a folder")
    )


WRITERS = {
    "json of size": ("size", "b.stl", "--json"),
    "csv of size": ("size", "b.stl", "--csv"),
    "sheet": ("size", "b.stl", "--sheet"),
    "json of mix": ("mix", "50", "--json"),
    "json of stones": ("lab", "--json"),
    "lab file": ("lab", "--new"),
    "picture": ("show", "b.stl", "--picture"),
    "plot": ("show", "b.stl", "--plot"),
    "csv of log": ("log", "--journal", "j.db", "--csv"),
}


def journal_in(where: Path) -> None:
    words = ("--volume", "50", "--powder", "103", "--water", "20.6", "--left", "9")
    assert call("log", "--journal", "j.db", *words, folder=where).code == 0


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize(
    "target", ["b.stl", "link.json", "missing/o.json", *slow("other.PLY", ".", "")]
)
def test_nothing_that_was_read_is_written_over(writer: str, target: str, tmp_path: Path) -> None:
    (tmp_path / "b.stl").write_bytes(BOWL)
    (tmp_path / "other.PLY").write_bytes(BOWL)
    (tmp_path / "link.json").symlink_to("b.stl")
    if writer == "csv of log":
        journal_in(tmp_path)
    before = snapshot(tmp_path)
    said = call(*WRITERS[writer], target, folder=tmp_path)
    assert said.code == 2, said
    assert snapshot(tmp_path) == before


def test_a_link_in_a_hostile_folder_is_never_written_through(tmp_path: Path) -> None:
    scan, victim = tmp_path / "b.stl", tmp_path / "victim"
    scan.write_bytes(BOWL)
    victim.write_text("precious", encoding="utf-8")
    for name in (".part", f".volest-{os.getpid()}.part", ""):
        decision_path(scan).with_name(decision_path(scan).name + name).symlink_to(victim)
    write_decision(scan, Decision(point_mm=(0.0, 0.0, 1.0), normal=(0.0, 0.0, 1.0)))
    assert victim.read_text(encoding="utf-8") == "precious"
    assert read_decision(scan) is not None


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("place", ["/proc/o", "/dev/full"])
def test_a_disk_that_takes_nothing_is_told(writer: str, place: str, tmp_path: Path) -> None:
    if writer == "picture":
        need_drawing()
    # /proc takes no files (proc(5)); every write to /dev/full fails with ENOSPC (full(4)).
    (tmp_path / "b.stl").write_bytes(BOWL)
    if writer == "csv of log":
        journal_in(tmp_path)
    ending = {"sheet": ".html", "picture": ".png", "plot": ".svg"}.get(writer, ".json")
    target = place + ending if place == "/proc/o" else place
    said = call(*WRITERS[writer], target, folder=tmp_path)
    assert said.code == 2, said
    assert [line for line in said.err.splitlines() if line.startswith("volest: found ")]
