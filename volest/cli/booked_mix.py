"""The mix that a pour is booked for, out of the JSON that `mix` or `size` wrote."""

import hashlib
from pathlib import Path
from typing import Any

from volest.cli.talk import say
from volest.errors import UsageError
from volest.given_files import GivenFileError, json_in, text_of
from volest.lab import HAND, VACUUM

_AMOUNTS = ("powder_g", "water_ml")


def booked_mix(source: Path, scan: str | None) -> dict[str, str | float]:
    """Read what was mixed.

    Parameters
    ----------
    source : Path
        The file.
    scan : str or None
        Which scan, if the file holds several: its file's name without the folder.

    Returns
    -------
    dict
        ``stone``, ``volume_ml``, ``powder_g``, ``water_ml``, ``source`` (a fingerprint of file
        and scan), and ``way`` where the file says it.

    Raises
    ------
    UsageError
        If it cannot be read, or does not hold one mix.
    """
    try:
        content = text_of(source)
        whole = json_in(content)
    except GivenFileError as fault:
        raise UsageError(
            f"{source}: {fault}",
            needed="JSON of 'volest mix' or 'volest size'",
            remedy="look at the name and the folder",
        ) from fault
    try:
        made = _only_mix(whole["scans"], source, scan) if "scans" in whole else whole
        sharers = _sharers(whole, scan)
        made = sharers.get("mix", made)
        which = f"{content}\n{sharers.get('names', scan)}"
        return {
            "source": hashlib.sha256(which.encode()).hexdigest(),
            "stone": str(made["stone"]),
            "volume_ml": float(made["mix_ml"]) - float(made["waste_ml"]),
            **{name: float(made[name]) for name in _AMOUNTS},
            **_way(made, whole),
        }
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as fault:
        raise UsageError(
            f"{source} without a mix",
            needed="JSON as 'volest mix' or 'volest size' wrote it",
            remedy="give that file, or the amounts: --volume, --powder, --water",
        ) from fault


def _way(made: dict[str, Any], whole: dict[str, Any]) -> dict[str, str]:
    way = made.get("way") or whole.get("settings", {}).get("way")
    if way not in (None, HAND, VACUUM):
        raise ValueError(way)
    return {} if way is None else {"way": way}


def _sharers(whole: dict[str, Any], scan: str | None) -> dict[str, Any]:
    """Find the mix that a scan shares with others, so that all of it is booked; say so."""
    for shared in (whole.get("shared") or {}).get("mixes", ()):
        names = [Path(name).name for name in shared["scans"]]
        if scan in names and len(names) > 1:
            say(f"booking the whole mix that {', '.join(names)} share")
            return {"mix": shared["mix"], "names": names}
    return {}


def _only_mix(scans: list[dict[str, Any]], source: Path, scan: str | None) -> dict[str, Any]:
    mixed = {Path(one["scan"]).name: one["mix"] for one in scans if one["mix"] is not None}
    if scan is None and len(mixed) == 1:
        (only,) = mixed.values()
        return dict(only)
    if scan in mixed:
        return dict(mixed[scan])
    names = ", ".join(sorted(mixed)) or "none"
    raise UsageError(
        f"no mix for {scan} in {source}" if scan else f"{len(mixed)} mixes in {source}",
        needed=f"one of the scans with a mix: {names}",
        remedy="name it with --scan, without its folder",
    )
