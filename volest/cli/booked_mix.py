"""The mix that a pour is booked for, out of the JSON that `mix` or `size` wrote."""

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from volest.cli.console import say
from volest.errors import UsageError
from volest.given_files import GivenFileError, json_in, text_of
from volest.lab import HAND, VACUUM

_AMOUNTS = ("powder_g", "water_ml")


def booked_mix(
    source: Path, scan: str | None, cavity: int | None = None, *, second_pour: bool = False
) -> dict[str, str | float]:
    """Read what was mixed: `stone`, amounts, `source` (a fingerprint), `scan` and `way` if told."""
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
        made, scans = _meant(whole, source, (scan, cavity), "second_pour" if second_pour else "mix")
        names = ", ".join(Path(name).name for name in scans)
        which = f"{content}\n{scans}{' base' * second_pour}"
        return {
            "source": hashlib.sha256(which.encode()).hexdigest(),
            "stone": str(made["stone"]),
            **({"scan": names} if len(scans) > 1 or cavity else {}),
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
    whole: dict[str, Any], source: Path, wanted: tuple[str | None, int | None], key: str
) -> tuple[dict[str, Any], list[str]]:
    """Find the mix and the scans that it is for; a shared one is booked whole, and that is said."""
    if "scans" not in whole:
        made = whole if key == "mix" else whole.get("second_pour")
        if made is None:
            raise _lacks("bases", source)
        return made, []
    called = _called(whole["scans"])
    named = _named(whole["scans"], called, source, wanted, key)
    sharing = (whole.get("shared") or {}).get("mixes", ()) if key == "mix" else ()
    for shared in sharing:  # bases are not shared
        cavities = shared.get("cavities") or [1] * len(shared["scans"])
        poured = list(zip(shared["scans"], cavities, strict=True))
        if _which(named) in poured and len(poured) > 1:
            names = [called[one] for one in poured]
            say(f"booking the whole mix that {', '.join(Path(n).name for n in names)} share")
            return shared["mix"], names
    return named[key], [called[_which(named)]]


def _which(entry: dict[str, Any]) -> tuple[str, int]:
    """Say which impression an entry is of; files of earlier versions have one a scan."""
    return entry["scan"], entry.get("cavity", 1)


def _called(scans: list[dict[str, Any]]) -> dict[tuple[str, int], str]:
    """Name each impression: by its scan, and by its number where that has several."""
    several = {entry["scan"] for entry in scans if entry.get("cavity", 1) > 1}
    which = map(_which, scans)
    return {one: f"{one[0]} #{one[1]}" if one[0] in several else one[0] for one in which}


def _named(
    scans: list[dict[str, Any]],
    called: Mapping[tuple[str, int], str],
    source: Path,
    wanted: tuple[str | None, int | None],
    key: str,
) -> dict[str, Any]:
    """Find the impression that is meant: by its scan, with as much of its folder as is needed."""
    scan, cavity = wanted
    mixed = [one for one in scans if one[key] is not None]
    parts = () if scan is None else Path(scan).parts
    fitting = [one for one in mixed if Path(one["scan"]).parts[-len(parts) :] == parts]
    if scan is None:
        fitting = mixed
    if cavity is not None:
        fitting = [one for one in fitting if _which(one)[1] == cavity]
    if len(fitting) == 1:
        return fitting[0]
    which = "mixes" if key == "mix" else "bases"
    if not mixed:
        raise _lacks(which, source)
    names = ", ".join(sorted(called[_which(one)] for one in fitting or mixed))
    count = f"{len(fitting)} {which}" if fitting or scan is None else f"no {which}"
    one_scan = len({one["scan"] for one in fitting}) == 1
    raise UsageError(
        f"{count} for {scan} in {source}" if scan else f"{count} in {source}",
        needed=f"one of {names}",
        remedy="say which impression of the scan with --cavity"
        if one_scan and scan
        else "name it with --scan, and its folder where two have one name",
    )


def _lacks(which: str, source: Path) -> UsageError:
    return UsageError(
        f"no {which} in {source}",
        needed=f"JSON that has {which}",
        remedy="name another file" + ("" if which == "mixes" else ", or leave out --base-pour"),
    )
