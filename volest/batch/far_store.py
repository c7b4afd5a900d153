"""Finished scans behind an address: one object a scan, put whole or not at all."""

from typing import Any

from volest.batch.find import Content, Remote, file_system
from volest.batch.store import as_bytes, from_bytes
from volest.errors import UsageError
from volest.result import Result


class FarStore:
    """A store of one object a scan behind an address, each put whole or not at all."""

    def __init__(self, place: Remote) -> None:
        self._fs, self._folder = file_system(place)
        self._fs.makedirs(self._folder, exist_ok=True)

    def may_know(self, name: str, size: int) -> bool:
        """Say that it may: asking costs as much as looking."""
        del name, size
        return True

    def get(self, key: str) -> Result | None:
        """Give a finished scan."""
        try:
            record: Any = self._fs.cat_file(self._path(key))
        except OSError:
            return None
        return from_bytes(record)

    def put(self, key: str, content: Content, result: Result) -> bool:
        """Keep a finished scan."""
        del content
        record = as_bytes(result)
        if record is None:
            return False
        write_far(self._fs, self._path(key), record)
        return True

    def close(self) -> None:
        """Nothing is open."""

    def _path(self, key: str) -> str:
        return f"{self._folder}/{key[:2]}/{key}.json"


def write_far(fs: Any, path: str, data: bytes) -> None:
    """Put an object whole: under another name first where the store is a plain file system."""
    try:
        fs.makedirs(path.rpartition("/")[0], exist_ok=True)
        with fs.transaction:  # fsspec: files appear at their place when it ends, or not at all
            fs.pipe_file(path, data)
    except OSError as fault:
        raise UsageError(
            f"{path} that cannot be written ({fault})",
            needed="a store that may be written",
            remedy="check the address and the rights, or name another --out",
        ) from fault
