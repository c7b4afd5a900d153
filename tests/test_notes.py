"""The catalogue of notes: each code as the stages make it, in the words that a technician reads."""

import ast
import pickle
from collections.abc import Iterator
from typing import NamedTuple

import pytest
from pydantic import TypeAdapter

from tests.docs.fenced import ROOT
from volest.cavity.doubts import AXIS_UNSURE, JOINED
from volest.notes import CATALOGUE, Note, Value
from volest.stone.mix import OF_THE_BOWL
from volest.stone.shared import PASSED


class Worded(NamedTuple):
    """A note, and its sentences to the letter."""

    note: Note
    text: str
    do: str


AGAIN = "Copy or export the scan again."
LOOK = "Look at the scan: if a part is missing, export it again."
RULER = "Measure the impression with a ruler; if it differs, give the scan's --unit"
SIZE: dict[str, Value] = {
    "unit": "mm",
    "side_mm": 20.4,
    "height_mm": 6.04,
    "better_unit": None,
    "better_mm": (),
}
UNEVEN: dict[str, Value] = {
    "spread_mm": 0.44,
    "within_mm": 0.5,
    "within_deg": 1.25,
    "depth_mm": 9.96,
}
GAP: dict[str, Value] = {
    "lengths_mm": (90.4,),
    "lows_mm": (4.04,),
    "first_hours": (2,),
    "last_hours": (2,),
}
TIPS = (
    "Look whether the stone is to end there; if not, say where by --base depth=MM, over the "
    "deepest places of the floor; it is about 10.0 now."
)
SURE = "sure to within 0.5 mm and 1.2 degrees."
BOXED = "(seen into the opening, 12 is the front end); measured as if boxed in there."
LONG_GAP = "The rim lies below the base line over about 90 mm"
DIE: dict[str, Value] = {"wp_ml_per_100g": 18.0, "low": 19.0, "high": 24.0, "stone": "type-4"}
COARSE = "are so coarse that W/P comes to 18.0 mL per 100 g, outside 19 to 24 for type-4."
STIFF = (
    "W/P 18 mL per 100 g is outside 19 to 24 for type-4: expect a mix too stiff to flow into the "
    "tooth imprints."
)
SHEET = "Check the powder maker's sheet; use its ratio."
UNDER: dict[str, Value] = {"each_ml": 23.04, "least_ml": 40.0, "bowl": "wide", "way": "vacuum"}
WIDE = "23.0 mL is less than the 40 mL that bowl 'wide' mixes well."
SAID = [
    Worded(
        Note("misnamed", kind="STL", suffix=".ply", right=".stl"),
        "The file is STL by its content, though its name ends in .ply.",
        "Give it a name that ends in .stl.",
    ),
    Worded(
        Note("misnamed", kind="PLY", suffix="", right=".ply"),
        "The file is PLY by its content, though its name has no such ending.",
        "Give it a name that ends in .ply.",
    ),
    Worded(
        Note("trailing-bytes", count=1234, what="bytes", after="triangle"),
        "1,234 bytes follow the last triangle that the file states; not read.",
        LOOK,
    ),
    Worded(
        Note("trailing-bytes", count=2, what="words", after="facet"),
        "2 words follow the last facet; not read.",
        LOOK,
    ),
    Worded(
        Note("trailing-bytes", count=3, what="numbers", after="row"),
        "3 numbers follow the last row that the header states; not read.",
        LOOK,
    ),
    Worded(
        Note("degenerate", count=7000, what="triangles", of=9000),
        "7,000 of 9,000 triangles have no area and were dropped.",
        "Look whether the scan is whole; export it again.",
    ),
    Worded(
        Note("degenerate", count=2, what="faces", of=14),
        "2 faces with fewer than three corners were dropped.",
        "Nothing, if there are few; otherwise export the scan again.",
    ),
    Worded(
        Note("zeroed", count=1200),
        "1,200 triangles lie at or reach to exactly 0, 0, 0, as in a file that lost a block.",
        AGAIN,
    ),
    Worded(
        Note("repeated", count=10, what="triangles"),
        "10 triangles stand there three times or more, as in a file that lost a block.",
        AGAIN,
    ),
    Worded(
        Note("repeated", count=10, what="half"),
        "The file's second half repeats its first 10 triangles: half of the scan may be lost.",
        "Look whether the scan is whole; copy or export it again.",
    ),
    Worded(
        Note("needles", count=3),
        "3 long thin triangles reach across the scan and hang on to nothing there.",
        "Export the scan again; if they stay, clean the mesh.",
    ),
    Worded(
        Note("odd-size", odd="side", limits_mm=(25.0, 130.0), **SIZE),
        "Read as mm, the longest side is 20 mm; a quadrant is from 25 mm, a full arch with a tray "
        "handle up to 130 mm.",
        f"{RULER}.",
    ),
    Worded(
        Note("odd-size", odd="part", limits_mm=(12.0, 40.0), **SIZE),
        "Read as mm, the scan is 20 mm long and 6.0 mm high; one shorter than 40 mm is of a few "
        "teeth, and those are 12 mm high or more.",
        f"{RULER}.",
    ),
    Worded(
        Note("odd-size", odd="height", limits_mm=(7.0, 45.0), **SIZE).but(
            unit="cm", better_unit="inch", better_mm=(51.8, 15.3)
        ),
        "Read as cm, the scan is 20 mm long and 6.0 mm high; impressions are 7 to 45 mm high.",
        f"{RULER} (--unit inch makes it 52 mm long and 15 mm high).",
    ),
    Worded(
        Note("winding-mended", turned=4, doubled=0),
        "4 faces pointed the wrong way and 0 were doubled; put right.",
        "Check the export; the volume is measured from the mended surface.",
    ),
    Worded(
        Note("parts-left-out", share_percent=12.4),
        "The scan has parts that cross; the one that holds most was kept, with what does not cross "
        "it; 12 % of the faces were left out.",
        "Look whether all of the impression was kept; clean the scan of bench and holder.",
    ),
    *(
        Worded(
            Note("scanned-twice", copy=copy),
            f"The same surface lies in the scan twice, {where}; it is one impression and was "
            "measured once.",
            "Pour it once; export it once, or name the file for what it holds.",
        )
        for copy, where in ((False, "one in the other"), (True, "beside itself"))
    ),
    *(
        Worded(
            Note("faces-turned", is_open=is_open),
            "All faces point away from the opening; they were turned.",
            do,
        )
        for is_open, do in (
            (True, "Check that this is an impression and not a cast."),
            (False, "Nothing, if the picture looks right; the export writes faces inside out."),
        )
    ),
    Worded(
        Note("one-of-several", number=1, count=2, x_mm=1.4, y_mm=-12.6, z_mm=0.1, way="+z"),
        "Impression 1 of 2 in this scan: it lies at x 1, y -13, z 0 mm of the file and opens about "
        "to +z.",
        "Pour each by its own row; if this is none, leave its row out.",
    ),
    *(
        Worded(
            Note("same-scan", others=("b.stl", "c.stl"), more=more),
            f"The same scan, byte for byte, lies here as b.stl, c.stl{named} too.",
            "Mix for it once, or export the wrong one again.",
        )
        for more, named in ((0, ""), (4, " and 4 more"))
    ),
    Worded(
        Note("axis-unsure", share_percent=87.2),
        "Along another axis the scan holds 87 % as much.",
        "Give the base line by --base plane=... after a look at the scan.",
    ),
    Worded(
        Note("ragged-rim", offset_mm=0.8, **UNEVEN),
        "The rim strays 0.4 mm from a plane; the base line lies 0.8 mm above its middle height, "
        + SURE,
        TIPS,
    ),
    *(
        Worded(
            Note("wavy-rim", offset_mm=offset_mm, **UNEVEN),
            f"The rim waves by about 0.4 mm; the base line lies {place}, {SURE}",
            TIPS,
        )
        for offset_mm, place in (
            (0.0, "at its middle height"),
            (-1.5, "1.5 mm below its middle height"),
        )
    ),
    Worded(
        Note("two-heights", share_percent=37.5, rest_mm=-2.5, all_round_mm=-0.94, tilt_deg=3.0),
        "38 % of the rim lie about 2.5 mm lower than the other part, which the base line follows; "
        "along the mean of both it would lie 0.9 mm lower, tilted by 3.0 degrees.",
        "Box in the lower part, or end the stone there by --base rim=-2.5.",
    ),
    Worded(
        Note("two-heights", share_percent=37.5, rest_mm=2.5, all_round_mm=0.94, tilt_deg=3.0),
        "38 % of the rim lie about 2.5 mm higher than the other part, which the base line follows; "
        "along the mean of both it would lie 0.9 mm higher, tilted by 3.0 degrees.",
        "Trim the higher part, or fill to it, boxed in, by --base rim=2.5.",
    ),
    Worded(
        Note("leaning-rim", lean_deg=8.6),
        "The rim leans 9 degrees against the deepest places of the floor.",
        "Check that the base may lean like that, or give the base line by --base depth=MM.",
    ),
    Worded(
        Note("low-line", under_mm=8.04, to_rim_ml=30.0),
        "The base line lies 8.0 mm under the rim; up to the rim the cavity holds 30.0 mL.",
        "Check the height that was given, its decimal point first, and that stone will cover the "
        "floor.",
    ),
    Worded(
        Note("rim-not-seen", share_percent=34.3),
        "The scan ends while its walls still rise, over 34 % of its edge; the base line lies where "
        "the scan ends.",
        "Scan again with the rim in view, or give the base line.",
    ),
    Worded(
        Note("needs-boxing", heap_mm=2.0, **GAP),
        f"{LONG_GAP} at 2 o'clock by up to 4.0 mm {BOXED}",
        "Box in that stretch before the pour, to 2.0 mm over the base line.",
    ),
    Worded(
        Note("needs-boxing", heap_mm=0.0, **GAP).but(first_hours=(3,)),
        f"{LONG_GAP} all round by up to 4.0 mm {BOXED}",
        "Box in that stretch before the pour, to the base line.",
    ),
    Worded(
        Note(
            "needs-boxing",
            lengths_mm=(90.4, 12.0),
            lows_mm=(4.04, 2.5),
            first_hours=(11, 5),
            last_hours=(2, 5),
            heap_mm=0.5,
        ),
        f"{LONG_GAP} at 11 to 2 o'clock by up to 4.0 mm; over about 12 mm at 5 o'clock by up to "
        f"2.5 mm {BOXED}",
        "Box in those stretches before the pour, to 0.5 mm over the base line.",
    ),
    Worded(
        Note("needs-boxing", heap_mm=2.0, works_told=True, **GAP),
        "Measured as if boxed in where the rim lies below the base line.",
        "Box in before the pour as is told above, to 2.0 mm over the base line (seen into the "
        "opening, 12 is the front end).",
    ),
    *(
        Worded(
            Note(
                "odd-volume",
                to_rim_ml=2.4,
                outline_mm2=outline_mm2,
                depth_mm=2.42,
                small_mm2=1000.0,
                least_mm=least_mm,
                most_mm=21.0,
            ),
            f"Up to the rim the cavity holds 2.4 mL over {outline_mm2:.0f} mm2, 2.4 mm deep on "
            f"average; impressions {side} 1000 mm2 are {least_mm} to 21 mm deep.",
            "Measure the impression with a ruler; if the scan has not its size, give the scan's "
            "--unit.",
        )
        for outline_mm2, side, least_mm in ((992.0, "under", 6), (1000.0, "from", 3))
    ),
    Worded(
        Note("leak"),
        "A hole runs through a wall under the base line.",
        "Stop it with wax before the pour, or stone runs out.",
    ),
    Worded(
        Note("unseen-surface", area_mm2=63.8, hours=(1, 11), more_ml=0.66),
        "About 64 mm2 of walls and roofs below the base line are not in the scan, at 1, 11 o'clock "
        "(seen into the opening, 12 is the front end); closed as the rest of the scan suggests.",
        "Scan again tilted towards there, or pour with this mix: up to 0.7 mL more may be hidden "
        "there, and it has them in reserve.",
    ),
    *(
        Worded(
            Note("unseen-surface", area_mm2=63.8, hours=tuple(range(1, last)), more_ml=0.66),
            f"About 64 mm2 of walls and roofs below the base line are not in the scan, {where} "
            "(seen into the opening, 12 is the front end); closed as the rest of the scan "
            "suggests.",
            "Scan again tilted towards there, or pour with this mix: up to 0.7 mL more may be "
            "hidden there, and it has them in reserve.",
        )
        for last, where in ((11, "nearly all round"), (13, "all round"))
    ),
    Worded(
        Note("holes-filled", hole_mm2=25.04, hole_ml=0.314, hours=(3, 8)),
        "25.0 mm2 of the floor are missing, at 3, 8 o'clock (seen into the opening, 12 is the "
        "front end); filled from their border with 0.31 mL over them.",
        "Look at the scan before mixing; scan again if a preparation is among the missing parts.",
    ),
    Worded(
        Note("sealed-room", sealed_ml=0.524),
        "0.52 mL lie in bubbles that stone cannot reach; left out.",
        "Open them or take the impression again if they touch a preparation.",
    ),
    Worded(
        Note("air-trap", trapped_ml=0.404, hour=3),
        "0.40 mL under roofs with no way up for the air, near 3 o'clock (seen into the opening, "
        "12 is the front end).",
        "Lead the stone in from one side and tilt the tray there, so that air can leave.",
    ),
    Worded(
        Note("ridge-undercut", ml=1.37, deep_mm=1.26, least_ml=1.09),
        "The ridge is undercut all round: 1.4 mL of stone up to 1.3 mm under overhangs, and along "
        "no way out within 20 degrees less than 1.1 mL.",
        "Block out with wax where it is not critical, or cut the tray away in parts; do not pull "
        "the cast out in one piece.",
    ),
    Worded(
        Note("thin-stone", have_mm=2.04, hour=6, wanted_mm=3.0, higher_mm=0.96, area_mm2=40.0),
        "Stone over the floor would be 2.0 mm at its thinnest, near 6 o'clock (seen into the "
        "opening, 12 is the front end); 3 mm are wanted.",
        "Pour 1.0 mm higher, boxed in, or give the cast a base.",
    ),
    Worded(
        Note("short-die", have_mm=6.54, hours=(3, 4), wanted_mm=8.0, higher_mm=1.46),
        "Stone under the margin of the preparation at 3, 4 o'clock (seen into the opening, 12 is "
        "the front end) would be 6.5 mm at its least; 8 mm are wanted for pins.",
        "Box in and pour 1.5 mm higher, or take shorter pins.",
    ),
    Worded(
        Note("mark-in-no-imprint", places=("(1.0, -2.5, 3.0)",), hours=(3,)),
        "A preparation is marked at 3 o'clock (seen into the opening, 12 is the front end) where "
        "no tooth imprint with a clear border lies; nothing is said of it.",
        "Mark it again in the middle of its imprint, or measure by hand where the scan has holes.",
    ),
    Worded(
        Note("several-cavities", pieces_ml=(27.5, 12.5)),
        "The scan has 27.5 mL and 12.5 mL in cavities apart; they are added up.",
        "If these are two impressions, scan or export each for itself.",
    ),
    Worded(
        Note("hollow-left-out", left_out_ml=8.04),
        "A hollow that holds 8.0 mL lies lower than the rim of this cavity and is not counted.",
        "Look at the scan; if it is a second impression, scan or export each for itself.",
    ),
    Worded(
        Note("ways-differ", columns_ml=40.0, exact_ml=39.0),
        "Columns give 40.0 mL, the exact sum 39.0 mL; the columns are reported and the interval is "
        "widened.",
        "Look at the scan before mixing; the mesh may be damaged or cut off.",
    ),
    Worded(
        Note("waste-tiny", waste_percent=0.15, meant_percent=15.0),
        "A waste of 0.15 % is next to nothing: the mix may run short.",
        "If 15 % is meant, write 15.",
    ),
    Worded(
        Note("stretch-held", asked_ml_per_100g=29.0, wp_ml_per_100g=24.0, stone="type-4"),
        "The water asked for would make W/P 29 mL per 100 g; it is held at 24, the most that "
        "type-4 takes.",
        "Mix a fresh batch for what does not get poured in time.",
    ),
    Worded(
        Note("wp-by-marks", by="gram", **DIE),
        f"Marks and scale {COARSE}",
        "Use a finer cylinder or a syringe for the water, or mix more.",
    ),
    Worded(
        Note("wp-by-marks", by="scoop", **DIE),
        f"Marks and scoops {COARSE}",
        "Use a finer cylinder or a syringe for the water, or weigh the powder (--by gram).",
    ),
    Worded(Note("wp-outside", **DIE), STIFF, SHEET),
    Worded(Note("wp-outside", pour="base", **DIE), f"Base (second pour): {STIFF}", SHEET),
    Worded(
        Note("wp-outside", **DIE).but(wp_ml_per_100g=24.5),
        "W/P 24.5 mL per 100 g is outside 19 to 24 for type-4: expect weaker and rougher stone.",
        SHEET,
    ),
    Worded(
        Note("no-scoop", stone="type-2"),
        "What a level scoop of type-2 weighs is not known: its powder is told in grams.",
        "Weigh ten level scoops of it, divide by ten, and write that as scoop_g under its "
        "[[stone]] in the lab file.",
    ),
    Worded(
        Note("ridge-undercut", ml=1.37, deep_mm=1.31, least_ml=1.09),
        "The ridge is undercut all round: 1.4 mL of stone up to 1.3 mm under overhangs, and along "
        "no way out within 20 degrees less than 1.1 mL.",
        "Block out with wax where it is not critical, or cut the tray away in parts; do not pull "
        "the cast out in one piece.",
    ),
    Worded(
        Note("thin-stone", have_mm=1.04, hour=6, wanted_mm=3.0, higher_mm=1.96, area_mm2=4.0),
        "Stone over the floor would be 1.0 mm at its thinnest, near 6 o'clock (seen into the "
        "opening, 12 is the front end); 3 mm are wanted.",
        "Pour 2.0 mm higher, boxed in, or give the cast a base.",
    ),
    Worded(
        Note("split", mixes=2, pour="base"),
        "Base (second pour): Too much for one bowl: 2 equal mixes, one right after the other.",
        "Have water and powder of all of them ready before the first is stirred.",
    ),
    Worded(
        Note("bowl-underfilled", instead=(2, "small", "20.6 mL", "103 g"), **UNDER),
        WIDE,
        "Use a smaller bowl, mix it by hand, or make 2 equal mixes in bowl 'small', one right "
        "after the other, each of 20.6 mL water and 103 g powder, or pour another impression from "
        "the same mix.",
    ),
    Worded(
        Note("bowl-underfilled", instead=(), pour="base", **UNDER),
        f"Base (second pour): {WIDE}",
        "Use a smaller bowl, mix it by hand, or make several bases from one mix.",
    ),
    Worded(
        Note(
            PASSED,
            scans=("a", "b"),
            ages=("14 min", "3 h"),
            at_turn=False,
            material="agar",
            evidence="studies allow 15 and 30 min",
            is_lost=True,
        ),
        "Past the window of their material before any mix is ready: a is 14 min old, b is 3 h old. "
        "Agar: studies allow 15 and 30 min.",
        "Ask the maker's sheet, which goes before ours; all that was found speaks against it: ask "
        "for a new impression.",
    ),
    Worded(
        Note(
            PASSED,
            scans=("a",),
            ages=("16 min",),
            at_turn=True,
            material="alginate",
            evidence="sources disagree",
            is_lost=False,
        ),
        "At its turn a will be 16 min old: past the window of its material. Alginate: sources "
        "disagree.",
        "Get a second person to mix, or ask the maker's sheet, which goes before ours.",
    ),
    Worded(
        Note("pour-too-long", scans=("b.stl",), pouring_min=4.0, left_min=3.0),
        "Pouring b.stl takes 4 min, and mixing leaves 3 of the working time.",
        "Pour it from two mixes, or with a stone that stays soft for longer.",
    ),
    Worded(
        Note(
            "time-not-known",
            scans=("a", "b"),
            material="alginate",
            window="within 15 min",
            counted_min=10.0,
        ),
        "When was it taken? a, b: alginate is poured within 15 min after that; planned as 10 min "
        "old, which disinfecting alone can take.",
        "Say when, by --taken PATTERN=HH:MM, and plan again; without it pour these first and ask "
        "the maker's sheet.",
    ),
]


@pytest.mark.parametrize(("note", "text", "do"), SAID, ids=[note.code for note, _, _ in SAID])
def test_a_note_is_worded(note: Note, text: str, do: str) -> None:
    assert (note.text, note.do) == (text, do)
    kept = TypeAdapter(Note)
    sent = pickle.loads(pickle.dumps(note))  # noqa: S301  # as a worker hands it over
    for again in (sent, kept.validate_json(kept.dump_json(note))):
        assert (again, hash(again), again.text, again.do) == (note, hash(note), text, do)


@pytest.mark.parametrize("note", [said.note for said in SAID], ids=lambda note: note.code)
def test_the_desk_speaks_of_no_option(note: Note) -> None:
    assert "--" not in note.do_at_desk
    assert ("--" in note.do) == (note.do_at_desk != note.do)


def _made() -> Iterator[tuple[set[str], set[str], bool]]:
    """List each place that makes notes: codes, names of values, whether more are handed on."""
    paths = [path for path in (ROOT / "volest").rglob("*.py") if path.name != "notes.py"]
    nodes = [node for path in paths for node in ast.walk(ast.parse(path.read_text("utf-8")))]
    named = {"AXIS_UNSURE": AXIS_UNSURE, "PASSED": PASSED}
    named |= dict(zip(("SEVERAL", "LEFT_OUT"), sorted(JOINED, reverse=True), strict=True))
    for node in nodes:
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "Note" and node.args:
            parts = list(ast.walk(node.args[0]))
            words = {part.value for part in parts if isinstance(part, ast.Constant)}
            codes = {word for word in words if isinstance(word, str)}
            codes |= {code for name, code in named.items() if name in map(ast.unparse, parts)}
            names = {word.arg for word in node.keywords if word.arg}
            yield codes, names, any(word.arg is None for word in node.keywords)


def test_the_catalogue_has_what_the_stages_make_and_nothing_else() -> None:
    made = list(_made())
    assert all(codes for codes, _, _ in made)
    assert {code for codes, _, _ in made for code in codes} == set(CATALOGUE)
    assert {note.code for note, _, _ in SAID} == set(CATALOGUE)
    assert {*JOINED, *OF_THE_BOWL, AXIS_UNSURE, PASSED} <= set(CATALOGUE)
    for note, _, _ in SAID:
        values = set(note.values) - {"pour", "works_told"}  # said by what tells of it
        places = [(names, more) for codes, names, more in made if note.code in codes]
        assert any(names <= values if more else names == values for names, more in places), note


def test_a_code_or_a_figure_without_words_is_told_at_once() -> None:
    for code in ("unheard-of", "needles", "odd-size"):
        with pytest.raises((KeyError, AttributeError)):
            Note(code, odd="side")
