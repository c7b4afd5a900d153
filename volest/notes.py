"""What the tool doubts: a code and its figures, and the one catalogue of how these are worded."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from types import SimpleNamespace as Values
from typing import Any, NamedTuple

Scalar = str | bool | int | float
Value = Scalar | None | tuple[Scalar, ...]
_MANY_HOURS = 9  # more are not listed
ONCE = "mix for it once, or export the wrong one again"


class Said(NamedTuple):
    """A sentence, and what to do; the first letter and the full stop come by themselves."""

    text: str
    do: str
    do_at_desk: str = ""  # on the desk's page and on paper, where options mean nothing


@dataclass(frozen=True, slots=True, init=False)
class Note:
    """One doubt about one scan: a code for tables, files and docs, and the figures of its words.

    The value ``pour="base"`` says it of the base, the second pour; ``works_told=True`` below the
    stretches of rim that are boxed in.
    """

    code: str
    values: Mapping[str, Value] = field(hash=False)

    def __init__(self, code: str, /, **values: Value) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "values", values)
        self._said()  # a code without words, or words without their figures: told at once

    @property
    def text(self) -> str:
        """What is doubted, a sentence."""
        told = sentence(self._said().text)
        return f"Base (second pour): {told}" if self.values.get("pour") == "base" else told

    @property
    def do(self) -> str:
        """What to do about it, a sentence."""
        return sentence(self._said().do)

    @property
    def do_at_desk(self) -> str:
        """What to do about it where options mean nothing: on the desk's page, on paper."""
        said = self._said()
        return sentence(said.do_at_desk or said.do)

    def _said(self) -> Said:
        words = CATALOGUE[self.code]
        if callable(words):
            return words(Values(**{"pour": "first", "works_told": False, **self.values}))
        return Said(*(part.format(**self.values) for part in words))

    def but(self, **values: Value) -> "Note":
        """Give the same note with some other values."""
        return Note(self.code, **{**self.values, **values})

    def calling(self, names: Mapping[str, str]) -> "Note":
        """Give the same note with other names for the scans that it tells of."""
        scans = self.values.get("scans")
        if not isinstance(scans, tuple):
            return self
        return self.but(scans=tuple(names[str(scan)] for scan in scans))

    @classmethod
    def of(cls, record: Mapping[str, Any]) -> "Note":
        """Make the note that a record tells of."""
        return cls(record["code"], **record["values"])

    def as_record(self) -> dict[str, object]:
        """Return the note as plain values for JSON."""
        return {"code": self.code, "text": self.text, "do": self.do, "values": self.values}


def sentence(words: str) -> str:
    """Begin words with a capital and end them with one full stop."""
    return words[:1].upper() + words[1:].rstrip(".") + "."


def _listed(several: Sequence[object]) -> str:
    return ", ".join(map(str, several))


def _odd_size(v: Values) -> Said:
    low_mm, high_mm = v.limits_mm
    size = f"the scan is {v.side_mm:.0f} mm long and {v.height_mm:.1f} mm high"
    how = {
        "side": f"the longest side is {v.side_mm:.0f} mm; a quadrant is from {low_mm:.0f} mm, a "
        f"full arch with a tray handle up to {high_mm:.0f} mm",
        "part": f"{size}; one shorter than {high_mm:.0f} mm is of a few teeth, and those are "
        f"{low_mm:.0f} mm high or more",
        "height": f"{size}; impressions are {low_mm:.0f} to {high_mm:.0f} mm high",
    }
    better = ""
    if v.better_unit:
        side_mm, height_mm = v.better_mm
        made = f"{side_mm:.0f} mm long and {height_mm:.0f} mm high"
        better = f" (--unit {v.better_unit} makes it {made})"
    return Said(
        f"read as {v.unit}, {how[v.odd]}",
        f"measure the impression with a ruler; if it differs, give the scan's --unit{better}",
        "measure the impression with a ruler; if it differs, export the scan again, in mm",
    )


def _uneven_rim(how: str, v: Values) -> Said:
    side = "above" if v.offset_mm > 0 else "below"
    place = f"{abs(v.offset_mm):.1f} mm {side}" if v.offset_mm else "at"
    return Said(
        f"the rim {how.format(v.spread_mm)}; the base line lies {place} its middle height, "
        f"sure to within {v.within_mm:.1f} mm and {v.within_deg:.1f} degrees",
        "look whether the stone is to end there; if not, say where by --base depth=MM, over the "
        f"deepest places of the floor; it is about {v.depth_mm:.1f} now",
        "look whether the stone is to end there; if not, move the base line",
    )


def _two_heights(v: Values) -> Said:
    rest, all_round = (
        f"{abs(mm):.1f} mm {'higher' if mm > 0 else 'lower'}" for mm in (v.rest_mm, v.all_round_mm)
    )
    what, move = "trim the higher part, or fill to it, boxed in,", " and raise the base line by"
    if v.rest_mm < 0:
        what, move = "box in the lower part, or end the stone there", ": lower the base line by"
    return Said(
        f"{v.share_percent:.0f} % of the rim lie about {rest} than the other part, which the base "
        f"line follows; along the mean of both it would lie {all_round}, tilted by "
        f"{v.tilt_deg:.1f} degrees",
        f"{what} by --base rim={v.rest_mm:.1f}",
        f"{what}{move} {abs(v.rest_mm):.1f} mm",
    )


def hours_in_words(first: int, last: int) -> str:
    """Say where a stretch of rim runs, clockwise.

    >>> hours_in_words(11, 2), hours_in_words(4, 4), hours_in_words(5, 4)
    ("at 11 to 2 o'clock", "at 4 o'clock", 'all round')
    """
    if (last - first) % 12 == 11:  # noqa: PLR2004  # hours of a dial
        return "all round"
    return f"at {first} o'clock" if first == last else f"at {first} to {last} o'clock"


def _at_hours(hours: Sequence[int]) -> str:
    if len(hours) < _MANY_HOURS:
        return f"at {_listed(hours)} o'clock"
    return "nearly all round" if len(hours) < 12 else "all round"  # noqa: PLR2004  # the dial


def dial_in_words(right_is_one_to_five: bool | None, *, is_arch: bool) -> str:
    """Say how hours are meant, and where the patient's right is, if that is known."""
    if not is_arch:
        return "Seen into the opening, 12 o'clock is the narrower end of the row, mostly its front."
    dial = "Seen into the opening, 12 o'clock is the front of the arch"
    if right_is_one_to_five is None:
        return f"{dial}."
    sides = ("right", "left") if right_is_one_to_five else ("left", "right")
    return f"{dial}; 1 to 5 are the patient's {sides[0]}, 7 to 11 the {sides[1]}."


def pour_end(heap_mm: float) -> str:
    """Say up to where wax must stand: the base line, or the heap over it."""
    over = f"{heap_mm:.1f} mm over " if round(heap_mm, 1) else ""
    return f"to {over}the base line"


def _needs_boxing(v: Values) -> Said:
    if v.works_told:  # where, how long and how high, above the note
        return Said(
            "measured as if boxed in where the rim lies below the base line",
            f"box in before the pour as is told above, {pour_end(v.heap_mm)} (seen into the "
            "opening, 12 is the front end)",
        )
    stretches = zip(v.lengths_mm, v.lows_mm, v.first_hours, v.last_hours, strict=True)
    told = [
        f"over about {length_mm:.0f} mm {hours_in_words(first, last)} by up to {low_mm:.1f} mm"
        for length_mm, low_mm, first, last in stretches
    ]
    return Said(
        f"the rim lies below the base line {'; '.join(told)} (seen into the opening, 12 is the "
        "front end); measured as if boxed in there",
        f"box in {'that stretch' if len(told) == 1 else 'those stretches'} before the pour, "
        f"{pour_end(v.heap_mm)}",
    )


def _wp_by_marks(v: Values) -> Said:
    coarse, way_out, option = ("scale", "mix more", "")
    if v.by == "scoop":
        coarse, way_out, option = ("scoops", "weigh the powder", " (--by gram)")
    do = f"use a finer cylinder or a syringe for the water, or {way_out}"
    return Said(
        f"marks and {coarse} are so coarse that W/P comes to {v.wp_ml_per_100g:.1f} mL per 100 g, "
        f"outside {v.low:g} to {v.high:g} for {v.stone}",
        do + option,
        do,
    )


def _bowl_underfilled(v: Values) -> Said:
    split = ""
    if v.instead:
        mixes, bowl, water, powder = v.instead
        each = f"one right after the other, each of {water} water and {powder} powder"
        split = f"or make {mixes} equal mixes in bowl {bowl!r}, {each}, "
    by_hand = "mix it by hand, " if v.way == "vacuum" else ""
    share = "pour another impression from the same mix"
    if v.pour == "base":  # it is not poured into an impression of its own
        share = "make several bases from one mix"
    return Said(
        f"{v.each_ml:.1f} mL is less than the {v.least_ml:g} mL that bowl {v.bowl!r} mixes well",
        f"use a smaller bowl, {by_hand}{split}or {share}",
    )


def _window_passed(v: Values) -> Said:
    be = "will be" if v.at_turn else "is"
    told = ", ".join(f"{scan} {be} {age} old" for scan, age in zip(v.scans, v.ages, strict=True))
    past = f"past the window of {'its' if len(v.scans) == 1 else 'their'} material"
    second = "get a second person to mix, or " if v.at_turn else ""
    new = "; all that was found speaks against it: ask for a new impression" if v.is_lost else ""
    said = f"at its turn {told}: {past}" if v.at_turn else f"{past} before any mix is ready: {told}"
    return Said(
        f"{said}. {v.material.capitalize()}: {v.evidence}",
        f"{second}ask the maker's sheet, which goes before ours{new}",
    )


# The sentence and what to do, as templates of the values, or made by a function of these.
CATALOGUE: Mapping[str, Said | Callable[[Values], Said]] = {
    # Reading
    "misnamed": lambda v: Said(
        f"the file is {v.kind} by its content, though its name "
        + (f"ends in {v.suffix}" if v.suffix else "has no such ending"),
        f"give it a name that ends in {v.right}"),
    "trailing-bytes": lambda v: Said(
        f"{v.count:,} {v.what} follow the last {v.after}"
        + {"triangle": " that the file states", "row": " that the header states"}.get(v.after, "")
        + "; not read",
        "look at the scan: if a part is missing, export it again"),
    "degenerate": lambda v: Said(
        f"{v.count:,} faces with fewer than three corners were dropped",
        "nothing, if there are few; otherwise export the scan again")
    if v.what == "faces" else Said(
        f"{v.count:,} of {v.of:,} triangles have no area and were dropped",
        "look whether the scan is whole; export it again"),
    "zeroed": Said(
        "{count:,} triangles lie at or reach to exactly 0, 0, 0, as in a file that lost a block",
        "copy or export the scan again"),
    "repeated": lambda v: Said(
        f"the file's second half repeats its first {v.count:,} triangles: half of the scan may be "
        "lost",
        "look whether the scan is whole; copy or export it again")
    if v.what == "half" else Said(
        f"{v.count:,} triangles stand there three times or more, as in a file that lost a block",
        "copy or export the scan again"),
    "needles": Said(
        "{count:,} long thin triangles reach across the scan and hang on to nothing there",
        "export the scan again; if they stay, clean the mesh"),
    "odd-size": _odd_size,
    # The surface
    "winding-mended": Said(
        "{turned} faces pointed the wrong way and {doubled} were doubled; put right",
        "check the export; the volume is measured from the mended surface"),
    "parts-left-out": Said(
        "the scan has parts that cross; the one that holds most was kept, with what does not cross "
        "it; {share_percent:.0f} % of the faces were left out",
        "look whether all of the impression was kept; clean the scan of bench and holder"),
    "scanned-twice": lambda v: Said(
        "the same surface lies in the scan twice, "
        f"{'beside itself' if v.copy else 'one in the other'}; it is one impression and was "
        "measured once",
        "pour it once; export it once, or name the file for what it holds"),
    "faces-turned": lambda v: Said(
        "all faces point away from the opening; they were turned",
        "check that this is an impression and not a cast"
        if v.is_open
        else "nothing, if the picture looks right; the export writes faces inside out"),
    "one-of-several": Said(
        "impression {number} of {count} in this scan: it lies at x {x_mm:.0f}, y {y_mm:.0f}, "
        "z {z_mm:.0f} mm of the file and opens about to {way}",
        "pour each by its own row; if this is none, leave its row out"),
    "same-scan": lambda v: Said(
        f"the same scan, byte for byte, lies here as {_listed(v.others)}"
        f"{f' and {v.more} more' if v.more else ''} too",
        ONCE,
    ),
    # The base line
    "axis-unsure": Said(
        "along another axis the scan holds {share_percent:.0f} % as much",
        "give the base line by --base plane=... after a look at the scan",
        "look whether the stone lies in the opening; if it does not, do not mix by these figures"),
    "ragged-rim": partial(_uneven_rim, "strays {:.1f} mm from a plane"),
    "wavy-rim": partial(_uneven_rim, "waves by about {:.1f} mm"),
    "two-heights": _two_heights,
    "leaning-rim": Said(
        "the rim leans {lean_deg:.0f} degrees against the deepest places of the floor",
        "check that the base may lean like that, or give the base line by --base depth=MM",
        "check that the base may lean like that, or tilt the base line level with those"),
    "low-line": Said(
        "the base line lies {under_mm:.1f} mm under the rim; up to the rim the cavity holds "
        "{to_rim_ml:.1f} mL",
        "check the height that was given, its decimal point first, and that stone will cover the "
        "floor"),
    "rim-not-seen": Said(
        "the scan ends while its walls still rise, over {share_percent:.0f} % of its edge; the "
        "base line lies where the scan ends",
        "scan again with the rim in view, or give the base line"),
    "needs-boxing": _needs_boxing,
    # The cavity
    "odd-volume": lambda v: Said(
        f"up to the rim the cavity holds {v.to_rim_ml:.1f} mL over {v.outline_mm2:.0f} mm2, "
        f"{v.depth_mm:.1f} mm deep on average; impressions "
        f"{'under' if v.outline_mm2 < v.small_mm2 else 'from'} {v.small_mm2:.0f} mm2 are "
        f"{v.least_mm:.0f} to {v.most_mm:.0f} mm deep",
        "measure the impression with a ruler; if the scan has not its size, give the scan's --unit",
        "measure the impression with a ruler; if the scan has not its size, export it again, in mm",
    ),
    "leak": Said(
        "a hole runs through a wall under the base line",
        "stop it with wax before the pour, or stone runs out"),
    "unseen-surface": lambda v: Said(
        f"about {v.area_mm2:.0f} mm2 of walls and roofs below the base line are not in the scan, "
        f"{_at_hours(v.hours)} (seen into the opening, 12 is the front end); closed as the rest of "
        "the scan suggests",
        f"scan again tilted towards there, or pour with this mix: up to {v.more_ml:.1f} mL more "
        "may be hidden there, and it has them in reserve"),
    "holes-filled": lambda v: Said(
        f"{v.hole_mm2:.1f} mm2 of the floor are missing, at {_listed(v.hours)} o'clock (seen into "
        f"the opening, 12 is the front end); filled from their border with {v.hole_ml:.2f} mL over "
        "them",
        "look at the scan before mixing; scan again if a preparation is among the missing parts"),
    "sealed-room": Said(
        "{sealed_ml:.2f} mL lie in bubbles that stone cannot reach; left out",
        "open them or take the impression again if they touch a preparation"),
    "air-trap": Said(
        "{trapped_ml:.2f} mL under roofs with no way up for the air, near {hour} o'clock (seen "
        "into the opening, 12 is the front end)",
        "lead the stone in from one side and tilt the tray there, so that air can leave"),
    "ridge-undercut": Said(
        "the ridge is undercut all round: {ml:.1f} mL of stone up to {deep_mm:.1f} mm under "
        "overhangs, and along no way out within 20 degrees less than {least_ml:.1f} mL",
        "block out with wax where it is not critical, or cut the tray away in parts; do not pull "
        "the cast out in one piece"),
    "thin-stone": Said(
        "stone over the floor would be {have_mm:.1f} mm at its thinnest, near {hour} o'clock (seen "
        "into the opening, 12 is the front end); {wanted_mm:g} mm are wanted",
        "pour {higher_mm:.1f} mm higher, boxed in, or give the cast a base"),
    "short-die": lambda v: Said(
        f"stone under the margin of the preparation at {_listed(v.hours)} o'clock (seen into the "
        f"opening, 12 is the front end) would be {v.have_mm:.1f} mm at its least; {v.wanted_mm:g} "
        "mm are wanted for pins",
        f"box in and pour {v.higher_mm:.1f} mm higher, or take shorter pins"),
    "mark-in-no-imprint": lambda v: Said(
        f"a preparation is marked at {_listed(v.hours)} o'clock (seen into the opening, 12 is the "
        "front end) where no tooth imprint with a clear border lies; nothing is said of it",
        "mark it again in the middle of its imprint, or measure by hand where the scan has holes"),
    "several-cavities": lambda v: Said(
        f"the scan has {' and '.join(f'{ml:.1f} mL' for ml in v.pieces_ml)} in cavities apart; "
        "they are added up",
        "if these are two impressions, scan or export each for itself"),
    "hollow-left-out": Said(
        "a hollow that holds {left_out_ml:.1f} mL lies lower than the rim of this cavity and is "
        "not counted",
        "look at the scan; if it is a second impression, scan or export each for itself"),
    "ways-differ": Said(
        "columns give {columns_ml:.1f} mL, the exact sum {exact_ml:.1f} mL; the columns are "
        "reported and the interval is widened",
        "look at the scan before mixing; the mesh may be damaged or cut off"),
    # The mix
    "waste-tiny": Said(
        "a waste of {waste_percent:g} % is next to nothing: the mix may run short",
        "if {meant_percent:g} % is meant, write {meant_percent:g}"),
    "stretch-held": Said(
        "the water asked for would make W/P {asked_ml_per_100g:g} mL per 100 g; it is held at "
        "{wp_ml_per_100g:g}, the most that {stone} takes",
        "mix a fresh batch for what does not get poured in time"),
    "wp-by-marks": _wp_by_marks,
    "wp-outside": lambda v: Said(
        f"W/P {v.wp_ml_per_100g:g} mL per 100 g is outside {v.low:g} to {v.high:g} for {v.stone}: "
        "expect "
        + (
            "weaker and rougher stone"
            if v.wp_ml_per_100g > v.high
            else "a mix too stiff to flow into the tooth imprints"
        ),
        "check the powder maker's sheet; use its ratio"),
    "no-scoop": Said(
        "what a level scoop of {stone} weighs is not known: its powder is told in grams",
        "weigh ten level scoops of it, divide by ten, and write that as scoop_g under its "
        "[[stone]] in the lab file"),
    "split": Said(
        "too much for one bowl: {mixes} equal mixes, one right after the other",
        "have water and powder of all of them ready before the first is stirred"),
    "bowl-underfilled": _bowl_underfilled,
    "window-passed": _window_passed,
    "pour-too-long": Said(
        "pouring {scans[0]} takes {pouring_min:g} min, and mixing leaves {left_min:g} of the "
        "working time",
        "pour it from two mixes, or with a stone that stays soft for longer"),
    "time-not-known": lambda v: Said(
        f"when was it taken? {_listed(v.scans)}: {v.material} is poured {v.window} after that; "
        f"planned as {v.counted_min:g} min old, which disinfecting alone can take",
        "say when, by --taken PATTERN=HH:MM, and plan again; without it pour these first and ask "
        "the maker's sheet",
        "open the scan and say below its notes when it was taken; without it pour these first and "
        "ask the maker's sheet"),
}  # fmt: skip
