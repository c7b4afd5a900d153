"""The command `log`: books a leftover, and says what the pours so far teach."""

import calendar
import csv
import hashlib
import io
import os
import re
import sys
from collections.abc import Collection, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from volest import journal
from volest.cli.console import STREAM, deliver, say
from volest.cli.options import (
    Command,
    Number,
    file_option,
    is_from_file,
    lab_from,
    option_of,
    target_option,
)
from volest.errors import UsageError, visible
from volest.lab import HAND, VACUUM, Lab
from volest.settings import Settings
from volest.stock import (
    case_lines,
    journal_lines,
    last_lines,
    lot_doubts,
    stock_lines,
)
from volest.stone.mix import SPOKEN_DIGITS
from volest.stone.reference import all_stones, find_stone
from volest.stone.words import cost_of
from volest.storage import GivenFileError, check_target, json_in, text_of

_DEFAULTS = Settings()
_AMOUNTS = ("volume_ml", "powder_g", "water_ml")
_LARGEST_SCAN_BYTES = 4_000_000_000  # read in some seconds
# Common practice, no source.
_NEXT_TIME = {
    "bubbles": "on an elastomer wetting agent, then gentle air, on alginate neither; small "
    "portions from one end, on the vibrator; look whether the vacuum holds",
    "broken": "block out undercuts, wait the whole time, pull along the way out that 'volest show' "
    "names",
}
# What may be said with what is to be done, if that is no pour; always; and only with --from.
_GOES_WITH: Mapping[str, Collection[str]] = {
    "--strike": (),
    "--pour": ("--outcome", "--why"),
    "--delivered": ("--stone", "--lot", "--mark", "--expires"),
}
_ALWAYS = ("--journal", "--lab", "--csv", "--backup")
_OF_A_FILE = ("--base-pour", "--cavity")
_HEAD = b"booked,"  # how the CSV of pours begins
_HELP = """Book what was left after a pour, and say what all pours teach.

Weigh what could still have been poured, not what sticks to bowl and spatula: --left. If the mix
did not reach, weigh what the impression still took of a second mix: --short. Both in g. Without
either, nothing is booked and the journal is shown. A slip is struck out by its number: it stays in
the journal, and nothing is learned from it. A pour of a scan or file that was booked before is
asked about. How a cast came out is said with --outcome, later with --pour NUMBER. Powder that came
is booked with --delivered.

\b
Examples:
  volest log --journal lab.db --from mix.json --left 9
  volest log --journal lab.db --volume 50 --powder 103 --water 20.6 --left 9
  volest log --journal lab.db --from day.json --scan b0417.stl --short 12 --lot 7731
  volest log --journal lab.db --strike 5
  volest log --journal lab.db --pour 4 --outcome remake --why "die chipped"
  volest log --journal lab.db --delivered 25000 --stone type-4 --lot 7731 --expires 2032-03
  volest log --journal lab.db --backup lab-may.db --csv pours.csv
  volest log --journal lab.db
"""


@click.command("log", cls=Command, help=_HELP)
@option_of(
    "journal_file",
    help="The journal; made if it is not there. Needed unless VOLEST_JOURNAL or the lab's file "
    "(`volest lab`) names it.",
)
@option_of("lab_file")
@click.option(
    "--left", "left_g", type=Number(least=0), metavar="G", help="Left over, in g; 0 if nothing."
)
@click.option(
    "--short",
    "short_g",
    type=Number(above=0),
    metavar="G",
    help="What it still took of a second mix, in g; that mix itself is not booked.",
)
@file_option("--from", "source", "JSON of mix or size.")
@click.option("--scan", metavar="NAME", help="Which scan, if the file holds several.")
@click.option(
    "--cavity",
    type=Number(least=1, whole=True),
    metavar="N",
    help="With --from: which impression, if the scan has several.",
)
@click.option(
    "--scoops", "by_scoop", is_flag=True, help="With --from: its whole scoops were mixed."
)
@click.option("--base-pour", "second_pour", is_flag=True, help="With --from: book its base.")
@click.option(
    "--volume",
    "volume_ml",
    type=Number(),
    metavar="ML",
    help="All that was filled: cavity, heap, nodules.",
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
@click.option("--again", is_flag=True, help="Book it although one of the same scan or file is.")
@click.option("--outcome", type=click.Choice(journal.OUTCOMES), help="How the cast came out.")
@click.option("--why", metavar="TEXT", help="With --outcome: why; needed for a remake.")
@click.option(
    "--pour",
    "number",
    type=Number(whole=True),
    metavar="NUMBER",
    help="With --outcome: of that pour, booked before.",
)
@click.option(
    "--delivered",
    "delivered_g",
    type=Number(),
    metavar="G",
    help="Powder of --stone that came; below 0: what went without a pour.",
)
@click.option(
    "--expires",
    metavar="DATE",
    help="With --delivered: until when it may be used, YYYY-MM-DD or YYYY-MM.",
)
@click.option("--lot", metavar="TEXT", help="Lot of the powder, for tracing and the stock.")
@click.option("--mark", metavar="TEXT", help="Mark of whoever poured, for tracing.")
@target_option("--csv", "csv_file", "Write all pours as CSV; - for the output.")
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
    by_scoop: bool,
    second_pour: bool,
    csv_file: str | None,
    strike: int | None,
    backup_file: Path | None,
    again: bool,
    number: int | None,
    delivered_g: float | None,
    **words: Any,
) -> None:
    """Book a pour and show the journal; the words for a person stand in `_HELP`."""
    if journal_file is None:
        raise UsageError(
            "no journal",
            needed="the file that pours are booked in",
            remedy="add --journal FILE, set VOLEST_JOURNAL, or name it once under [habits] in the "
            "lab's file: volest lab --new lab.toml",
        )
    lab, ctx = lab_from(lab_file), click.get_current_context()
    written = ParameterSource.COMMANDLINE
    flags = [
        param.opts[0]
        for param in ctx.command.params
        if ctx.get_parameter_source(str(param.name)) is written
    ]
    # Bytes of the command line that are no text are written out; a stone is looked up as it is.
    said = {
        key: visible(one) if isinstance(one, str) and key != "stone" else one
        for key, one in words.items()
        if one is not None
    }
    usual = {"stone": _DEFAULTS.stone, **{key: said.pop(key) for key in words if is_from_file(key)}}
    end_g = left_g if short_g is None else -short_g  # below 0 what was missing
    _check_words(flags, said, left_g)
    _check_csv(csv_file, [journal_file, source, lab_file, backup_file])
    with journal.Journal(journal_file, new=end_g is not None or delivered_g is not None) as book:
        if backup_file is not None:
            book.check_backup(backup_file)  # before anything is booked
        if end_g is not None:
            poured = "second_pour" if second_pour else "mix"
            mixed = {} if source is None else _mixed(source, scan, cavity, poured, by_scoop)
            entry = _entry({**usual, **mixed, **said}, end_g, scan, lab)
            _book(book, entry, lab, mixed, again=again)
        if strike is not None:
            book.strike(strike)
            say(f"struck out pour {strike}")
        outcome = said.get("outcome")
        if number is not None:
            before = {entry.number: entry.outcome for entry in book.entries()}.get(number)
            book.end(number, str(outcome), said.get("why"))
            say(f"pour {number} came out: {outcome}" + f" (was {before})" * bool(before))
        if outcome in _NEXT_TIME:
            say(f"next time: {_NEXT_TIME[outcome]}")
        if delivered_g is not None:
            delivery = journal.Delivery(
                booked=journal.now(),
                stone=find_stone({**usual, **said}["stone"], lab).name,
                powder_g=delivered_g,
                lot=said.get("lot"),
                expires=_date(said.get("expires")),
                mark=said.get("mark"),
            )
            say(f"booked as delivery {book.receive(delivery)}")
        if backup_file is not None:
            book.back_up(backup_file)
            say(f"wrote {backup_file}")
        _tell(book, lab, csv_file)


def _check_words(flags: Sequence[str], said: Mapping[str, Any], left_g: float | None) -> None:
    """Refuse words that do not go together with what is to be done, or contradict each other."""
    ends = [flag for flag in flags if flag in ("--left", "--short")]
    asked = ["a pour"] * bool(ends) + [flag for flag in _GOES_WITH if flag in flags]
    does, outcome = (asked or [""])[0], said.get("outcome")
    rest = [flag for flag in flags if flag not in (*ends, *asked, *_ALWAYS)]
    odd = [flag for flag in rest if flag not in _GOES_WITH.get(does, ())]
    if ends:
        odd = [flag for flag in rest if flag == "--expires"]
    end = ", or --delivered G" if "--expires" in flags else ", or --pour NUMBER" * bool(outcome)
    bare = [flag for flag in rest if flag in _OF_A_FILE and "--from" not in flags]
    slips = (
        (len(asked) > 1, " and ".join(asked), "one of them", "do one, then the other"),
        (bare, f"{' and '.join(bare)} without --from", "the file", "add --from FILE"),
        (odd and not does, "a pour without its end", f"--left G or --short G{end}", "add one"),
        (odd, f"{', '.join(odd)} with {does}", "each by itself", "do one, then the other"),
        (does == "--pour" and not outcome, "--pour alone", "how it came out", "add --outcome"),
        (len(ends) > 1, "--left and --short", "one of them", "leave one out"),
        (
            outcome == journal.REMAKE and not said.get("why"),
            *("a remake without a reason", "why", "add --why TEXT"),
        ),
        (not outcome and "--why" in flags, "--why alone", "how it came out", "add --outcome"),
        (
            outcome == journal.SHORT and left_g,
            *(f"{left_g or 0:g} g left of a mix that was short", "one of them", "--short G"),
        ),
    )
    for is_slip, found, needed, remedy in slips:
        if is_slip:
            raise UsageError(found, needed=needed, remedy=remedy)


def _check_csv(target: str | None, read: Sequence[Path | None]) -> None:
    """Refuse a CSV file that cannot be written, was read, or is no list of pours."""
    if target in (None, STREAM):
        return
    path, own = Path(str(target)), [one for one in read if one is not None]
    check_target(path, [*own, *(Path(f"{own[0]}{end}") for end in journal.BESIDE)])
    if not path.is_file():
        return
    found = "a file that holds something else"
    try:
        with path.open("rb") as stream:
            if stream.read(len(_HEAD)) in (b"", _HEAD):
                return
    except OSError as fault:
        found = fault.strerror or str(fault)
    raise UsageError(
        f"{target}: {found}",
        needed="a new file, or pours that were written before",
        remedy="name another --csv FILE",
    )


def _date(text: str | None) -> str | None:
    """Read a date, or a month that ends with its last day, as ISO 8601."""
    if text is None:
        return None
    try:
        day = text
        if re.fullmatch(r"\d{4}-\d{2}", text):  # as sacks are printed
            day += f"-{calendar.monthrange(*map(int, text.split('-')))[1]}"
        return date.fromisoformat(day).isoformat()
    except ValueError as fault:  # of `calendar` too
        remedy = "write 2032-03-31, or 2032-03"
        raise UsageError(f"--expires {text}", needed="a date", remedy=remedy) from fault


def _book(
    book: journal.Journal, entry: journal.Entry, lab: Lab, mixed: Mapping[str, Any], *, again: bool
) -> None:
    """Book a pour, ask if it is one more of the same, and tell what is odd about it."""
    try:
        number = book.book(entry, again=again)
    except UsageError as fault:
        if fault.code != "journal-again" or not sys.stdin.isatty():
            raise
        say(fault.found)
        if not click.confirm("Was it poured once more?", err=True):
            raise
        number = book.book(entry, again=True)
    say(f"booked as pour {number}")
    odd = lot_doubts(entry, book.pours(), book.deliveries())
    wp, usual = 100.0 * entry.water_ml / entry.powder_g, find_stone(entry.stone, lab).wp_range
    if entry.source is None and round(wp, SPOKEN_DIGITS) not in usual:
        odd.append(f"W/P {wp:.1f} mL per 100 g is outside {usual} for {entry.stone}")
    for name in ("stone", "way", *_AMOUNTS):
        said = getattr(entry, name)
        if mixed.get(name, said) != said:
            here, there = (v if isinstance(v, str) else f"{v:g}" for v in (said, mixed[name]))
            odd.append(f"booked with {name.partition('_')[0]} {here}, the file has {there}")
    taken_ml = entry.mix_ml - entry.left_ml
    if not journal.TOLD_BELOW * entry.volume_ml <= taken_ml <= journal.TOLD_ABOVE * entry.volume_ml:
        than = "less" if taken_ml < entry.volume_ml else "far more"
        filled = f"the {entry.volume_ml:.1f} mL to be filled"
        odd.append(f"it took {taken_ml:.1f} mL, {than} than {filled}")
    for told in odd:
        say(f"{told}; if this one is a slip: volest log --journal {book.path} --strike {number}")


def _entry(given: dict[str, Any], left_g: float, scan: str | None, lab: Lab) -> journal.Entry:
    """Put together what was said, else what the file has, else what is usual."""
    missing = ["--" + name.partition("_")[0] for name in _AMOUNTS if name not in given]
    if missing:
        found = f"no {', '.join(missing)}"
        raise UsageError(found, needed="what was mixed", remedy="add it, or --from FILE")
    if "way" not in given and "source" in given:
        raise UsageError(
            "no way of mixing in the file",
            needed=f"{HAND} or {VACUUM}",
            remedy="add for example --way hand",
        )
    if scan is not None and "cases" not in given:
        name, content = visible(scan), _content_of({"scan": scan}, None)
        whole_ml = given["volume_ml"]
        case = journal.Case(name=name, cavity=1, pour=None, content=content, volume_ml=whole_ml)
        given |= {"scan": name, "cases": [case]}
    return journal.entry_of(lab, left_g=left_g, **{"way": _DEFAULTS.way, **given})


def _content_of(entry: Mapping[str, Any], source: Path | None) -> str | None:
    """Give the fingerprint of a scan; None where it is gone, or newer than what tells of it."""
    from volest.scan.decision import fingerprint  # keeps --help quick

    scan = entry["scan"]
    if "scan_bytes" in entry:  # a name that is not UTF-8
        scan = os.fsdecode(bytes.fromhex(entry["scan_bytes"]))
    for path in (Path(scan), *(() if source is None else (source.parent / scan,))):
        try:
            state = path.stat()
            is_older = source is None or state.st_mtime <= source.stat().st_mtime
            if is_older and state.st_size <= _LARGEST_SCAN_BYTES:
                return fingerprint(path)
        except (OSError, ValueError):  # ValueError: a name that no file can have
            continue
    return None


def _tell(book: journal.Journal, lab: Lab, csv_file: str | None) -> None:
    for line in book.damage():
        say(line)
    entries, pours = book.entries(), book.pours()
    if csv_file is not None:
        from volest.report.table import cell  # keeps --help quick

        table, kinds = io.StringIO(newline=""), all_stones(lab)
        lines = csv.writer(table)
        lines.writerow([*journal.COLUMNS, "cost"])
        for entry in entries:
            values = [getattr(entry, name) for name in journal.COLUMNS]
            cost = cost_of(entry.powder_g, kinds[entry.stone]) if entry.stone in kinds else None
            values.append(None if cost is None else f"{cost:.2f}")
            lines.writerow([cell(one) if isinstance(one, str) else one for one in values])
        deliver(table.getvalue(), csv_file, read=[book.path])
    if csv_file != STREAM:
        for line in (
            *journal_lines(pours, lab),
            *stock_lines(pours, book.deliveries(), date.today()),  # noqa: DTZ011  # of the lab
            *case_lines(pours, lab),
            *last_lines(entries),
        ):
            click.echo(line)


def _mixed(
    source: Path, scan: str | None, cavity: int | None, poured: str, by_scoop: bool
) -> dict[str, Any]:
    """Read the 'mix' or the 'second_pour' of a file: fields of a pour, fingerprint and cases too.

    Their `name` is as it can be written; a shared mix is booked whole.
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
        made, entries = _meant(whole, source, scan, cavity, poured)
        called = [entry["called"] for entry in entries]
        which = f"{content}\n{called}{' base' * (poured == 'second_pour')}"
        way = made.get("way") or whole.get("settings", {}).get("way")
        if way not in (None, HAND, VACUUM):
            raise ValueError(way)  # noqa: TRY301  # a fault of the file, as all those below
        cases = [
            journal.Case(
                name=visible(entry["scan"]),
                cavity=entry["cavity"],
                pour=journal.FIRST if poured == "mix" else journal.BASE,
                content=_content_of(entry, source),
                volume_ml=_filled_ml(entry[poured]),
            )
            for entry in entries
        ]
        dealt = made["by_scoop"] if by_scoop and made["rest_g"] else made
        if dealt is None:
            raise ValueError(made)  # noqa: TRY301  # same
        names = visible(", ".join(Path(name).name for name in called))
        return {
            "source": hashlib.sha256(which.encode()).hexdigest(),
            "stone": str(made["stone"]),
            "volume_ml": _filled_ml(made),
            "powder_g": float(dealt["powder_g"]),
            "water_ml": float(dealt["water_ml"]),
            "volume_u_ml": float(made.get("volume_u_ml", 0.0)),
            **({} if way is None else {"way": way}),
            **({"scan": names, "cases": cases} if cases else {}),
        }
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as fault:
        raise UsageError(
            f"{source} without a mix{' by whole scoops' * by_scoop}",
            needed="JSON as 'volest mix' or 'volest size' wrote it",
            remedy="give that file, or the amounts: --volume, --powder, --water",
        ) from fault


def _filled_ml(made: dict[str, Any]) -> float:
    return float(made["mix_ml"]) - float(made["waste_ml"])


def _meant(
    whole: dict[str, Any], source: Path, scan: str | None, cavity: int | None, poured: str
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Find the mix, and the scans that it is for; a shared one is booked whole, and it is said."""
    mixes, leave = ("mixes", "") if poured == "mix" else ("bases", ", or leave out --base-pour")
    # Without a list it is of `volest mix`.
    entries = whole.get("scans", [{"mix": whole, "second_pour": whole.get("second_pour")}])
    mixed = [entry for entry in entries if entry[poured] is not None]
    if not mixed:
        raise UsageError(
            f"no {mixes} in {source}",
            needed=f"JSON that has {mixes}",
            remedy=f"name another file{leave}",
        )
    if "scans" not in whole:
        return mixed[0][poured], []
    several = {one["scan"] for one in entries if one.get("cavity", 1) > 1}
    for one in mixed:
        number = one.setdefault("cavity", 1)  # files of earlier versions have one a scan
        one["called"] = f"{one['scan']} #{number}" if one["scan"] in several else one["scan"]
        one["place"] = Path(visible(one["scan"]))
    said = Path(visible(scan or "")).parts  # as much of its folder as tells it from the others
    named = [one for one in mixed if scan is None or one["place"].parts[-len(said) :] == said]
    if not named and scan:  # so of its name
        named = [one for one in mixed if one["place"].name.startswith(scan)]
    is_one_scan = len({one["scan"] for one in named}) == 1
    # A number tells impressions apart and no scans: a neighbour may have one of that number.
    number = cavity if is_one_scan else None
    fitting = [one for one in named if number in (None, one["cavity"])]
    if len(fitting) != 1:
        names = ", ".join(sorted(one["called"] for one in fitting or named or mixed))
        count = f"{len(fitting)} {mixes}" if fitting or scan is None else f"no {mixes}"
        remedy = (
            "name it with --scan, and its folder where two have one name; book one that has left "
            "that file by its figures: --volume, --powder, --water"
        )
        if is_one_scan and scan:
            which = "which impression of the scan" if fitting else "another impression"
            remedy = f"say {which} with --cavity"
        raise UsageError(
            f"{count} for {scan} in {source}" if scan else f"{count} in {source}",
            needed=f"one of {names}",
            remedy=remedy,
        )
    (found,) = fitting
    at = {(one["scan"], one["cavity"]): one for one in mixed}
    sharing = (whole.get("shared") or {}).get("mixes", ()) if poured == "mix" else ()
    for shared in sharing:  # bases are not shared
        cavities = shared.get("cavities") or [1] * len(shared["scans"])
        places = list(zip(shared["scans"], cavities, strict=True))
        if (found["scan"], found["cavity"]) in places and len(places) > 1:
            together = [at[place] for place in places]
            names = ", ".join(Path(one["called"]).name for one in together)
            say(f"booking the whole mix that {names} share")
            return shared["mix"], together
    return found[poured], fitting
