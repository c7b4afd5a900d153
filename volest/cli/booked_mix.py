"""The mix that a pour is booked for, out of the JSON that `mix` or `size` wrote."""

import hashlib
from pathlib import Path
from typing import Any

from volest.cli.talk import say
from volest.errors import UsageError
from volest.given_files import GivenFileError, json_in, text_of
from volest.lab import HAND, VACUUM

_AMOUNTS = ("powder_g", "water_ml")


def booked_mix(
    source: Path, scan: str | None, *, second_pour: bool = False
) -> dict[str, str | float]:
    """Read what was mixed.

    Parameters
    ----------
    source : Path
        The file.
    scan : str or None
        Which scan, if the file holds several: its file's name without the folder.
    second_pour : bool
        Take the base, not the first pour.

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
        key = "second_pour" if second_pour else "mix"
        made = _only_mix(whole["scans"], source, scan, key) if "scans" in whole else whole
        if second_pour and "scans" not in whole:
            made = whole["second_pour"]
        sharers = {} if second_pour else _sharers(whole, scan)  # bases are not shared
        made = sharers.get("mix", made)
        which = f"{content}\n{sharers.get('names', scan)}{' base' if second_pour else ''}"
        way = made.get("way") or whole.get("settings", {}).get("way")
        known = {None: None, HAND: HAND, VACUUM: VACUUM}[way]  # another one is a KeyError
        return {
            "source": hashlib.sha256(which.encode()).hexdigest(),
            "stone": str(made["stone"]),
            "volume_ml": float(made["mix_ml"]) - float(made["waste_ml"]),
            **{name: float(made[name]) for name in _AMOUNTS},
            **({} if known is None else {"way": known}),
        }
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as fault:
        raise UsageError(
            f"{source} without a mix",
            needed="JSON as 'volest mix' or 'volest size' wrote it",
            remedy="give that file, or the amounts: --volume, --powder, --water",
        ) from fault


def _sharers(whole: dict[str, Any], scan: str | None) -> dict[str, Any]:
    """Find the mix that a scan shares with others, so that all of it is booked; say so."""
    for shared in (whole.get("shared") or {}).get("mixes", ()):
        names = [Path(name).name for name in shared["scans"]]
        if scan in names and len(names) > 1:
            say(f"booking the whole mix that {', '.join(names)} share")
            return {"mix": shared["mix"], "names": names}
    return {}


def _only_mix(
    scans: list[dict[str, Any]], source: Path, scan: str | None, key: str
) -> dict[str, Any]:
    mixed = {Path(one["scan"]).name: one[key] for one in scans if one[key] is not None}
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
