"""Where scans lie: on this computer, or in a store that is reached by an address."""

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any

from volest.batch.finding import find_scans, natural_key, no_scan_in
from volest.errors import UsageError
from volest.scan.decision import SUFFIX, decision_path
from volest.sheet.target import SCAN_SUFFIXES

MARK = "://"  # what tells an address from a path
_PIECE_BYTES = 1 << 20  # at a time: each may be a way to the store and back


@dataclass(frozen=True, slots=True, kw_only=True)
class Remote:
    """A file or folder behind an address as fsspec reads it: ``memory://monday/b0417.stl``."""

    url: str

    def __fspath__(self) -> str:
        return self.url

    def __str__(self) -> str:
        return self.url

    @property
    def name(self) -> str:
        """Last part of the address."""
        return PurePosixPath(self.url.partition(MARK)[2]).name

    def joined(self, *parts: str) -> "Remote":
        """Give an address below this one."""
        return Remote(url="/".join([self.url.rstrip("/"), *parts]))


Place = Path | Remote


def place_of(text: str | os.PathLike[str]) -> Place:
    """Tell an address, which has ``://`` in it, from a path."""
    whole = os.fspath(text)
    return Remote(url=whole) if MARK in whole else Path(whole)


def find_places(places: Sequence[Place]) -> list[Place]:
    """List the scans behind files, folders and addresses, each once, in natural order."""
    here = [place for place in places if isinstance(place, Path)]
    far = [scan for place in places if isinstance(place, Remote) for scan in _below(place)]
    if not far and not here:
        raise no_scan_in(places)
    found: list[Place] = list(find_scans(here)) if here else []
    if not far:
        return found
    return sorted({str(scan): scan for scan in (*found, *far)}.values(), key=natural_key)


def file_system(place: Remote) -> tuple[Any, str]:
    """Open the store behind an address: fsspec's file system, and the path as that knows it."""
    try:
        from fsspec.core import url_to_fs

        fs, path = url_to_fs(place.url)
    except ImportError as fault:
        raise UsageError(
            f"{place.url} and no library for such addresses ({fault})",
            needed="fsspec, and for some stores a library of their own",
            remedy="install the extra 'cluster'",
        ) from fault
    except (OSError, ValueError) as fault:
        raise _unreached(place, fault) from fault
    return fs, str(path)


@contextmanager
def at_hand(place: Place) -> Iterator[Path]:
    """Bring a scan and the decision beside it to this computer while it is needed."""
    if isinstance(place, Path):
        yield place
        return
    fs, path = file_system(place)
    with TemporaryDirectory(prefix="volest-") as folder:
        near = Path(folder) / (place.name or "scan")
        _fetch(fs, path, near)
        _fetch(fs, path + SUFFIX, decision_path(near))
        yield near


def _fetch(fs: Any, path: str, near: Path) -> None:
    try:
        with fs.open(path, "rb") as source, near.open("wb") as target:
            shutil.copyfileobj(source, target, _PIECE_BYTES)
    except FileNotFoundError:
        near.unlink(missing_ok=True)  # whoever reads it tells that it is missing


def _below(place: Remote) -> list[Place]:
    fs, path = file_system(place)
    try:
        if not fs.isdir(path):
            return [place]
        found = fs.find(path)
    except OSError as fault:
        raise _unreached(place, fault) from fault
    return [
        Remote(url=fs.unstrip_protocol(file))
        for file in found
        if file.lower().endswith(SCAN_SUFFIXES) and not _is_hidden(file[len(path) :])
    ]


def _is_hidden(below: str) -> bool:
    return any(part.startswith(".") for part in below.split("/"))


def _unreached(place: Remote, fault: Exception) -> UsageError:
    return UsageError(
        f"{place.url} that cannot be reached ({fault})",
        needed="an address that fsspec can open",
        remedy="check the address, its protocol and the rights",
    )
