"""The command `mix`: a volume in, a mix card out."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import click

from volest.cli.console import READING_WIDTH, STREAM, deliver, say
from volest.cli.options import (
    Command,
    Number,
    is_from_file,
    options_of,
    settings_of,
    target_option,
)
from volest.errors import UsageError
from volest.notes import sentence
from volest.settings import Settings
from volest.stone import words
from volest.stone.mix import (
    STRETCH_IN_WORDS,
    Mix,
    beyond,
    first_pour,
    powder_in_words,
    second_pour,
    waste_law,
    water_in_words,
)
from volest.stone.reference import Window, pour_window

LEAST_ML = 0.5  # a single tooth takes more
LEAST_MM2 = 50.0  # so does its base; 18 is meant in cm2
_HELP = """Say how much water and powder fill VOLUME (in mL), and how to mix it.

\b
Examples:
  volest mix 52.3
  volest mix 52.3 --stone type-3 --way hand --by scoop
  volest mix 52.3 --json mix.json
  volest mix 52.3 --second-pour 12 --footprint 2600
"""


@click.command("mix", cls=Command, help=_HELP)
@click.argument("volume", type=Number(), metavar="VOLUME")
@options_of("stone", "amounts")
@click.option(
    "--footprint",
    type=Number(),
    metavar="MM2",
    help="Area inside the rim: for the heap over it, and for a base.",
)
@click.option("--material", metavar="NAME", help="Impression material, for how it is made ready.")
@target_option("--json", "json_file", "Write the mix as JSON; - writes only that.")
def mix_command(
    *,
    volume: float,
    footprint: float | None,
    second_pour_mm: float | None,
    material: str | None,
    json_file: str | None,
    **options: Any,
) -> None:
    """Print the card; the words for a person stand in `_HELP`."""
    _check_amount("cavity", volume, LEAST_ML, "mL", "litres; a full arch takes some 35 to 70 mL")
    _check_amount("footprint", footprint, LEAST_MM2, "mm2", "cm2; a full arch has some 2600")
    if second_pour_mm and footprint is None:
        raise UsageError(
            "--second-pour without --footprint",
            needed="the height of the base and the area under it",
            remedy="write for example --second-pour 12 --footprint 2600",
        )
    window = None if material is None else pour_window(material)
    settings = settings_of(second_pour_mm=second_pour_mm, **options)
    second, base = settings.lab.second_pour, None
    if footprint is not None and second.is_made:
        first = beyond(settings, rim_mm2=footprint, has_base=True)
        base = second_pour(footprint, settings, taken_ml=first.heap_ml + first.nodules_ml)
    left_out = base is None and second.is_made  # of the lab file: no area, no base
    if left_out:
        settings = replace(settings, lab=settings.lab.pouring(height_mm=0.0))
    more = beyond(settings, rim_mm2=footprint or 0.0, has_base=base is not None)
    made = first_pour(volume, settings, more)
    if settings.lab_file is not None and is_from_file("lab_file"):  # it was found, not named
        say(f"lab {settings.lab_file}")
    if left_out:
        in_former = second.former_ml is not None  # it goes before the height
        size = "in a former" if in_former else f"of {second.height_mm:g} mm"
        say(
            f"no base: the lab file has one {size}; give the area inside the rim, "
            "--footprint MM2 (footprint_mm2 in the JSON of 'volest size')"
        )
    if json_file is not None:
        from volest.report.record import as_text  # keeps --help quick

        record = made.as_record()
        record |= {} if base is None else {"second_pour": base.as_record()}
        deliver(as_text(record), json_file)
    if json_file != STREAM:
        _print_card(made, base, settings, window)
        return
    for note in (*made.notes, *(() if base is None else base.notes)):
        say(f"{note.code}: {note.text} {note.do}")


def _check_amount(what: str, amount: float | None, least: float, unit: str, other: str) -> None:
    """Refuse what is so little that it was meant in another unit."""
    if amount is not None and 0.0 < amount < least:
        raise UsageError(
            f"a {what} of {amount:g} {unit}",
            needed=f"at least {least:g} {unit}",
            remedy=f"give it in {unit}, not in {other}",
        )


def _print_card(made: Mix, base: Mix | None, settings: Settings, window: Window | None) -> None:
    from rich.console import Console  # keeps --help quick
    from rich.text import Text  # same

    from volest.report.table import wrapped  # same

    console = Console(highlight=False, markup=False, emoji=False)
    width = min(console.width, READING_WIDTH)
    each = f"\nin {made.mixes} equal mixes. Each takes:" if made.mixes > 1 else ""
    fills = f"To fill {dict(made.terms_ml)['cavity']:g} mL with {made.stone}, {made.kind.title}"
    weighed, scoops = words.water_weighed(made), words.scoops_in_words(made)
    beside, lines = f"   {scoops}", words.yield_in_words(made)
    if made.whole_scoops is not None:  # too much to stand beside it
        beside, lines = "", (sentence(scoops), *lines)
    amounts = Text.assemble(
        f"{fills}{each}\n\n",
        ("  1  WATER  ", "bold"),
        (f"{water_in_words(made):>10}", "bold cyan"),
        f"   or weigh it: {weighed}\n" if weighed else "\n",
        ("  2  POWDER ", "bold"),
        (f"{powder_in_words(made):>10}", "bold cyan"),
        f"{beside}\n\n",
        "\n".join(wrapped(line, READING_WIDTH) for line in lines),
    )
    console.print(amounts)
    for note in (*made.notes, *(() if base is None else base.notes)):
        told = wrapped(f"LOOK  {note.text} {note.do}", width)
        console.print(f"\n{told}", style="bold yellow")
    for title, lines in _sections(made, base, settings, window):
        console.print(f"\n{title}", style="bold")
        for number, line in enumerate(lines, start=1):
            mark = f"{number}." if title in words.NUMBERED else "-"
            gap = " " * (len(mark) + 3)
            console.print(wrapped(line, width, first=f"  {mark} ", rest=gap))


def _sections(
    made: Mix, base: Mix | None, settings: Settings, window: Window | None
) -> Iterator[tuple[str, tuple[str, ...]]]:
    nodules_ml = None if base is None else settings.lab.second_pour.nodules_ml
    if settings.stretch_ml_per_100g > 0:
        yield "Extra water", (STRETCH_IN_WORDS,)
    taught = tuple(
        words.learned_in_words(law, mix.volume_ml)
        for mix in (made, base)
        if mix is not None and (law := waste_law(mix.stone, settings)).pours
    )
    if taught:
        yield "Waste", taught
    yield "Before", words.before(window)
    yield "Steps", words.steps(made, nodules_ml=nodules_ml)
    short = words.if_short(made)
    if base is not None and nodules_ml is not None:
        yield "Base, the second pour", words.base_steps(made, base, nodules_ml)
        yield "The base", words.yield_in_words(base)
        short = (*short, words.base_if_short(base))
    yield "If it does not reach", short
    yield "Take care", words.CAUTIONS
