"""No network, and nothing from a file is ever run: read off the code, and watched while it works.

Watched by the audit events of Python (PEP 578; table of events in the library reference): every
connection, name look-up, new process, compiled text and unpickled class raises one.
"""

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hostile.calling import BOWL
from tests.machine import need_drawing
from tests.marks import slow

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "volest").rglob("*.py"))
# What talks to a network; what --cluster asks for brings its own.
NETWORK = {"socket", "ssl", "http", "urllib", "ftplib", "smtplib", "asyncio", "requests", "httpx",
           "aiohttp", "urllib3", "xmlrpc", "telnetlib", "imaplib", "poplib"}  # fmt: skip
# What turns bytes of a file into running code.
REVIVING = {"pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "yaml", "joblib",
            "code", "codeop", "runpy", "ctypes"}  # fmt: skip
RUNNING = {"eval", "exec", "compile", "__import__", "execfile"}
WATCH = """
import json, os, sys
BAD = ("socket.connect", "socket.bind", "socket.getaddrinfo", "socket.gethostbyname",
       "socket.sendto", "socket.gethostbyaddr", "urllib.Request", "http.client.connect",
       "ftplib.connect", "smtplib.connect", "pickle.find_class", "marshal.loads", "os.system",
       "os.exec", "os.posix_spawn", "subprocess.Popen", "webbrowser.open", "ctypes.dlopen")
seen, ours = [], [False]
def watch(event, details):
    if not ours[0]:
        return
    if event in BAD:
        # X11 and our own workers listen on a path of this machine; that is no network
        if event in ("socket.connect", "socket.bind") and isinstance(details[1], (str, bytes)):
            return
        frame, stack = sys._getframe(1), []
        while frame is not None:
            stack.append(f"{frame.f_code.co_filename} {frame.f_code.co_name}")
            frame = frame.f_back
        loading = any("importlib" in name for name in stack)
        # Before it draws, volest asks a child of its own whether this machine can.
        # The drawing libraries ask this machine for its display and its fonts.
        asking = event == "subprocess.Popen" and (
            details[0] in ("xset", "fc-list")
            or any("view/picture.py refuse_blind" in name for name in stack)
        )
        # What our own workers hand back, through a pipe that nobody else holds.
        workers = event == "pickle.find_class" and any("pebble" in name for name in stack)
        ready = loading and event in ("marshal.loads", "ctypes.dlopen")
        if not (asking or workers or ready):
            seen.append([event, repr(details)[:200], stack[:12]])
    if event in ("exec", "compile"):
        name = getattr(details[0], "co_filename", details[-1])
        if isinstance(name, str) and any(word in name for word in own):
            seen.append([event, name, []])
sys.addaudithook(watch)
from volest.cli.main import main
words, own = json.loads(sys.argv[1]), sys.argv[2:]
sys.argv = ["volest", *words]
ours[0] = True
try:
    main()
finally:
    ours[0] = False
    with open(os.environ["SEEN"], "w", encoding="utf-8") as stream:
        json.dump(seen, stream)
"""
COMMANDS = {
    "size": ("size", ".", "--json", "o.json", "--csv", "o.csv", "--quiet",
             "--lab", "lab.toml", "--journal", "j.db", "--pitch", "0.8"),
    "sheet": ("size", ".", "--sheet", "o.html", "--pitch", "0.8"),
    "size, shared": ("size", "b.stl", "--share", "--material", "alginate", "--age", "5"),
    "trim": ("show", "b.stl"),
    "curve": ("show", "b.stl", "--plot", "o.svg"),
    "picture": ("show", "b.stl", "--picture", "o.png"),
    "mix": ("mix", "52.3", "--json", "m.json", "--lab", "lab.toml"),
    "log": ("log", "--journal", "j.db", "--from", "good.json", "--left", "9", "--csv", "l.csv"),
    "stones": ("lab", "--lab", "lab.toml", "--json", "s.json"),
    "new lab file": ("lab", "--new", "new.toml"),
    "help": ("--help",),
    "version": ("--version",),
    "wrong": ("size", "nowhere", "--base", "floor"),
}  # fmt: skip
LATER = {"size, shared", "sheet", "trim", "curve", "picture"}  # in a whole run


def imported(tree: ast.AST) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "")
    return {name.split(".")[0] for name in names}


def called(tree: ast.AST) -> set[str]:
    return {ast.unparse(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_module_can_talk_or_run_what_it_reads(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    if path.parent.name != "desk":  # it serves its page; tests/desk holds whom it answers
        assert not imported(tree) & NETWORK
    # One module asks which shared libraries there are, by names of its own.
    assert not imported(tree) & REVIVING - ({"ctypes"} if path.name == "system.py" else set())
    assert not called(tree) & RUNNING
    loads = [node for node in ast.walk(tree) if isinstance(node, ast.Call)
             and ast.unparse(node.func) in {"np.load", "numpy.load"}]  # fmt: skip
    for node in loads:  # numpy unpickles objects only where it is told to
        assert not any(word.arg == "allow_pickle" for word in node.keywords)


@pytest.fixture(scope="module")
def workplace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all kinds of files that a person may hand over."""
    folder = tmp_path_factory.mktemp("quiet")
    (folder / "b.stl").write_bytes(BOWL)
    (folder / "broken.ply").write_bytes(b"ply\nformat ascii 1.0\ncomment __import__('os')\n")
    (folder / "lab.toml").write_text('currency = "€"\n', encoding="utf-8")
    good = '{"stone":"type-4","mix_ml":58,"waste_ml":8,"powder_g":103,"water_ml":20.6}'
    (folder / "good.json").write_text(good, encoding="utf-8")
    watched(folder, ("log", "--journal", "j.db", "--from", "good.json", "--left", "9"))
    return folder


def watched(folder: Path, words: tuple[str, ...]) -> list[list[str]]:
    """Run a command with the audit hook, and give what it should not have done."""
    seen = folder / "seen"
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT), "SEEN": str(seen)}
    own = [path.name for path in folder.iterdir() if path.suffix in {".stl", ".toml", ".json"}]
    done = subprocess.run(
        [sys.executable, "-c", WATCH, json.dumps(words), *own],
        cwd=folder, env=surroundings, capture_output=True, check=False, timeout=120,
    )  # fmt: skip
    assert b"Traceback" not in done.stderr, done.stderr
    answer = json.loads(seen.read_text(encoding="utf-8"))
    seen.unlink()
    assert isinstance(answer, list)
    return answer


@pytest.mark.parametrize("command", [slow(name)[0] if name in LATER else name for name in COMMANDS])
def test_no_command_talks_or_runs_what_it_reads(command: str, workplace: Path) -> None:
    if command == "picture":
        need_drawing()
    assert watched(workplace, COMMANDS[command]) == []


def test_the_watch_sees_what_is_forbidden(tmp_path: Path) -> None:
    # A watch that sees nothing would prove nothing: two forbidden things done on purpose.
    code = WATCH.replace(
        "from volest.cli.main import main",
        "def main():\n"
        "    import pickle, socket\n"
        "    pickle.loads(pickle.dumps(OSError()))\n"
        "    try: socket.create_connection(('127.0.0.1', 9), 0.1)\n"
        "    except OSError: pass\n",
    )
    seen = tmp_path / "seen"
    call = [sys.executable, "-c", code, "[]"]
    subprocess.run(call, env={**os.environ, "SEEN": str(seen)}, check=True, timeout=60)
    events = {event for event, _, _ in json.loads(seen.read_text(encoding="utf-8"))}
    assert {"socket.connect", "socket.getaddrinfo", "pickle.find_class"} <= events


def test_modules_that_lie_among_the_scans_are_not_run(tmp_path: Path) -> None:
    program, folder = tmp_path / "volest", tmp_path / "scans"
    begin = "from volest.cli.main import main\nif __name__ == '__main__':\n    main()\n"
    program.write_text(begin, encoding="utf-8")
    folder.mkdir()
    for number in range(3):  # more than one: in workers
        (folder / f"{number}.stl").write_bytes(BOWL)
    for name in ("numpy", "json", "volest"):
        (folder / f"{name}.py").write_text(f"open('{name}-ran', 'w')\n", encoding="utf-8")
    words = ("size", ".", "--workers", "2", "--quiet")
    subprocess.run([sys.executable, program, *words], cwd=folder, check=True, timeout=120)
    assert not list(folder.glob("*-ran"))
