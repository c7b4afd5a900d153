"""What a result hangs on, as one short text: the same text, the same result."""

import hashlib
import json
from dataclasses import asdict

from volest.batch.find import Content
from volest.batch.workers import maker_mark
from volest.settings import Settings


def run_mark(settings: Settings) -> str:
    """Give the part of a key that is the same for all scans of a run, as 64 hexadecimal digits."""
    record = json.dumps(asdict(settings), sort_keys=True)
    return hashlib.sha256(f"{maker_mark()}\n{record}".encode()).hexdigest()


def key_of(content: Content, mark_of_run: str) -> str:
    """Give the key under which a finished scan is kept, as 64 hexadecimal digits."""
    parts = json.dumps([mark_of_run, content.name, content.mark, content.decision])
    return hashlib.sha256(parts.encode()).hexdigest()
