"""A note: something the tool doubts, in a short code, a sentence and what to do."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One doubt about one scan.

    Parameters
    ----------
    code : str
        Short name, the same in tables, files and docs.
    text : str
        What raises the doubt, with its figures; made a sentence where it is not written as one.
    do : str
        What a person should do about it; the same.

    Examples
    --------
    >>> Note(code="odd", text="the rim strays", do="look at it").do
    'Look at it.'
    """

    code: str
    text: str
    do: str

    def __post_init__(self) -> None:
        for name in ("text", "do"):
            object.__setattr__(self, name, _sentence(getattr(self, name)))


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:].rstrip(".") + "."
