"""What can go wrong, each fault with what was found, what is needed and how to mend it."""

from typing import Any

EXIT_MEASURED = 0
EXIT_REFUSED = 1
EXIT_USAGE = 2
EXIT_NOTHING = 3
EXIT_FAULT = 4


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
        return _rebuild, (type(self), self.found, self.needed, self.remedy, self.code)


def _rebuild(
    kind: type[VolestError], found: str, needed: str, remedy: str, code: str
) -> VolestError:
    return kind(found, needed=needed, remedy=remedy, code=code)


class ScanError(VolestError):
    """A scan that is refused: it cannot be read, or has no cavity that can be measured."""

    exit_code = EXIT_REFUSED
    code = "refused"


class MixError(VolestError):
    """A mix that cannot be made as asked."""

    exit_code = EXIT_USAGE
    code = "mix"


class UsageError(VolestError):
    """A command or setting that does not mean anything."""

    exit_code = EXIT_USAGE
    code = "usage"


class LabError(VolestError):
    """A lab file that says something it cannot mean; all its faults are listed."""

    exit_code = EXIT_USAGE
    code = "lab"


class NothingError(VolestError):
    """No scan where scans were looked for."""

    exit_code = EXIT_NOTHING
    code = "nothing"
