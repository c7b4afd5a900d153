"""The fault machine: a command meets a failing, full or dying disk at every single call.

`python -m tests.hostile.faults` runs all points of all commands and says how many they were. The
calls are counted and struck by `faults.c`, which stands between this process and the C library, so
that SQLite's are among them; each point is a fork of one warm process.
"""

import ctypes
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from tests.batch.small import bowl_stl
from volest import pipeline, run
from volest.batch import find, workers
from volest.cli.main import volest_group
from volest.errors import VolestError
from volest.result import Result
from volest.scan.compiling import SWITCH
from volest.scan.decision import Decision, read_decision, write_decision
from volest.scan.reading import Scan
from volest.view import page

ROOT = Path(__file__).parents[2]
COUNT, FAIL, FULL, STOP = range(4)
MODES = {"fails once": FAIL, "is full from there on": FULL, "loses power": STOP}
LOST = 77  # what a process that lost power ends with
HANGS_S = 60
FIGURES = '{"stone":"type-4","mix_ml":58,"waste_ml":8,"powder_g":103,"water_ml":20.6}'
WORDS = ["--pitch", "1", "--json-lines"]


def built(folder: Path) -> Path:
    """Compile what stands between."""
    made = folder / "faults.so"
    source = Path(__file__).with_name("faults.c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", made, source, "-ldl"], check=True)
    return made


def memory_disk() -> str | None:
    """Name a place where a sync costs nothing, if there is one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108


def run_all(folder: Path, share: int = 1, only: str = "") -> list[dict[str, Any]]:
    """Run every `share`-th point in a process that is under the machine; give what it found."""
    words = [sys.executable, "-m", __spec__.name if __spec__ else "tests.hostile.faults"]
    never = {SWITCH: "never", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    surroundings = {
        **os.environ,
        **never,
        "LD_PRELOAD": str(built(folder)),
        "PYTHONPATH": str(ROOT),
    }
    done = subprocess.run(
        [*words, "--under", str(folder), str(share), only],
        cwd=ROOT, env=surroundings, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


class Tried(NamedTuple):
    """What a command told and left behind, struck and run again."""

    told: str
    before: Any
    again: str
    after: Any


class Command:
    """A command, what must be there before it, and what is judged after it."""

    name = ""
    words: tuple[str, ...] = ()

    def prepare(self, folder: Path) -> None:
        """Put into a folder what the command reads."""

    def run(self) -> int:
        """Run it in the folder that this process stands in."""
        setattr(run.Request, "drawn", lambda one, _: one)  # noqa: B010  # pictures take a second each
        try:
            volest_group.main(list(self.words), obj=pipeline.size_scan)
        except SystemExit as end:
            return int(end.code or 0)
        return 0

    def result(self, folder: Path) -> Any:
        """Give what an unbroken run leaves, so that it can be compared."""
        raise NotImplementedError

    def is_kept(self, tried: "Tried") -> bool:
        """Say whether what was confirmed is still there, and all the rest as it should be."""
        raise NotImplementedError

    def is_shown(self, told: str) -> bool:
        """Say whether all figures stand though the disk is full."""
        del told
        return True


class Size(Command):
    """Two scans and a bad one, into a folder, with a sheet."""

    name = "size"
    words = ("size", "scans", "--out", "out", "--csv", "day.csv", *WORDS)

    def prepare(self, folder: Path) -> None:

        (folder / "scans").mkdir()
        for number in range(2):
            (folder / "scans" / f"bowl-{number}.stl").write_bytes(bowl_stl(number, across=17))
        (folder / "scans" / "bad.stl").write_bytes(b"nonsense")

    def result(self, folder: Path) -> Any:
        whole = json.loads((folder / "out" / "results.json").read_text(encoding="utf-8"))
        for scan in whole["scans"]:
            del scan["seconds"]
        lines = (folder / "out" / "results.csv").read_text(encoding="utf-8").splitlines()
        sheet = (folder / "out" / "sheet.html").read_text(encoding="utf-8")
        left = [file.name for file in (folder / "out").rglob(".volest-*")]
        return [whole, [line.split(",")[:8] for line in lines], sheet.count("<article"), left]

    def is_kept(self, tried: "Tried") -> bool:
        return self.reused(tried.again) >= self.finished(tried.told)

    def finished(self, told: str) -> int:
        """Count the scans that were told and that no fault of the disk was told of."""
        if "cannot be written" in told:
            return 0
        return sum(line.startswith("{") and '"reason": null' in line for line in told.splitlines())

    def reused(self, told: str) -> int:
        """Count what a run took over from the one before."""
        found = re.search(r"^(\d+) unchanged since", told, re.MULTILINE)
        return int(found[1]) if found else 0

    def is_shown(self, told: str) -> bool:
        """Say whether a disk that is full left all figures standing, or ended it at the start."""
        return self.finished(told.replace("cannot be written", "")) in {0, 2} and (
            "bowl-1.stl" in told or "in use" in told or told.count("\n") <= 2
        )


class Watch(Size):
    """The same scans as they arrive; ended once they are sized."""

    name = "watch"
    words = ("watch", "scans", "--out", "out", "--pitch", "1", "-q")

    def run(self) -> int:
        def thrice(*_: object) -> Iterator[None]:
            yield from (None, None, None)
            raise KeyboardInterrupt

        for module, name, value in (
            (find, "wakes", thrice),
            (find, "EMPTY_SETTLE_S", 0.0),
            (find, "Arrivals", partial(find.Arrivals, settle_s=0.0)),
            (workers, "Pool", lambda *_: workers.Engine()),
        ):
            setattr(module, name, value)
        return super().run()

    def is_kept(self, tried: "Tried") -> bool:
        del tried
        return True  # nothing is confirmed but by the files, and these are compared

    def is_shown(self, told: str) -> bool:
        del told
        return True


class Log(Command):
    """A pour is booked in a journal that holds one already."""

    name = "log"
    words = (
        *("log", "--journal", "lab.db", "--from", "mix.json", "--left", "9", "--way", "hand"),
        "--again",  # the file has been booked from before
    )

    def prepare(self, folder: Path) -> None:
        (folder / "mix.json").write_text(FIGURES, encoding="utf-8")
        child = os.fork()
        if child == 0:
            os.chdir(folder)
            _silent(folder.parent / "prepared")
            os._exit(self.run())
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0

    def result(self, folder: Path) -> Any:
        base = sqlite3.connect(folder / "lab.db")
        try:
            assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            rows = base.execute("SELECT stone, powder_g, left_g FROM pours").fetchall()
        finally:
            base.close()
        return [list(row) for row in rows]

    def is_kept(self, tried: "Tried") -> bool:
        count = {2} if "booked" in tried.told else {1, 2}
        return len(tried.before) in count and len(tried.after) == len(tried.before) + 1


class Save(Command):
    """A base line is saved beside a scan that has one already."""

    name = "save"

    def prepare(self, folder: Path) -> None:

        (folder / "a.stl").write_bytes(bowl_stl(0, across=17))
        old = Decision(point_mm=(0.0, 0.0, -1.0), normal=(0.0, 0.0, 1.0))
        write_decision(folder / "a.stl", old)

    def run(self) -> int:

        new = Decision(point_mm=(0.0, 0.0, -2.0), normal=(0.0, 0.0, 1.0))
        try:
            write_decision(Path.cwd() / "a.stl", new)
        except (VolestError, OSError):
            return 2
        print("saved", flush=True)
        return 0

    def result(self, folder: Path) -> Any:

        found = read_decision(folder / "a.stl")
        return None if found is None else found.point_mm[2]

    def is_kept(self, tried: "Tried") -> bool:
        heights = {-2.0} if "saved" in tried.told else {-1.0, -2.0}
        return tried.before in heights and tried.after == -2.0


COMMANDS: list[Command] = [Size(), Watch(), Log(), Save()]


def _silent(told: Path) -> None:
    """Let the output of this process go to a file, line by line."""
    to = os.open(told, os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    os.dup2(to, 1)
    os.dup2(to, 2)
    sys.stdout = open(1, "w", buffering=1, closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1, closefd=False)  # noqa: SIM115


class Machine:
    """One warm process under `faults.c`, and a folder to try things in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.shim = ctypes.CDLL(None)
        self.shim.fault_arm.argtypes = (ctypes.c_char_p, ctypes.c_long, ctypes.c_int)
        self.shim.fault_count.restype = ctypes.c_long

    def ran(self, command: Command, where: Path, at: int, mode: int) -> tuple[int, str, int]:
        """Run a command once; give its exit code, what it told, and how many calls there were."""
        told = where.with_suffix(".told")
        told.unlink(missing_ok=True)
        reads, writes = os.pipe()
        child = os.fork()
        if child == 0:
            code = 99
            try:
                os.chdir(where)
                _silent(told)
                signal.alarm(HANGS_S)
                self.shim.fault_arm(b"/marked/", at, mode)
                code = command.run()
            finally:
                os.write(writes, str(self.shim.fault_count()).encode())
                os._exit(code)
        os.close(writes)
        with os.fdopen(reads, "rb") as stream:
            count = int(stream.read() or 0)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        return code, told.read_text(encoding="utf-8", errors="replace"), count

    def points(self, command: Command, share: int) -> Iterator[dict[str, Any]]:
        """Try a command at every point in every mode; give what was found at each."""
        fresh = self.folder / "marked" / f"{command.name}-fresh"
        fresh.mkdir(parents=True)
        command.prepare(fresh)
        _warm(self._copy(fresh))
        whole = self._copy(fresh)
        code, first, count = self.ran(command, whole, 0, COUNT)
        assert code in (0, 1), first
        wanted = command.result(whole)
        for mode in MODES:
            for at in range(1 + hash_of(command.name + mode) % share, count + 1, share):
                wrong = self._point(command, self._copy(fresh), wanted, mode, at)
                yield {"command": command.name, "mode": mode, "at": at, "wrong": wrong}

    def _point(self, command: Command, where: Path, wanted: Any, mode: str, at: int) -> list[str]:
        """Try one point; say what is wrong after it, with all that was told."""
        code, told, _ = self.ran(command, where, at, MODES[mode])
        before = self._result_or_none(command, where)
        code_again, again, _ = self.ran(command, where, 0, COUNT)
        tried = Tried(told, before, again, self._result_or_none(command, where))
        wrong = {
            f"ended with {code}": code not in {0, 1, 2, LOST},
            f"again ended with {code_again}": code_again not in {0, 1},
            "a trace": "Traceback" in told + again or "tell us" in told + again,
            "another result": command.name != "log" and tried.after != wanted,
            "figures are missing": MODES[mode] == FULL and not command.is_shown(told),
            "something confirmed is missing": not command.is_kept(tried),
        }
        found = [what for what, is_so in wrong.items() if is_so]
        return [*found, told[-1500:], again[-1500:]] if found else []

    def _result_or_none(self, command: Command, where: Path) -> Any:
        try:
            return command.result(where)
        except (OSError, ValueError, AssertionError):
            return None

    def _copy(self, fresh: Path) -> Path:
        where = fresh.with_name(fresh.name.replace("-fresh", "-tried"))
        shutil.rmtree(where, ignore_errors=True)
        shutil.copytree(fresh, where)
        return where


def _warm(folder: Path) -> None:
    """Load all that commands load and measure each scan, none of which any child does again."""
    find, draw = pipeline.find_cavities, page.card_of
    known: dict[Any, Any] = {}

    def found(scan: Scan, *more: Any) -> Any:
        content = scan.triangles.tobytes()
        return known.get(content) or known.setdefault(content, find(scan, *more))

    def drawn(result: Result, cavity: pipeline.Cavity, *more: Any) -> dict[str, Any]:
        of = result.scan, cavity
        return {**(known.get(of) or known.setdefault(of, draw(result, cavity, *more)))}

    setattr(pipeline, "find_cavities", found)  # noqa: B010
    setattr(page, "card_of", drawn)  # noqa: B010
    before, told = Path.cwd(), (os.dup(1), os.dup(2), sys.stdout, sys.stderr)
    os.chdir(folder)
    _silent(folder.with_suffix(".told"))
    Size().run()
    os.chdir(before)
    sys.stdout, sys.stderr = told[2:]
    os.dup2(told[0], 1), os.dup2(told[1], 2)


def hash_of(text: str) -> int:
    """Give a number that is the same in every process."""
    return sum(map(ord, text))


def main() -> None:
    """Run all points, and say how many they were and which were wrong."""
    if sys.argv[1:2] == ["--under"]:
        machine = Machine(Path(sys.argv[2]))
        for command in COMMANDS:
            if sys.argv[4] in ("", command.name):
                for point in machine.points(command, int(sys.argv[3])):
                    print(json.dumps(point), flush=True)
        return
    with tempfile.TemporaryDirectory(dir=memory_disk()) as folder:
        begin = time.monotonic()
        points = run_all(Path(folder), int(sys.argv[1]) if sys.argv[1:] else 1)
    wrong = [point for point in points if point["wrong"]]
    for point in wrong:
        print(json.dumps(point, indent=1))
    each = {
        name: sum(p["command"] == name for p in points) for name in ("size", "watch", "log", "save")
    }
    print(f"{len(points)} points {each}, {len(wrong)} wrong, {time.monotonic() - begin:.0f} s")


if __name__ == "__main__":
    main()
