"""The one way to write a small file: whole or not at all, and safe from then on."""

import os
import secrets
import stat
from pathlib import Path


def write_whole(path: Path, data: bytes) -> None:
    """Put a file in the place of what stands there: a fresh name, synced, renamed, synced."""
    part = path.with_name(f".volest-{secrets.token_hex(8)}.part")  # beside it: one file system
    try:
        with part.open("xb") as stream:
            if path.exists():
                part.chmod(stat.S_IMODE(path.stat().st_mode))
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)  # else a power cut may bring the old name back
    finally:
        os.close(folder)
