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
        Which scan, if the file holds several: its file's name, with its folder where two have one.
    second_pour : bool
        Take the base, not the first pour.

    Returns
    -------
    dict
        ``stone``, ``volume_ml``, ``powder_g``, ``water_ml``, ``source`` (a fingerprint of file
        and scan), ``scan`` where several share the mix, and ``way`` where the file says it.

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
        made, scans = _meant(whole, source, scan, "second_pour" if second_pour else "mix")
        which = f"{content}\n{scans}{' base' * second_pour}"
        return {
            "source": hashlib.sha256(which.encode()).hexdigest(),
            "stone": str(made["stone"]),
            **({"scan": ", ".join(Path(name).name for name in scans)} if len(scans) > 1 else {}),
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


def _meant(
    whole: dict[str, Any], source: Path, scan: str | None, key: str
) -> tuple[dict[str, Any], list[str]]:
    """Find the mix and the scans that it is for; a shared one is booked whole, and that is said."""
    if "scans" not in whole:
        made = whole if key == "mix" else whole.get("second_pour")
        if made is None:
            raise _lacks("bases", source)
        return made, []
    named = _named(whole["scans"], source, scan, key)
    sharing = (whole.get("shared") or {}).get("mixes", ()) if key == "mix" else ()
    for shared in sharing:  # bases are not shared
        if named["scan"] in shared["scans"] and len(shared["scans"]) > 1:
            names = ", ".join(Path(name).name for name in shared["scans"])
            say(f"booking the whole mix that {names} share")
            return shared["mix"], list(shared["scans"])
    return named[key], [named["scan"]]


def _named(scans: list[dict[str, Any]], source: Path, scan: str | None, key: str) -> dict[str, Any]:
    """Find the scan that is meant: by its name, with as much of its folder as tells it apart."""
    mixed = [one for one in scans if one[key] is not None]
    wanted = () if scan is None else Path(scan).parts
    fitting = [one for one in mixed if Path(one["scan"]).parts[-len(wanted) :] == wanted]
    if scan is None:
        fitting = mixed
    if len(fitting) == 1:
        return fitting[0]
    which = "mixes" if key == "mix" else "bases"
    if not mixed:
        raise _lacks(which, source)
    names = ", ".join(sorted(one["scan"] for one in fitting or mixed))
    count = f"{len(fitting)} {which}" if fitting or scan is None else f"no {which}"
    raise UsageError(
        f"{count} for {scan} in {source}" if scan else f"{count} in {source}",
        needed=f"one of {names}",
        remedy="name it with --scan, and its folder where two have one name",
    )


def _lacks(which: str, source: Path) -> UsageError:
    return UsageError(
        f"no {which} in {source}",
        needed=f"JSON that has {which}",
        remedy="name another file" + ("" if which == "mixes" else ", or leave out --base-pour"),
    )
