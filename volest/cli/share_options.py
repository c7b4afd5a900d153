"""Options of `size` for shared mixes, and the plan that follows from them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from volest.cli.number import Number
from volest.cli.options import bundled
from volest.cli.patterns import check_fits, holds_for, split
from volest.errors import UsageError
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.places import Place
    from volest.result import Result
    from volest.stone.plan import Plan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShareChoice:
    """What was asked for on the command line."""

    share: bool
    at_most: int | None
    materials: tuple[str, ...]
    ages: tuple[str, ...]


_OPTIONS = (
    click.option("--share", is_flag=True, help="Plan mixes for several impressions."),
    click.option(
        "--at-most",
        type=Number(least=1, most=4, whole=True),
        metavar="N",
        help="Impressions in one mix, 1 to 4; else the lab's limit, or 3.",
    ),
    click.option(
        "--material",
        "materials",
        multiple=True,
        metavar="[PATTERN=]NAME",
        help="Impression material, for example b04*=alginate; its window is kept to.",
    ),
    click.option(
        "--age",
        "ages",
        multiple=True,
        metavar="[PATTERN=]MIN",
        help="Minutes since the impression was taken; else 0.",
    ),
)
share_options = bundled(_OPTIONS, ShareChoice, "sharing")


def check_sharing(choice: ShareChoice, scans: "Sequence[Place]") -> None:
    """Refuse materials and ages that mean nothing, before any scan is read."""
    if not choice.share and (choice.materials or choice.ages or choice.at_most):
        raise UsageError(
            "--material, --age or --at-most without --share",
            needed="--share",
            remedy="add --share (with --at-most 1 for a mix each), or leave them out",
        )
    from volest.stone.windows import pour_window  # keeps --help quick

    for text in choice.materials:
        pour_window(split(text)[1])
    for text in choice.ages:
        _minutes(split(text)[1])
    check_fits("--material", choice.materials, scans)
    check_fits("--age", choice.ages, scans)


def plan_for(results: "Sequence[Result]", settings: Settings, choice: ShareChoice) -> "Plan | None":
    """Plan shared mixes for what was measured."""
    if not choice.share:
        return None
    from volest.stone.plan import Impression  # keeps --help quick
    from volest.stone.shared import plan_mixes  # keeps --help quick
    from volest.stone.windows import pour_window  # keeps --help quick

    waiting = []
    for result in results:
        if result.volume_ml is None:
            continue
        material = _last_that_fits(choice.materials, result.scan)
        age = _last_that_fits(choice.ages, result.scan)
        waiting.append(
            Impression(
                name=result.name,
                scan=result.scan,
                cavity=result.cavity,
                volume_ml=result.volume_ml + result.reserve_ml,
                window=None if material is None else pour_window(material),
                age_min=0.0 if age is None else _minutes(age),
            )
        )
    return plan_mixes(waiting, settings, at_most=choice.at_most)


def _last_that_fits(texts: Sequence[str], scan: str) -> str | None:
    fitting = [(pattern, word) for pattern, word in map(split, texts) if holds_for(pattern, scan)]
    # A pattern is meant for its scans, whatever is said of all the others before or after it.
    fitting.sort(key=lambda parts: bool(parts[0]))
    return fitting[-1][1] if fitting else None


def _minutes(text: str) -> float:
    try:
        minutes = float(text)
    except ValueError:
        minutes = -1.0
    if not 0.0 <= minutes < 1e6:  # noqa: PLR2004  # two years: no impression waits so long
        raise UsageError(
            f"age {text!r}",
            needed="minutes, 0 or more",
            remedy="write for example --age 10 or --age b04*=10",
        )
    return minutes
