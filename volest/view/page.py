"""The pour sheet: one page for a batch that needs nothing but itself."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from volest import __version__
from volest.dosing import cast_mm
from volest.notes import Note, dial_in_words, sentence
from volest.report.guide import advice, stop_words
from volest.report.names import TIE, short_names, tied, visible
from volest.report.remarks import (
    SHARED_APART,
    afterwards,
    as_planned,
    batch_lines,
    before_water,
    called_by,
    made_with,
    shared_lines,
    tally,
    turn_words,
)
from volest.report.table import Row, rows
from volest.result import Result
from volest.settings import Settings
from volest.stone.mix import Mix
from volest.stone.shared import Plan, SharedMix
from volest.stone.words import (
    CARE,
    CAUTIONS,
    DISINFECTED,
    base_if_short,
    base_steps,
    before,
    bowl_in_words,
    if_short,
    powder_cell,
    ratio_in_words,
    ready,
    scoops_in_words,
    steps,
    terms_in_words,
    water_cell,
)
from volest.view.scene import LOOKS

if TYPE_CHECKING:
    from jinja2 import Template

# `volest show --plot` draws the same curve in `sheet/plot.py`, by a library that also writes PNG
# and PDF. It cannot draw here: a sheet is made without that library too, and the card's script
# moves a line over this drawing, whose frame it must know.
WIDE, TALL = 340.0, 220.0  # of the drawing's own units; the page scales it
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 10.0, 12.0, 36.0
_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_MOST_TICKS = 6
_TINY = 1e-9  # a curve that is level or empty still has a width to divide by
_TIE = "\N{NO-BREAK SPACE}"
# Letters of notes and steps on a card beyond which paper carries what to do alone, without a base
# and with one: a page of Letter holds no more.
_WORDY = (1500, 1750)
_SCRIPTS = ("table.js", "solid.js", "card.js")


def sheet_text(
    results: Sequence[Result],
    cards: Sequence[dict[str, Any] | None],
    settings: Settings,
    plan: Plan | None = None,
    *,
    told: Sequence[str] = (),
    sized: datetime | None = None,
    at: Mapping[str, str] | None = None,
) -> str:
    """Write the pour sheet, a whole HTML page: no address in it leads out of it.

    `told` is said of the folder beside its scans; `sized` is when they were sized, or found
    unchanged: now if it is not given. `at` are addresses where scans can be opened, by their names:
    the cards carry them, to be read by a camera.
    """
    results = as_planned(results, plan)
    folder, names = short_names([result.name for result in results])
    entries = _entries(results, cards, names, settings, plan)
    for entry in entries:
        entry["code"] = _drawn_code((at or {}).get(entry["result"].name))
    return _template().render(
        version=__version__,
        sized=f"{sized or datetime.now().astimezone():%Y-%m-%d, %H:%M}",
        folder=folder,
        made_with=made_with(settings),
        tally=tally(results, () if plan is None else plan.late),
        entries=entries,
        cards=_in_order(entries, _mixes(results, names, settings, plan)),
        lines=[
            *(shared_lines(plan, settings) if plan else ()),
            *batch_lines(results, plan),
        ],
        told=list(map(sentence, told)),
        looks=LOOKS,
        shared_apart="" if plan is None else SHARED_APART,
        before=before()[1:],
        disinfected=DISINFECTED,
        cautions=CAUTIONS,
        care=CARE,
        plot_size=(WIDE, TALL),
        style=_web("sheet.css"),
        scripts=[_web(name) for name in _SCRIPTS],
    )


def _drawn_code(address: str | None) -> str:
    """Draw an address as a QR code (ISO/IEC 18004), a data URI; '' where there is none."""
    if address is None:
        return ""
    import segno

    return segno.make(address, micro=False).svg_data_uri(omitsize=True)


@cache
def _template() -> "Template":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    page = Environment(
        loader=PackageLoader("volest.view", "web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page.filters["visible"] = lambda text: tied(visible(text)).replace(TIE, _TIE)
    return page.get_template("sheet.html.j2")


def _entries(
    results: Sequence[Result],
    cards: Sequence[dict[str, Any] | None],
    names: Sequence[str],
    settings: Settings,
    plan: Plan | None,
) -> list[dict[str, Any]]:
    """Gather what each scan shows; those that need a look come first."""
    called = _called(results, names, plan)
    shared = {
        one.name: (number, made)
        for number, made in enumerate(() if plan is None else plan.mixes, start=1)
        for one in made.impressions
    }
    lines = rows(results, names, settings.base, plan)
    entries = [
        _entry(
            number,
            result,
            line,
            card,
            settings=settings,
            plan=plan,
            shared=shared.get(result.name),
            called=called,
        )
        for number, (result, line, card) in enumerate(
            zip(results, lines, cards, strict=True), start=1
        )
    ]
    return sorted(entries, key=_urgency)


def _in_order(
    entries: Sequence[dict[str, Any]], mixes: Sequence[dict[str, Any]]
) -> list[tuple[dict[str, Any] | None, dict[str, Any]]]:
    """Put the cards into the order of the plan, each shared mix before its first impression."""
    waiting = {mix["number"]: mix for mix in mixes}
    in_order = sorted(entries, key=lambda entry: entry["shared"][0] if entry["shared"] else 0)
    return [
        (waiting.pop(entry["shared"][0], None) if entry["shared"] else None, entry)
        for entry in in_order
    ]


def _urgency(entry: dict[str, Any]) -> int:
    return 0 if entry["row"].refused else 1 if entry["row"].noted else 2


def _entry(
    number: int,
    result: Result,
    line: Row,
    card: dict[str, Any] | None,
    *,
    settings: Settings,
    plan: Plan | None,
    shared: tuple[int, SharedMix] | None,
    called: Mapping[str, str],
) -> dict[str, Any]:
    mix, base = result.mix, result.second_pour
    planned = [] if shared is None else _planned(shared[1], result, called)
    together = None if shared is None or plan is None else _together(result.name, *shared, plan)
    own = mix if together is None else None  # else its mix has a card of its own
    nodules_ml = None if base is None else settings.lab.second_pour.nodules_ml
    ends = stop_words(result)
    first = () if own is None else steps(own, settings.way, nodules_ml=nodules_ml, ends=ends)
    short = () if own is None else if_short(own)
    second = None if mix is None or base is None else _base(result, mix, base, settings)
    after = () if second is None else (*second["steps"], second["short"])
    made_ready = () if shared is None else ready(shared[1].turn_of(result.name)[0].window)
    told = (note.text + note.do for note in (*planned, *result.notes))
    words = (*told, *first, *short[:3], *after, *made_ready)
    return {
        "number": number,
        "result": result,
        "row": line,
        "card": card,
        "data": None if card is None else _data(result, card, has_amounts=own is not None),
        "half_ml": _half_ml(result),
        "plot": _plot(result) if result.curve else None,
        "steps": first,
        "short": short,
        "ratio": "" if mix is None else ratio_in_words(mix),
        "shared": shared,
        "planned": planned,
        "passed": [note for note in planned if "scans" in note.values],
        "together": together,
        "at": "" if shared is None or plan is None else plan.clock(shared[1].start_min),
        "hurries": shared is not None and _hurries(result.name, shared[1]),
        "is_late": plan is not None and result.name in plan.late,
        "window": ""
        if shared is None or plan is None
        else _window_words(result.name, shared[1], plan),
        "ready": made_ready,
        "first": "" if own is None else _pour_words(own),
        "terms": "" if own is None else terms_in_words(own),
        "base": second,
        "wordy": sum(map(len, words)) > _WORDY[base is not None],
        "dial": dial_in_words(settings.right_is_one_to_five(result.scan)),
        "advice": [] if result.trim is None else advice(result.trim),
        "stop": ends,
        "before": before_water(result),
    }


def _called(results: Sequence[Result], names: Sequence[str], plan: Plan | None) -> dict[str, str]:
    """Say what each scan is called; a mix may be for some that stand on another page."""
    planned = [one.name for made in (plan.mixes if plan else ()) for one in made.impressions]
    return {
        **{name: Path(name).name for name in planned},
        **dict(zip((result.name for result in results), names, strict=True)),
    }


def _mixes(
    results: Sequence[Result], names: Sequence[str], settings: Settings, plan: Plan | None
) -> list[dict[str, Any]]:
    """Gather the card of each shared mix, in the order to make them; on the page of its first."""
    called, by_name = _called(results, names, plan), {result.name: result for result in results}
    based = {result.name for result in results if result.second_pour is not None}
    cards = []
    for number, made in enumerate(() if plan is None else plan.mixes, start=1):
        firsts = [one.name for one in made.impressions]
        if plan is None or len(firsts) == 1 or firsts[0] not in by_name:
            continue
        nodules_ml = len(based.intersection(firsts)) * settings.lab.second_pour.nodules_ml
        cards.append(
            {
                "number": number,
                "at": plan.clock(made.start_min),
                "mix": made.mix,
                "water": water_cell(made.mix),
                "powder": powder_cell(made.mix),
                "scoops": scoops_in_words(made.mix),
                "bowl": bowl_in_words(made.mix),
                "ratio": ratio_in_words(made.mix),
                "turns": [(called[name], turn_words(name, made, plan)) for name in firsts],
                "notes": called_by(made, called).notes,
                "steps": steps(made.mix, settings.way, nodules_ml=nodules_ml if based else None),
                "before": [
                    f"{called[one.name]}: {told}"
                    for one in made.impressions
                    if one.name in by_name and (told := before_water(by_name[one.name]))
                ],
                "late": [called[one.name] for one in made.late],
                "after": afterwards(made, plan, {name in based for name in firsts}),
                "short": if_short(made.mix),
            }
        )
    return cards


def _planned(shared: SharedMix, result: Result, called: Mapping[str, str]) -> list[Note]:
    """Give what the plan notes of one impression, where its own notes do not say it."""
    own = {note.code for note in result.notes}
    notes = shared.notes if len(shared.impressions) == 1 else shared.notes_of(result.name)
    return [note.calling(called) for note in notes if note.code not in own]


def _together(name: str, number: int, shared: SharedMix, plan: Plan) -> dict[str, str] | None:
    """Say with which others a scan shares a mix, and when; None where it has its own."""
    others = [visible(Path(one.name).name) for one in shared.impressions if one.name != name]
    if not others:
        return None
    at = plan.clock(shared.turn_of(name)[1])
    return {"number": str(number), "others": ", ".join(others), "at": at}


def _window_words(name: str, shared: SharedMix, plan: Plan) -> str:
    """Say until when an impression may wait, where its material is known."""
    one, _ = shared.turn_of(name)
    if one.window is None:
        return ""
    until = plan.by(one).capitalize()
    if one.age_min is None:
        asked = f"{one.window.material} taken when? __:__"
        return f"{until}; {asked}" if until else asked.capitalize()
    return f"{until}: {one.window.material}, taken {plan.clock(-one.age_min)}"


def _hurries(name: str, shared: SharedMix) -> bool:
    window = shared.turn_of(name)[0].window
    return window is not None and window.is_short


def _data(result: Result, card: dict[str, Any], *, has_amounts: bool) -> dict[str, Any]:
    last_mm = result.curve[-1][0] if result.curve else 1.0
    moves = card["moves"] if has_amounts else [row[:2] for row in card["moves"]]
    return {"moves": moves, "solid": card["solid"], "curve_last": last_mm}


def _pour_words(made: Mix) -> str:
    each = f"{made.mixes} equal mixes" if made.mixes > 1 else ""
    said = [each, scoops_in_words(made), bowl_in_words(made), ratio_in_words(made)]
    return sentence(visible(", ".join(filter(None, said))))


def _base(result: Result, first: Mix, made: Mix, settings: Settings) -> dict[str, Any]:
    second = settings.lab.second_pour
    return {
        "height_mm": second.height_mm,
        "cast_mm": cast_mm(result, settings),
        "stone": made.stone,
        "water": water_cell(made),
        "powder": powder_cell(made),
        "scoops": scoops_in_words(made),
        "bowl": bowl_in_words(made),
        "ratio": ratio_in_words(made),
        "steps": base_steps(first, made, second.nodules_ml, settings.way),
        "short": base_if_short(made),
    }


def _half_ml(result: Result) -> float:
    if result.volume_ml is None or result.volume_high_ml is None:
        return 0.0
    return result.volume_high_ml - result.volume_ml


def _web(name: str) -> str:
    return resources.files("volest.view").joinpath("web", name).read_text(encoding="utf-8")


def _plot(result: Result) -> dict[str, Any]:
    """Lay out the curve of one measured scan, in the drawing's own units.

    Ticks are places and labels; the frame is left, top, right and bottom.
    """
    heights, volumes = np.array(result.curve).T
    left, right = _LEFT, WIDE - _RIGHT
    top, bottom = _TOP, TALL - _BOTTOM

    def x_of(height: float) -> float:
        share = (height - heights[0]) / max(float(np.ptp(heights)), _TINY)
        return float(left + (right - left) * share)

    def y_of(volume: float) -> float:
        return float(bottom - (bottom - top) * volume / max(float(volumes.max()), _TINY))

    best = result.volume_ml or 0.0
    low = best if result.volume_low_ml is None else result.volume_low_ml
    high = best if result.volume_high_ml is None else result.volume_high_ml
    return {
        "line": " ".join(
            f"{x_of(h):.1f},{y_of(v):.1f}" for h, v in zip(heights, volumes, strict=True)
        ),
        "x_ticks": tuple((x_of(at), f"{at:g}") for at in _ticks(heights[0], heights[-1])),
        "y_ticks": tuple((y_of(at), f"{at:g}") for at in _ticks(0.0, float(volumes.max()))),
        "base_x": x_of(0.0),
        "low_y": y_of(low),
        "high_y": y_of(high),
        "frame": (left, top, right, bottom),
    }


def _ticks(low: float, high: float) -> list[float]:
    step = next((s for s in _STEPS if (high - low) / s <= _MOST_TICKS), _STEPS[-1])
    first = np.ceil(low / step)
    return [float(k * step) for k in np.arange(first, np.floor(high / step) + 1)]
