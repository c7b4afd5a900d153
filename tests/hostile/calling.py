"""The command line, called in a limited child, so that nothing it does can harm the tests."""

import json
import os
from dataclasses import dataclass
from importlib import readers
from pathlib import Path

from click.testing import CliRunner

from tests.cavity.trays import trays
from tests.hostile.forked import forked
from tests.scan.writers import stl_binary
from volest.cli import lab, log, mix, show, size
from volest.cli.main import volest_group
from volest.errors import EXIT_FAULT
from volest.report import table
from volest.view import page
from volest.view import picture as drawing

# Loaded once here, so that no child has to.
LOADED = (readers, lab, log, mix, show, size, table, page, drawing)

LONGEST_LINE = 600
NOBODY = 65534
BOWL = stl_binary(next(tray for tray in trays() if tray.name == "frustum").triangles(is_open=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def line(self) -> str:
        """The one line it gave on the error stream."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self
        assert lines[0].isprintable()
        assert len(lines[0]) <= LONGEST_LINE
        return lines[0]


def call(*words: str | Path, folder: Path, user: int | None = None) -> Said:
    """Run a command in a folder; a fault in volest, a hang or a crash fails the test."""

    def work() -> bytes:
        ran = CliRunner().invoke(volest_group, [os.fspath(word) for word in words])
        return json.dumps([ran.exit_code, ran.stdout, ran.stderr]).encode()

    ended = forked(work, folder=folder, user=user)
    assert ended.code == 0, (words, ended.how)
    code, out, err = json.loads(ended.answer)
    said = Said(code=code, out=out, err=err)
    assert code != EXIT_FAULT, said
    return said


def snapshot(folder: Path) -> dict[str, bytes]:
    """Everything that lies in a folder, to see what a command did to it."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else b""
        for path in sorted(folder.rglob("*"))
        if not path.is_fifo()
    }
