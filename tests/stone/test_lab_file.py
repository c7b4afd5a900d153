"""The lab file: read whole, or every fault listed with key, value and what is needed.

Lab files at the ends of what they may say.
"""

from dataclasses import fields, is_dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from volest.errors import LabError, UsageError
from volest.lab import Bowl, Lab, OwnStone, Way
from volest.stone.lab_file import check_lab, read_lab_and_habits
from volest.stone.reference import LEAST_WP, STONE_TYPES, all_stones, find_stone

START = resources.files("volest.stone").joinpath("lab_start.toml").read_text(encoding="utf-8")


def faults(text: str, folder: Path) -> str:
    path = folder / "lab.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LabError) as caught:
        read_lab_and_habits(path)[0]
    assert caught.value.exit_code == 2
    return str(caught.value)


def test_an_empty_file_is_the_default_lab(tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_text("", encoding="utf-8")
    assert read_lab_and_habits(tmp_path / "lab.toml")[0] == Lab()


def test_the_start_is_the_default_lab(tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_text(START, encoding="utf-8")
    assert read_lab_and_habits(tmp_path / "lab.toml")[0] == Lab()


def test_the_start_with_every_line_uncommented_is_a_lab_too(tmp_path: Path) -> None:
    lines = [
        line[1:] if line.startswith("#") and not line.startswith("# ") else line
        for line in START.splitlines()
    ]
    (tmp_path / "lab.toml").write_text("\n".join(lines), encoding="utf-8")
    lab = read_lab_and_habits(tmp_path / "lab.toml")[0]
    assert (lab.bench, lab.way, lab.sharing) == (Lab().bench, Lab().way, Lab().sharing)
    assert lab.stone[0].wp == 21.0
    assert lab.bowl[0].most_ml == 120.0


def test_all_faults_are_listed_at_once(tmp_path: Path) -> None:
    told = faults(
        """
currency = 3
[bench]
scale_step_g = "1"
scop_g = 50
water_c = 40
[way.hand]
residue_ml = -1
[[bowl]]
name = "a"
most_ml = nan
way = "drill"
[[bowl]]
name = "b"
[sharing]
at_most = 9
""",
        tmp_path,
    )
    for fault in (
        "lab.toml: currency = 3 (needed: a text in quotes)",
        "lab.toml: bench.scale_step_g = '1' (needed: a number)",
        "lab.toml: bench.scop_g = 50 (needed: no such key; scoop_g?)",
        "lab.toml: bench.water_c = 40 (needed: at most 30)",
        "lab.toml: way.hand.residue_ml = -1 (needed: at least 0; mL left on bowl",
        "lab.toml: bowl 1.most_ml = nan (needed: a finite number)",
        "lab.toml: bowl 1.way = 'drill' (needed: 'hand' or 'vacuum')",
        "lab.toml: bowl 2.most_ml (needed: a value)",
        "lab.toml: sharing.at_most = 9 (needed: at most 4)",
    ):
        assert fault in told
    assert "mend all 9" in told


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "[way.vacuum]\nshare_percent = 0.12",
            "share_percent = 0.12 (needed: 0, or 1 and above; per cent of the volume: 12, not 0.12",
        ),
        ("[way.hand]\nshare_percent = 112", "way.hand.share_percent = 112 (needed: at most 100;"),
        (
            '[[stone]]\nname = "a"\nlike = "4"\nworking_low_min = 9\nworking_high_min = 5',
            "working_low_min, working_high_min = 9, 5 (needed: the shorter time first)",
        ),
        (
            '[[stone]]\nname = "a"\nlike = "4"\nworking_low_min = 300',
            "stone 1.working_low_min = 300 (needed: at most 60; minutes, not seconds)",
        ),
        ("[bench]\nscoop_g = 4300", "bench.scoop_g = 4300 (needed: at most 500; g in one level"),
        ("[bench]\nscoop_g = 0.05", "bench.scoop_g = 0.05 (needed: at least 1; g in one level"),
        ("[bench]\nscale_step_g = 100", "bench.scale_step_g = 100 (needed: at most 10; the"),
        ("[way.hand]\nresidue_ml = 100", "way.hand.residue_ml = 100 (needed: at most 50; mL left"),
        (
            '[[stone]]\nname = "a"\nlike = "4"\nwp = 0.2',
            "stone 1: wp = 0.2 (needed: mL of water per 100 g of powder: 20)",
        ),
        (
            '[[stone]]\nname = "a"\nlike = "4"\nwp = 0.2\nwp_low = 0.19\nwp_high = 0.24',
            "wp = 0.2, wp_low = 0.19, wp_high = 0.24 (needed: mL of water per 100 g of powder: 20,",
        ),
        (
            '[[stone]]\nname = "a"\nlike = "4"\nprice_per_kg = -5',
            "stone 1.price_per_kg = -5 (needed: at least 0; the invoice's price of a kg;",
        ),
        (
            '[[stone]]\nname = "a"\nlike = "4"\npowder_density = 1.1',
            "stone 1.powder_density = 1.1 (needed: at least 2; true density in g/cm3",
        ),
        ('[[bowl]]\nname = "a"\nmost_ml = 0.3', "bowl 1.most_ml = 0.3 (needed: at least 1; mL,"),
    ],
)
def test_slips_of_unit_say_what_is_meant(text: str, told: str, tmp_path: Path) -> None:
    # Ranges: common practice, no source; the density of hemihydrate, 2.5 to 2.74: pocket guide to
    # chemical hazards, entry on plaster, and a museum's page on calcium sulfate hemihydrate.
    line = faults(text, tmp_path)
    assert told in line
    assert "\n" not in line
    assert "mend it and try again" in line


def test_what_contradicts_itself_is_listed_too() -> None:
    with pytest.raises(LabError) as caught:
        check_lab(
            {
                "stone": [
                    {"name": "ivory", "like": "type-9"},
                    {"name": "Ivory", "like": "type-4", "wp": 30.0},
                    {"name": "grey", "like": "type-2", "wp_low": 10.0},
                ],
                "bowl": [{"name": "a", "most_ml": 30.0, "least_ml": 40.0}],
                "second_pour": {"stone": "marble"},
            },
            "lab.toml",
        )
    told = str(caught.value)
    assert "stone 1: like = 'type-9'" in told
    assert "stone 2.wp = 30 (needed: 19 to 24" in told
    assert "stone 2.name = 'Ivory'" in told
    assert "stone 3: wp_low, wp_high = 10, 50 (needed: rising, from 18.6)" in told
    assert "bowl 1: least_ml, most_ml = 40, 30 (needed: the smaller one first)" in told
    assert "second_pour.stone = 'marble'" in told


@pytest.mark.parametrize("text", ["[bench", "bench = 1", "stone = 'x'", "\x00"])
def test_files_that_are_no_lab(text: str, tmp_path: Path) -> None:
    assert "lab.toml" in faults(text, tmp_path)


@pytest.mark.parametrize("name", ["", "  ", "red\x1b[2J", "two\nlines"])
def test_names_are_printable(name: str) -> None:
    stone = {"name": name, "like": "type-4"}
    for values in (
        {"stone": [stone]},
        {"bowl": [{"name": name, "most_ml": 1}]},
        {"currency": name},
    ):
        with pytest.raises(LabError, match="printable") as caught:
            check_lab(values, "lab.toml")
        assert str(caught.value).isprintable()


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(LabError, match=r"no lab file .*lab.toml"):
        read_lab_and_habits(tmp_path / "lab.toml")[0]
    (tmp_path / "lab.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(LabError):
        read_lab_and_habits(tmp_path / "lab.toml")[0]


def test_own_stones_stand_on_the_type_they_are_like() -> None:
    lab = check_lab(
        {
            "currency": "CHF",
            "stone": [
                {"name": "ivory", "like": "type-3", "wp": 29.5, "price_per_kg": 3},
                {"name": "Type IV", "wp": 21.0, "wp_low": 20.0, "wp_high": 23.0},
            ],
        },
        "lab.toml",
    )
    ivory = find_stone("IVORY", lab)
    assert (ivory.wp.value, ivory.wp.mark) == (29.5, "the lab's own")
    assert ivory.powder_density is STONE_TYPES["type-3"].powder_density
    assert ivory.price is not None
    assert ivory.price.unit == "CHF per kg"
    changed = find_stone("4", lab)
    assert (changed.name, changed.wp.value) == ("type-4", 21.0)
    assert str(changed.wp_range) == "20 to 23"
    assert [*all_stones(lab)] == [*STONE_TYPES, "ivory"]
    with pytest.raises(UsageError, match=r"ivory.*type-5"):
        find_stone("marble", lab)


def test_the_page_and_the_start_name_every_key() -> None:
    page = Path(__file__).parents[2] / "docs" / "reference" / "settings.md"
    text = page.read_text(encoding="utf-8")
    lists = {"stone": OwnStone, "bowl": Bowl}
    for key in fields(Lab):
        inner = getattr(Lab(), key.name)
        if key.name in lists:
            names = [field.name for field in fields(lists[key.name])]
        elif key.name == "way":
            names = [f"way.{way}.{f.name}" for way in ("hand", "vacuum") for f in fields(Way)]
        elif is_dataclass(inner):
            names = [f"{key.name}.{field.name}" for field in fields(inner)]
        else:
            names = [key.name]
        for name in names:
            assert f"`{name}`" in text
            assert f"\n#{name.rpartition('.')[2]} = " in START or name in ("name", "title")


@pytest.mark.parametrize(
    "line", ["scoop_g = 46,0", "scoop_g = 46,0  # ten scoops", "  scoop_g=46,0"]
)
def test_a_comma_in_a_number_is_told_with_its_line(line: str, tmp_path: Path) -> None:
    # TOML (toml.io, version 1.0, "Float"): the fraction follows a decimal point.
    told = faults(f"[bench]\nscale_step_g = 0.5\n{line}\n", tmp_path)
    assert "lab.toml: line 3: 46,0; a number has a point: 46.0" in told
    assert "a number has a point" not in faults("[bench]\nscoop_g = [46,0\n", tmp_path)


def test_a_text_without_quotes_is_told_with_its_line(tmp_path: Path) -> None:
    # TOML (toml.io, version 1.0, "String"): basic strings stand in quotation marks.
    told = faults("[[stone]]\nname = green rubber\n", tmp_path)
    assert 'lab.toml: line 2: green rubber; a text has quotes: "green rubber"' in told


def test_a_key_that_is_nearly_right_is_named(tmp_path: Path) -> None:
    assert "bench.scoop = 55 (needed: no such key; scoop_g?)" in faults(
        "[bench]\nscoop = 55\n", tmp_path
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("scoop_g = 46\n", "no such key here; it belongs under [bench] or [[stone]]"),
        ("[bench]\nmost_ml = 46\n", "no such key here; it belongs under [[bowl]]"),
        ("[bowl]\nname = 'a'\nmost_ml = 60\n", "a list: two brackets, [[...]], over each entry"),
        ("[bench]\nscoop_g = 46\nscoop_g = 47\n", "The same key twice"),
    ],
)
def test_a_key_in_the_wrong_place_is_told_its_place(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "lab.toml").write_text(text, encoding="utf-8")
    with pytest.raises(LabError) as caught:
        read_lab_and_habits(tmp_path / "lab.toml")[0]
    assert told in str(caught.value)


def stone(**said: Any) -> dict[str, Any]:
    return {"stone": [{"name": "house", "like": "type-4", **said}]}


def bowl(least_ml: float, most_ml: float) -> dict[str, Any]:
    return {"bowl": [{"name": "a", "least_ml": least_ml, "most_ml": most_ml}]}


@pytest.mark.parametrize(
    "values",
    [
        stone(wp=22.0, wp_low=22.0, wp_high=22.0),  # a range of one value still holds it
        stone(wp=LEAST_WP.value, wp_low=LEAST_WP.value, wp_high=24.0),  # just enough to set
        stone(wp=24.0),  # the type's own highest: 19 to 24 (study cards "Gypsum products")
        stone(wp=19.0),
        bowl(29.9, 30.0),
    ],
)
def test_what_is_just_allowed(values: dict[str, Any]) -> None:
    check_lab(values, "lab.toml")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (stone(wp=22.0, wp_low=23.0, wp_high=22.0), "wp_low, wp_high = 23, 22 (needed: rising"),
        (stone(wp=20.0, wp_low=18.5), "wp_low, wp_high = 18.5, 24 (needed: rising, from 18.6)"),
        (stone(wp=24.1), "stone 1.wp = 24.1 (needed: 19 to 24"),
        (stone(wp=18.9), "stone 1.wp = 18.9 (needed: 19 to 24"),
        (bowl(30.0, 30.0), "bowl 1: least_ml, most_ml = 30, 30 (needed: the smaller"),
        (
            {"stone": [{"name": "house"}]},
            "'house' without like (needed: like = one of type-1",
        ),
        ({"bowl": {"name": "a"}}, "bowl = a table (needed:"),
    ],
)
def test_what_is_just_not_allowed(values: dict[str, Any], words: str) -> None:
    with pytest.raises(LabError) as caught:
        check_lab(values, "lab.toml")
    assert words in str(caught.value)


def test_one_fault_is_it_and_two_are_counted() -> None:
    with pytest.raises(LabError, match="mend it and try again"):
        check_lab(bowl(30.0, 30.0), "lab.toml")
    both = bowl(30.0, 30.0) | stone(wp=30.0)
    with pytest.raises(LabError, match="mend all 2 and try again"):
        check_lab(both, "lab.toml")


def test_two_of_one_name_are_told_by_their_numbers() -> None:
    two = {"bowl": [{"name": "Red", "most_ml": 30.0}, {"name": " red", "most_ml": 60.0}]}
    with pytest.raises(LabError, match=r"bowl 2\.name = ' red'.*a name that bowl 1 has not"):
        check_lab(two, "lab.toml")
