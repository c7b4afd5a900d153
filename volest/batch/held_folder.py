"""A folder of this computer that one run holds for itself, and the corner in it that is kept."""

import fcntl
import os
from pathlib import Path
from typing import IO

from volest.errors import UsageError

KEPT = ".volest"  # what is in it outlives a run and is for no reader


class HeldFolder:
    """An output folder that no other run may have until it is closed."""

    def __init__(self, folder: Path) -> None:
        self.kept = folder / KEPT
        self.cards = self.kept / "cards"
        try:
            self.cards.mkdir(parents=True, exist_ok=True)
            self._lock = _locked(self.kept / "lock")
            for part in folder.glob(".volest-*.part"):  # of a run that was killed
                part.unlink(missing_ok=True)
        except BlockingIOError as fault:
            raise UsageError(
                f"{os.fspath(folder)!r} in use by another run of volest",
                needed="a folder for each run",
                remedy="wait for the other run, or name another --out",
            ) from fault
        except (OSError, ValueError) as fault:
            raise unwritable(os.fspath(folder), fault) from fault

    def close(self) -> None:
        """Let other runs have it."""
        self._lock.close()


def _locked(file: Path) -> IO[bytes]:
    """Hold a file for this run alone: the system lets go of it however the run ends."""
    lock = file.open("ab")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise
    return lock


def unwritable(name: str, fault: Exception) -> UsageError:
    """Make the error that tells of an output folder that does not take what it should hold."""
    why = getattr(fault, "strerror", None) or str(fault)
    return UsageError(
        f"{name!r} that cannot be written ({why})",
        needed="a folder that may be written, with room on its disk",
        remedy="name another --out",
    )
