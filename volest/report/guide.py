"""The trim guide as text, and the curve of volume against height as CSV and as a drawing."""

import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

from volest.cavity.doubts import Uncertainty
from volest.cavity.trim import LEVEL_MM, Trim
from volest.errors import visible
from volest.notes import hours_in_words, pour_end
from volest.report.table import READING_WIDTH, beside_works, work_label, wrapped
from volest.result import Guide, Result
from volest.stone.mix import powder_in_words, water_in_words
from volest.stone.words import bowl_in_words, scoops_in_words
from volest.storage import write_whole

if TYPE_CHECKING:  # what finds these is read when it is asked for
    from volest.cavity.flow import Flow
    from volest.cavity.imprints import Imprints

_PARTS = {
    "base line": "where the base line lies",
    "border": "where the border runs across a gap in the rim",
    "holes": "the floor in holes",
    "pitch": "the two ways of measuring",
    "surface": "the scanner's own trueness",
}
PLOTS = (".svg", ".png", ".pdf")
_LEAST_MM = 0.05  # less is not told
_LEAST_RIM_MM = 0.5  # less at an hour is the end of what lies at the next
_TOLD_ML = 0.05  # less is told as nothing; under overhangs any wall has it
_RANKED = 4
_STONE, _LINE = "#7a5c2e", "#10262b"


def guide_text(
    result: Result,
    trim: Trim,
    margin: Uncertainty,
    lean_deg: float,
    dial: str,
    *,
    guide: Guide | None = None,
) -> str:
    """Tell all about one scan; `lean_deg` is from its rim to the floor's deepest places."""
    out = io.StringIO()
    console = Console(file=out, width=READING_WIDTH, highlight=False, markup=False, emoji=False)
    if result.mix is not None:
        console.print(wrapped(f"Mix: {mix_words(result)}.", READING_WIDTH, rest="  ") + "\n")
        console.print(f"{wrapped(stop_words(result), READING_WIDTH)}\n")
    console.print(f"{wrapped(dial, READING_WIDTH)}\n")
    _print_rim(console, trim)
    for line in advice(trim):
        console.print(wrapped(line, READING_WIDTH, rest="  "))
    console.print(
        f"\nThe rim leans {lean_deg:.1f} degrees against the deepest places of the floor."
    )
    if result.base_line is not None:
        tilt_deg = math.degrees(math.acos(max(-1.0, min(1.0, result.base_line.normal[2]))))
        console.print(f"The pour axis leans {tilt_deg:.0f} degrees against the scan's own z.")
    if guide is not None:
        _print_guide(console, guide)
    unsure = f"perhaps {margin.above_ml:.1f} mL more or {margin.below_ml:.1f} mL less"
    even = f"give or take {margin.above_ml:.1f} mL"
    console.print(f"\nVolume {result.volume_ml:.1f} mL, {unsure if margin.more_ml else even}:")
    for name, u_ml in margin.parts_ml:
        if abs(2.0 * u_ml) >= _TOLD_ML:
            console.print(f"  {abs(2.0 * u_ml):4.1f} mL  {_PARTS[name]}")
    if margin.more_ml:
        console.print(
            f"  {margin.more_ml:4.1f} mL  more behind surface that was not seen, or "
            f"{margin.less_ml:.1f} mL less"
        )
    for note in beside_works(result):
        words = f"{note.code}: {visible(note.text)} Do: {visible(note.do)}"
        console.print("\n" + wrapped(words, READING_WIDTH, rest="  "))
    return "\n".join(line.rstrip() for line in out.getvalue().split("\n"))


def mix_words(result: Result) -> str:
    """Say the mix in one line, water first, since it goes into the bowl first."""
    mix = result.mix
    if mix is None:  # a scan can be drawn whose mix no bowl takes
        return ""
    each = f"{mix.mixes} mixes, each: " if mix.mixes > 1 else ""
    amounts = f"water {water_in_words(mix)}, powder {powder_in_words(mix)} {mix.stone}"
    return ", ".join(filter(None, [f"{each}{amounts}", scoops_in_words(mix), bowl_in_words(mix)]))


def curve_text(curve: tuple[tuple[float, float], ...]) -> str:
    """Write a curve of heights over the base line in mm and volumes in mL as CSV.

    >>> print(curve_text(((-1.0, 2.0), (0.0, 3.5))), end="")
    height_mm,volume_ml
    -1.000,2.000
    0.000,3.500
    """
    rows = (f"{height:.3f},{volume:.3f}\n" for height, volume in curve)
    return "height_mm,volume_ml\n" + "".join(rows)


def _table(*heads: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0))
    for head in heads:
        table.add_column(head, justify="right")
    return table


def _print_rim(console: Console, trim: Trim) -> None:
    """Tell the rim hour by hour; nothing where all of it is level."""
    if not trim.works and max(trim.left_over_mm, trim.left_under_mm) <= LEVEL_MM:
        return
    parts = {part.hour: part for part in trim.stretches if part.length_mm >= _LEAST_RIM_MM}
    heads = ("hour", "length\nmm", "mean\nmm", "highest\nmm", "lowest\nmm", "to deep\nfloor, mm")
    table = _table(*heads)
    for hour in (12, *range(1, 12)):
        if part := parts.get(hour):
            heights = (f"{mm:z.1f}" for mm in (part.mean_mm, part.most_mm, part.least_mm))
            table.add_row(str(hour), f"{part.length_mm:.0f}", *heights, f"{part.to_pits_mm:.1f}")
    console.print("Heights of the rim over the base line, in mm, negative below it.")
    console.print(table)
    missing = [str(hour) for hour in (12, *range(1, 12)) if hour not in parts]
    if missing:
        console.print(f"No rim lies at {', '.join(missing)} o'clock.")
    console.print()


def _print_guide(console: Console, guide: Guide) -> None:
    console.print()
    if guide.imprints is not None and guide.imprints.each:
        console.print(_imprints(guide, guide.imprints))
        told = [one.width_mm for one in guide.imprints.each]
        behind = [mm for one in guide.thickness.behind for mm in (one.tip_mm, one.gum_mm)]
        if None in (*told, *behind):
            console.print("Blank: not in the scan, or beside it lies the rim and no gum.")
        console.print()
    for line in guide_lines(guide):
        console.print(wrapped(line, READING_WIDTH, rest="  "))
    if guide.preparations is not None and guide.preparations.each:
        heads = ("margin to\nbase line, mm", "least, with\nwhat is over")
        gap = "to neighbours (along the\nrow), wall to wall, mm"
        table = Table("preparation", *heads, gap, box=None, padding=(0, 2, 0, 0))
        for number, one in enumerate(guide.preparations.each, start=1):
            gaps = [
                f"{'not clear' if gap.width_mm is None else f'{gap.width_mm:.1f}'} "
                f"(towards {gap.towards_hour})"
                for gap in one.free
            ]
            table.add_row(
                f"{number} at {one.hour} o'clock",
                f"{one.least_mm:.1f} to {one.most_mm:.1f}",
                f"{one.least_mm + guide.preparations.over_mm:.1f}",
                ", ".join(gaps) or "no neighbour found",
            )
        console.print()
        console.print(table)
        ledges = (
            "A saw has less room than from wall to wall: ledges of margins stand out into it. Keep "
            "the blade off them."
        )
        console.print("\n" + wrapped(ledges, READING_WIDTH, rest="  "))


_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


def imprint_words(imprints: "Imprints", number: int) -> str | None:
    """Name an imprint, numbered from 1; None where it is not clear which it is."""
    which, where = _named(imprints, number)
    return f"{which} {where}" if which else None


def _named(imprints: "Imprints", number: int) -> tuple[str | None, str]:
    """Say which it is, if that is clear, and from where and which way; else only where it lies."""
    one = imprints.each[number - 1]
    if one.number is None or one.number > len(_ORDINALS):
        return None, f"at {one.hour} o'clock"
    where = f"from the end at {imprints.end_hours[0]} o'clock"
    if imprints.is_arch:
        where = f"from the front, towards {imprints.end_hours[one.side > 0]} o'clock"
    return _ORDINALS[one.number - 1], where


_COUNTS = dict(enumerate(("one", "two", "three", "four", "five", "six", "seven", "eight"), start=1))


def several_words(imprints: "Imprints", numbers: Sequence[int]) -> str:
    """Name imprints side by side."""
    named = {(one.number, one.side) for one in (imprints.each[at - 1] for at in numbers)}
    count = len(numbers)
    if named == {(at + 1, side) for at in range(count // 2) for side in (-1, 1)}:
        return f"the {_COUNTS.get(count, count)} front ones"
    groups: dict[str, list[str]] = {}
    for number in numbers:
        which, where = _named(imprints, number)
        groups.setdefault(where, []).append(which or "one")
    told = [
        f"{_COUNTS.get(len(each), len(each)) if {*each} == {'one'} else ', '.join(each)} {where}"
        for where, each in groups.items()
    ]
    return "; ".join(told)


def _imprints(guide: Guide, imprints: "Imprints") -> Table:
    level = [pour for pour in guide.flow.pours if not pour.tilt_deg] if guide.flow else []
    is_named = any(one.number for one in imprints.each)
    table = _table(
        *(("imprint, from\nthe front" if imprints.is_arch else "imprint",) if is_named else ()),
        *("hour", *(f"mL, let in\nat {pour.hour}" for pour in level)),
        *("wide\nmm", "stone to\nbase line", "beside it,\ngum"),
    )
    table.columns[0].justify = "left" if is_named else "right"
    for number, one in enumerate(imprints.each, start=1):
        behind = guide.thickness.behind[number - 1]
        which, _ = _named(imprints, number)
        if which and imprints.is_arch:
            which += f", towards {imprints.end_hours[one.side > 0]}"
        reached = [next(at for at in pour.reached if at.imprint == number) for pour in level]
        table.add_row(
            *((which or "not clear",) if is_named else ()),
            str(one.hour),
            *(f"{at.ml:.1f}" for at in reached),
            "" if one.width_mm is None else f"{one.width_mm:.1f}",
            *("" if mm is None else f"{mm:.1f}" for mm in (behind.tip_mm, behind.gum_mm)),
        )
    return table


def guide_lines(guide: Guide) -> list[str]:
    """Say what only the scan can tell, each thing in one line; of what is nothing, nothing."""
    from volest.cavity.cast import LOCKED_MM

    lines = [] if guide.flow is None else _flow_lines(guide.flow, guide.imprints)
    if guide.imprints is not None:
        widths = enumerate((one.width_mm for one in guide.imprints.each), start=1)
        if narrow := [k for k, mm in widths if mm is not None and mm < guide.narrow_mm]:
            lines.append(
                "Lead stone in by brush or instrument where the imprint is narrower than "
                f"{guide.narrow_mm:g} mm: {several_words(guide.imprints, narrow)}."
            )
        if guide.imprints.prepared and guide.preparations is None:
            numbers, places = zip(*guide.imprints.prepared, strict=True)
            told = ", ".join(f"[{x:.1f}, {y:.1f}, {z:.1f}]" for x, y, z in places)
            lines.append(
                "Low and free on both sides, as if prepared: "
                f"{several_words(guide.imprints, numbers)}. Are they? Then mark them, by p in "
                f"`volest view` or in the decision file: preparations=[{told}]"
            )
    thick, out = guide.thickness, guide.separation
    if thick.least_mm is not None:
        least_mm, whole_mm = (max(thick.least_mm + mm, 0.0) for mm in (0.0, thick.over_mm))
        lines.append(
            f"Off the walls stone is {least_mm:.1f} mm thick at least, near {thick.least_hour} "
            f"o'clock, and {whole_mm:.1f} mm with what stands over the base line."
        )
    lines.append(f"The cast will be {thick.total_mm:.1f} mm high.")
    if out.ml >= _TOLD_ML:
        held = [one.hour for one in out.hours if one.deep_mm >= LOCKED_MM]
        hours = ", ".join(map(str, sorted(held, key=lambda hour: hour % 12)))
        unseen = f" ({out.unseen_ml:.2f} of it not in the scan)" * (out.unseen_ml >= _TOLD_ML)
        lines.append(
            f"Taken straight out, {out.ml:.2f} mL of stone are under overhangs{unseen}, up to "
            f"{out.deep_mm:.1f} mm deep"
            + (f"; {LOCKED_MM:g} mm and more at {hours} o'clock." if hours else ".")
        )
    if out.better is not None and not out.notes:
        lines.append(
            f"Leaning {out.better.lean_deg:.0f} degrees towards {out.better.hour} o'clock on its "
            f"way out, {out.better.ml:.2f} mL are."
        )
    if guide.imprints is not None and out.slender:
        most = [one.imprint for one in out.slender[:_RANKED]]
        lines.append(f"Most slender at the neck: {several_words(guide.imprints, most)}.")
    if guide.palate is not None:
        lines.append(
            f"Poured as a horseshoe, {guide.palate.kept_mm:g} mm inside of the row's middle, it "
            f"takes {guide.palate.ml:.1f} mL less; block the palate out along "
            f"{guide.palate.edge_mm:.0f} mm, up to {guide.palate.high_mm:.0f} mm high "
            f"({guide.palate.wall_mm2:.0f} mm2). The mix told above fills it too."
        )
    return lines


def _flow_lines(flow: "Flow", imprints: "Imprints | None") -> list[str]:
    level, low, high = (flow.pours[k : k + 2] for k in (0, 2, 4))
    is_parted = imprints is not None and bool(imprints.each)
    ends = " and ".join(f"{one.last_ml:.1f} mL from {one.hour} o'clock" for one in level)
    last = "imprint" if is_parted else "deep place"
    lines = [f"Let in at one end, stone has wetted the last {last} after {ends}."]
    told = []
    for which, pours in (("lower", low), ("higher", high)):
        each = []
        for one in pours:
            runs = f" (it runs over the rim from {one.spills_ml:.1f} mL on)"
            each.append(f"{one.last_ml:.1f} mL" + runs * math.isfinite(one.spills_ml))
        told.append(f"{abs(pours[0].tilt_deg):.0f} degrees {which} it takes {' and '.join(each)}")
    if is_parted:
        lines.append(f"With that end {'; '.join(told)}.")
    full = [one.full_ml for one in level if one.full_ml is not None]
    if full:
        lines.append(
            f"Held level, all imprints are full to the gum beside them after {max(full):.1f} mL; "
            "from then on larger portions are safe."
        )
    worst, best = flow.worst_air, flow.best_air
    if worst is not None and best is not None:
        words = [
            f"{one.trapped_ml:.2f} mL of air stay "
            + (
                f"tilted by {one.tilt_deg:.0f} degrees, low at {one.low_hour} o'clock"
                if one.tilt_deg
                else "level"
            )
            + (f", near {one.hour} o'clock" if one.hour else "")
            for one in (flow.level_air, worst, best)
        ]
        lines.append(f"Under roofs {'; '.join(dict.fromkeys(words))}.")
    return lines


def stop_words(result: Result) -> str:
    """Say where the first pour ends: over its rim, as that is trimmed, or level with it."""
    over_rim_mm = 0.0 if result.trim is None else result.trim.over_rim_mm
    heap_ml = 0.0 if result.mix is None else dict(result.mix.terms_ml).get("heap", 0.0)
    heap_mm = 1000.0 * heap_ml / (result.rim_mm2 or result.footprint_mm2 or math.inf)
    over_mm = round(heap_mm + max(over_rim_mm, 0.0), 1)
    cut = f", which is trimmed by {-over_rim_mm:.1f} mm first" * (over_rim_mm <= -_LEAST_MM)
    end = f"{over_mm:.1f} mm over the rim" if over_mm else "level with the rim"
    low_mm = heap_mm + (0.0 if result.trim is None else result.trim.left_under_mm)
    low = f", {low_mm:.1f} mm where that is lowest" * (low_mm > over_mm + LEVEL_MM)
    return f"The stone ends {end}{low}{cut}."


def advice(trim: Trim) -> list[str]:
    """Sum up the trim guide in sentences."""
    off = (("over", trim.left_over_mm), ("under", trim.left_under_mm))
    told = " and ".join(f"{mm:.1f} mm {side}" for side, mm in off if round(mm, 1))
    left = f"it lies up to {told} the base line" if told else "it lies at the base line"
    if not trim.works:
        return [f"Nothing to cut or to box: {left}."]
    lines = []
    if any(work.what == "cut" for work in trim.works):
        lines.append(
            f"Untrimmed, a flat base would stand {max(trim.stand_off_mm, 0.0):.1f} mm above the "
            "base line. Keep the blade off margins and preparations, and cut away from the hand."
        )
    for work in trim.works:
        where = hours_in_words(work.hours[0], work.hours[-1]) + ", tongue side" * work.is_inner
        if work.what == "cut":
            lines.append(
                f"Cut {work.length_mm:.0f} mm of rim {where}, by up to {work.most_mm:.1f} mm; deep "
                f"floor begins {work.to_pits_mm:.1f} mm in."
            )
        else:
            lines.append(
                f"Box in {work.length_mm:.0f} mm of rim {where}, up to {work_label(work)[1]}: "
                f"{pour_end(work.heap_mm)}."
            )
    return [*lines, f"Leave the rest: {left}."]


def draw_curve(result: Result, target: Path) -> None:
    """Draw the volume over the base line's height, with the interval, to one of `PLOTS`."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.4, 4.0), layout="constrained")
    axes = figure.subplots()
    heights, volumes = zip(*result.curve, strict=True)
    axes.plot(heights, volumes, color=_STONE, linewidth=2.0)
    axes.axvline(0.0, color=_LINE, linewidth=1.0, linestyle="--", label="base line")
    low_ml, high_ml = result.volume_low_ml, result.volume_high_ml
    if low_ml is not None and high_ml is not None:
        axes.axhspan(low_ml, high_ml, color=_STONE, alpha=0.2, label="interval")
    axes.set_xlabel("height over the base line, mm")
    axes.set_ylabel("volume, mL")
    axes.set_title(visible(Path(result.name).name).replace("$", r"\$"), loc="left")
    axes.grid(visible=True, linewidth=0.3)
    axes.legend()
    stream = io.BytesIO()
    figure.savefig(stream, format=target.suffix.lower().removeprefix("."), dpi=150)
    write_whole(target, stream.getvalue())
