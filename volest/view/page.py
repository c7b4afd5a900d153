"""The pour sheet: one page for a batch that needs nothing but itself."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from volest import __version__
from volest.dosing import cast_mm
from volest.notes import Note, dial_in_words, sentence
from volest.report import table
from volest.report.guide import advice, stop_words
from volest.report.names import TIE, short_names, tied, visible
from volest.result import NOTED, Result
from volest.settings import Settings
from volest.stone import words
from volest.stone.shared import Plan, SharedMix
from volest.view.scene import LOOKS

if TYPE_CHECKING:
    from jinja2 import Template

# `volest show --plot` draws the same curve in `report/guide.py`, by a library that also writes PNG
# and PDF. It cannot draw here: a sheet is made without that library too, and the card's script
# moves a line over this drawing, whose frame it must know.
WIDE, TALL = 340.0, 220.0  # of the drawing's own units; the page scales it
_LEFT, _TOP, _RIGHT, _BOTTOM = 44.0, 12.0, WIDE - 10.0, TALL - 36.0
_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_MOST_TICKS = 6
_TINY = 1e-9  # a curve that is level or empty still has a width to divide by
_TIE = "\N{NO-BREAK SPACE}"
# Letters of notes and steps on a card beyond which paper carries what to do alone, without a base
# and with one: a page of Letter holds no more.
_WORDY = (1500, 1750)
_SCRIPTS = ("table.js", "solid.js", "card.js")
_UNPLANNED = {"mix": 0, "at": "", "together": None, "planned": (), "window": "", "ready": ()}
_NOTHING: Sequence[str] = ()


def sheet_text(
    results: Sequence[Result],
    cards: Sequence[dict[str, Any] | None],
    settings: Settings,
    plan: Plan | None = None,
    *,
    told: Sequence[str] = (),
    begun: bool = False,
    sized: datetime | None = None,
    at: Mapping[str, str] | None = None,
) -> str:
    """Write the pour sheet, a whole HTML page: no address in it leads out of it.

    `told` is said of the folder beside its scans; a plan may be `begun` already; `sized` is when
    they were sized, or found unchanged: now if it is not given. `at` are addresses where scans can
    be opened, by their names: the cards carry them, to be read by a camera.
    """
    drawn = zip(table.as_planned(results, plan), cards, strict=True)
    results = [with_drawn(result, card) for result, card in drawn]
    folder, names = short_names([result.name for result in results])
    by_name = {result.name: result for result in results}
    day = plan or Plan(mixes=(), alone=())
    numbered = {
        one.name: number for number, made in enumerate(day.mixes, 1) for one in made.impressions
    }
    # A mix may be for some that stand on another page.
    called = {name: Path(name).name for name in numbered}
    called.update(zip((result.name for result in results), names, strict=True))
    entries = []
    for number, (result, line, card) in enumerate(
        zip(results, table.rows(results, names, settings.base, plan), cards, strict=True), start=1
    ):
        turn, mix = _UNPLANNED, numbered.get(result.name)
        if mix is not None:
            turn = {"mix": mix, **_turn(result, day.mixes[mix - 1], day, called)}
        code = _drawn_code((at or {}).get(result.name))
        entries.append(
            {"number": number, "code": code, **_entry(result, line, card, turn, settings)}
        )
    entries.sort(key=lambda entry: 0 if entry["row"].refused else 1 if entry["row"].noted else 2)
    mixes = {
        number: {"number": number, **mix_words(made, day, called, by_name, settings)}
        for number, made in enumerate(day.mixes, start=1)
        if len(made.impressions) > 1 and made.impressions[0].name in by_name
    }
    # In the order of the plan, each shared mix before its first impression.
    in_order = sorted(entries, key=lambda entry: entry["mix"])
    return _template().render(
        version=__version__,
        sized=f"{sized or datetime.now().astimezone():%Y-%m-%d, %H:%M}",
        folder=folder,
        made_with=table.made_with(settings),
        tally=table.tally(results, day.late),
        entries=entries,
        cards=[(mixes.pop(entry["mix"], None), entry) for entry in in_order],
        lines=[
            *(table.shared_lines(plan, settings, begun=begun) if plan else ()),
            *table.batch_lines(results, plan),
        ],
        told=list(map(sentence, told)),
        looks=LOOKS,
        words=words,
        second=settings.lab.second_pour,
        shared_apart=table.SHARED_APART if plan else "",
        plot_size=(WIDE, TALL),
        style=_web("sheet.css"),
        scripts=[_web(name) for name in _SCRIPTS],
    )


def with_drawn(result: Result, card: Mapping[str, Any] | None) -> Result:
    """Add what was noted when its card was drawn, if it has one and was not told of it before."""
    told = [] if card is None else list(map(Note.of, card["notes"]))
    more = [note for note in told if note not in result.notes]
    return replace(result, notes=(*result.notes, *more), outcome=NOTED) if more else result


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


def mix_words(
    shared: SharedMix,
    plan: Plan,
    called: Mapping[str, str],
    results: Mapping[str, Result],
    settings: Settings,
    *,
    with_ends: bool = False,
) -> dict[str, Any]:
    """Say what a mix is on paper and on the desk's page, its scans by the names they are called.

    A mix may be for some that are not among the `results`; `with_ends` says where its stone ends.
    """
    names = [one.name for one in shared.impressions]
    known = {called[name]: results[name] for name in names if name in results}
    bases = {name: one.second_pour for name, one in known.items() if one.second_pour is not None}
    nodules_ml = len(bases) * settings.lab.second_pour.nodules_ml if bases else None
    ends = (f"{name}: " * (len(names) > 1) + stop_words(one) for name, one in known.items())
    before = {name: table.before_water(one) for name, one in known.items()}
    return {
        "mix": shared.mix,
        "at": plan.clock(shared.start_min),
        "turns": [(called[name], table.turn_words(name, shared, plan)) for name in names],
        "after": table.afterwards(shared, plan, {called[name] in bases for name in names}),
        "notes": table.called_by(shared, called).notes,
        "late": [called[one.name] for one in shared.late],
        "before": {name: told for name, told in before.items() if told},
        "bases": bases,
        "steps": words.steps(
            shared.mix,
            shared.mix.way,
            nodules_ml=nodules_ml,
            ends=" ".join(ends) if with_ends else "",
        ),
    }


def _turn(
    result: Result, shared: SharedMix, plan: Plan, called: Mapping[str, str]
) -> dict[str, Any]:
    """Say when a scan is poured, with which others, and until when it may wait."""
    one, at_min = shared.turn_of(result.name)
    others = [visible(Path(o.name).name) for o in shared.impressions if o is not one]
    own = {note.code for note in result.notes}
    notes = shared.notes_of(result.name) if others else shared.notes
    window, told, until = one.window, "", plan.by(one).capitalize()
    if window is not None and one.age_min is None:
        asked = f"{window.material} taken when? __:__"
        told = f"{until}; {asked}" if until else asked.capitalize()
    elif window is not None and one.age_min is not None:
        told = f"{until}: {window.material}, taken {plan.clock(-one.age_min)}"
    return {
        "at": plan.clock(shared.start_min),
        "together": {"others": ", ".join(others), "at": plan.clock(at_min)} if others else None,
        "planned": [note.calling(called) for note in notes if note.code not in own],
        "window": told,
        "hurries": window is not None and window.is_short,
        "late": one in shared.late,
        "ready": words.ready(window),
    }


def _entry(
    result: Result,
    line: table.Row,
    card: dict[str, Any] | None,
    turn: Mapping[str, Any],
    settings: Settings,
) -> dict[str, Any]:
    """Gather what a scan shows; one that shares a mix has no amounts of its own."""
    mix, base, second = result.mix, result.second_pour, settings.lab.second_pour
    ends, data, first = stop_words(result), None, ""
    steps, short, after = _NOTHING, _NOTHING, _NOTHING
    own = None if turn["together"] else mix
    if own is not None:
        nodules_ml = None if base is None else second.nodules_ml
        steps = words.steps(own, settings.way, nodules_ml=nodules_ml, ends=ends)
        short = words.if_short(own)[:3]
        each = f"{own.mixes} equal mixes" if own.mixes > 1 else ""
        said = [words.scoops_in_words(own), words.bowl_in_words(own), words.ratio_in_words(own)]
        first = sentence(visible(", ".join(filter(None, [each, *said]))))
    if mix is not None and base is not None:
        steps_of_base = words.base_steps(mix, base, second.nodules_ml, settings.way)
        after = (*steps_of_base, words.base_if_short(base, on_paper=True))
    if card is not None:
        moves = card["moves"] if own else [row[:2] for row in card["moves"]]
        last_mm = result.curve[-1][0] if result.curve else 1.0
        data = {"moves": moves, "solid": card["solid"], "curve_last": last_mm}
    told = (note.text + note.do_at_desk for note in (*turn["planned"], *result.notes))
    letters = sum(map(len, (*told, *steps, *short, *after, *turn["ready"])))
    right = settings.right_is_one_to_five(result.scan, is_arch=result.is_arch)
    return {
        "result": result,
        "row": line,
        "card": card,
        "data": data,
        "plot": _plot(result) if result.curve else None,
        "steps": steps,
        "short": short,
        "first": first,
        "base": base,
        "after": after,
        "cast_mm": cast_mm(result, settings),
        "wordy": letters > _WORDY[base is not None],
        "dial": dial_in_words(right, is_arch=result.is_arch),
        "advice": [] if result.trim is None else advice(result.trim),
        "stop": ends,
        "before": table.before_water(result),
        **turn,
    }


def _web(name: str) -> str:
    return resources.files("volest.view").joinpath("web", name).read_text(encoding="utf-8")


def _plot(result: Result) -> dict[str, Any]:
    """Lay out the curve of one measured scan, in the drawing's own units.

    Ticks are places and labels; the frame is left, top, right and bottom.
    """
    heights, volumes = np.array(result.curve).T
    first, most = heights[0], float(volumes.max())
    per_mm = (_RIGHT - _LEFT) / max(float(np.ptp(heights)), _TINY)

    def x_of(height: float) -> float:
        return float(_LEFT + (height - first) * per_mm)

    def y_of(volume: float | None) -> float:
        known = result.volume_ml or 0.0 if volume is None else volume
        return float(_BOTTOM - (_BOTTOM - _TOP) * known / max(most, _TINY))

    line = (f"{x_of(h):.1f},{y_of(v):.1f}" for h, v in zip(heights, volumes, strict=True))
    return {
        "line": " ".join(line),
        "x_ticks": tuple((x_of(at), f"{at:g}") for at in _ticks(first, heights[-1])),
        "y_ticks": tuple((y_of(at), f"{at:g}") for at in _ticks(0.0, most)),
        "base_x": x_of(0.0),
        "low_y": y_of(result.volume_low_ml),
        "high_y": y_of(result.volume_high_ml),
        "frame": (_LEFT, _TOP, _RIGHT, _BOTTOM),
    }


def _ticks(low: float, high: float) -> list[float]:
    step = next((s for s in _STEPS if (high - low) / s <= _MOST_TICKS), _STEPS[-1])
    first = np.ceil(low / step)
    return [float(k * step) for k in np.arange(first, np.floor(high / step) + 1)]
