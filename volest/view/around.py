"""The rim by the hours of its dial: a strip for a card, and an outline at true size for the bench.

Both draw the same places, with the stretches that the trim guide tells.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import NamedTuple

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from skimage.measure import approximate_polygon, find_contours

from volest.cavity.cast import LOCKED_MM
from volest.cavity.frame import Bools, Floats, Ints
from volest.cavity.trim import HOURS, Work, on_tongue_side
from volest.errors import UsageError, visible
from volest.notes import dial_in_words, hours_in_words
from volest.pipeline import Cavity
from volest.report.table import shortened, work_label
from volest.result import Guide
from volest.view.scene import (
    BOXING,
    EVEN_OUT_CELLS,
    EVEN_OUT_MM,
    EXCESS,
    FAINT,
    INK,
    LOOKS,
    PROFILE,
    UNDERCUTS,
    DisplayFrame,
    display_frame_of,
    worked,
)

Heights = Callable[[Floats | float], Floats]  # of the base line, to a place on a drawing
_FONT = 'font-family="system-ui, DejaVu Sans, sans-serif" style="background:#fff"'
_COLOURS = {"cut": LOOKS[EXCESS].colour, "box": LOOKS[BOXING].colour}
_EDGE = 10  # cells of nothing round a map, so that its lines close
_TINY = 1e-9
_FLIP = (1.0, -1.0)  # on a page down is more
_TO_LEFT, _BOLD = ' text-anchor="end"', ' font-weight="700"'
# The strip, in units of its own: about a point each on paper.
_WIDE, _LEFT, _END = 400.0, 68.0, 392.0
_TALL, _QUIET_TALL, _LEVEL_MM = 54.0, 34.0, 1.0
_ASK, _SAY, _ROW, _LANE = 14.0, 8.0, 16.0, 11.0
_ASK_EM, _SAY_EM = 0.68, 0.6  # mean width of a letter
_PEG, _PEGS_APART, _APART = 8.0, 7.0, 17.0
_SHADE, _STRAY = "#ececec", 0.15  # what fewer corners may move a line
# The outline, in mm, within what A4 and Letter both hold between the edges that browsers leave.
_PAGE_MM, _MARGIN_MM, _HEAD_MM, _LINE_MM, _LIST_MM = (180.0, 245.0), 17.0, 30.0, 5.0, 6.5
_TEXT_MM, _HOUR_MM, _ASK_MM, _LETTERS = 3.5, 4.5, 4.8, 92
_BAR_MM, _MARKS_APART_MM, _STRAY_MM = 50.0, 3.0, 0.05
_PEG_MM = ((0.8, 0.0), (3.2, 1.1), (3.2, -1.1))
_POST_MM = ((0.0, 0.5), (2.6, 0.5), (2.6, -0.5), (0.0, -0.5))
_BESIDE = 6  # places on, and back: between them a line's way is even
_BESIDE_SHARE = 0.2  # of a way: what lies so near to a ray keeps an hour's number off
_MEASURE = "Measure this: 50 mm. If it is not, the printer has scaled the page."
_LAY_IT = (
    "Lay the tray on it as it is poured: opening up, its front to 12. Or cut it out along the line "
    "and lay it on the rim, this side up. Opening down it would be mirrored, like the cast."
)


def _line(colour: str, wide: float, more: str = "") -> str:
    return f'fill="none" stroke="{colour}" stroke-width="{wide:g}"{more}'


_SEEN = _line(FAINT, 0.25, ' class="seen"')
_INNER = _line(INK, 0.35, ' stroke-dasharray="2 1" class="inner"')
_RIM = _line(INK, 0.5, ' class="rim"')


class RimLine(NamedTuple):
    """One closed edge of the footprint: places (n, 2) in the drawing, and the crest's beside."""

    places_mm: Floats
    crest: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RimByHour:
    """The rim's crest, m places, as both drawings show it.

    Hours run from -6 to 6, 0 is 12 o'clock; heights are over the base line; `work` is the number of
    what is done there, from 1 in the trim guide's order, or 0; the tongue's side is inner.
    """

    works: Sequence[Work]
    places_mm: Floats
    hours: Floats
    over_mm: Floats
    work: Ints
    is_inner: Bools
    lines: Sequence[RimLine]

    def peaks(self) -> list[int]:
        """Give the place on the crest where each work is most off."""
        off = np.abs(self.over_mm)
        return [
            int(np.argmax(np.where(self.work == number, off, -1.0)))
            for number in range(1, len(self.works) + 1)
        ]

    def runs(self, line: RimLine) -> Iterator[tuple[Ints, Work]]:
        """Give what of a line is cut or boxed in one go, by numbers of its places."""
        for at in _runs(self.work[line.crest] + (len(self.works) + 1) * self.laps(line)):
            number = self.work[line.crest[at[0]]]
            if number:
                yield at, self.works[number - 1]

    def laps(self, line: RimLine) -> Ints:
        """Count at each place of a line how often it has passed 6 o'clock, where a strip ends."""
        hours = self.hours[line.crest]
        return np.cumsum(np.abs(np.diff(hours, prepend=hours[0])) > HOURS / 2)


def rim_by_hour(cavity: Cavity) -> RimByHour:
    """Lay the crest round the dial, with what the trim guide asks for."""
    grid, crest = cavity.relief.grid, cavity.rim.crest_mm
    over = cavity.base.heights_mm(*crest.T) * cavity.base.upright
    work = np.zeros(len(crest), dtype=np.int64)
    for number, (_, _, off) in enumerate(worked(cavity, over), start=1):
        work[off] = number
    tree, stand = cKDTree(crest[:, :2]), display_frame_of(cavity)
    edges = _edges(cavity.footprint.inside, cavity)
    return RimByHour(
        works=cavity.trim.works,
        places_mm=_drawn(stand, crest[:, :2]),
        hours=cavity.clock.dial(*crest.T[:2]),
        over_mm=over,
        work=work,
        is_inner=on_tongue_side(cavity.footprint, grid.pitch_mm),
        lines=[RimLine(_drawn(stand, edge), tree.query(edge)[1]) for edge in edges],
    )


def _edges(cells: Bools, cavity: Cavity) -> list[Floats]:
    """Follow the edges of a set of cells, anticlockwise round it, (n, 2) in the cavity's frame."""
    grid = cavity.relief.grid
    reach = min(EVEN_OUT_MM / grid.pitch_mm, EVEN_OUT_CELLS)
    even = gaussian_filter(np.pad(cells, _EDGE).astype(np.float64), reach)
    lines = find_contours(even, 0.5)
    return [(line[:-1, ::-1] - _EDGE) * grid.pitch_mm + np.array(grid.low_mm) for line in lines]


def _drawn(stand: DisplayFrame, places_mm: Floats) -> Floats:
    return stand.drawn(np.column_stack([places_mm, np.zeros(len(places_mm))]))[:, :2]


def _runs(values: Ints) -> Iterator[Ints]:
    """Part a closed line where a value changes."""
    count = len(values)
    starts = np.flatnonzero(values != np.roll(values, 1)) if np.ptp(values) else np.array([0])
    for start, end in zip(starts, np.append(starts[1:], starts[0] + count), strict=True):
        yield np.arange(start, end) % count


def strip(cavity: Cavity, guide: Guide, *, right_is_one_to_five: bool | None = None) -> str:
    """Draw the rim's height over the hours as SVG, 12 in the middle; '' where nothing is told."""
    works, lanes = cavity.trim.works, _lanes(cavity, guide)
    if not works and not lanes:
        return ""
    rim = rim_by_hour(cavity)
    labels = _labels(works, [float(rim.hours[at]) for at in rim.peaks()])
    low, high = min(float(rim.over_mm.min()), -_LEVEL_MM), max(float(rim.over_mm.max()), _LEVEL_MM)
    tall = _TALL if works else _QUIET_TALL
    top = _ROW * max((row + 1 for row, _ in labels), default=0) + (_PEG if works else 2.0)

    def y_of(height_mm: Floats | float) -> Floats:
        return np.asarray(top + tall * (high - height_mm) / (high - low))

    # What is left as it is is shaded; the base line and the crest's extremes are told.
    zero, area = float(y_of(0.0)), (cavity.trim.cut_over_mm, max(low, -cavity.trim.box_under_mm))
    upper, lower = (f"{y_of(mm):.1f}" for mm in area)
    ends = [float(rim.over_mm.min()), float(rim.over_mm.max())]
    figures = [(float(y_of(mm)), f"{mm:+.1f} mm") for mm in ends]
    figures = [(zero, "base line"), *(one for one in figures if abs(one[0] - zero) > _SAY)]
    parts = [
        f'<path d="M{_LEFT:g} {upper}H{_END:g}V{lower}H{_LEFT:g}z" fill="{_SHADE}"/>',
        *(_text(_LEFT - 6.0, y + 3.0, text, _SAY, _TO_LEFT) for y, text in figures),
        *(_filled(rim, line, y_of) for line in rim.lines),
        *(_course(rim, line, y_of) for line in rim.lines),
        f'<path d="M{_LEFT:g} {zero:.1f}H{_END:g}" {_line(INK, 1.6)}/>',
        *_asked_for(rim, labels, y_of),
    ]
    foot = top + tall
    net = "".join(f"M{_x_of(hour):.1f} {foot:.1f}v2" for hour in range(-6, 7))
    parts.append(f'<path d="{net}M{_LEFT:g} {foot:.1f}H{_END:g}" {_line(FAINT, 0.7)}/>')
    for hour in range(-6, 7):
        number = str((hour - 1) % HOURS + 1)
        parts.append(_text(_x_of(hour), foot + 10.0, number, 9.0, "" if hour else _BOLD))
    foot += _ROW
    if right_is_one_to_five is not None:
        sides = ("left", "right") if right_is_one_to_five else ("right", "left")
        for quarter, side in zip((-3.0, 3.0), sides, strict=True):
            parts.append(_text(_x_of(quarter), foot + 5.0, f"patient's {side}", _SAY))
        foot += _LANE
    for lane in lanes:
        parts.append(_lane(foot + _LANE / 2.0, lane))
        foot += _LANE
    told = "".join(f"; {', '.join(work_label(work))}" for work in works)
    return (
        f'<svg viewBox="0 0 {_WIDE:g} {foot:.0f}" role="img" '
        f'aria-label="The rim over the base line, by the hour{told}" {_FONT} '
        f'fill="{INK}" text-anchor="middle">{"".join(parts)}</svg>'
    )


def _asked_for(rim: RimByHour, labels: Sequence[tuple[int, float]], y_of: Heights) -> Iterator[str]:
    """Write what is asked for, each with a line to where it is most off."""
    for (row, _), at in zip(labels, rim.peaks(), strict=True):
        to = float(y_of(max(float(rim.over_mm[at]), 0.0))) - _PEG
        x, y = float(_x_of(rim.hours[at])), _ROW * row + _ROW - 2.0
        yield f'<path d="M{x:.1f} {y:g}V{to:.1f}" {_line(FAINT, 0.6)}/>'
    for (row, x), work in zip(labels, rim.works, strict=True):
        ask, say = _asked(work)
        yield (
            f'<text x="{x:.1f}" y="{_ROW * row + _ASK - 1.0:g}" font-size="{_SAY:g}" '
            'stroke="#fff" stroke-width="3" paint-order="stroke">'
            f'<tspan font-size="{_ASK:g}" font-weight="700">{ask}</tspan>{say}</text>'
        )


def _x_of(hour: Floats | float) -> Floats:
    return np.asarray(_LEFT + (_END - _LEFT) * (hour + 6.0) / 12.0)


def _asked(work: Work) -> tuple[str, str]:
    ask, say = work_label(work)
    return ask, f" {say}" + ", tongue side" * work.is_inner


def _labels(works: Sequence[Work], hours: Sequence[float]) -> list[tuple[int, float]]:
    """Lay what is asked over its hour: row and middle of each, in as few rows as hold them."""
    placed, ends = {}, [0.0]
    for at in np.argsort(hours):
        ask, say = _asked(works[at])
        half = (_ASK * _ASK_EM * len(ask) + _SAY * _SAY_EM * len(say)) / 2.0
        x = min(max(float(_x_of(hours[at])), half), _WIDE - half)
        row = next((k for k, end in enumerate(ends) if end <= x - half), len(ends))
        ends[row:] = [x + half + _SAY, *ends[row + 1 :]]
        placed[at] = (row, x)
    return [placed[at] for at in range(len(works))]


def _text(x: Floats | float, y: float, text: str, size: float, more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}"{more}>{escape(text)}</text>'


def _path(points: Floats, look: str, stray: float, *, close: bool = False) -> str:
    """Draw a line (n, 2) by the steps between as few corners as tell it (Douglas, Peucker 1973)."""
    few = np.rint(10.0 * approximate_polygon(points, stray)).astype(int)
    steps = " ".join(f"{x / 10:g} {y / 10:g}" for x, y in np.diff(few, axis=0))
    return f'<path d="M{few[0][0] / 10:g} {few[0][1] / 10:g}l{steps}{"z" * close}" {look}/>'


def _course(rim: RimByHour, line: RimLine, y_of: Heights) -> str:
    """Draw heights along the hours, dotted on the tongue's side, parted where the strip ends."""
    points = np.stack([_x_of(rim.hours), y_of(rim.over_mm)], axis=1)[line.crest]
    laps, is_inner, drawn = rim.laps(line), rim.is_inner[line.crest], []
    for at in _runs(2 * laps + is_inner):
        goes_on = laps[at[0] - 1] == laps[at[0]]
        dots = ' stroke-dasharray="1.2 1.8"' if is_inner[at[0]] else ""
        whole = np.append(at[0] - 1, at) if goes_on else at
        drawn.append(_path(points[whole], _line(INK, 1.1, dots), _STRAY))
    return "".join(drawn)


def _filled(rim: RimByHour, line: RimLine, y_of: Heights) -> str:
    """Fill what is off: with pegs over what is cut, with a fence where it is boxed in."""
    zero, drawn = float(y_of(0.0)), []
    for at, work in rim.runs(line):
        x, y = _x_of(rim.hours[line.crest[at]]), y_of(rim.over_mm[line.crest[at]])
        area = np.stack([[x[0], *x, x[-1]], [zero, *y, zero]], axis=1)
        shapes = [
            f"M{x[k]:.1f} {y[k] - 1.0:.1f}l-2.5-5h5z"
            if work.what == "cut"
            else f"M{x[k] - 1.2:.1f} {y[k]:.1f}V{zero - 4.0:.1f}h2.4V{y[k]:.1f}z"
            for k in _spread(x, _PEGS_APART)
        ]
        fill = f'fill="{_COLOURS[work.what]}"'
        drawn += [_path(area, fill, _STRAY, close=True), f'<path d="{"".join(shapes)}" {fill}/>']
    return "".join(drawn)


def _spread(along: Floats, apart: float) -> Ints:
    """Choose places along a line so far apart; one in the middle of a short one."""
    count = int(np.ptp(along) / apart) + 1
    wanted = along.min() + np.ptp(along) * (np.arange(count) + 0.5) / count
    return np.asarray(np.abs(along - wanted[:, None]).argmin(axis=1))


# Marks under the hours: name, shape, colour, hour and figure of each, which of several is told.
Lane = tuple[str, str, str, Sequence[tuple[float, float]], Callable[[Sequence[float]], float]]


def _lane(y: float, lane: Lane) -> str:
    """Draw the marks of a lane; those that lie near each other share one figure."""
    name, shape, colour, marks, extreme = lane
    parts = [_text(_LEFT - 6.0, y + 3.0, f"{name}, mm", _SAY, _TO_LEFT)]
    places = sorted((float(_x_of((hour + 6.0) % HOURS - 6.0)), mm) for hour, mm in marks)
    near: list[float] = []
    for (x, figure), (after, _) in zip(places, [*places[1:], (math.inf, 0.0)], strict=True):
        parts.append(f'<path d="M{x:.1f} {y:.1f}{shape}" fill="{colour}"/>')
        near.append(figure)
        if after - x > _APART:
            figures = f"{extreme(near):.1f}"
            parts.append(_text(x + 4.0, y + 3.0, figures, _SAY, ' text-anchor="start"'))
            near = []
    return "".join(parts)


def _lanes(cavity: Cavity, guide: Guide) -> list[Lane]:
    """Say what lies under the rim at which hour: held, hard to fill, or thin."""
    thick, each = guide.thickness, () if guide.imprints is None else guide.imprints.each
    held = [(one.hour, one.deep_mm) for one in guide.separation.hours if one.deep_mm >= LOCKED_MM]
    narrow = [
        (float(cavity.clock.dial(*np.array(one.place_mm))), one.width_mm)
        for one in each
        if one.width_mm is not None and one.width_mm < guide.narrow_mm
    ]
    thin = [
        (thick.least_hour, max(thick.least_mm + thick.over_mm, 0.0))
        for note in thick.notes
        if thick.least_mm is not None and thick.least_hour is not None
    ]
    lanes: tuple[Lane, ...] = (
        ("undercut", "m-3 0a3 3 0 1 0 6 0a3 3 0 1 0-6 0", LOOKS[UNDERCUTS].colour, held, max),
        ("narrow", "m-2.2-4h4.4l-2.2 8z", PROFILE, narrow, min),
        ("thin", "m-4 0l4-4l4 4l-4 4z", INK, thin, min),
    )
    return [lane for lane in lanes if lane[3]]


def outline(cavity: Cavity, name: str, *, right_is_one_to_five: bool | None = None) -> str:
    """Draw the rim from above at true size, as an SVG whose units are mm.

    The tray is laid on it as it is poured, opening up, so that nothing is mirrored.
    """
    rim, stand = rim_by_hour(cavity), display_frame_of(cavity)
    seen = [_drawn(stand, edge) for edge in _edges(~cavity.relief.outside, cavity)]
    words = [
        *wrap(dial_in_words(right_is_one_to_five, is_arch=cavity.clock.is_arch), _LETTERS),
        *wrap(_LAY_IT, _LETTERS),
    ]
    reach = np.concatenate(seen)
    low, high = reach.min(axis=0), reach.max(axis=0)
    top, (wide, tall) = _HEAD_MM + _LINE_MM * len(words), _PAGE_MM
    size = high - low + 2.0 * _MARGIN_MM
    room = np.array([wide, tall - top - _LIST_MM * len(rim.works)])
    if (size > room).any():
        raise UsageError(
            f"an outline of {size[0]:.0f} x {size[1]:.0f} mm with its hours",
            needed=f"{room[0]:.0f} x {room[1]:.0f} mm at most, for true size on A4 and Letter",
            remedy="check the scan's unit (--unit), or draw it smaller: --picture",
        )
    middle = np.array([wide, 2.0 * top + room[1]]) / 2.0 - (low + high) / 2.0 * _FLIP

    def on_page(places_mm: Floats) -> Floats:
        return np.asarray(places_mm * _FLIP + middle)

    parts = [*_head(name, words), *(_ring(on_page(edge), _SEEN) for edge in seen)]
    if cavity.rim.land.any():
        inner = _edges(cavity.footprint.inside & ~cavity.rim.land, cavity)
        parts += [_ring(on_page(_drawn(stand, edge)), _INNER) for edge in inner]
    parts += [_ring(on_page(line.places_mm), _RIM) for line in rim.lines]
    for hour in range(1, HOURS + 1):
        way = np.array([math.sin(hour * math.pi / 6.0), math.cos(hour * math.pi / 6.0)])
        far = _reach_mm(reach, way)
        ends = np.array([way * (far + 1.0), way * (far + 3.0)])
        parts.append(_path(on_page(ends), _line(INK, 0.4), _STRAY_MM))
        parts.append(_centred(on_page(way * (far + 6.5)), str(hour), _HOUR_MM))
    for line in rim.lines:
        parts += _marked(rim, line, on_page)
    parts += _lettered(rim, reach, on_page)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}mm" height="{tall:g}mm" '
        f'viewBox="0 0 {wide:g} {tall:g}" {_FONT} fill="{INK}">{"".join(parts)}</svg>\n'
    )


def _head(name: str, words: Sequence[str]) -> list[str]:
    """Write whose outline it is, the bar to measure, and how it is laid."""
    y = _HEAD_MM - 9.0
    bar = f"M.5 {y - 2.0:g}v4M.5 {y:g}h{_BAR_MM:g}m0-2v4"
    return [
        _text(0.0, 5.0, shortened(visible(name), _LETTERS // 2), _ASK_MM, _BOLD),
        _text(0.0, 11.0, "Outline at true size: print at 100 %, not fitted to the page.", _TEXT_MM),
        f'<path d="{bar}" {_line(INK, 0.25)} class="bar"/>',
        _text(_BAR_MM + 4.0, y + 1.2, _MEASURE, _TEXT_MM),
        *(_text(0.0, _HEAD_MM + _LINE_MM * k, text, _TEXT_MM) for k, text in enumerate(words)),
    ]


def _lettered(rim: RimByHour, reach_mm: Floats, on_page: Callable[[Floats], Floats]) -> list[str]:
    """Put a letter to each work, and write below what it asks for."""
    parts = []
    for number, (at, work) in enumerate(zip(rim.peaks(), rim.works, strict=True)):
        place, letter = rim.places_mm[at], chr(ord("A") + number)
        away = place / max(float(np.linalg.norm(place)), 1.0)
        out = place - 8.0 * away if rim.is_inner[at] else away * (_reach_mm(reach_mm, away) + 13.5)
        x, y = on_page(out)
        ask, say = _asked(work)
        row = _PAGE_MM[1] - _LIST_MM * (len(rim.works) - number - 1) - 1.5
        ring = f'r="3.2" fill="#fff" stroke="{INK}" stroke-width=".4"'
        hours = hours_in_words(work.hours[0], work.hours[-1])
        told = f'<tspan font-size="{_ASK_MM:g}"{_BOLD}>{letter} {ask}</tspan> {hours},{say}'
        parts += [
            _path(on_page(np.array([place, out])), _line(INK, 0.3), _STRAY_MM),
            f'<circle cx="{x:.1f}" cy="{y:.1f}" {ring}/>',
            _centred(on_page(out), letter, _ASK_MM),
            f'<text x="0" y="{row:g}" font-size="{_TEXT_MM:g}">{told}</text>',
        ]
    return parts


def _ring(points_mm: Floats, look: str) -> str:
    return _path(np.vstack([points_mm, points_mm[:1]]), look, _STRAY_MM, close=True)


def _centred(place: Floats, text: str, size: float) -> str:
    return _text(place[0], place[1] + 0.36 * size, text, size, f' text-anchor="middle"{_BOLD}')


def _reach_mm(corners_mm: Floats, way: Floats) -> float:
    """Say how far a scan reaches from the dial's middle one way, or would if it were no arch."""
    along, across = corners_mm @ way, np.abs(corners_mm @ (way[1], -way[0]))
    beside = (along > 0.0) & (across < _BESIDE_SHARE * along)
    return float(along[beside].max() if beside.any() else along.max())


def _marked(rim: RimByHour, line: RimLine, on_page: Callable[[Floats], Floats]) -> list[str]:
    """Draw the works over a line: pegs that point at what is cut, posts where it is boxed in."""
    along = np.roll(line.places_mm, -_BESIDE, axis=0) - np.roll(line.places_mm, _BESIDE, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1), _TINY)[:, None]
    drawn = []
    for at, work in rim.runs(line):
        places = line.places_mm[at]
        steps = np.linalg.norm(np.diff(places, axis=0, prepend=places[:1]), axis=1)
        chosen = _spread(np.cumsum(steps), _MARKS_APART_MM)
        across = along[at[chosen]]
        out = across[:, ::-1] * _FLIP
        # Corners of a mark: how far out, and how far along.
        corners = np.array(_PEG_MM if work.what == "cut" else _POST_MM)
        shapes = places[chosen][:, None] + np.einsum("kc,cmd->mkd", corners, [out, across])
        told = "".join(
            "M" + " ".join(f"{x:.1f} {y:.1f}" for x, y in on_page(shape)) + "z" for shape in shapes
        )
        colour = _COLOURS[work.what]
        drawn.append(_path(on_page(places), _line(colour, 1.2, f' class="{work.what}"'), _STRAY_MM))
        drawn.append(f'<path d="{told}" fill="{colour}"/>')
    return drawn
