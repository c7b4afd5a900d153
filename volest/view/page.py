"""The pour sheet: one page for a batch that needs nothing but itself, and what its cards carry.

A card is plain data, made where the cavity is at hand. What is drawn on it is made small enough to
travel inside a page: fewer triangles where it is flat, whole hundredths of a mm, each told by its
difference from the row above, deflated.
"""

import base64
import io
import json
import time
import zlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from importlib import resources
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import fast_simplification
import numpy as np

from volest import __version__
from volest.cavity.frame import Floats
from volest.dosing import cast_mm, dose, dosed
from volest.errors import MixError, ScanError, UsageError, visible
from volest.notes import Note, dial_in_words, sentence
from volest.pipeline import Cavity, examine_all, guided
from volest.report import table
from volest.report.guide import advice, stop_words
from volest.report.table import TIE, short_names, tied
from volest.result import NOTED, Result, plain, together
from volest.scan.decision import read_told
from volest.settings import Settings
from volest.stone import words
from volest.stone.shared import Plan, SharedMix
from volest.view.around import outline, strip
from volest.view.scene import (
    BASE_LINE,
    CUT_FACE,
    IMPRESSION,
    LOOKS,
    STONE,
    Mesh,
    Scene,
    scene_of,
    stone_heights_mm,
)

if TYPE_CHECKING:
    from jinja2 import Template

PICTURE_PX = 1400  # wide: sharp on paper and on a screen
_PICTURE_QUALITY = 82
_STEP_MM = 0.1  # of the slider
_LOWEST_MM = 12.0  # under the base line: no first pour ends deeper
_HIGHEST_MM = 12.0  # over the base line: beyond what the slider reaches
_LEAST_ML = 0.5  # a base line with less under it is none
_FREE_CELLS = 3
_MAP_CELL_MM = 0.4  # finer would only make the page heavier
_WHOLE = 1e-6  # what rounding leaves of a whole number
UNIT_MM = 0.01  # of all that is drawn: finer than a scanner measures
MOST_TRIANGLES = 20_000  # no corner of a scan that was tried strayed 0.19 mm from so many
_DIGITS = 3  # of mm: noise far over that of doubles, on which flat places would be lost
_ROW_MM = 1.0  # corners that lie near each other are told one after the other
_TINY_MM2 = 1e-9
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
_UNPLANNED = {"mix": 0, "at": "", "together": None, "planned": (), "window": "", "ready": ()}
_NOTHING: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMaker:
    """Sizes scans as a batch wants it, and gives with each result what draws its card."""

    pictures: bool

    def __call__(self, path: Path, settings: Settings) -> tuple[Result, Callable[[], str]]:
        """Size one scan; drawing the cards of its impressions comes after, and may fail."""
        start = time.perf_counter()
        measured = examine_all(path, settings)
        examined = [(dosed(one, settings), found) for one, found in measured]
        result = together(one for one, _ in examined).taking(time.perf_counter() - start)

        def draw() -> str:
            cards = (
                None
                if isinstance(found, ScanError) or one.volume_ml is None
                else card_of(one, found, settings, self.pictures)
                for one, found in examined
            )
            return json.dumps([*cards])

        return result, draw


def read_card(text: str | None, cavity: int = 1) -> dict[str, Any] | None:
    """Read the card of one impression that a `CardMaker` drew; None where there is none."""
    if text is None:
        return None
    cards: list[dict[str, Any] | None] = json.loads(text)
    return cards[cavity - 1]


def card_of(
    result: Result, cavity: Cavity, settings: Settings, pictured: bool = False
) -> dict[str, Any]:
    """Gather what the live view and the slider of a card need, as plain values for JSON.

    ``moves`` has one row a slider step, ``solid`` is what is drawn; ``strip`` and ``outline`` are
    SVG, empty where nothing is told, or no page holds it; ``picture`` is a ``data:`` address
    (RFC 2397); ``notes`` are those that ``result`` has not, since only what is drawn needs what
    they rest on. Prepared teeth are marked in the picture alone: on the desk's page, which shows
    ``solid`` too, a person marks them.
    """
    scan = Path(result.scan)
    right = settings.right_is_one_to_five(result.scan, is_arch=cavity.clock.is_arch)
    told, guide = guided(result, cavity, settings, read_told(scan).preparations, flowing=False)
    more = told.notes[len(result.notes) :]
    at_true_size = ""
    with suppress(UsageError):
        at_true_size = outline(cavity, scan.name, right_is_one_to_five=right)
    picture = None
    if pictured:
        from volest.view.picture import picture_of

        dies = () if guide.preparations is None else guide.preparations.each
        # The card has name and figures itself.
        whole = picture_of(result, cavity, [one.mark_mm for one in dies], headed=False)
        small = whole.resize((PICTURE_PX, round(whole.height * PICTURE_PX / whole.width)))
        stream = io.BytesIO()
        small.save(stream, "WEBP", quality=_PICTURE_QUALITY)
        picture = "data:image/webp;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
    return {
        "moves": moves(result, settings),
        "solid": _solid(scene_of(cavity)),
        "strip": strip(cavity, guide, right_is_one_to_five=right),
        "outline": at_true_size,
        "picture": picture,
        "notes": list(map(plain, more)),
    }


def moves(result: Result, settings: Settings) -> list[list[Any]]:
    """Work out the mix for every height that the slider can give the base line.

    Rows of height in mm, volume in mL, powder in g and water in mL as they are written, scoops.
    Volumes follow the curve (`volest show --curve`), straight between its heights; at 0 stands
    the measured volume itself. Heights with more than the lab's bowls take are left out.
    """
    heights, volumes = np.array(result.curve).T
    first = np.ceil(max(heights[0], -_LOWEST_MM) / _STEP_MM)
    rows = []
    for k in np.arange(first, np.floor(heights[-1] / _STEP_MM + _WHOLE) + 1):
        volume_ml = float(np.interp(k * _STEP_MM, heights, volumes))
        if k == 0 and result.volume_ml is not None:
            volume_ml = result.volume_ml
        if volume_ml >= _LEAST_ML:
            try:
                made = dose(result, volume_ml, settings, float(k) * _STEP_MM)
            except MixError:  # no bowl takes it: the slider ends below
                break
            mixed = [words.powder_cell(made), words.water_cell(made), words.scoops_cell(made)]
            rows.append([round(k * _STEP_MM, 1), round(volume_ml, 3), *mixed])
    return rows


def _solid(scene: Scene) -> dict[str, Any]:
    """Pack the drawing, with the base line at height 0 all over."""
    levelled, cavity, base, stand = {}, scene.cavity, scene.base, scene.stand
    for name, block in scene.blocks.items():
        x, y, _ = block.mesh.points_mm.T
        height = base.heights_mm(*stand.undrawn(block.mesh.points_mm).T) * base.upright
        levelled[name] = replace(block.mesh, points_mm=np.column_stack([x, y, height]))
    marks = [name for name in levelled if name not in (IMPRESSION, STONE, BASE_LINE)]
    main = decimated(levelled[IMPRESSION])
    # The map of the floor is cut down to what stone may cover; cells of a fine grid become one.
    grid, inside = cavity.relief.grid, cavity.footprint.inside
    every = max(int(_MAP_CELL_MM / grid.pitch_mm + _WHOLE), 1)
    j, i = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    first = [max(int(at[0]) - _FREE_CELLS, 0) for at in (i, j)]
    last = [int(at[-1]) + 1 + _FREE_CELLS for at in (i, j)]
    floor = stone_heights_mm(cavity, base) * base.upright
    floor = floor[first[1] : last[1] : every, first[0] : last[0] : every]
    # How a place of the drawing becomes a cell: u = a x + b y + c, and the same for v.
    low_mm = np.array(grid.low_mm) + np.array(first) * grid.pitch_mm
    to_cells = np.column_stack([stand.turn[:2, :2].T, stand.middle_mm[:2] - low_mm])
    to_cells /= grid.pitch_mm * every
    # Where the drawing's origin lies in the scan's own frame, and what each mm adds.
    drawn = np.vstack([np.zeros(3), np.eye(3)])
    x, y, _ = stand.undrawn(drawn).T
    places = np.column_stack([x, y, base.level_mm(x, y) + drawn[:, 2] / base.upright])
    origin, *ends = map(cavity.frame.from_frame, places)
    return {
        "low": np.round(main.points_mm.min(axis=0), 2).tolist(),
        "size": np.round(np.ptp(main.points_mm, axis=0), 2).tolist(),
        "colour": LOOKS[IMPRESSION].colour,
        "marks": [[name, *LOOKS[name]] for name in marks],
        "rows": floor.shape[0],
        "columns": floor.shape[1],
        "to_cells": to_cells.ravel().tolist(),
        "to_scan": [origin.tolist(), *((end - origin).tolist() for end in ends)],
        "stone": LOOKS[STONE].colour,
        "stone_cut": LOOKS[CUT_FACE].colour,
        "packed": packed(
            np.minimum(floor, _HIGHEST_MM), [main, *(levelled[name] for name in marks)]
        ),
    }


def decimated(mesh: Mesh, most: int = MOST_TRIANGLES) -> Mesh:
    """Leave so many triangles, fewest where it is flat; borders stay (Garland, Heckbert 1997)."""
    points = np.round(mesh.points_mm, _DIGITS)
    a, b, c = (points[mesh.triangles[:, k]] for k in range(3))
    triangles = mesh.triangles[np.linalg.norm(np.cross(b - a, c - a), axis=1) > _TINY_MM2]
    if len(triangles) > most:
        points, triangles = fast_simplification.simplify(
            points, triangles.astype(np.int32), target_count=most, preserve_border=True
        )
    along, across = points[:, 0], np.floor(points[:, 1] / _ROW_MM)
    order = np.lexsort([np.where(across % 2 == 0, along, -along), across])
    number = np.argsort(order)[triangles]
    first = number.argmin(axis=1)[:, None]
    number = np.take_along_axis(number, (first + np.arange(3)) % 3, axis=1)
    return Mesh(points_mm=points[order], triangles=number[np.lexsort(number.T[::-1])])


def packed(heights_mm: Floats, surfaces: Sequence[Mesh]) -> str:
    """Pack a map of heights (r, c), then corners and triangles of each surface, as base64."""
    tables = [heights_mm, *chain(*((one.points_mm, one.triangles) for one in surfaces))]
    whole = (
        table if table.dtype.kind == "i" else np.rint(table / UNIT_MM).astype(np.int64)
        for table in tables
    )
    steps = [np.diff(table, axis=0, prepend=0).ravel().tolist() for table in whole]
    text = json.dumps(steps, separators=(",", ":"))
    return base64.b64encode(zlib.compress(text.encode(), 9)).decode("ascii")


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
    shown = [result.name for result in results]
    folder, names = short_names(shown)
    by_name = {result.name: result for result in results}
    day = plan or Plan(mixes=(), alone=())
    numbered = {one.name: k for k, made in enumerate(day.mixes, 1) for one in made.impressions}
    # A mix may be for some that stand on another page.
    called = {name: Path(name).name for name in numbered} | dict(zip(shown, names, strict=True))
    entries = []
    lines = table.rows(results, names, settings.base, plan)
    for number, (result, line, card) in enumerate(zip(results, lines, cards, strict=True), start=1):
        turn, mix = _UNPLANNED, numbered.get(result.name)
        if mix is not None:
            turn = {"mix": mix, **_turn(result, day.mixes[mix - 1], day, called)}
        address, code = (at or {}).get(result.name), ""
        if address is not None:  # drawn as a QR code (ISO/IEC 18004)
            import segno

            code = segno.make(address, micro=False).svg_data_uri(omitsize=True)
        entry = _entry(result, line, card, turn, settings)
        entries.append({"number": number, "code": code, **entry})
    entries.sort(key=lambda entry: 0 if entry["row"].refused else 1 if entry["row"].noted else 2)
    mixes = {
        number: {"number": number, **mix_words(made, day, called, by_name)}
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
        scripts=[_web(name) for name in ("table.js", "solid.js", "card.js")],
    )


def with_drawn(result: Result, card: Mapping[str, Any] | None) -> Result:
    """Add what was noted when its card was drawn, if it has one and was not told of it before."""
    told = [] if card is None else list(map(Note.of, card["notes"]))
    more = [note for note in told if note not in result.notes]
    return replace(result, notes=(*result.notes, *more), outcome=NOTED) if more else result


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
    *,
    with_ends: bool = False,
) -> dict[str, Any]:
    """Say what a mix is on paper and on the desk's page, its scans by the names they are called.

    A mix may be for some that are not among the `results`; `with_ends` says where its stone ends.
    """
    names = [one.name for one in shared.impressions]
    known = {called[name]: results[name] for name in names if name in results}
    bases = {name: one.second_pour for name, one in known.items() if one.second_pour is not None}
    nodules_ml = dict(shared.mix.terms_ml)["nodules"]  # for those that stand on another page too
    ends = (f"{name}: " * (len(names) > 1) + stop_words(one) for name, one in known.items())
    before = {name: table.before_water(one) for name, one in known.items()}
    return {
        "mix": shared.mix,
        "at": plan.clock(shared.start_min),
        "turns": [(called[name], table.turn_words(name, shared, plan)) for name in names],
        "after": table.afterwards(shared, plan, {called[name] in bases for name in names}),
        "notes": [note.calling(called) for note in shared.notes],
        "late": [called[one.name] for one in shared.late],
        "before": {name: told for name, told in before.items() if told},
        "bases": bases,
        "steps": words.steps(
            shared.mix,
            nodules_ml=nodules_ml if bases or nodules_ml else None,
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
        steps = words.steps(own, nodules_ml=nodules_ml, ends=ends)
        short = words.if_short(own)[:3]
        each = f"{own.mixes} equal mixes" if own.mixes > 1 else ""
        said = [words.scoops_in_words(own), words.bowl_in_words(own), words.ratio_in_words(own)]
        first = sentence(visible(", ".join(filter(None, [each, *said]))))
    if mix is not None and base is not None:
        steps_of_base = words.base_steps(mix, base, second.nodules_ml)
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
