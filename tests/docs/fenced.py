"""The fenced blocks of a page: commands, what they print, and Python."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
_BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", flags=re.MULTILINE | re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """A block that is run, and what the page says it prints.

    Parameters
    ----------
    kind : str
        'bash' or 'python'.
    text : str
        What is run.
    shown : tuple of str
        Lines of the 'text' blocks that follow.
    """

    kind: str
    text: str
    shown: tuple[str, ...]


def steps(page: Path) -> Iterator[Step]:
    """Read the blocks of a page, each with what it prints; other kinds of block are passed over."""
    kind, text, shown = "", "", list[str]()
    for found in _BLOCK.finditer(page.read_text(encoding="utf-8")):
        if found[1] == "text":
            shown += [line for line in found[2].splitlines() if line.strip()]
        elif found[1] in {"bash", "python"}:
            if kind:
                yield Step(kind=kind, text=text, shown=tuple(shown))
            kind, text, shown = found[1], found[2], []
    if kind:
        yield Step(kind=kind, text=text, shown=tuple(shown))


def run_step(step: Step, folder: Path) -> str:
    """Run a block in a folder and return all it printed, both streams together."""
    command = (
        [sys.executable, "-c"] if step.kind == "python" else ["bash", "-euo", "pipefail", "-c"]
    )
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    plain = {name: value for name, value in os.environ.items() if not name.startswith("VOLEST_")}
    done = subprocess.run(
        [*command, step.text],
        cwd=folder,
        env={**plain, "PATH": path, "COLUMNS": "100"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, f"{step.text}\n{done.stdout}"
    return done.stdout


def missing(step: Step, printed: str) -> list[str]:
    """List the lines that the page shows and the command does not print, blanks aside."""
    lines = [" ".join(line.split()) for line in printed.splitlines()]
    gone = []
    for shown in step.shown:
        wanted = " ".join(shown.split())
        if wanted in lines:
            lines = lines[lines.index(wanted) + 1 :]  # what is shown next is printed later
        else:
            gone.append(shown)
    return gone
