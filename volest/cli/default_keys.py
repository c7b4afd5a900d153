"""What a file of defaults may say: its keys, and the options that each of them fills."""

from dataclasses import dataclass
from types import MappingProxyType

from volest.lab import HAND, VACUUM
from volest.settings import MM_PER_UNIT, WAYS_OF_DEALING

_MEASURING = ("size", "watch", "trim", "view", "picture", "curve")
_OF_SCANS = ("size", "watch", "view", "picture")
_MIXING = (*_OF_SCANS, "mix")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Key:
    """One key of the file."""

    parameter: str
    commands: tuple[str, ...]
    kind: type
    says: str
    example: str
    variable: str | None = None
    choices: tuple[str, ...] = ()

    @property
    def is_path(self) -> bool:
        """Whether the value is a file, looked for beside the file of defaults."""
        return self.parameter.endswith("_file")


KEYS = MappingProxyType(
    {
        "lab": Key(
            parameter="lab_file",
            commands=(*_MIXING, "log", "stones"),
            kind=str,
            says="the lab file: stones, bowls, bench, waste",
            example='lab = "lab.toml"',
            variable="VOLEST_LAB",
        ),
        "journal": Key(
            parameter="journal_file",
            commands=(*_MIXING, "log"),
            kind=str,
            says="the journal, from which waste is learned",
            example='journal = "lab.db"',
            variable="VOLEST_JOURNAL",
        ),
        "stone": Key(
            parameter="stone",
            commands=(*_MIXING, "log"),
            kind=str,
            says="stone of the first pour",
            example='stone = "type-4"',
        ),
        "stone_for": Key(
            parameter="stones_for",
            commands=_OF_SCANS,
            kind=list,
            says="other stones for some scans, by their names",
            example="stone_for = ['*-bite*=type-3']",
        ),
        "by": Key(
            parameter="by",
            commands=_MIXING,
            kind=str,
            says="powder by gram or by scoop",
            example='by = "gram"',
            choices=WAYS_OF_DEALING,
        ),
        "way": Key(
            parameter="way",
            commands=(*_MIXING, "log"),
            kind=str,
            says="mixed by hand or under vacuum",
            example='way = "vacuum"',
            choices=(HAND, VACUUM),
        ),
        "base": Key(
            parameter="base",
            commands=_MEASURING,
            kind=str,
            says="base line; a saved one goes before it",
            example='base = "rim=-1.5"',
        ),
        "unit": Key(
            parameter="unit",
            commands=_MEASURING,
            kind=str,
            says="unit of the files",
            example='unit = "mm"',
            choices=tuple(MM_PER_UNIT),
        ),
        "pitch": Key(
            parameter="pitch",
            commands=_MEASURING,
            kind=float,
            says="width of a column, in mm",
            example="pitch = 0.4",
        ),
    }
)
