"""One number of the trade, or a range: with its unit, its source and how sure it is."""

from dataclasses import dataclass
from typing import Any, Literal

Mark = Literal["read", "from memory", "common practice, no source", "derived", "the lab's own"]

PRACTICE: Mark = "common practice, no source"
OWN: Mark = "the lab's own"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure:
    """One number of the trade."""

    value: float
    unit: str
    source: str
    mark: Mark

    def __str__(self) -> str:
        return f"{self.value:g}"

    def as_record(self) -> dict[str, Any]:
        """Return the figure as plain values for JSON; 'low' and 'high' are null."""
        rest = {"unit": self.unit, "source": self.source, "mark": self.mark}
        return {"value": self.value, "low": None, "high": None, **rest}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """A range of the trade, both ends included."""

    low: float
    high: float
    unit: str
    source: str
    mark: Mark

    def __str__(self) -> str:
        return f"{self.low:g} to {self.high:g}"

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    def as_record(self) -> dict[str, Any]:
        """Return the range as plain values for JSON; 'value' is null."""
        rest = {"unit": self.unit, "source": self.source, "mark": self.mark}
        return {"value": None, "low": self.low, "high": self.high, **rest}
