"""Windows and macOS as far as they can be shown here: the same table, journal and kept scans.

What a system has not is hidden from volest, in its workers too (tests/elsewhere): no real Windows
or macOS is asked, nor its paths, its locked files or its windows.
"""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.batch.small import bowl_stl, fill
from tests.marks import slow

ROOT = Path(__file__).parents[1]
ELSEWHERE = ROOT / "tests" / "elsewhere"
SYSTEMS = ("win32", "darwin")
VOLEST = (sys.executable, "-m", "volest")


def there(system: str, **more: str) -> dict[str, str]:
    way = os.pathsep.join([str(ELSEWHERE), str(ROOT)])
    return {**os.environ, "PYTHONPATH": way, "SHOWN_SYSTEM": system, "VOLEST_LAB": "", **more}


def here() -> dict[str, str]:
    return {**os.environ, "VOLEST_LAB": ""}


def volest(
    *words: str | Path, env: dict[str, str], cwd: Path, code: int = 0
) -> "subprocess.CompletedProcess[bytes]":
    ran = subprocess.run([*VOLEST, *words], env=env, cwd=cwd, capture_output=True, check=False)
    assert ran.returncode == code, ran.stderr.decode(errors="replace")
    return ran


def without_times(text: str) -> list[dict[str, str]]:
    return [{**row, "seconds": ""} for row in csv.DictReader(io.StringIO(text))]


def plain(path: Path) -> Any:
    record = json.loads(path.read_text(encoding="utf-8"))
    for scan in record["scans"]:
        del scan["seconds"]
    return record


def asked(system: str, code: str) -> str:
    """Run a line inside volest's own package, where the other system is shown."""
    lines = f"import volest.system as s\nexec({code!r}, vars(s))"
    ran = subprocess.run(
        [sys.executable, "-c", lines], env=there(system), capture_output=True, text=True, check=True
    )
    return ran.stdout.strip()


@pytest.mark.parametrize("system", SYSTEMS)
def test_what_the_other_system_has_not_is_hidden(system: str) -> None:
    assert asked(system, "import sys; print(sys.platform)") == system
    assert asked(system, "import os; print(hasattr(os, 'sched_getaffinity'))") == "False"
    assert asked(system, "print(resource is None)") == str(system == "win32")
    assert asked(system, "print(worker_context([]).get_start_method())") == "spawn"
    assert int(asked(system, "print(cores())")) >= 1
    assert asked(system, "print(HAS_X11)") == "False"


@pytest.mark.parametrize("system", ["win32", *slow("darwin")])
def test_a_folder_gives_the_same(system: str, tmp_path: Path) -> None:
    fill(tmp_path / "day", 3)
    (tmp_path / "day" / "empty.stl").touch()
    runs = {}
    for name, env in (("here", here()), ("there", there(system))):
        words = ("size", "day", "--out", f"out-{name}", "--no-sheet")
        ran = volest(*words, env=env, cwd=tmp_path, code=1)
        assert b"fault" not in ran.stderr
        runs[name] = ran.stdout, plain(tmp_path / f"out-{name}" / "results.json")
    assert runs["here"] == runs["there"]


@pytest.mark.parametrize("system", SYSTEMS)
def test_memory_is_held_there_too(system: str, tmp_path: Path) -> None:
    code = "limit_memory(200); kept = [bytes(1_000_000) * 50 for _ in range(9)]; time.sleep(9)"
    ran = subprocess.run(
        [sys.executable, "-c", f"import volest.system as s\nexec({code!r}, vars(s))"],
        env=there(system),
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    assert ran.returncode == -signal.SIGKILL
    assert b"MemoryError" not in ran.stderr


@pytest.mark.parametrize("system", SYSTEMS)
def test_a_folder_is_held_by_one_run(system: str, tmp_path: Path) -> None:
    code = "import pathlib; held = hold(pathlib.Path('lock')); print('held', flush=True); {}"
    first = subprocess.Popen(
        [
            sys.executable,
            "-c",
            f"import volest.system as s\nexec({code.format('time.sleep(99)')!r}, vars(s))",
        ],
        env=there(system),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
    )
    assert first.stdout is not None
    assert first.stdout.readline() == b"held\n"
    words = f"import volest.system as s\nexec({code.format('')!r}, vars(s))"
    second = subprocess.run(
        [sys.executable, "-c", words],
        env=there(system),
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    assert b"BlockingIOError" in second.stderr
    first.kill()
    first.wait()
    first.stdout.close()
    subprocess.run([sys.executable, "-c", words], env=there(system), cwd=tmp_path, check=True)


@pytest.mark.parametrize("page", ["ascii", *slow("cp1252", "cp850")])
def test_other_code_pages_take_the_table(page: str, tmp_path: Path) -> None:
    fill(tmp_path / "day", 1)
    env = there("win32", PYTHONIOENCODING=page, PYTHONUTF8="0", LC_ALL="C")
    ran = volest("size", "day", env=env, cwd=tmp_path)
    assert b"mL" in ran.stdout


@pytest.mark.slow
@pytest.mark.parametrize("system", SYSTEMS)
def test_a_killed_run_takes_up_again(system: str, tmp_path: Path) -> None:
    for number in range(8):
        name = tmp_path / "day" / f"bowl{number}.stl"
        name.parent.mkdir(exist_ok=True)
        name.write_bytes(bowl_stl(number, across=129))
    words = [*VOLEST, "size", "day", "--out", "out", "--no-sheet"]
    first = subprocess.Popen(words, env=there(system), cwd=tmp_path, stderr=subprocess.DEVNULL)
    kept = tmp_path / "out" / ".volest" / "finished"
    end = time.monotonic() + 60.0
    while _count(kept) < 2 and time.monotonic() < end:
        time.sleep(0.05)
    first.kill()
    first.wait()
    done = _count(kept)
    assert done >= 2
    ran = volest("size", "day", "--out", "out", "--no-sheet", env=there(system), cwd=tmp_path)
    plainly = volest("size", "day", env=here(), cwd=tmp_path)
    assert plainly.stdout.split(b"\n")[2:9] == ran.stdout.split(b"\n")[2:9]
    assert f"{done} unchanged since an earlier run".encode() in ran.stderr
    assert len(plain(tmp_path / "out" / "results.json")["scans"]) == 8


def _count(kept: Path) -> int:
    return len(list(kept.glob("*.json")))


@pytest.mark.slow
@pytest.mark.parametrize("system", SYSTEMS)
def test_pours_are_booked_and_waste_is_learned(system: str, tmp_path: Path) -> None:
    fill(tmp_path / "day", 1)
    env = there(system)
    volest("size", "day", "--json", "day.json", env=env, cwd=tmp_path)
    scan = plain(tmp_path / "day.json")["scans"][0]["scan"]
    book = ("log", "--journal", "lab.db", "--from", "day.json", "--scan", scan, "--left", "9")
    volest(*book, env=env, cwd=tmp_path)
    told = [
        volest("size", "day", "--journal", "lab.db", env=each, cwd=tmp_path).stdout
        for each in (env, here())
    ]
    assert told[0] == told[1]


@pytest.mark.slow
@pytest.mark.parametrize("system", SYSTEMS)
def test_a_watched_folder_tells_the_same(system: str, tmp_path: Path) -> None:
    fill(tmp_path / "day", 2)
    lines = []
    for name, env in (("here", here()), ("there", there(system))):
        ran = subprocess.Popen(
            [*VOLEST, "watch", "day", "--out", f"out-{name}", "--no-sheet"],
            env=env,
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        table = tmp_path / f"out-{name}" / "results.json"
        end = time.monotonic() + 60.0
        while time.monotonic() < end and not (table.exists() and len(plain(table)["scans"]) == 2):
            time.sleep(0.1)
        ran.send_signal(signal.SIGINT)
        said, _ = ran.communicate(timeout=30)
        assert ran.returncode in {0, 130}
        lines.append((sorted(said.split(b"\n")), plain(table)))
    assert lines[0] == lines[1]


@pytest.mark.slow
@pytest.mark.parametrize("system", SYSTEMS)
def test_the_samples_give_the_same_byte_for_byte(system: str, tmp_path: Path) -> None:
    samples = ROOT / "sample_meshes"
    runs = {}
    for name, env in (("here", here()), ("there", there(system))):
        out = tmp_path / name
        ran = volest("size", ".", "--out", out, "--no-sheet", env=env, cwd=samples)
        rows = without_times((out / "results.csv").read_text(encoding="utf-8"))
        runs[name] = ran.stdout, rows, plain(out / "results.json")
    assert len(runs["here"][1]) == 12
    assert runs["here"] == runs["there"]
