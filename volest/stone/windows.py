"""When an impression may be poured, by its material: a prompt, and the maker's word goes first."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from volest.errors import UsageError
from volest.stone.figure import Figure, Mark

_HOUR, _DAY = 60.0, 24 * 60.0
_LAST_IN_HOURS = 5 * _DAY  # 100 h are no number of days


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """From when until when an impression can be poured: minutes after it left the mouth."""

    material: str
    earliest: Figure
    latest: Figure

    def __str__(self) -> str:
        start = f"{in_words(self.earliest.value)} to " if self.earliest.value else "within "
        return f"{start}{in_words(self.latest.value)}"


def _at(value: float, source: str, mark: Mark = "read") -> Figure:
    return Figure(value=value, unit="min", source=source, mark=mark)


_NOW = _at(0.0, "no wait is asked for")

# Sources disagree; the cautious end is taken.
WINDOWS: Mapping[str, Window] = MappingProxyType(
    {
        window.material: window
        for window in (
            Window(
                material="alginate",
                earliest=_NOW,
                latest=_at(15.0, "course page on casts: 15 min; a study: 10 min, 30 wrapped damp"),
            ),
            Window(
                material="alginate-extended",
                earliest=_NOW,
                latest=_at(100 * _HOUR, "two studies of extended-pour alginates: 100 to 120 h"),
            ),
            Window(
                material="agar",
                earliest=_NOW,
                latest=_at(15.0, "studies of reversible hydrocolloid: 15 min, 30 min"),
            ),
            Window(
                material="condensation-silicone",
                earliest=_NOW,
                latest=_at(30.0, "a study of 2020: shrinkage already significant at 30 min"),
            ),
            Window(
                material="polysulfide",
                earliest=_NOW,
                latest=_at(_HOUR, "textbooks of dental materials", "from memory"),
            ),
            Window(
                material="polyether",
                earliest=_at(30.0, "textbooks of dental materials", "from memory"),
                latest=_at(_DAY, "a study of storage: sound at 24 h"),
            ),
            Window(
                material="addition-silicone",
                earliest=_at(_HOUR, "a study of 1988: older ones release hydrogen, newer at once"),
                latest=_at(7 * _DAY, "a study of storage: sound at 7 days"),
            ),
            Window(
                material="vinyl-polyether-silicone",
                earliest=_NOW,
                latest=_at(14 * _DAY, "a study of 2017: change below 0.5 % at 14 days"),
            ),
        )
    }
)


def pour_window(material: str) -> Window:
    """Find the window of a material by its name in any spelling; the known ones are named."""
    found = WINDOWS.get("-".join(material.casefold().replace("-", " ").split()))
    if found is None:
        raise UsageError(
            f"material {material!r}",
            needed="one of " + ", ".join(WINDOWS),
            remedy="write for example --material alginate",
        )
    return found


def in_words(minutes: float) -> str:
    """Write a time in minutes up to two hours, in hours up to five days, then in days."""
    for unit, length, most in (("min", 1.0, 2 * _HOUR), ("h", _HOUR, _LAST_IN_HOURS)):
        if minutes <= most:
            return f"{whole(minutes / length)} {unit}"
    return f"{whole(minutes / _DAY)} days"


def whole(time: float) -> int:
    """Round a time, halves always up: what is a minute apart stays so.

    >>> whole(15.5), whole(16.5)
    (16, 17)
    """
    return math.floor(time + 0.5)
