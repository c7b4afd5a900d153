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
        One sentence with the figures that raise the doubt.
    do : str
        What a person should do about it.
    """

    code: str
    text: str
    do: str
