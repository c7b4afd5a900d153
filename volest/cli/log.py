"""The command `log`: books a leftover, and says what the pours so far teach."""

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

import click

from volest.cli.lab_options import LAB_OPTION, lab_from
from volest.errors import UsageError
from volest.given_files import json_of
from volest.lab import HAND, VACUUM, Lab

if TYPE_CHECKING:
    from volest.batch.journal import Entry, Journal

_HELP = """Book what was left after a pour, and say what all pours teach.

Weigh what could still have been poured, not what sticks to bowl and spatula: --left. If the mix
did not reach, weigh what you had to mix on top: --short. Both in g. Without either, nothing is
booked and the journal is shown.

\b
Examples:
  volest log --journal lab.db --from mix.json --left 9
  volest log --journal lab.db --volume 50 --powder 103 --water 20.6 --left 9
  volest log --journal lab.db --from day.json --scan b0417.stl --short 12 --lot 7731
  volest log --journal lab.db
"""


@click.command("log", help=_HELP)
@click.option(
    "--journal",
    "journal_file",
    metavar="FILE",
    required=True,
    type=click.Path(path_type=Path),
    envvar="VOLEST_JOURNAL",
    help="The journal; made if it is not there.",
)
@LAB_OPTION
@click.option("--left", "left_g", type=click.FloatRange(0), metavar="G", help="Left over, in g.")
@click.option(
    "--short",
    "short_g",
    type=click.FloatRange(0, min_open=True),
    metavar="G",
    help="Missing, in g of mix.",
)
@click.option(
    "--from", "source", metavar="FILE", type=click.Path(path_type=Path), help="JSON of mix or size."
)
@click.option("--scan", metavar="NAME", help="Which scan, if the file holds several.")
@click.option("--volume", "volume_ml", type=float, metavar="ML", help="Cavity, in mL.")
@click.option("--powder", "powder_g", type=float, metavar="G", help="Powder that was mixed.")
@click.option("--water", "water_ml", type=float, metavar="ML", help="Water that was mixed.")
@click.option("--stone", metavar="NAME", help="Stone; else that of the file, or type-4.")
@click.option(
    "--way", type=click.Choice([HAND, VACUUM]), help="How it was mixed; else as the file says."
)
@click.option("--lot", metavar="TEXT", help="Lot of the powder, for tracing.")
@click.option("--mark", metavar="TEXT", help="Mark of whoever poured, for tracing.")
@click.option("--csv", "csv_file", metavar="FILE", help="Write all pours as CSV; - for the output.")
def log_command(
    *,
    journal_file: Path,
    lab_file: Path | None,
    left_g: float | None,
    short_g: float | None,
    source: Path | None,
    scan: str | None,
    csv_file: str | None,
    **words: str | float | None,
) -> None:
    """Book a pour and show the journal; the words for a person stand in `_HELP`."""
    from volest.batch.journal import Journal  # keeps --help quick

    lab = lab_from(lab_file)
    if left_g is not None and short_g is not None:
        raise UsageError("--left and --short", needed="one of them", remedy="leave one out")
    booking = left_g is not None or short_g is not None
    if not booking and (source is not None or any(words[key] for key in ("volume_ml", "powder_g"))):
        raise UsageError("a pour without its end", needed="--left G or --short G", remedy="add one")
    with Journal(journal_file, new=booking) as journal:
        if booking:
            given = {
                **_from_file(source, scan),
                **{k: v for k, v in words.items() if v is not None},
            }
            left = left_g if left_g is not None else -(short_g or 0.0)
            number = journal.book(_entry(given, left, scan, lab))
            click.echo(f"booked as pour {number}", err=True)
        _tell(journal, lab, csv_file, journal_file)


def _from_file(source: Path | None, scan: str | None) -> dict[str, str | float]:
    if source is None:
        return {}
    try:
        record = json_of(source)
        # A way that there is not is a KeyError, told as all else below.
        way = {HAND: HAND, VACUUM: VACUUM}[record.get("settings", {}).get("way", VACUUM)]
        if "scans" in record:
            mixes = [s["mix"] for s in record["scans"] if scan in (None, Path(s["scan"]).name)]
            (record,) = (mix for mix in mixes if mix is not None)
        return {
            "way": way,
            "stone": record["stone"],
            "volume_ml": float(record["mix_ml"]) - float(record["waste_ml"]),
            "powder_g": float(record["powder_g"]),
            "water_ml": float(record["water_ml"]),
        }
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as fault:
        raise UsageError(
            f"{source} without one mix" + (f" for {scan}" if scan else ""),
            needed="JSON of 'volest mix' or 'volest size' and, if it holds several, --scan NAME",
            remedy="name the scan's file as it stands in the JSON, without its folder",
        ) from fault


def _entry(given: dict[str, str | float], left_g: float, scan: str | None, lab: Lab) -> "Entry":
    from volest.batch.journal import Entry, now  # keeps --help quick
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
        way=str(given.get("way", VACUUM)),
        volume_ml=volume_ml,
        powder_g=powder_g,
        water_ml=water_ml,
        mix_ml=mix_ml,
        left_g=left_g,
        left_ml=left_g * mix_ml / mass_g if mass_g > 0 else 0.0,  # booking refuses amounts of 0
        lot=_text(given, "lot"),
        mark=_text(given, "mark"),
        scan=scan,
    )


def _text(given: dict[str, str | float], name: str) -> str | None:
    return None if name not in given else str(given[name])


def _tell(journal: "Journal", lab: Lab, csv_file: str | None, journal_file: Path) -> None:
    from volest.sheet.book import journal_lines  # keeps --help quick

    entries = journal.entries()
    if csv_file is not None:
        _write(_as_csv(entries), csv_file, journal_file)
    if csv_file != "-":
        for line in journal_lines([entry.pour() for entry in entries], lab):
            click.echo(line)


def _as_csv(entries: "list[Entry]") -> str:
    from volest.batch.journal import COLUMNS  # keeps --help quick
    from volest.sheet.names import cell  # keeps --help quick

    buffer = io.StringIO(newline="")
    lines = csv.writer(buffer)
    lines.writerow(COLUMNS)
    for entry in entries:
        values = (getattr(entry, name) for name in COLUMNS)
        lines.writerow([cell(v) if isinstance(v, str) else v for v in values])
    return buffer.getvalue()


def _write(text: str, target: str, journal_file: Path) -> None:
    from volest.sheet.target import check_target, write_whole  # keeps --help quick

    if target == "-":
        click.echo(text.encode(), nl=False)
    else:
        check_target(Path(target), [journal_file])
        write_whole(Path(target), text)
