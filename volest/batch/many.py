"""Many scans without an output folder: sized side by side, given back in their order."""

import logging
from collections.abc import Callable, Sequence

from volest.batch.dealing import carried_out
from volest.batch.engine import engine_for
from volest.batch.limits import Limits, check_limits
from volest.batch.places import Place
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
    """Size scans side by side; `volest.batch.run.run` is the same one after the other.

    Parameters
    ----------
    places : sequence of Path or Remote
        The scans.
    settings : Settings
        What holds for all of them.
    limits : Limits, optional
        Workers, memory and time.
    cluster : str, optional
        Address of a scheduler, to size them elsewhere.
    on_result : callable, optional
        Called with each scan's result as soon as it is there, in whatever order they end.
    size_scan : callable, optional
        What turns one path into one result; `volest.pipeline.size_scan` by default. Another
        process must find it by its name.
    here : bool
        Whether all must be done in this process, without limits.

    Returns
    -------
    list of Result
        One an impression, in the order of the places whatever the number of workers; not all of
        them if the run was interrupted from the keyboard.

    Raises
    ------
    VolestError
        If settings or limits mean nothing, before any scan is read.
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
