"""What a result hangs on, as one short text: the same text, the same result."""

import hashlib
import json
from dataclasses import asdict
from functools import cache
from importlib import metadata, resources
from importlib.resources.abc import Traversable

from volest import __version__
from volest.batch.find import Content
from volest.settings import Settings

# The rooms and modules that a result and its card are made in, and libraries whose figures go in.
MAKERS = (
    *("scan", "cavity", "stone", "view", "sheet/names.py", "batch/run.py", "pipeline.py"),
    "sheet/rows.py",
    *("result.py", "settings.py", "lab.py", "learned.py", "notes.py", "errors.py"),
    "given_files.py",
)
_LIBRARIES = ("numpy", "scipy", "scikit-image")


def run_mark(settings: Settings) -> str:
    """Give the part of a key that is the same for all scans of a run, as 64 hexadecimal digits."""
    record = json.dumps(asdict(settings), sort_keys=True)
    return hashlib.sha256(f"{maker_mark()}\n{record}".encode()).hexdigest()


def key_of(content: Content, mark_of_run: str) -> str:
    """Give the key under which a finished scan is kept, as 64 hexadecimal digits."""
    parts = json.dumps([mark_of_run, content.name, content.mark, content.decision])
    return hashlib.sha256(parts.encode()).hexdigest()


@cache
def maker_mark() -> str:
    """Give a mark of all that makes results: volest's version, its code, its libraries.

    All of that code is read, once a process: ask only where a result is kept or made elsewhere.
    """
    digest = hashlib.sha256(__version__.encode())
    for library in _LIBRARIES:
        digest.update(f"\n{library} {metadata.version(library)}".encode())
    top = resources.files("volest")
    for name in MAKERS:
        _feed(digest, top.joinpath(name))
    return digest.hexdigest()


def _feed(digest: "hashlib._Hash", part: Traversable) -> None:
    if part.is_dir():
        for inner in sorted(part.iterdir(), key=lambda one: one.name):
            if inner.is_dir() or inner.name.endswith(".py"):
                _feed(digest, inner)
    elif part.is_file():
        digest.update(f"\n{part.name}\n".encode())
        digest.update(part.read_bytes())
