"""Many scans without an output folder: sized side by side, given back in their order."""

import logging
from collections.abc import Callable, Sequence

from volest.batch.dealing import carried_out
from volest.batch.engine import engine_for
from volest.batch.find import Place
from volest.batch.limits import Limits, check_limits
from volest.batch.run import SizeScan, check_settings
from volest.result import Result, one_by_one
from volest.settings import Settings

_LOG = logging.getLogger(__name__)


def run_many(
    places: Sequence[Place],
    settings: Settings,
    *,
    limits: Limits | None = None,
    cluster: str | None = None,
    on_result: Callable[[Result], None] | None = None,
    size_scan: SizeScan | None = None,
    here: bool = False,
) -> list[Result]:
    """Size scans side by side; `run` is the same one after the other, and what it is checked with.

    `on_result` is called in whatever order they end; the list has the order of the places, an
    impression each. Another process must find `size_scan` by its name. With `here` all is done in
    this process, without limits.
    """
    check_settings(settings)
    limits = limits or Limits()
    check_limits(limits)
    results: dict[int, Result] = {}
    try:
        with engine_for(len(places), limits, cluster=cluster, here=here) as engine:
            for index, done in carried_out(places, settings, engine, size_scan=size_scan):
                results[index] = done.result
                if on_result is not None:
                    on_result(done.result)
    except KeyboardInterrupt:
        _LOG.warning("interrupted after %d of %d scans", len(results), len(places))
    return list(one_by_one(results[index] for index in sorted(results)))
