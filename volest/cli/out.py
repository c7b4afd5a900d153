"""`volest size --out DIR`: a run that leaves a folder, and that a next run takes up again."""

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from volest.cli.console import can_draw, progress, say, stoppable
from volest.cli.run_options import RunChoice
from volest.cli.share_options import ShareChoice, plan_for
from volest.settings import Settings

if TYPE_CHECKING:  # these read numpy and scipy, which no --help should wait for
    from volest.batch.places import Place
    from volest.batch.run import SizeScan
    from volest.result import Result
    from volest.stone.plan import Plan
    from volest.view.day_folder import DayFolder

MOST_ROWS = 200  # a longer table is not read but searched: results.csv does that better
Show = Callable[["Sequence[Result]", "Plan | None"], None]


class Count:
    """Counts outcomes while a run goes on, so that no result has to stay in memory for it."""

    def __init__(self) -> None:
        self.outcomes: Counter[str] = Counter()
        self.scans = self.faults = 0

    def __call__(self, result: "Result") -> None:
        """Count one scan."""
        from volest.batch.run import FAULT
        from volest.result import one_by_one

        self.scans += 1
        self.outcomes.update(one.outcome for one in one_by_one([result]))
        self.faults += result.code == FAULT

    @property
    def exit_code(self) -> int:
        """The worst scan decides."""
        from volest.batch.run import worst_of
        from volest.result import REFUSED

        return worst_of(self.outcomes[REFUSED], self.faults)


def size_into(
    scans: "Sequence[Place]",
    settings: Settings,
    running: RunChoice,
    sharing: ShareChoice,
    show: Show,
    *,
    told: Sequence[str],
    twins: Sequence[Sequence[Path]],
    bar: bool,
    quiet: bool,
    size_scan: "SizeScan | None",
) -> int:
    """Size scans into a folder."""
    from volest.view.day_folder import day_folder

    assert running.out is not None  # noqa: S101  # the caller's own condition
    sheet = running.wants_sheet
    count = Count()
    with (
        stoppable(),
        day_folder(
            running.out, settings, sheet=sheet, pictures=sheet and can_draw(quiet=quiet)
        ) as day,
    ):
        day.out.twins = twins
        stopped = _worked(day, scans, running, count, bar=bar, quiet=quiet, size_scan=size_scan)
        few = len(scans) <= MOST_ROWS
        brief = day.brief(scans) if few or sharing.share else []
        plan = plan_for(brief, settings, sharing)
        try:
            written = day.write(scans, plan, told)
        finally:  # a disk that turns out full must not cost the work: the figures are still shown
            _tell(brief if few else None, plan, count, show)
        if not quiet:
            _tell_written(written, day.out.reused)
    if stopped:
        say(f"{count.scans} of {len(scans)} scans were done")
        raise click.Abort
    return count.exit_code


def _worked(
    day: "DayFolder",
    scans: "Sequence[Place]",
    running: RunChoice,
    count: Count,
    *,
    bar: bool,
    quiet: bool,
    size_scan: "SizeScan | None",
) -> bool:
    """Size the scans, and say whether that was stopped from the keyboard."""
    from volest.batch.engine import engine_for

    limits, here = running.limits(), size_scan is not None
    try:
        with (
            progress(len(scans), shown=bar, lines=not quiet) as advance,
            engine_for(len(scans), limits, cluster=running.cluster, here=here) as engine,
        ):

            def on_result(result: "Result") -> None:
                count(result)
                advance(result)

            day.size(scans, engine, size_scan=size_scan, on_result=on_result)
    except KeyboardInterrupt:
        return True
    return False


def _tell(brief: "Sequence[Result] | None", plan: "Plan | None", count: Count, show: Show) -> None:
    from volest.sheet.remarks import tally_of

    if brief is not None:
        show(brief, plan)
    else:
        click.echo(tally_of(count.outcomes, count.scans))


def _tell_written(written: Sequence[str], reused: int) -> None:
    if reused:
        say(f"{reused} unchanged since an earlier run")
    for name in written:
        say(f"wrote {name}")
