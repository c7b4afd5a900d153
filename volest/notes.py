"""A note: something the tool doubts, in a short code, a sentence and what to do."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One doubt about one scan: a code for tables, files and docs, a sentence, and what to do."""

    code: str
    text: str
    do: str

    def __post_init__(self) -> None:
        for name in ("text", "do"):
            object.__setattr__(self, name, _sentence(getattr(self, name)))


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:].rstrip(".") + "."
