"""The command `log`: books a leftover, and says what the pours so far teach."""

import csv
import hashlib
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from volest.cli.command import Command, is_from_file, lab_from
from volest.cli.console import STREAM, deliver, say
from volest.cli.options import Number, file_option, journal_option, lab_option
from volest.errors import UsageError
from volest.given_files import GivenFileError, json_in, text_of
from volest.lab import HAND, VACUUM, Lab
from volest.settings import Settings

if TYPE_CHECKING:
    from volest.journal import Entry, Journal

_DEFAULTS = Settings()
_AMOUNTS = ("volume_ml", "powder_g", "water_ml")
_HELP = """Book what was left after a pour, and say what all pours teach.

Weigh what could still have been poured, not what sticks to bowl and spatula: --left. If the mix
did not reach, weigh what the impression still took of a second mix: --short. Both in g. Without
either, nothing is booked and the journal is shown. A slip is struck out by its number: it stays in
the journal, and nothing is learned from it.

\b
Examples:
  volest log --journal lab.db --from mix.json --left 9
  volest log --journal lab.db --volume 50 --powder 103 --water 20.6 --left 9
  volest log --journal lab.db --from day.json --scan b0417.stl --short 12 --lot 7731
  volest log --journal lab.db --strike 5
  volest log --journal lab.db --backup lab-may.db --csv pours.csv
  volest log --journal lab.db
"""


@click.command("log", cls=Command, help=_HELP)
@journal_option(
    "The journal; made if it is not there. Needed unless VOLEST_JOURNAL or the lab's file "
    "(`volest lab`) names it."
)
@lab_option
@click.option(
    "--left", "left_g", type=Number(least=0), metavar="G", help="Left over, in g; 0 if nothing."
)
@click.option(
    "--short",
    "short_g",
    type=Number(above=0),
    metavar="G",
    help="What it still took of a second mix, in g.",
)
@file_option("--from", "source", "JSON of mix or size.")
@click.option("--scan", metavar="NAME", help="Which scan, if the file holds several.")
@click.option(
    "--cavity",
    type=Number(least=1, whole=True),
    metavar="N",
    help="With --from: which impression, if the scan has several.",
)
@click.option("--base-pour", "second_pour", is_flag=True, help="With --from: book its base.")
@click.option(
    "--volume", "volume_ml", type=Number(), metavar="ML", help="Cavity in mL, with its knobs."
)
@click.option("--powder", "powder_g", type=Number(), metavar="G", help="Powder that was mixed.")
@click.option("--water", "water_ml", type=Number(), metavar="ML", help="Water that was mixed.")
@click.option(
    "--stone", metavar="NAME", help=f"Stone; else that of the file, or {_DEFAULTS.stone}."
)
@click.option(
    "--way",
    type=click.Choice([HAND, VACUUM]),
    help=f"How it was mixed; else as the file says, or {_DEFAULTS.way}.",
)
@click.option(
    "--strike", type=Number(whole=True), metavar="NUMBER", help="Strike that pour out as a slip."
)
@click.option("--lot", metavar="TEXT", help="Lot of the powder, for tracing.")
@click.option("--mark", metavar="TEXT", help="Mark of whoever poured, for tracing.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write all pours as CSV; - for the output.")
@file_option("--backup", "backup_file", "Copy the journal, also while others book.")
def log_command(
    *,
    journal_file: Path | None,
    lab_file: Path | None,
    left_g: float | None,
    short_g: float | None,
    source: Path | None,
    scan: str | None,
    cavity: int | None,
    second_pour: bool,
    csv_file: str | None,
    strike: int | None,
    backup_file: Path | None,
    **words: str | float | None,
) -> None:
    """Book a pour and show the journal; the words for a person stand in `_HELP`."""
    from volest.journal import Journal  # keeps --help quick

    if journal_file is None:
        raise UsageError(
            "no journal",
            needed="the file that pours are booked in",
            remedy="add --journal FILE, set VOLEST_JOURNAL, or name it once under [habits] in the "
            "lab's file: volest lab --new lab.toml",
        )
    lab = lab_from(lab_file)
    said = {key: value for key, value in words.items() if value is not None}
    usual = {key: said.pop(key) for key in list(said) if is_from_file(key)}
    end_g = _end_g(left_g, short_g)
    if end_g is not None and strike is not None:
        raise UsageError(
            "a pour and --strike", needed="one of them", remedy="do one, then the other"
        )
    alone = (("--base-pour", second_pour), ("--cavity", cavity is not None))
    for option in (option for option, given in alone if given and source is None):
        raise UsageError(f"{option} without --from", needed="the file", remedy="add --from FILE")
    if end_g is None and (said or source is not None or scan is not None):
        raise UsageError("a pour without its end", needed="--left G or --short G", remedy="add one")
    with Journal(journal_file, new=end_g is not None) as journal:
        if end_g is not None:
            poured = "second_pour" if second_pour else "mix"
            mixed = {} if source is None else _mixed(source, scan, cavity, poured)
            entry = _entry({**usual, **mixed, **said}, end_g, scan, lab)
            _book(journal, entry, lab, journal_file, mixed)
        if strike is not None:
            journal.strike(strike)
            say(f"struck out pour {strike}")
        if backup_file is not None:
            journal.back_up(backup_file)
            say(f"wrote {backup_file}")
        _tell(journal, lab, csv_file, journal_file)


def _end_g(left_g: float | None, short_g: float | None) -> float | None:
    """Say how a pour ended: what was left, below 0 what was missing; None if nothing is booked."""
    if left_g is not None and short_g is not None:
        raise UsageError("--left and --short", needed="one of them", remedy="leave one out")
    return left_g if short_g is None else -short_g


def _book(
    journal: "Journal",
    entry: "Entry",
    lab: Lab,
    journal_file: Path,
    mixed: dict[str, str | float],
) -> None:
    from volest.journal import TOLD_ABOVE, TOLD_BELOW  # keeps --help quick
    from volest.stone.mix import SPOKEN_DIGITS  # keeps --help quick
    from volest.stone.stones import find_stone  # keeps --help quick

    before = [] if entry.source is None else journal.booked_from(entry.source)
    number = journal.book(entry)
    say(f"booked as pour {number}")
    odd = [f"pour {before[-1]} was booked from the same file"] if before else []
    wp, usual = 100.0 * entry.water_ml / entry.powder_g, find_stone(entry.stone, lab).wp_range
    if entry.source is None and round(wp, SPOKEN_DIGITS) not in usual:
        odd.append(f"W/P {wp:.1f} mL per 100 g is outside {usual} for {entry.stone}")
    for name in ("stone", "way", *_AMOUNTS):
        said = getattr(entry, name)
        if mixed.get(name, said) != said:
            here, there = (v if isinstance(v, str) else f"{v:g}" for v in (said, mixed[name]))
            odd.append(f"booked with {name.partition('_')[0]} {here}, the file has {there}")
    taken_ml = entry.mix_ml - entry.left_ml
    if taken_ml < TOLD_BELOW * entry.volume_ml:
        odd.append(
            f"it took {taken_ml:.1f} mL, less than the {entry.volume_ml:.1f} mL to be filled"
        )
    if taken_ml > TOLD_ABOVE * entry.volume_ml:
        odd.append(
            f"it took {taken_ml:.1f} mL, far more than the {entry.volume_ml:.1f} mL to be filled"
        )
    for told in odd:
        say(f"{told}; if this one is a slip: volest log --journal {journal_file} --strike {number}")


def _entry(given: dict[str, str | float], left_g: float, scan: str | None, lab: Lab) -> "Entry":
    """Put together what was said, else what the file has, else what is usual."""
    from volest.journal import entry_of
    from volest.stone.stones import find_stone

    missing = [name for name in _AMOUNTS if name not in given]
    if missing:
        options = ", ".join("--" + name.partition("_")[0] for name in missing)
        raise UsageError(f"no {options}", needed="what was mixed", remedy="add it, or --from FILE")
    kind = find_stone(str(given.get("stone", _DEFAULTS.stone)), lab)
    if "way" not in given and "source" in given:
        raise UsageError(
            "no way of mixing in the file",
            needed=f"{HAND} or {VACUUM}",
            remedy="add for example --way hand",
        )

    def text(name: str) -> str | None:
        return None if name not in given else str(given[name])

    return entry_of(
        kind,
        way=str(given.get("way", _DEFAULTS.way)),
        **{name: float(given[name]) for name in _AMOUNTS},
        water_c=lab.bench.water_c,
        left_g=left_g,
        lot=text("lot"),
        mark=text("mark"),
        scan=text("scan") or scan,
        source=text("source"),
    )


def _tell(journal: "Journal", lab: Lab, csv_file: str | None, journal_file: Path) -> None:
    from volest.journal import COLUMNS, journal_lines, last_lines
    from volest.report.names import cell  # keeps --help quick

    entries = journal.entries()
    if csv_file is not None:
        buffer = io.StringIO(newline="")
        lines = csv.writer(buffer)
        lines.writerow(COLUMNS)
        for entry in entries:
            values = (getattr(entry, name) for name in COLUMNS)
            lines.writerow([cell(v) if isinstance(v, str) else v for v in values])
        deliver(buffer.getvalue(), csv_file, read=[journal_file])
    if csv_file != STREAM:
        for line in (*journal_lines(journal.pours(), lab), *last_lines(entries)):
            click.echo(line)


def _mixed(
    source: Path, scan: str | None, cavity: int | None, poured: str
) -> dict[str, str | float]:
    """Read the 'mix' or the 'second_pour' of a file, with a fingerprint of both as `source`."""
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
        made, scans = _meant(whole, source, scan, cavity, poured)
        names = ", ".join(Path(name).name for name in scans)
        which = f"{content}\n{scans}{' base' * (poured == 'second_pour')}"
        way = made.get("way") or whole.get("settings", {}).get("way")
        if way not in (None, HAND, VACUUM):
            raise ValueError(way)  # noqa: TRY301  # a fault of the file, as all those below
        return {
            "source": hashlib.sha256(which.encode()).hexdigest(),
            "stone": str(made["stone"]),
            **({"scan": names} if len(scans) > 1 or cavity else {}),
            "volume_ml": float(made["mix_ml"]) - float(made["waste_ml"]),
            "powder_g": float(made["powder_g"]),
            "water_ml": float(made["water_ml"]),
            **({} if way is None else {"way": way}),
        }
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as fault:
        raise UsageError(
            f"{source} without a mix",
            needed="JSON as 'volest mix' or 'volest size' wrote it",
            remedy="give that file, or the amounts: --volume, --powder, --water",
        ) from fault


def _which(entry: dict[str, Any]) -> tuple[str, int]:
    """Say which impression an entry is of; files of earlier versions have one a scan."""
    return entry["scan"], entry.get("cavity", 1)


def _meant(
    whole: dict[str, Any], source: Path, scan: str | None, cavity: int | None, poured: str
) -> tuple[dict[str, Any], list[str]]:
    """Find the mix and the scans that it is for; a shared one is booked whole, and that is said."""
    mixes = "mixes" if poured == "mix" else "bases"
    lacking = UsageError(
        f"no {mixes} in {source}",
        needed=f"JSON that has {mixes}",
        remedy="name another file" + ("" if poured == "mix" else ", or leave out --base-pour"),
    )
    if "scans" not in whole:
        made = whole if poured == "mix" else whole.get("second_pour")
        if made is None:
            raise lacking
        return made, []
    entries = whole["scans"]
    several = {entry["scan"] for entry in entries if entry.get("cavity", 1) > 1}
    called = {
        one: f"{one[0]} #{one[1]}" if one[0] in several else one[0] for one in map(_which, entries)
    }
    mixed = [entry for entry in entries if entry[poured] is not None]
    if not mixed:
        raise lacking
    parts = () if scan is None else Path(scan).parts  # with as much of its folder as is needed
    fitting = [
        entry
        for entry in mixed
        if (scan is None or Path(entry["scan"]).parts[-len(parts) :] == parts)
        and (cavity is None or _which(entry)[1] == cavity)
    ]
    if len(fitting) != 1:
        names = ", ".join(sorted(called[_which(entry)] for entry in fitting or mixed))
        count = f"{len(fitting)} {mixes}" if fitting or scan is None else f"no {mixes}"
        one_scan = len({entry["scan"] for entry in fitting}) == 1
        raise UsageError(
            f"{count} for {scan} in {source}" if scan else f"{count} in {source}",
            needed=f"one of {names}",
            remedy="say which impression of the scan with --cavity"
            if one_scan and scan
            else "name it with --scan, and its folder where two have one name",
        )
    named = _which(fitting[0])
    sharing = (whole.get("shared") or {}).get("mixes", ()) if poured == "mix" else ()
    for shared in sharing:  # bases are not shared
        cavities = shared.get("cavities") or [1] * len(shared["scans"])
        together = list(zip(shared["scans"], cavities, strict=True))
        if named in together and len(together) > 1:
            names_of = [called[one] for one in together]
            say(f"booking the whole mix that {', '.join(Path(n).name for n in names_of)} share")
            return shared["mix"], names_of
    return fitting[0][poured], [called[named]]
