"""What can go wrong, each fault with what was found, what is needed and how to mend it.

Each fault has an owner: who is able to mend it. Only of faults that are ours is said 'tell us'.
"""

import errno
import unicodedata
from functools import partial
from typing import Any

from volest.system import memory_limit_mb

EXIT_MEASURED = 0
EXIT_REFUSED = 1
EXIT_USAGE = 2
EXIT_NOTHING = 3
EXIT_FAULT = 4
DISK, RIGHTS, MEMORY, NETWORK = "disk", "rights", "memory", "network"
INPUT, OURS = "input", "ours"
_OWNERS = {
    DISK: "ENOSPC EDQUOT EIO EROFS EFBIG ENOENT ENOTDIR ENODEV ENXIO EISDIR ENAMETOOLONG ELOOP",
    RIGHTS: "EACCES EPERM",
    MEMORY: "ENOMEM EAGAIN EMFILE ENFILE",
    NETWORK: "ETIMEDOUT ECONNREFUSED ECONNRESET ECONNABORTED EPIPE EHOSTUNREACH EHOSTDOWN "
    "ENETDOWN ENETUNREACH ESTALE EREMOTEIO ENOTCONN",
}
_OWNER_OF = {getattr(errno, name): who for who, all_ in _OWNERS.items() for name in all_.split()}
MENDS = {
    DISK: "make room on that disk and see that it is there, or name another place",
    RIGHTS: "get the right to it, or name another place",
    MEMORY: "close other programs, or take fewer --workers",
    NETWORK: "see to the way there, then run the same command again",
}


class VolestError(Exception):
    """A fault that a person can mend, told in one line.

    Parameters
    ----------
    found : str
        What was found, with its figures.
    needed : str
        What is needed instead.
    remedy : str
        What a person can do about it.
    code : str, optional
        Short name of the fault, the same in every table and file; a class default otherwise.

    Examples
    --------
    >>> fault = ScanError("0 bytes", needed="a mesh", remedy="export the scan again", code="empty")
    >>> print(fault)
    found 0 bytes; needed a mesh; export the scan again
    """

    exit_code = EXIT_USAGE
    code = "fault"

    def __init__(self, found: str, *, needed: str, remedy: str, code: str | None = None) -> None:
        super().__init__(f"found {found}; needed {needed}; {remedy}")
        self.found = found
        self.needed = needed
        self.remedy = remedy
        self.code = code or type(self).code

    def __reduce__(self) -> tuple[Any, ...]:
        # Exceptions with keyword-only arguments do not unpickle by themselves; workers send them.
        rest = {"needed": self.needed, "remedy": self.remedy, "code": self.code}
        return partial(type(self), **rest), (self.found,)


class ScanError(VolestError):
    """A scan that is refused: it cannot be read, or has no cavity that can be measured."""

    exit_code = EXIT_REFUSED
    code = "refused"


class MixError(VolestError):
    """A mix that cannot be made as asked."""

    code = "mix"


class UsageError(VolestError):
    """A command or setting that does not mean anything."""

    code = "usage"


class LabError(VolestError):
    """A lab file that says something it cannot mean; all its faults are listed."""

    code = "lab"


class NothingError(VolestError):
    """No scan where scans were looked for."""

    exit_code = EXIT_NOTHING
    code = "nothing"


def owner_of(fault: BaseException) -> str:
    """Say whose a fault is: of the disk, of rights, memory, network or the input, or ours."""
    if isinstance(fault, VolestError):
        return fault.code if fault.code in MENDS else INPUT
    if isinstance(fault, MemoryError):
        return MEMORY
    if isinstance(fault, TimeoutError | ConnectionError):
        return NETWORK
    return _OWNER_OF.get(fault.errno or 0, OURS) if isinstance(fault, OSError) else OURS


def not_ours(fault: BaseException) -> VolestError | None:
    """Make the error that tells of what the system refused; None where the fault is ours."""
    owner = owner_of(fault)
    if isinstance(fault, VolestError):
        return fault
    if owner == OURS:
        return None
    if isinstance(fault, MemoryError):
        return too_large()
    at = getattr(fault, "filename", None)
    why = getattr(fault, "strerror", None) or str(fault) or type(fault).__name__
    return UsageError(
        f"{owner} that failed{'' if at is None else f' at {at!r}'} ({why})",
        needed="a computer that gives what a run takes",
        remedy=MENDS[owner],
        code=owner,
    )


def too_large() -> ScanError:
    """Make the error that tells of memory that ran out; where it was limited, by how much."""
    most_mb = memory_limit_mb()
    held, more = "the memory of this computer", ""
    if most_mb is not None:
        held = f"the {most_mb} MB that a worker may take"
        more = "allow more with --memory, take fewer --workers, or "
    return ScanError(
        f"more to hold than {held}",
        needed="a scan that fits into memory",
        remedy=f"{more}export it with fewer triangles",
        code="too-large",
    )


# Unicode categories that a terminal obeys, hides or cannot draw: controls, formats (also those that
# turn the reading direction), lone surrogates, private use, unassigned, line and paragraph ends.
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_BYTES = range(0xDC80, 0xDD00)  # surrogates for bytes that are no UTF-8 (PEP 383)
_BYTE_OFFSET = 0xDC00


def visible(text: str) -> str:
    """Write out what a terminal would obey, hide or fail to print; so bytes not UTF-8 (PEP 383)."""
    return "".join(
        _escaped(char) if unicodedata.category(char) in _HIDDEN else char for char in text
    )


def _escaped(char: str) -> str:
    if ord(char) in _BYTES:
        return f"\\x{ord(char) - _BYTE_OFFSET:02x}"  # the byte as it stands in the file system
    return char.encode("unicode_escape").decode("ascii")
