"""From what a person named to the scans of a run: where they lie, what they hold, what misleads."""

import logging
import os
import re
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any

from volest.errors import NETWORK, NothingError, ScanError, UsageError
from volest.notes import ONCE, Note
from volest.report.table import short_names, visible
from volest.result import NOTED, Result
from volest.scan.decision import SUFFIX, decision_path, fingerprint, has_decision, scan_mark
from volest.scan.packed import GZIP, READ_SUFFIXES, ZIP, holder, kind_suffix, members, opened
from volest.scan.packed import size_of as packed_size
from volest.storage import write_whole

MARK = "://"  # what tells an address from a path
_BEGINNING_BYTES = 4096  # some eighty triangles
OTHER_SUFFIXES = (".3mf", ".amf", ZIP, GZIP)  # what scanners may send instead
HALF_SUFFIXES = (".part", ".partial", ".tmp", ".download")  # a copy that is under way, or broke off
# What libraries of stores raise where an address means nothing to them, or the way there is shut.
STORE_FAULTS = (OSError, ValueError, TypeError, LookupError, AttributeError, RuntimeError)
_LOG = logging.getLogger(__name__)
_DIGITS = re.compile(r"(\d+)")
_MOST_DIGITS = 18  # longer rows are no numbers of cases, and Python reads none of over 4300 digits
_NONE = "none"
MOST_NAMED = 5  # of a kind; a folder may hold hundreds


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


def find_scans(paths: Sequence[Path]) -> list[Path]:
    """List the scans behind files and folders, each once, in natural order; none is an error.

    A file that is named is taken whatever its suffix, also when it is missing: its row then tells.
    Folders, and zip files, are searched to their depths for endings that are read, hidden names
    left out. A folder that cannot be read is listed itself, so that it is refused and not passed
    over.
    """
    folders = [path for path in paths if _is_folder(path)]
    files = [path for path in paths if path not in folders]
    scans = [scan for file in (*files, *_files_below(folders, _is_scan)) for scan in _held(file)]
    found: dict[str, Path] = {}
    for scan in sorted(scans, key=natural_key):
        kept = found.setdefault(os.path.realpath(scan), scan)
        if kept is not scan:
            _LOG.info("%s is the same file as %s; read once", scan, kept)
    if not found:
        raise no_scan_in(paths)
    return list(found.values())


def passed_over(paths: Sequence[Path]) -> list[Path]:
    """List surfaces of other kinds, packed files and half copies that lie in folders."""
    folders = [path for path in paths if _is_folder(path)]
    others = set(_files_below(folders, _is_other))
    # A folder that cannot be read is listed too, but as a scan that is refused.
    return sorted((path for path in others if not _is_folder(path)), key=natural_key)


def no_scan_in(named: Iterable[os.PathLike[str]]) -> NothingError:
    """Make the error that tells of places without a scan."""
    return NothingError(
        "no scan in " + ", ".join(repr(os.fspath(one)) for one in named),
        needed="at least one .stl or .ply file",
        remedy="name the folder where the scanner saves, or the file itself",
    )


def natural_key(path: os.PathLike[str]) -> tuple[tuple[int, int, str], ...]:
    """Give a key that sorts names as people do, 'case 2' before 'case 10'; ties by the text."""
    text = os.fspath(path)
    parts = [
        (0, int(part), "")
        if part.isascii() and part.isdigit() and len(part) <= _MOST_DIGITS
        else (1, 0, part)
        for part in _DIGITS.split(text.casefold())
    ]
    return (*parts, (1, 0, text))


def _held(file: Path) -> list[Path]:
    """Give the scans that a file holds: those in a zip file that has some, else itself."""
    return (members(file) if file.suffix.lower() == ZIP else []) or [file]


def _files_below(tops: Iterable[Path], wanted: Callable[[Path], bool]) -> Iterator[Path]:
    seen: set[tuple[int, int]] = set()
    folders = list(tops)  # a list and no recursion: folders may lie deeper than Python's stack
    while folders:
        folder = folders.pop()
        try:
            mark = (folder.stat().st_dev, folder.stat().st_ino)
            if mark in seen:  # a link that leads back, or a folder named twice
                continue
            seen.add(mark)
            entries = [entry for entry in folder.iterdir() if not entry.name.startswith(".")]
        except OSError:
            _LOG.exception("folder %s cannot be read", folder)
            yield folder
            continue
        folders += [entry for entry in entries if _is_folder(entry)]
        yield from (entry for entry in entries if wanted(entry) and not _is_folder(entry))


def _is_scan(path: Path) -> bool:
    packed = path.suffix.lower() == ZIP
    return bool(members(path)) if packed else kind_suffix(path.name) in READ_SUFFIXES


def _is_other(path: Path) -> bool:
    suffix = path.suffix.lower()
    if suffix in HALF_SUFFIXES:
        return Path(path.stem).suffix.lower() in (*READ_SUFFIXES, *OTHER_SUFFIXES)
    return suffix in OTHER_SUFFIXES and not _is_scan(path)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # no right to look; the reader says so in the scan's row
        return False


def place_of(text: str | os.PathLike[str]) -> Place:
    """Tell an address, which has ``://`` in it, from a path."""
    whole = os.fspath(text)
    return Remote(url=whole) if MARK in whole else Path(whole)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The scans of a run, and what misleads: files that are not read, names of one scan."""

    scans: Sequence[Place] = ()
    unread: Sequence[Path] = ()
    twins: Sequence[Sequence[Path]] = ()
    lost: Sequence[Path] = ()  # decisions without their scan beside
    followed: Sequence[tuple[Path, Path]] = ()  # decisions that were lost, and their scans

    @property
    def told(self) -> list[str]:
        """Name what is not read, in one line or none: no job drops out unseen."""
        named = _named([visible(path.name) for path in self.unread])
        return [f"not read: {named}; export scans as STL or PLY, whole"] if self.unread else []

    @property
    def doubts(self) -> list[str]:
        """Name also the files that hold one scan, a line each: there is an amount for each name."""
        alike = [
            f"the same scan in {_named(short_names([str(path) for path in same])[1])}; {ONCE}"
            for same in self.twins[:MOST_NAMED]
        ]
        alike += [
            f"the base line saved in {visible(old.name)} follows its scan, {visible(scan.name)}"
            for old, scan in self.followed
        ]
        alike += [
            f"no scan here for the base line saved in {visible(file.name)}" for file in self.lost
        ]
        more = len(self.twins) - MOST_NAMED
        last = [f"and {more} more scans under several names"] if more > 0 else []
        return [*self.told, *alike, *last]


def find(places: Sequence[Place]) -> Found:
    """Look behind files, folders and addresses: each scan once, in natural order."""
    here = [place for place in places if isinstance(place, Path)]
    far = [scan for place in places if isinstance(place, Remote) for scan in _below(place)]
    if not far and not here:
        raise no_scan_in(places)
    scans: list[Place] = list(find_scans(here)) if here else []
    if far:
        scans = sorted({str(scan): scan for scan in (*scans, *far)}.values(), key=natural_key)
    lost = lost_decisions(here, scans)
    return Found(scans=scans, unread=passed_over(here), twins=same_scans(scans), lost=lost)


def lost_decisions(named: Iterable[Path], scans: Iterable[Place]) -> list[Path]:
    """List the decisions in folders, or beside files, that have no scan of their name beside."""
    own = {decision_path(scan) for scan in scans if isinstance(scan, Path) and scan.name}
    places = list(named)
    tops = [path for path in places if _is_folder(path)]
    files = set(_files_below(tops, lambda file: file.name.endswith(SUFFIX)))
    for path in places:
        if path not in tops and not has_decision(path):
            with suppress(OSError):  # the folder is not there
                files |= set(path.parent.iterdir())
    lost = [file for file in files - own if file.name.endswith(SUFFIX)]
    scans_of = {file: file.with_name(file.name.removesuffix(SUFFIX)) for file in lost}
    return sorted((file for file in lost if not scans_of[file].exists()), key=natural_key)


def bring_decisions(named: Iterable[Path], scans: Sequence[Path]) -> list[str]:
    """Let decisions follow those scans that are to be read now, and tell of it."""
    found = follow(Found(scans=scans, lost=lost_decisions(named, scans)))
    return replace(found, lost=()).doubts


def follow(found: Found) -> Found:
    """Bring decisions whose scans lie under another name or folder there, by the scans' content."""
    if not found.lost:
        return found
    marks: dict[str, list[Path]] = {}
    for scan in found.scans:
        if isinstance(scan, Path) and not has_decision(scan):
            content = content_of(scan)
            if content is not None:
                marks.setdefault(content.mark, []).append(scan)
    lost, followed = [], []
    for file in found.lost:
        scans = marks.get(scan_mark(file) or "", [])
        try:
            for scan in scans:
                write_whole(decision_path(scan), file.read_bytes(), through_link=False)
            if scans:
                file.unlink()
        except (OSError, UsageError):
            _LOG.exception("%s cannot follow its scan", file)
            scans = [scan for scan in scans if has_decision(scan)]
        followed += [(file, scan) for scan in scans]
        lost += [] if scans else [file]
    return replace(found, lost=lost, followed=followed)


@contextmanager
def _reaching(place: Remote) -> Iterator[None]:
    """Tell of whatever the libraries of a store raise where it cannot be reached."""
    try:
        yield
    except STORE_FAULTS as fault:
        raise UsageError(
            f"{place.url} that cannot be reached ({fault})",
            needed="an address that fsspec can open",
            remedy="check the address, its protocol and the rights",
            code=NETWORK,
        ) from fault


def file_system(place: Remote) -> tuple[Any, str]:
    """Open the store behind an address: fsspec's file system, and the path as that knows it."""
    try:
        with _reaching(place):
            from fsspec.core import url_to_fs

            fs, path = url_to_fs(place.url)
            return fs, str(path)
    except ImportError as fault:
        raise UsageError(
            f"{place.url} and no library for such addresses ({fault})",
            needed="fsspec, and for some stores a library of their own",
            remedy="install the extra 'cluster'",
        ) from fault


@contextmanager
def at_hand(place: Place) -> Iterator[Path]:
    """Bring a scan and the decision beside it to this computer while it is needed."""
    if isinstance(place, Path):
        yield place
        return
    fs, path = file_system(place)
    with TemporaryDirectory(prefix="volest-") as folder:
        near = Path(folder) / (place.name or "scan")
        for far, target in ((path, near), (path + SUFFIX, decision_path(near))):
            with _reaching(place):
                try:
                    fs.get_file(far, str(target))
                except FileNotFoundError:
                    target.unlink(missing_ok=True)  # whoever reads it tells that it is missing
        yield near


def _below(place: Remote) -> list[Place]:
    fs, path = file_system(place)
    with _reaching(place):
        if not fs.isdir(path):
            return [place]
        return [
            Remote(url=fs.unstrip_protocol(file))
            for file in fs.find(path)
            if kind_suffix(file) in READ_SUFFIXES and "/." not in f"/{file[len(path) :]}"
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What lies at a place now."""

    name: str  # of the file: some words of a result carry it
    size: int  # bytes
    mark: str  # SHA-256; behind an address the store's own mark of the version
    decision: str  # the same of what a person saved beside it, or 'none'


def content_of(place: Place) -> Content | None:
    """Look at a scan and the decision beside it; None where it cannot be read."""
    try:
        if isinstance(place, Path):
            decision = fingerprint(decision_path(place)) if has_decision(place) else _NONE
            size, mark = packed_size(place), fingerprint(place)
        else:
            fs, path = file_system(place)
            beside = path + SUFFIX
            decision = str(fs.ukey(beside)) if fs.exists(beside) else _NONE
            size, mark = int(fs.info(path)["size"]), str(fs.ukey(path))
    except (UsageError, ScanError, *STORE_FAULTS):
        return None
    return Content(name=place.name, size=size, mark=mark, decision=decision)


def size_of(place: Place) -> int | None:
    """Say how many bytes a scan has, without reading it; None where there is no such file."""
    try:
        if isinstance(place, Path):
            return packed_size(place)
        fs, path = file_system(place)
        return int(fs.info(path)["size"])
    except (UsageError, ScanError, *STORE_FAULTS):
        return None


class Twins:
    """Remembers what scans held, also of those whose files have gone since."""

    def __init__(self) -> None:
        self._marks: dict[Path, str] = {}

    def take(self, scan: Path) -> list[Path]:
        """Take in a scan, new or changed; give all its names if it has others and that is news."""
        mark = _mark(scan)
        if mark is None or self._marks.get(scan) == mark:
            return []
        self._marks[scan] = mark
        same = [one for one, its in self._marks.items() if its == mark]
        return same if len(same) > 1 else []

    def forget(self, scan: Path) -> None:
        """Leave a scan out from now on."""
        self._marks.pop(scan, None)

    def groups(self) -> list[list[Path]]:
        """Give the names, in the order they came, of each scan that has several."""
        return _alike(self._marks, self._marks.get)


def _mark(scan: Path) -> str | None:
    """Give what tells the content of a scan from any other; None where there is none."""
    content = content_of(scan)
    return content.mark if content is not None and content.size else None


def same_scans(scans: Sequence[Place]) -> list[list[Path]]:
    """Find the scans of a run that hold the same, byte for byte.

    Only scans of one length and beginning are read for it. Behind addresses nothing is compared:
    stores mark the name with the content.
    """
    here = [scan for scan in scans if isinstance(scan, Path)]
    begun = [some for sized in _alike(here, size_of) for some in _alike(sized, _beginning)]
    return [same for some in begun for same in _alike(some, _mark)]


def _alike(scans: Iterable[Path], told: Callable[[Path], Hashable]) -> list[list[Path]]:
    """Group the scans of which the same is told and not None; single ones are left out."""
    groups: dict[Hashable, list[Path]] = {}
    for scan in scans:
        groups.setdefault(told(scan), []).append(scan)
    return [same for key, same in groups.items() if key is not None and len(same) > 1]


def _beginning(scan: Path) -> bytes | None:
    try:
        if not holder(scan).is_file():  # opening a pipe could wait for ever
            return None
        with opened(scan) as (file, _):
            return file.read(_BEGINNING_BYTES)
    except (ScanError, OSError):
        return None


def noted(results: Iterable[Result], groups: Sequence[Sequence[Path]]) -> Iterator[Result]:
    """Note at each scan under which other names it lies: an amount is told for each of them."""
    same = {str(scan): group for group in groups for scan in group}
    for result in results:
        group = same.get(result.scan, ())
        others = [visible(scan.name) for scan in group if str(scan) != result.scan]
        if not others or result.mix is None:
            yield result
            continue
        named = tuple(others[:MOST_NAMED])
        note = Note("same-scan", others=named, more=len(others) - len(named))
        yield replace(result, notes=(*result.notes, note), outcome=NOTED)


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
