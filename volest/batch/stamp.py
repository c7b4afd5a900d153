"""What a result hangs on, as one short text: the same text, the same result."""

import hashlib
import json
from dataclasses import asdict, dataclass
from functools import cache
from importlib import metadata, resources
from importlib.resources.abc import Traversable
from pathlib import Path

from volest import __version__
from volest.batch.places import Place, Remote, file_system
from volest.scan.decision import SUFFIX, decision_path
from volest.settings import Settings

# The rooms and modules that a result and its card are made in, and libraries whose figures go in.
MAKERS = (
    *("scan", "cavity", "stone", "view", "sheet/names.py", "batch/run.py", "pipeline.py"),
    "sheet/rows.py",
    *("result.py", "settings.py", "lab.py", "learned.py", "notes.py", "errors.py"),
    "given_files.py",
)
_LIBRARIES = ("numpy", "scipy", "scikit-image")
_NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What lies at a place now.

    Parameters
    ----------
    name : str
        Name of the file: some words of a result carry it.
    size : int
        Bytes.
    mark : str
        SHA-256 of the scan; behind an address the store's own mark of the version.
    decision : str
        The same of what a person saved beside it, or 'none'.
    """

    name: str
    size: int
    mark: str
    decision: str


def content_of(place: Place) -> Content | None:
    """Look at a scan and the decision beside it; None where it cannot be read."""
    try:
        if isinstance(place, Remote):
            return _content_far(place)
        beside = decision_path(place)
        return Content(
            name=place.name,
            size=place.stat().st_size,
            mark=_sha256(place),
            decision=_sha256(beside) if beside.is_file() else _NONE,
        )
    except (OSError, ValueError):
        return None


def size_of(place: Place) -> int | None:
    """Say how many bytes a scan has, without reading it; None where there is no such file."""
    try:
        if isinstance(place, Remote):
            fs, path = file_system(place)
            return int(fs.info(path)["size"])
        return place.stat().st_size
    except (OSError, ValueError, TypeError, KeyError):
        return None


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


def _content_far(place: Remote) -> Content:
    fs, path = file_system(place)
    beside = path + SUFFIX
    return Content(
        name=place.name,
        size=int(fs.info(path)["size"]),
        mark=str(fs.ukey(path)),
        decision=str(fs.ukey(beside)) if fs.exists(beside) else _NONE,
    )


def _sha256(path: Path) -> str:
    if not path.is_file():  # opening a pipe could wait for ever
        raise OSError("not a plain file")
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
