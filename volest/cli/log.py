"""The command `log`: books a leftover, and says what the pours so far teach."""

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

import click

from volest.cli.booked_mix import booked_mix
from volest.cli.defaults import is_from_file
from volest.cli.deliver import STREAM, deliver
from volest.cli.lab_options import LAB_OPTION, lab_from
from volest.cli.number import Number
from volest.cli.talk import say
from volest.errors import UsageError
from volest.lab import HAND, VACUUM, Lab

if TYPE_CHECKING:
    from volest.journal.entry import Entry
    from volest.journal.journal import Journal

_HELP = """Book what was left after a pour, and say what all pours teach.

Weigh what could still have been poured, not what sticks to bowl and spatula: --left. If the mix
did not reach, weigh what you had to mix on top: --short. Both in g. Without either, nothing is
booked and the journal is shown. A slip is struck out by its number: it stays in the journal, and
nothing is learned from it.

\b
Examples:
  volest log --journal lab.db --from mix.json --left 9
  volest log --journal lab.db --volume 50 --powder 103 --water 20.6 --left 9
  volest log --journal lab.db --from day.json --scan b0417.stl --short 12 --lot 7731
  volest log --journal lab.db --strike 5
  volest log --journal lab.db --backup lab-may.db --csv pours.csv
  volest log --journal lab.db
"""


@click.command("log", help=_HELP)
@click.option(
    "--journal",
    "journal_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    envvar="VOLEST_JOURNAL",
    help="The journal; made if it is not there. Needed unless VOLEST_JOURNAL or your defaults "
    "file (`volest settings`) names it.",
)
@LAB_OPTION
@click.option("--left", "left_g", type=Number(least=0), metavar="G", help="Left over, in g.")
@click.option(
    "--short",
    "short_g",
    type=Number(above=0),
    metavar="G",
    help="Missing, in g of mix.",
)
@click.option(
    "--from", "source", metavar="FILE", type=click.Path(path_type=Path), help="JSON of mix or size."
)
@click.option("--scan", metavar="NAME", help="Which scan, if the file holds several.")
@click.option("--volume", "volume_ml", type=Number(), metavar="ML", help="Cavity, in mL.")
@click.option("--powder", "powder_g", type=Number(), metavar="G", help="Powder that was mixed.")
@click.option("--water", "water_ml", type=Number(), metavar="ML", help="Water that was mixed.")
@click.option("--stone", metavar="NAME", help="Stone; else that of the file, or type-4.")
@click.option(
    "--way",
    type=click.Choice([HAND, VACUUM]),
    help="How it was mixed; else as the file says, or vacuum.",
)
@click.option(
    "--strike", type=Number(whole=True), metavar="NUMBER", help="Strike that pour out as a slip."
)
@click.option("--lot", metavar="TEXT", help="Lot of the powder, for tracing.")
@click.option("--mark", metavar="TEXT", help="Mark of whoever poured, for tracing.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write all pours as CSV; - for the output.")
@click.option(
    "--backup",
    "backup_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Copy the journal, also while others book.",
)
def log_command(
    *,
    journal_file: Path | None,
    lab_file: Path | None,
    left_g: float | None,
    short_g: float | None,
    source: Path | None,
    scan: str | None,
    csv_file: str | None,
    strike: int | None,
    backup_file: Path | None,
    **words: str | float | None,
) -> None:
    """Book a pour and show the journal; the words for a person stand in `_HELP`."""
    from volest.journal.journal import Journal  # keeps --help quick

    if journal_file is None:
        raise _no_journal()
    lab = lab_from(lab_file)
    if left_g is not None and short_g is not None:
        raise UsageError("--left and --short", needed="one of them", remedy="leave one out")
    booking = left_g is not None or short_g is not None
    if booking and strike is not None:
        raise UsageError(
            "a pour and --strike", needed="one of them", remedy="do one, then the other"
        )
    if not booking and (source is not None or any(words[key] for key in ("volume_ml", "powder_g"))):
        raise UsageError("a pour without its end", needed="--left G or --short G", remedy="add one")
    with Journal(journal_file, new=booking) as journal:
        if booking:
            said = {key: value for key, value in words.items() if value is not None}
            usual = {key: said.pop(key) for key in list(said) if is_from_file(key)}
            mixed = {} if source is None else booked_mix(source, scan)
            given = {**usual, **mixed, **said}
            left = left_g if left_g is not None else -(short_g or 0.0)
            _book(journal, _entry(given, left, scan, lab), lab, journal_file)
        if strike is not None:
            journal.strike(strike)
            say(f"struck out pour {strike}")
        if backup_file is not None:
            journal.back_up(backup_file)
            say(f"wrote {backup_file}")
        _tell(journal, lab, csv_file, journal_file)


def _no_journal() -> UsageError:
    return UsageError(
        "no journal",
        needed="the file that pours are booked in",
        remedy="add --journal FILE, set VOLEST_JOURNAL, or name it once in the file that "
        "'volest settings --new' starts",
    )


def _book(journal: "Journal", entry: "Entry", lab: Lab, journal_file: Path) -> None:
    from volest.stone.own import find_stone  # keeps --help quick
    from volest.stone.ratio import SPOKEN_DIGITS  # keeps --help quick

    before = [] if entry.source is None else journal.booked_from(entry.source)
    number = journal.book(entry)
    say(f"booked as pour {number}")
    odd = [f"pour {before[-1]} was booked from the same file"] if before else []
    wp, usual = 100.0 * entry.water_ml / entry.powder_g, find_stone(entry.stone, lab).wp_range
    if entry.source is None and round(wp, SPOKEN_DIGITS) not in usual:
        odd.append(f"W/P {wp:.1f} mL per 100 g is outside {usual} for {entry.stone}")
    for told in odd:
        say(f"{told}; if this one is a slip: volest log --journal {journal_file} --strike {number}")


def _entry(given: dict[str, str | float], left_g: float, scan: str | None, lab: Lab) -> "Entry":
    from volest.journal.entry import Entry, now  # keeps --help quick
    from volest.stone.own import find_stone  # keeps --help quick
    from volest.stone.water import water_density_g_per_ml  # keeps --help quick

    missing = [name for name in ("volume_ml", "powder_g", "water_ml") if name not in given]
    if missing:
        options = ", ".join("--" + name.partition("_")[0] for name in missing)
        raise UsageError(f"no {options}", needed="what was mixed", remedy="add it, or --from FILE")
    kind = find_stone(str(given.get("stone", "type-4")), lab)
    volume_ml, powder_g, water_ml = (
        float(given[name]) for name in ("volume_ml", "powder_g", "water_ml")
    )
    mix_ml = powder_g / kind.powder_density.value + water_ml
    mass_g = powder_g + water_ml * water_density_g_per_ml(lab.bench.water_c)
    return Entry(
        booked=now(),
        stone=kind.name,
        way=_way(given),
        volume_ml=volume_ml,
        powder_g=powder_g,
        water_ml=water_ml,
        mix_ml=mix_ml,
        left_g=left_g,
        left_ml=left_g * mix_ml / mass_g if mass_g > 0 else 0.0,  # booking refuses amounts of 0
        lot=_text(given, "lot"),
        mark=_text(given, "mark"),
        scan=scan,
        source=_text(given, "source"),
    )


def _way(given: dict[str, str | float]) -> str:
    if "way" in given or "source" not in given:
        return str(given.get("way", VACUUM))
    raise UsageError(
        "no way of mixing in the file",
        needed=f"{HAND} or {VACUUM}",
        remedy="add for example --way hand",
    )


def _text(given: dict[str, str | float], name: str) -> str | None:
    return None if name not in given else str(given[name])


def _tell(journal: "Journal", lab: Lab, csv_file: str | None, journal_file: Path) -> None:
    from volest.journal.in_words import journal_lines, last_lines  # keeps --help quick

    entries = journal.entries()
    if csv_file is not None:
        deliver(_as_csv(entries), csv_file, read=[journal_file])
    if csv_file != STREAM:
        for line in (*journal_lines(journal.pours(), lab), *last_lines(entries)):
            click.echo(line)


def _as_csv(entries: "list[Entry]") -> str:
    from volest.journal.entry import COLUMNS  # keeps --help quick
    from volest.sheet.names import cell  # keeps --help quick

    buffer = io.StringIO(newline="")
    lines = csv.writer(buffer)
    lines.writerow(COLUMNS)
    for entry in entries:
        values = (getattr(entry, name) for name in COLUMNS)
        lines.writerow([cell(v) if isinstance(v, str) else v for v in values])
    return buffer.getvalue()
