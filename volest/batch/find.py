"""From what a person named to the scans of a run: where they lie, what they hold, what misleads.

In a folder that is watched they arrive: each is given on once its file has come to rest.
"""

import hashlib
import logging
import os
import re
import threading
import time
from collections.abc import Callable, Container, Hashable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import KW_ONLY, dataclass, field, replace
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory
from typing import Any

from volest.errors import NETWORK, NothingError, ScanError, UsageError, visible
from volest.notes import ONCE, Note
from volest.report.table import short_names
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
_EMPTY = hashlib.sha256().hexdigest()
SETTLE_S = 0.9  # without a change; what is cut short all the same is read again when it grows
EMPTY_SETTLE_S = 15.0  # some make the file first and fill it when the export is worked out
_RETRY_S = 20.0
_BUSY_MS, _IDLE_MS = 100, 3000  # how often is looked without being told of a change
_DEBOUNCE_MS = 100
# Unlike that of `Path` also where nobody may look: the reader says so in the scan's row.
_is_folder = os.path.isdir
_Sign = tuple[int, ...]
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
    files += _files_below(folders, _is_scan)
    held = {file: members(file) for file in files if file.suffix.lower() == ZIP}
    scans = [scan for file in files for scan in held.get(file) or [file]]
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
    others = set(_files_below(filter(_is_folder, paths), _is_other))
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
        lines = self.told
        lines += [
            f"the same scan in {_named(short_names([str(path) for path in same])[1])}; {ONCE}"
            for same in self.twins[:MOST_NAMED]
        ]
        lines += [
            f"the base line saved in {visible(old.name)} follows its scan, {visible(scan.name)}"
            for old, scan in self.followed
        ]
        lines += [
            f"no scan here for the base line saved in {visible(file.name)}" for file in self.lost
        ]
        more = len(self.twins) - MOST_NAMED
        return [*lines, f"and {more} more scans under several names"] if more > 0 else lines


def find(places: Sequence[Place]) -> Found:
    """Look behind files, folders and addresses: each scan once, in natural order."""
    here = [place for place in places if isinstance(place, Path)]
    far = [scan for place in places if isinstance(place, Remote) for scan in _below(place)]
    if not far and not here:
        raise no_scan_in(places)
    by_name = {str(scan): scan for scan in (*(find_scans(here) if here else ()), *far)}
    scans = sorted(by_name.values(), key=natural_key)
    lost = lost_decisions(here, scans)
    return Found(scans=scans, unread=passed_over(here), twins=same_scans(scans), lost=lost)


def lost_decisions(named: Iterable[Path], scans: Iterable[Place]) -> list[Path]:
    """List the decisions in folders, or beside files, that have no scan of their name beside."""
    own = {decision_path(scan) for scan in scans if isinstance(scan, Path) and scan.name}
    places = list(named)
    tops = [path for path in places if _is_folder(path)]
    files = set(_files_below(tops, lambda file: file.name.endswith(SUFFIX)))
    for path in places:
        with suppress(OSError):  # a name that no file can have, or where nobody may look
            if path not in tops and not has_decision(path):
                files |= set(path.parent.glob(f"*{SUFFIX}"))
    scans_of = {file: file.with_name(file.name.removesuffix(SUFFIX)) for file in files - own}
    return sorted((file for file, of in scans_of.items() if not of.exists()), key=natural_key)


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
        with suppress(OSError):  # nobody may look there
            if isinstance(scan, Path) and not has_decision(scan) and (content := content_of(scan)):
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
    mark: str  # SHA-256; behind an address the store's own mark of the version
    decision: str  # the same of what a person saved beside it, or 'none'


def content_of(place: Place) -> Content | None:
    """Look at a scan and the decision beside it; None where it cannot be read."""
    try:
        if isinstance(place, Path):
            decision = fingerprint(decision_path(place)) if has_decision(place) else _NONE
            mark = fingerprint(place)
        else:
            fs, path = file_system(place)
            beside = path + SUFFIX
            decision = str(fs.ukey(beside)) if fs.exists(beside) else _NONE
            mark = str(fs.ukey(path))
    except (UsageError, ScanError, *STORE_FAULTS):
        return None
    return Content(name=place.name, mark=mark, decision=decision)


class Twins(dict[Path, str]):
    """Remembers what scans held, also of those whose files have gone since."""

    def take(self, scan: Path) -> list[Path]:
        """Take in a scan, new or changed; give all its names if it has others and that is news."""
        content = content_of(scan)
        if content is None or content.mark in (_EMPTY, self.get(scan)):
            return []
        self[scan] = content.mark
        same = [one for one, its in self.items() if its == content.mark]
        return same if len(same) > 1 else []

    def groups(self) -> list[list[Path]]:
        """Give the names, in the order they came, of each scan that has several."""
        return _alike(self, self.get)


def same_scans(scans: Sequence[Place]) -> list[list[Path]]:
    """Find the scans of a run that hold the same, byte for byte.

    Only scans of one length and beginning are read for it. Behind addresses nothing is compared:
    stores mark the name with the content.
    """
    groups = [[scan for scan in scans if isinstance(scan, Path)]]
    for told in (packed_size, _beginning, fingerprint):
        groups = [same for some in groups for same in _alike(some, told)]
    return groups


def _alike(scans: Iterable[Path], told: Callable[[Path], Hashable]) -> list[list[Path]]:
    """Group the scans of which the same is told; single, empty and unreadable ones are left out."""
    groups: dict[Hashable, list[Path]] = {}
    for scan in scans:
        with suppress(ScanError, *STORE_FAULTS):
            groups.setdefault(told(scan), []).append(scan)
    return [same for key, same in groups.items() if key and len(same) > 1]


def _beginning(scan: Path) -> bytes:
    with opened(scan) as (file, _):  # of some size, so no pipe, which could wait for ever
        return file.read(_BEGINNING_BYTES)


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


@dataclass(eq=False)
class Arrivals:
    """What has arrived in a folder, and what of it is still being written.

    Events only say when to look; what is there is always read anew, so that none can be missed.
    """

    folder: Path
    _: KW_ONLY
    settle_s: float = SETTLE_S
    clock: Callable[[], float] = time.monotonic
    _resting: dict[Path, tuple[_Sign, float]] = field(default_factory=dict, init=False)
    _given: dict[Path, _Sign] = field(default_factory=dict, init=False)
    _others: set[Path] = field(default_factory=set, init=False)  # no scans

    @property
    def busy(self) -> bool:
        """Whether a scan has not come to rest."""
        return any(
            self._given.get(file) != sign and file not in self._others
            for file, (sign, _) in self._resting.items()
        )

    def look(self) -> tuple[list[Path], list[Path]]:
        """Give what has come to rest since the last look.

        That is scans, or decisions beside them; and files of other kinds, which are told late: what
        is on its way gets another name when it is whole.
        """
        now, seen = self.clock(), {}
        scans, others = [], passed_over([self.folder])
        self._others = set(others)
        with suppress(NothingError):
            found = find_scans([self.folder]) if _is_folder(self.folder) else ()
            scans = [scan for scan in found if not _is_folder(scan)]
        ready: tuple[list[Path], list[Path]] = [], []
        for file in (*scans, *others):
            sign, is_other = _sign(file), file in self._others
            if sign is None:  # gone between listing and looking
                continue
            before, since = self._resting.get(file, (sign, now))
            if before != sign:
                since = now
                self.again(file)  # also where it is changed back: somebody may have read it between
            seen[file] = sign, since
            late_s = EMPTY_SETTLE_S if is_other or not sign[0] else 0.0
            if self._given.get(file) != sign and now - since >= max(self.settle_s, late_s):
                ready[is_other].append(file)
                self._given[file] = sign
        self._resting = seen
        return ready

    def has_moved(self, gone: Path, coming: Container[Path]) -> bool:
        """Say whether what was given by a name that is gone lies under one that is yet to be sized.

        Such are those that are `coming`, and those that have not come to rest.
        """
        was = self._given.get(gone, ())[:3]  # without the time, which a new name changes
        return any(
            sign[:3] == was
            for file, (sign, _) in self._resting.items()
            if file in coming or self._given.get(file) != sign
        )

    def later(self, scan: Path) -> None:
        """Give a scan once more in a while: another program may hold it for now."""
        if scan in self._resting:
            sign, _ = self._resting[scan]
            self._resting[scan] = sign, self.clock() + _RETRY_S
        self.again(scan)

    def again(self, scan: Path) -> None:
        """Give a scan once more when it has come to rest, whatever it was when it was given."""
        if scan in self._given:
            self._given[scan] = self._given[scan][:3]  # enough for `has_moved`, and no whole sign


def wakes(
    folder: Path, stop: threading.Event, busy: Callable[[], bool] = lambda: False
) -> Iterator[None]:
    """Give a sign whenever it is worth looking into a folder, until told to stop.

    Also now and then without a change, for stores that tell of none; sooner while a file is busy.
    """
    import watchfiles  # only what waits needs it

    while not stop.is_set():
        yield
        was_busy = busy()
        try:
            before = folder.stat()
            for _ in watchfiles.watch(
                folder,
                stop_event=stop,
                debounce=_DEBOUNCE_MS,
                rust_timeout=_BUSY_MS if was_busy else _IDLE_MS,
                yield_on_timeout=True,
                ignore_permission_denied=True,
            ):
                yield
                # Another folder may have that name now, and events of the old one are past.
                if not os.path.samestat(before, folder.stat()) or busy() != was_busy:
                    break
        except OSError:
            if _is_folder(folder):  # else it is away, and waited for
                _LOG.info("%s cannot be watched", folder, exc_info=True)
            stop.wait(_BUSY_MS / 1000.0)


def _sign(scan: Path) -> _Sign | None:
    """Give what changes with a scan or the decision beside it, its size first; None if it is gone.

    Also the time that no program can set: some exports put the other one back.
    """
    sign: _Sign = ()
    for file in (holder(scan), decision_path(scan)):
        try:
            at = file.stat()
        except OSError:
            return sign or None
        sign += (at.st_size, at.st_mtime_ns, at.st_ino, at.st_ctime_ns)
    return sign
