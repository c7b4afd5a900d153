"""A number on the command line: what it may be, and what is said of a slip."""

import re
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:  # only newer releases of click know what a type gives, and only to a checker
    _Type = click.ParamType[float]
else:
    _Type = click.ParamType

_WITH_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(?:[a-zA-Z]+|%)")
_UNITS = {
    "MM": "mm",
    "ML": "mL",
    "VOLUME": "mL",
    "G": "g",
    "PERCENT": "per cent",
    "MM2": "mm2",
    "S": "s",
    "MB": "MB",
}
_WITH_COMMA = re.compile(r"([+-]?\d+),(\d+)")


class Number(_Type):
    """A number between ends; where a whole one is wanted, it has no point."""

    name = "number"

    def __init__(
        self,
        *,
        least: float | None = None,
        above: float | None = None,
        most: float | None = None,
        whole: bool = False,
    ) -> None:
        self._least = least
        self._above = above
        self._most = most
        self._whole = whole

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read what was written."""
        text = str(value)
        try:
            number = int(text) if self._whole else float(text)
        except ValueError:
            kind = "whole number" if self._whole else "number"
            self.fail(
                f"{text!r} is not a {kind}.{_with_point(text) or _alone(text, param)}", param, ctx
            )
        fault = self._fault(number)
        if fault is not None:
            self.fail(f"{number} {fault}.", param, ctx)
        return number

    def _fault(self, number: float) -> str | None:
        if self._above is not None and number <= self._above:
            return f"is not above {self._above:g}"
        low, high = self._least, self._most
        below = low is not None and number < low
        if low is not None and high is not None:
            return f"is not in {low:g} to {high:g}" if below or number > high else None
        return f"is below {low:g}" if below else None


def _with_point(text: str) -> str:
    comma = _WITH_COMMA.fullmatch(text.strip())
    return f" Write it with a point: {comma[1]}.{comma[2]}." if comma else ""


def _alone(text: str, param: click.Parameter | None) -> str:
    """Say how a number with a unit behind it is written."""
    unit = _UNITS.get(str(getattr(param, "metavar", None)))
    if not _WITH_UNIT.fullmatch(text.strip()) or unit is None:
        return ""
    return f" Write the number alone, in {unit}."
