"""Options of `size` and `watch`: where a run writes, what it may take, and who does it."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from volest.cli.number import Number
from volest.cli.options import Command, bundled
from volest.errors import UsageError

if TYPE_CHECKING:
    from volest.batch.limits import Limits
    from volest.batch.places import Place


def place(text: str) -> "Place":
    """Read a path, or an address with ``://`` in it."""
    from volest.batch.places import place_of  # keeps --help quick

    return place_of(text)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunChoice:
    """What was asked for on the command line."""

    out: "Place | None"
    no_sheet: bool
    workers: int | None
    memory: int | None
    seconds_each: float | None
    cluster: str | None

    def limits(self) -> "Limits":
        """Give what a run may take on this computer."""
        from volest.batch.limits import SECONDS_EACH, Limits, check_limits  # keeps --help quick

        seconds = SECONDS_EACH if self.seconds_each is None else self.seconds_each
        limits = Limits(workers=self.workers, memory_mb=self.memory, seconds_each=seconds)
        check_limits(limits)
        return limits

    @property
    def wants_sheet(self) -> bool:
        """Whether a sheet is written: its cards are made on this computer and kept there."""
        return isinstance(self.out, Path) and not self.no_sheet and self.cluster is None

    def check(self) -> None:
        """Refuse options that do not go together."""
        here = (self.workers, self.memory, self.seconds_each)
        if self.cluster is not None and any(limit is not None for limit in here):
            raise UsageError(
                "--workers, --memory or --seconds-each with --cluster",
                needed="limits of this computer only where it does the work",
                remedy="give the workers of the cluster their limits where they are started",
            )
        if self.no_sheet and self.out is None:
            raise UsageError("--no-sheet without --out", needed="--out DIR", remedy="leave it out")
        self.limits()


_OUT_HELP = "Write results.json, results.csv and sheet.html there; what is finished stays finished"
_OUT_ALONE = "; instead of --json, --csv and --sheet."
_OPTIONS = (
    click.option(
        "--no-sheet",
        is_flag=True,
        help="With --out: leave out the pour sheet; so it is with --cluster or an address.",
    ),
    click.option(
        "--workers",
        type=Number(whole=True),
        metavar="N",
        help="Scans sized at a time; else one a processor.",
    ),
    click.option(
        "--memory",
        type=Number(whole=True),
        metavar="MB",
        help="Memory of each worker; else four fifths of the computer's, shared.",
    ),
    click.option(
        "--seconds-each",
        type=Number(),
        metavar="S",
        help="Time for one scan, 300 if not given; a longer one is ended and told as a fault.",
    ),
    click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Size the scans on the workers of this Dask scheduler (extra 'cluster').",
    ),
)


def run_options(*, out_needed: bool) -> Callable[[Command], Command]:
    """Give a command these options, handed over together as `running`."""
    told = _OUT_HELP + ("." if out_needed else _OUT_ALONE)
    out = click.option("--out", metavar="DIR", type=place, required=out_needed, help=told)
    return bundled((out, *_OPTIONS), RunChoice, "running")
